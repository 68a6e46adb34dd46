"""Whether a lot that was received is what a notice means. Pure, no Django.

What cannot be decided is never taken for a no: it comes back as a candidate, with the reason in words.

How codes compare: as written, letter by letter. Where only capitals, spaces and the marks - . / _ differ, that is a
candidate. In a range, runs of letters compare as text and runs of digits as whole numbers, from the left; a code built
otherwise than the two ends, or with more or fewer digits where both ends have as many, cannot be ordered.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from enum import IntEnum
from typing import Any, NamedTuple
from uuid import UUID

from batches.supplier_codes import alike, folded

Days = tuple[date | None, date | None]
RUNS = re.compile(r"[0-9]+|[^0-9]+")


class Fit(IntEnum):
    NO = 0
    UNDECIDED = 1
    YES = 2


class Found(NamedTuple):
    """``why``: of what decided it, in words."""

    fit: Fit
    why: tuple[str, ...] = ()


@dataclass(frozen=True)
class Meant:
    """What a notice names. Codes and range are one question, either answers it; with days both must hold."""

    supplier: UUID | None = None
    materials: frozenset[UUID] = frozenset()
    codes: tuple[str, ...] = ()
    first: str = ""
    last: str = ""
    received: Days = (None, None)
    best_before: Days = (None, None)

    @property
    def names_goods(self) -> bool:
        """Else every lot of the house without a code would be a candidate."""
        return self.supplier is not None or bool(self.materials)

    @property
    def names_codes(self) -> bool:
        return bool(self.codes or self.first)


class Received(NamedTuple):
    """A lot as it was received."""

    key: int
    uid: UUID
    code: str
    material: UUID
    day: date
    supplier: UUID | None
    supplier_code: str
    best_before: date | None


def fit(meant: Meant, lot: Received) -> Found:
    """The weakest of all answers counts, so that one doubt makes a candidate and one no leaves it out.

    A listed code on what came from another supplier, or is another material, is a candidate: it may have come through
    somebody else, or bear another name here.
    """
    answers = []
    if meant.names_codes:
        answers.append(_code(meant, lot.supplier_code))
    answers.append(_day(lot.day, meant.received, "received"))
    answers.append(_day(lot.best_before, meant.best_before, "best before"))
    listed = any(alike(lot.supplier_code, each) for each in meant.codes)
    if meant.supplier is not None and lot.supplier != meant.supplier:
        doubt = Found(Fit.UNDECIDED, ("it bears a listed code and came from another supplier",))
        answers.append(doubt if listed else Found(Fit.NO, ("it came from another supplier",)))
    if meant.materials and lot.material not in meant.materials:
        doubt = Found(Fit.UNDECIDED, ("it bears a listed code and is another material here",))
        answers.append(doubt if listed else Found(Fit.NO, ("it is another material",)))
    weakest = min(answer.fit for answer in answers)
    return Found(weakest, tuple(why for each in answers if each.fit == weakest for why in each.why))


def _code(meant: Meant, code: str) -> Found:
    if not code.strip():
        return Found(Fit.UNDECIDED if meant.names_goods else Fit.NO, ("no supplier's code was noted",))
    answers = [_listed(code, meant.codes)]
    if meant.first:
        answers.append(_in_range(code, meant.first, meant.last))
    best = max(answer.fit for answer in answers)
    return Found(best, tuple(why for each in answers if each.fit == best for why in each.why))


def _listed(code: str, codes: Iterable[str]) -> Found:
    codes = list(codes)
    if code in codes:
        return Found(Fit.YES, ("its code is listed",))
    near = [each for each in codes if alike(code, each)]
    if near:
        return Found(Fit.UNDECIDED, (f"its code is listed written otherwise: {near[0]}",))
    return Found(Fit.NO, ("its code is not listed",) if codes else ())


def _in_range(code: str, first: str, last: str) -> Found:
    low, high, own = (_runs(each) for each in (first, last, code))
    if _shape(low) != _shape(high) or _key(low) > _key(high):
        return Found(Fit.UNDECIDED, (f"{first} to {last} cannot be ordered",))
    if _shape(own) != _shape(low) or _other_width(own, low, high):
        return Found(Fit.UNDECIDED, (f"its code cannot be compared with {first} to {last}",))
    if _key(low) <= _key(own) <= _key(high):
        return Found(Fit.YES, (f"its code lies in {first} to {last}",))
    return Found(Fit.NO, (f"its code lies outside {first} to {last}",))


def _runs(code: str) -> list[str]:
    return RUNS.findall(folded(code))


def _shape(runs: Iterable[str]) -> list[int]:
    """0 for a run of digits, else how many letters."""
    return [0 if _is_number(run) else len(run) for run in runs]


def _is_number(run: str) -> bool:
    return run.isascii() and run.isdigit()


def _key(runs: Iterable[str]) -> list[Any]:
    return [int(run) if _is_number(run) else run for run in runs]


def _other_width(own: list[str], low: list[str], high: list[str]) -> bool:
    return any(len(a) == len(b) != len(c) for a, b, c in zip(low, high, own, strict=True))


def _day(day: date | None, days: Days, word: str) -> Found:
    since, until = days
    if since is None and until is None:
        return Found(Fit.YES)
    if day is None:
        return Found(Fit.UNDECIDED, (f"no date for {word} was noted",))
    inside = (since is None or since <= day) and (until is None or day <= until)
    if inside:
        return Found(Fit.YES, (f"{word} {day.isoformat()} lies in the dates",))
    return Found(Fit.NO, (f"{word} {day.isoformat()} lies outside the dates",))
