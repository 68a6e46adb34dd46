"""Which checks are due for a batch, its parts, or a received lot; which were made, and which were missed.

Only checks that can be foreseen are due: at start and end of a batch or part, in between at intervals, once, and
once for a receipt. What a changeover, a break, a shift or a day asks for is not judged here yet.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from django.db.models import Exists, OuterRef

from batches.models import Batch, Lot, Part
from haccp import plans
from haccp.limits import Result
from haccp.models import Check, ControlPoint, PlanVersion
from haccp.plan_documents import ControlPointSpec, Schedule

START, END, ANY = "start", "end", "once"
MOST_IN_A_ROW = 8
"""So many cases for one gap in a series; the last stands for the rest of the gap (a site setting, no source)."""
MOST_INTERVALS = 10_000
"""A batch that nobody ends asks for so many interval checks at one point, and no more (a site setting)."""
NOT_FORESEEN = datetime.max.replace(tzinfo=UTC)


class State(StrEnum):
    MADE = "made"
    WAITING = "waiting"  # not due yet, or still in time
    MISSED = "missed"


@dataclass(frozen=True)
class Due:
    """One check that must be made. ``slot`` names it for good; ``occasion`` is what the form shows."""

    control_point: ControlPoint
    spec: ControlPointSpec
    batch: Batch | None
    part: Part | None
    occasion: str
    due_at: datetime | None  # None: not foreseeable yet, the batch has not ended
    missed_after: datetime | None  # None: never missed, asked for when the lot is released
    lot: Lot | None = None
    number: int = 0  # which interval

    @property
    def slot(self) -> str:
        on = "lot" if self.lot else f"part {self.part.number}" if self.part else "batch"
        return f"{self.spec.code} {on} {self.occasion}"

    @property
    def series(self) -> tuple[object, object]:
        return self.control_point.pk, self.part.pk if self.part else None


@dataclass(frozen=True)
class Answered:
    """A due check and what became of it. ``case_slot``: the slot under which its case is opened, if missed."""

    due: Due
    state: State
    check: Check | None = None
    case_slot: str = ""


def of_batch(batch: Batch, now: datetime) -> list[Answered]:
    """Every check that the batch's plan version asks for so far, in the order they fall due."""
    return _answers(list(_of_batch(batch, now)), Check.objects.filter(batch=batch), now)


def of_receipt(lot: Lot, now: datetime) -> list[Answered]:
    """Every check that the plans in force ask for when this lot's material is received."""
    return _answers(list(_of_receipt(lot)), Check.objects.filter(lot=lot), now)


# -- what is due ------------------------------------------------------------------------------------


def _of_batch(batch: Batch, now: datetime) -> Iterator[Due]:
    if batch.plan_version_id is None:
        return
    version = PlanVersion.objects.get(pk=batch.plan_version_id)
    product = batch.recipe_version.material.code
    parts = list(batch.parts.order_by("number"))
    found: list[Due] = []
    for point in plans.control_points_of(version):
        spec = plans.spec(point)
        if spec.schedule is None or not spec.limits or product not in spec.products:
            continue
        whole = Due(point, spec, batch, None, "", None, None)
        if spec.schedule.per == "batch":
            found += _of_run(whole, spec.schedule, batch.state.started_at, batch.state.ended_at, now)
        elif spec.schedule.per == "part":
            for part in parts:
                of_part = replace(whole, part=part)
                found += _of_run(of_part, spec.schedule, part.performed_at, batch.state.ended_at, now)
    yield from sorted(found, key=lambda due: (due.due_at or NOT_FORESEEN, due.slot))


def _of_run(
    whole: Due, schedule: Schedule, begun: datetime, ended: datetime | None, now: datetime
) -> Iterator[Due]:
    within = timedelta(minutes=schedule.within_minutes or 0)

    def due(occasion: str, at: datetime | None, number: int = 0) -> Due:
        missed = None if at is None else at + within
        return replace(whole, occasion=occasion, due_at=at, missed_after=missed, number=number)

    if START in schedule.at:
        yield due(START, begun)
    if schedule.every_minutes:
        every = timedelta(minutes=schedule.every_minutes)
        for number, at in _intervals(begun, ended or now, every):
            yield due(f"every {schedule.every_minutes} min, {number}", at, number)
    if END in schedule.at:
        yield due(END, ended)
    if not schedule.at and not schedule.every_minutes:
        yield due(ANY, ended)


def _intervals(begun: datetime, until: datetime, every: timedelta) -> Iterator[tuple[int, datetime]]:
    """The times between start and end, both left out."""
    for number in range(1, MOST_INTERVALS + 1):
        at = begun + number * every
        if at >= until:
            return
        yield number, at


def _of_receipt(lot: Lot) -> Iterator[Due]:
    newer = PlanVersion.objects.filter(plan=OuterRef("version__plan"), number__gt=OuterRef("version__number"))
    points = ControlPoint.objects.filter(
        ~Exists(newer), establishment=lot.establishment_id, version__plan__in_use=True
    )
    for point in points.order_by("code", "id"):
        spec = plans.spec(point)
        at_receipt = spec.schedule is not None and spec.schedule.per == "receipt"
        if spec.limits and at_receipt and lot.material.code in spec.materials:
            yield Due(point, spec, None, None, ANY, None, None, lot=lot)


# -- what became of it ------------------------------------------------------------------------------

Made = defaultdict[tuple[object, object], list[Check]]


def _answers(dues: list[Due], checks: object, now: datetime) -> list[Answered]:
    made: Made = defaultdict(list)
    for check in checks.standing().order_by("performed_at", "id"):  # type: ignore[attr-defined]
        made[check.control_point_id, check.part_id].append(check)
    found = [_answered(due, made[due.series], now) for due in dues]
    return list(_with_cases(_better(each, made[each.due.series]) for each in found))


def _answered(due: Due, made: list[Check], now: datetime) -> Answered:
    """Take the first check that fits; each check answers one due check only."""
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
    if check.occasion and due.occasion in (START, END) and check.occasion != due.occasion:
        return False
    if check.occasion in (START, END) and due.occasion not in (START, END):
        return False
    in_time = due.missed_after is None or check.performed_at <= due.missed_after
    if due.occasion == END:
        return in_time and _is_end_check(check, due)
    if due.number:
        every = timedelta(minutes=due.spec.schedule.every_minutes or 0)  # type: ignore[union-attr]
        return in_time and due.due_at is not None and check.performed_at > due.due_at - every
    return in_time


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
