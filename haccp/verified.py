"""What the verifications of an instrument say of a day and of a reading. Pure, no Django.

A verification speaks for its own range only. A failure stands until a good one covers the point that failed, and it
ends what every earlier one said. Readings since the last good one that covers that point are in doubt.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from decimal import Decimal
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from batches.quantities import UNITS, exactly

Floats = NDArray[np.float64]


class State(StrEnum):
    NEVER = "never-verified"
    VERIFIED = "verified"
    OVERDUE = "overdue"
    FAILED = "failed"


def same_kind(unit: str, other: str) -> bool:
    """Whether two units measure the same."""
    return unit in UNITS and other in UNITS and UNITS[unit].dimension is UNITS[other].dimension


@dataclass(frozen=True)
class Fact:
    """One verification: ``passed`` as found, ``left_good`` as it went back to work; ``point``: where it was held
    against something known; ``lower`` to ``upper``: the range it speaks for, all in ``unit``."""

    id: str
    at: datetime
    passed: bool
    left_good: bool
    point: Decimal
    lower: Decimal
    upper: Decimal
    unit: str

    def covers(self, value: Decimal, unit: str) -> bool:
        """Whether it speaks for ``value``; not for what the unit does not measure."""
        if not same_kind(unit, self.unit):
            return False
        return self.lower <= exactly(value, unit, self.unit) <= self.upper

    def spans(self, other: "Fact") -> bool:
        """Whether it speaks for all that the other speaks for."""
        return self.covers(other.lower, other.unit) and self.covers(other.upper, other.unit)

    def as_json(self) -> dict[str, Any]:
        numbers = {name: f"{getattr(self, name):f}" for name in ("point", "lower", "upper")}
        told = {"id": self.id, "at": self.at.isoformat(), "unit": self.unit}
        return told | {"passed": self.passed, "left_good": self.left_good} | numbers


def fact_from_json(kept: dict[str, Any]) -> Fact:
    numbers = {name: Decimal(kept[name]) for name in ("point", "lower", "upper")}
    return Fact(**(kept | {"at": datetime.fromisoformat(kept["at"])} | numbers))


@dataclass(frozen=True)
class Known:
    """What is known of an instrument at one time: the good verifications that still speak, in order, and the failures
    that no later good one has cleared. ``until``: when the last of all was made."""

    good: tuple[Fact, ...] = ()
    failed: tuple[Fact, ...] = ()
    until: datetime | None = None

    @property
    def last_good(self) -> Fact | None:
        return self.good[-1] if self.good else None

    def then(self, fact: Fact) -> "Known":
        """After one more verification. What a later good one covers wholly is left out: it adds nothing."""
        failing = not (fact.passed and fact.left_good)
        good = () if failing else self.good
        if not fact.left_good:
            return Known(good, (*self.failed, fact), fact.at)
        failed = tuple(each for each in self.failed if not fact.covers(each.point, each.unit))
        return Known((*(each for each in good if not fact.spans(each)), fact), failed, fact.at)

    def due_day(self, every_days: int | None, zone: tzinfo) -> date | None:
        """The last local day on which it is still in time; None without a schedule or a good verification."""
        if every_days is None or self.last_good is None:
            return None
        return self.last_good.at.astimezone(zone).date() + timedelta(days=every_days)

    def state(self, day: date, every_days: int | None, zone: tzinfo) -> State:
        if self.failed:
            return State.FAILED
        if self.last_good is None:
            return State.NEVER
        due = self.due_day(every_days, zone)
        return State.OVERDUE if due is not None and day > due else State.VERIFIED

    def speaks_for(self, value: Decimal, unit: str, at: datetime, every_days: int | None) -> bool:
        """Whether a good verification covers a reading. One older than the schedule no longer does, unless all are."""
        return any(each.covers(value, unit) for each in self._speaking(at, every_days))

    def speaks_for_all(self, values: Floats, unit: str, at: datetime, every_days: int | None) -> bool:
        """Whether every value is covered, each by one of the good verifications."""
        covered = np.zeros(len(values), dtype=bool)
        for each in self._speaking(at, every_days):
            if same_kind(unit, each.unit):
                lower, upper = (float(exactly(end, each.unit, unit)) for end in (each.lower, each.upper))
                covered |= (values >= lower) & (values <= upper)
        return bool(covered.all())

    def _speaking(self, at: datetime, every_days: int | None) -> Sequence[Fact]:
        fresh = [
            each
            for each in self.good
            if every_days is None
            or at - each.at <= timedelta(days=every_days + 1)  # the day it is due still counts
        ]
        return fresh or self.good

    def as_json(self) -> dict[str, Any]:
        return {
            "good": [each.as_json() for each in self.good],
            "failed": [each.as_json() for each in self.failed],
            "until": None if self.until is None else self.until.isoformat(),
        }


def known_from_json(kept: dict[str, Any]) -> Known:
    good, failed = (tuple(map(fact_from_json, kept[name])) for name in ("good", "failed"))
    return Known(good, failed, datetime.fromisoformat(kept["until"]) if kept["until"] else None)


def in_order(facts: Iterable[Fact]) -> list[Fact]:
    return sorted(facts, key=lambda fact: (fact.at, fact.id))


def known_at(facts: Iterable[Fact], at: datetime | None = None) -> Known:
    """What is known at a time from the verifications made by then; at the end of all without one."""
    known = Known()
    for fact in in_order(facts):
        if at is None or fact.at <= at:
            known = known.then(fact)
    return known


@dataclass(frozen=True)
class Doubt:
    """The time a failure speaks of, both ends included: what bears the very time of a good one is in doubt.

    ``since``: the last good verification that covers the point (None: as far back as there is); ``until``: the next
    one, or the failure itself where the instrument was put right at once (None: it lasts).
    """

    since: datetime | None
    until: datetime | None

    def reaches(self, at: datetime, until: datetime | None = None) -> bool:
        """Whether it speaks of a time; of any time from ``at`` on where ``until`` is given, both included."""
        return (self.since is None or self.since <= (until or at)) and (
            self.until is None or at <= self.until
        )


def doubt(facts: Sequence[Fact], failure: Fact) -> Doubt:
    """What a failure puts in doubt, by the verifications around it."""
    key = (failure.at, failure.id)
    good = [each for each in in_order(facts) if each.left_good and each.covers(failure.point, failure.unit)]
    before = [each.at for each in good if (each.at, each.id) < key]
    after = [each.at for each in good if (each.at, each.id) > key]
    until = failure.at if failure.left_good else min(after, default=None)
    return Doubt(max(before, default=None), until)


def in_doubt(facts: Sequence[Fact], at: datetime, until: datetime | None = None) -> bool:
    """Whether what was read at a time, or from then ``until``, is in doubt by a failure, found before or after it."""
    return any(doubt(facts, each).reaches(at, until) for each in facts if not each.passed)
