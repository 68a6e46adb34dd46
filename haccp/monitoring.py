"""Which checks are due for a batch and its parts, which were made, and which were missed."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from batches.models import Batch, Part
from haccp import plans
from haccp.models import Check, ControlPoint, PlanVersion
from haccp.plan_documents import ControlPointSpec, Schedule

START, END, ANY = "start", "end", "once"


class State(StrEnum):
    MADE = "made"
    WAITING = "waiting"  # not due yet, or still in time
    MISSED = "missed"


@dataclass(frozen=True)
class Due:
    """One check that must be made. ``slot`` names it for good; ``occasion`` is what the form shows."""

    control_point: ControlPoint
    spec: ControlPointSpec
    batch: Batch
    part: Part | None
    occasion: str
    due_at: datetime | None  # None: not foreseeable yet, the batch has not ended
    missed_after: datetime | None

    @property
    def slot(self) -> str:
        part = f"part {self.part.number}" if self.part else "batch"
        return f"{self.spec.code} {part} {self.occasion}"


@dataclass(frozen=True)
class Answered:
    """A due check and what became of it."""

    due: Due
    state: State
    check: Check | None = None


def of_batch(batch: Batch, now: datetime) -> list[Answered]:
    """Every check that the batch's plan version asks for so far, in the order they fall due."""
    dues = list(_dues(batch, now))
    made = _standing_checks(batch)
    return [_answered(due, made, now) for due in dues]


def _dues(batch: Batch, now: datetime) -> Iterator[Due]:
    if batch.plan_version_id is None:
        return
    version = PlanVersion.objects.get(pk=batch.plan_version_id)
    product = batch.recipe_version.material.code
    parts = list(batch.parts.order_by("number"))
    found = []
    for point in plans.control_points_of(version):
        spec = plans.spec(point)
        if spec.schedule is None or not spec.limits or product not in spec.products:
            continue
        if spec.schedule.per == "batch":
            found += _of_run(point, spec, spec.schedule, batch, None, batch.state.started_at, now)
        elif spec.schedule.per == "part":
            for part in parts:
                found += _of_run(point, spec, spec.schedule, batch, part, part.performed_at, now)
    far = batch.state.started_at + timedelta(days=36500)
    yield from sorted(found, key=lambda due: (due.due_at or far, due.slot))


def _of_run(
    point: ControlPoint,
    spec: ControlPointSpec,
    schedule: Schedule,
    batch: Batch,
    part: Part | None,
    begun: datetime,
    now: datetime,
) -> Iterator[Due]:
    ended = batch.state.ended_at
    within = timedelta(minutes=schedule.within_minutes or 0)

    def due(occasion: str, at: datetime | None) -> Due:
        return Due(point, spec, batch, part, occasion, at, None if at is None else at + within)

    if START in schedule.at:
        yield due(START, begun)
    if schedule.every_minutes:
        for number, at in _ticks(begun, ended or now, timedelta(minutes=schedule.every_minutes)):
            yield due(f"every {schedule.every_minutes} min, {number}", at)
    if END in schedule.at:
        yield due(END, ended)
    if not schedule.at and not schedule.every_minutes:
        yield due(ANY, ended)


def _ticks(begun: datetime, until: datetime, every: timedelta) -> Iterator[tuple[int, datetime]]:
    """The times between start and end, both left out."""
    number, at = 1, begun + every
    while at < until:
        yield number, at
        number, at = number + 1, at + every


Key = tuple[object, object]


def _standing_checks(batch: Batch) -> dict[Key, list[Check]]:
    rows = Check.objects.standing().filter(batch=batch).order_by("performed_at", "id")
    found: defaultdict[Key, list[Check]] = defaultdict(list)
    for check in rows:
        found[check.control_point_id, check.part_id].append(check)
    return found


def _answered(due: Due, made: dict[Key, list[Check]], now: datetime) -> Answered:
    """Take the first check that fits; each check answers one due check only."""
    candidates = made.get((due.control_point.pk, due.part.pk if due.part else None), [])
    for check in candidates:
        if _fits(check, due):
            candidates.remove(check)
            return Answered(due, State.MADE, check)
    missed = due.missed_after is not None and now > due.missed_after
    return Answered(due, State.MISSED if missed else State.WAITING)


def _fits(check: Check, due: Due) -> bool:
    if check.occasion and due.occasion in (START, END) and check.occasion != due.occasion:
        return False
    if check.occasion in (START, END) and due.occasion not in (START, END):
        return False
    in_time = due.missed_after is None or check.performed_at <= due.missed_after
    if due.occasion == END:
        return in_time and _is_end_check(check, due)
    if due.occasion.startswith("every"):
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
    return [each.due for each in found if each.state is State.MISSED]
