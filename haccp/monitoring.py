"""What became of the checks that are due: which were made, which are still in time, which were missed."""

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from itertools import islice
from typing import Any
from uuid import UUID

from django.db.models import QuerySet

from batches.models import Batch, Lot
from haccp import dues as due_checks
from haccp.due_reading import Reading, grouped
from haccp.dues import END, SAID, YOURS, Due, OfHouse
from haccp.limits import Result
from haccp.models import Check, ControlPoint, PlanVersion
from haccp.series_uses import founded

AT_ONCE = 200
"""So many batches are read together: a flat number of statements, and memory that stays bounded (a site setting)."""
ASKED_OF_CHECKS = (
    "batch",
    "control_point",
    "part",
    "occasion",
    "performed_at",
    "recorded_at",
    "result",
    "corrects",
)

MOST_IN_A_ROW = 8
"""So many cases for one gap in a series; the last stands for the rest of the gap (a site setting, no source)."""


class State(StrEnum):
    MADE = "made"
    WAITING = "waiting"  # not due yet, or still in time
    MISSED = "missed"
    YOURS = "yours"  # the plan asks for it; no record tells when


@dataclass(frozen=True)
class Answered:
    """A due check and what became of it. ``case_slot``: the slot under which its case is opened, if missed."""

    due: Due
    state: State
    check: Check | None = None
    case_slot: str = ""

    @property
    def sentence(self) -> str:
        return YOURS if self.state is State.YOURS else ""


def of_batch(batch: Batch, now: datetime) -> list[Answered]:
    """Every check that the batch's plan version asks for so far, in the order they fall due."""
    ((_, found),) = of_batches([batch], now)
    return found


def of_batches(
    batches: Iterable[Batch], now: datetime, code: str | None = None
) -> Iterator[tuple[Batch, list[Answered]]]:
    """The same of many, some hundreds read together in a flat number of statements; ``code``: at this point only.

    Give them with their state, ``recipe_version__material`` and establishment. The answers come batch by batch, since a
    batch that nobody ended has thousands.
    """
    left = iter(batches)
    while some := list(islice(left, AT_ONCE)):
        reading = Reading(some, code)
        made, elsewhere = _made_on(some, code), _Elsewhere(some, reading)
        for batch in some:
            dues = due_checks.of_batch(batch, reading, now)
            yield batch, _answers(dues, made.get(batch.pk, ()), now, list(elsewhere.answering(batch)))


def of_receipt(lot: Lot, now: datetime) -> list[Answered]:
    """Every check that the plans in force ask for when this lot's material is received."""
    return _answers(due_checks.of_receipt(lot), list(_that_count(lot=lot)), now)


def _that_count(**about: Any) -> QuerySet[Check]:
    """With what is asked of them here, without what was read and judged, which is most of a row."""
    return founded(Check.objects.standing().filter(**about)).only(*ASKED_OF_CHECKS)


def _made_on(batches: Sequence[Batch], code: str | None) -> dict[int | None, list[Check]]:
    found = _that_count(batch__in=batches)
    return grouped(
        (each.batch_id, each) for each in (found if code is None else found.filter(control_point__code=code))
    )


class _Elsewhere:
    """Checks on other batches and lots of the premises, which may answer what is due once a shift or a day."""

    def __init__(self, batches: Sequence[Batch], reading: Reading):
        found = {each.pk: due_checks.of_house(each, reading) for each in batches}
        self.asked = {key: each for key, each in found.items() if each is not None}
        versions = {
            each.plan_version_id for each in batches if each.plan_version_id and each.pk in self.asked
        }
        rows = PlanVersion.objects.filter(pk__in=versions)
        self.plans: dict[UUID | None, UUID] = dict(rows.values_list("pk", "plan_id"))
        self.checks = self._read(list(self.asked.values())) if self.asked else {}

    def _read(self, asked: Sequence[OfHouse]) -> dict[tuple[UUID, str], list[Check]]:
        """By plan, whichever of its versions they were made under, and code of the point; in the order they were made."""
        codes = {code for each in asked for code in each.codes}
        rows = ControlPoint.objects.filter(version__plan__in=set(self.plans.values()), code__in=codes)
        points = {pk: (plan, code) for pk, plan, code in rows.values_list("pk", "version__plan", "code")}
        found = _that_count(control_point__in=points, performed_at__gte=min(each.since for each in asked))
        until = [each.until for each in asked if each.until is not None]
        if len(until) == len(asked):
            found = found.filter(performed_at__lte=max(until))
        return grouped((points[each.control_point_id], each) for each in found.order_by("performed_at", "id"))

    def answering(self, batch: Batch) -> Iterator[tuple[str, Check]]:
        """With the code of the point each was made at."""
        asked = self.asked.get(batch.pk)
        if asked is None:
            return
        for code in asked.codes:
            checks = self.checks.get((self.plans[batch.plan_version_id], code), [])
            begun = bisect_left(checks, asked.since, key=_made_at)
            ended = None if asked.until is None else bisect_right(checks, asked.until, key=_made_at)
            yield from ((code, each) for each in checks[begun:ended] if each.batch_id != batch.pk)


def _made_at(check: Check) -> datetime:
    return check.performed_at


# -- what became of it ------------------------------------------------------------------------------

Made = defaultdict[tuple[object, object], list[Check]]


def _answers(
    dues: Sequence[Due], checks: Sequence[Check], now: datetime, elsewhere: Sequence[tuple[str, Check]] = ()
) -> list[Answered]:
    """``elsewhere``: checks of the premises, which answer only what is due once a shift or a day."""
    house: dict[object, Any] = {
        check.control_point_id: due_checks.house_series(code) for code, check in elsewhere
    }
    house |= {due.control_point.pk: due.series for due in dues if due.house}
    made: Made = defaultdict(list)
    mixed = (*checks, *(check for _, check in elsewhere))
    for check in sorted(mixed, key=lambda check: (check.performed_at, check.pk)):
        made[house.get(check.control_point_id, (check.control_point_id, check.part_id))].append(check)
    found = [_answered(due, made[due.series], now) for due in dues]
    return list(_with_cases(_better(each, made[each.due.series]) for each in found))


def _answered(due: Due, made: list[Check], now: datetime) -> Answered:
    """Take the first check that fits; each check answers one due check only."""
    if due.yours:
        return Answered(due, State.YOURS)
    for check in made:
        if _fits(check, due):
            made.remove(check)
            return Answered(due, State.MADE, check)
    missed = due.missed_after is not None and now > due.missed_after
    return Answered(due, State.MISSED if missed else State.WAITING)


def _better(answered: Answered, spare: list[Check]) -> Answered:
    """Of a check that was made again in time, the one within limits counts; the other keeps its own case."""
    if answered.check is None or answered.check.result == Result.WITHIN:
        return answered
    again = next((c for c in spare if c.result == Result.WITHIN and _fits(c, answered.due)), None)
    if again is None or again.performed_at < answered.check.performed_at:
        return answered
    spare.remove(again)
    return replace(answered, check=again)


def _with_cases(found: Iterable[Answered]) -> Iterator[Answered]:
    """Each missed check has a case of its own; but in a long gap of a series the last stands for the rest."""
    gaps: dict[tuple[object, object], list[str]] = defaultdict(list)
    for each in found:
        gap = gaps[each.due.series]
        if each.due.number and each.state is not State.MISSED:
            gap.clear()
        if each.state is not State.MISSED:
            yield each
        elif each.due.number and len(gap) >= MOST_IN_A_ROW:
            yield replace(each, case_slot=gap[-1])
        else:
            if each.due.number:
                gap.append(each.due.slot)
            yield replace(each, case_slot=each.due.slot)


def _fits(check: Check, due: Due) -> bool:
    said = check.occasion if check.occasion in SAID else ""
    if said and said != due.asks:
        return False
    if due.not_before is not None and check.performed_at < due.not_before:
        return False
    in_time = due.missed_after is None or check.performed_at <= due.missed_after
    return in_time and (due.asks != END or _is_end_check(check, due))


def _is_end_check(check: Check, due: Due) -> bool:
    """Said to be the end's, or made no earlier than a patience before the end."""
    if check.occasion == END:
        return True
    if due.due_at is None or due.missed_after is None:
        return False
    return check.performed_at >= due.due_at - (due.missed_after - due.due_at)


def missed(found: Iterable[Answered]) -> list[Due]:
    """The missed checks that ask for a case of their own."""
    return [each.due for each in found if each.case_slot and each.case_slot == each.due.slot]
