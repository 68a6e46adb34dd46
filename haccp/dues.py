"""Which checks fall due for a batch, its parts or a received lot, and when, as far as records tell.

At start and end of a batch or part, in between at intervals, after a break, at a changeover, once a shift or a
day, once, and once for a receipt. What no record tells of is named all the same, as ``yours``.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef

from batches.models import Batch, Lot, Part, ProcessStep
from haccp import plans
from haccp.due_reading import Reading, Stay
from haccp.models import Changeover, ControlPoint, PlanVersion
from haccp.plan_documents import ControlPointSpec, Schedule

START, END, BREAK, CHANGE = "start", "end", "break", "change"
ANY = "once"
SAID = frozenset({START, END, BREAK, CHANGE})
"""What a check may say of itself; then it answers nothing else."""
MOST_INTERVALS = 10_000
"""A batch that nobody ends asks for so many interval checks, or days, at one point, and no more (a site setting)."""
HOUSE = ("day", "shift")
LONGEST_WINDOW = timedelta(days=2)
"""No shift or local day is longer, however clocks are set: only a bound for what is read."""
MIDNIGHT = ("00:00",)
NOT_FORESEEN = datetime.max.replace(tzinfo=UTC)
A_MOMENT = timedelta(microseconds=1)
YOURS = "To be done by you: no record tells the service when this is due."


@dataclass(frozen=True)
class Due:
    """One check that must be made. ``slot`` names it for good; ``occasion`` is what the form shows.

    ``asks``: the word of ``SAID`` that a check for it may say. ``house``: any check of this point on the premises
    answers it, also one on another batch. ``yours``: named by the plan, but no record tells when it is due.
    """

    control_point: ControlPoint
    spec: ControlPointSpec
    batch: Batch | None
    part: Part | None
    occasion: str
    due_at: datetime | None  # None: not foreseeable yet, the batch has not ended
    missed_after: datetime | None  # None: never missed, asked for when the lot is released
    lot: Lot | None = None
    number: int = 0  # which interval or window of a series
    asks: str = ""
    not_before: datetime | None = None  # an earlier check does not answer it
    key: str = ""  # names it for good where the occasion might be put right later
    house: bool = False
    yours: bool = False

    @property
    def slot(self) -> str:
        on = "lot" if self.lot else f"part {self.part.number}" if self.part else "batch"
        return f"{self.spec.code} {on} {self.key or self.occasion}"

    @property
    def series(self) -> tuple[object, object]:
        if self.house:
            return house_series(self.spec.code)
        return self.control_point.pk, self.part.pk if self.part else None


def house_series(code: str) -> tuple[object, object]:
    """Checks of one point on the premises, under whichever version of the plan they were made."""
    return "house", code


@dataclass(frozen=True)
class OfHouse:
    """At these points a check of the premises may answer, none of before ``since`` or after ``until``."""

    codes: Collection[str]
    since: datetime
    until: datetime | None  # None: the batch runs still


@dataclass(frozen=True)
class Run:
    """From when until when something runs; ``ended`` None: it runs still, or nobody can tell yet."""

    begun: datetime
    ended: datetime | None
    now: datetime

    @property
    def until(self) -> datetime:
        return self.ended or max(self.now, self.begun)


def of_batch(batch: Batch, reading: Reading, now: datetime) -> list[Due]:
    """Every check that the batch's plan version asks for so far, in the order they fall due."""
    run = Run(batch.state.started_at, batch.state.ended_at, now)
    found: list[Due] = []
    for point, spec, schedule in reading.asked(batch):
        whole = Due(point, spec, batch, None, "", None, None, not_before=batch.state.started_at)
        found += _of_point(whole, schedule, reading, run)
    return sorted(found, key=lambda due: (due.due_at or NOT_FORESEEN, due.slot))


def _of_point(whole: Due, schedule: Schedule, reading: Reading, run: Run) -> Iterator[Due]:
    assert whole.batch is not None
    if schedule.per == "batch":
        yield from _of_run(whole, schedule, run)
        yield from _of_events(whole, schedule, reading, run)
    elif schedule.per == "part":
        for part in reading.parts.get(whole.batch.pk, ()):
            of_part, part_run = replace(whole, part=part), replace(run, begun=part.performed_at)
            yield from _of_run(of_part, schedule, part_run)
            yield from _of_events(of_part, schedule, reading, part_run)
    elif schedule.per == "changeover":
        yield from _of_changeovers(whole, schedule, reading, run)
    elif schedule.per in HOUSE:
        yield from _of_windows(whole, schedule, run, whole.batch.establishment.zone)


def of_house(batch: Batch, reading: Reading) -> OfHouse | None:
    """What the batch asks of all the premises, if its plan asks for something once a shift or a day."""
    asked = [
        (spec.code, schedule)
        for _, spec, schedule in reading.asked(batch)
        if schedule.per in HOUSE and _starts(schedule)
    ]
    if not asked:
        return None
    patience = max(timedelta(minutes=schedule.within_minutes or 0) for _, schedule in asked)
    until = None if batch.state.ended_at is None else batch.state.ended_at + patience
    return OfHouse({code for code, _ in asked}, batch.state.started_at - LONGEST_WINDOW, until)


def of_receipt(lot: Lot) -> list[Due]:
    """Every check that the plans in force ask for when this lot's material is received."""
    newer = PlanVersion.objects.filter(plan=OuterRef("version__plan"), number__gt=OuterRef("version__number"))
    points = ControlPoint.objects.filter(
        ~Exists(newer), establishment=lot.establishment_id, version__plan__in_use=True
    )
    specs = [(point, plans.spec(point)) for point in points.order_by("code", "id")]
    return [
        Due(point, spec, None, None, ANY, None, None, lot=lot)
        for point, spec in specs
        if spec.is_at_receipt and lot.material.code in spec.materials
    ]


# -- start, end and intervals -------------------------------------------------------------------------


def _of_run(whole: Due, schedule: Schedule, run: Run) -> Iterator[Due]:
    if START in schedule.at:
        yield _due(whole, schedule, START, run.begun, asks=START)
    if schedule.every_minutes:
        every = timedelta(minutes=schedule.every_minutes)
        for number, at in _intervals(run.begun, run.until, every):
            occasion = f"every {schedule.every_minutes} min, {number}"
            since = _latest(whole.not_before, at - every + A_MOMENT)
            yield _due(whole, schedule, occasion, at, number=number, not_before=since)
    if END in schedule.at:
        yield _due(whole, schedule, END, run.ended, asks=END)
    if not schedule.at and not schedule.every_minutes:
        yield _due(whole, schedule, ANY, run.ended)


def _due(whole: Due, schedule: Schedule, occasion: str, at: datetime | None, **more: object) -> Due:
    within = timedelta(minutes=schedule.within_minutes or 0)
    missed = None if at is None else at + within
    return replace(whole, occasion=occasion, due_at=at, missed_after=missed, **more)  # type: ignore[arg-type]


def _intervals(begun: datetime, until: datetime, every: timedelta) -> Iterator[tuple[int, datetime]]:
    """The times between start and end, both left out."""
    for number in range(1, MOST_INTERVALS + 1):
        at = begun + number * every
        if at >= until:
            return
        yield number, at


def _latest(*times: datetime | None) -> datetime | None:
    return max((each for each in times if each is not None), default=None)


# -- breaks and changeovers -----------------------------------------------------------------------------


def _of_events(whole: Due, schedule: Schedule, reading: Reading, run: Run) -> Iterator[Due]:
    if BREAK in schedule.at:
        yield from _of_breaks(whole, schedule, reading, run)
    if CHANGE in schedule.at:
        yield from _of_changeovers(whole, schedule, reading, run)


def _of_breaks(whole: Due, schedule: Schedule, reading: Reading, run: Run) -> Iterator[Due]:
    """After each step of the sheet that the plan names as a break; while it lasts nobody knows when it is due."""
    if not schedule.break_steps:
        yield replace(whole, occasion=BREAK, yours=True)
        return
    assert whole.batch is not None
    wanted = {name.casefold() for name in schedule.break_steps}
    corrects = reading.corrected_steps.get(whole.batch.pk, {})
    for step in reading.steps.get(whole.batch.pk, ()):
        here = step.part_id is None or whole.part is None or step.part_id == whole.part.pk
        if here and step.step.casefold() in wanted and _goes_on_after(step, run):
            begun = step.performed_at.astimezone(whole.batch.establishment.zone)
            yield _due(
                whole,
                schedule,
                f"after the break of {begun:%Y-%m-%d %H:%M}",
                step.ended_at,
                asks=BREAK,
                not_before=step.ended_at or step.performed_at,
                key=f"break {_first(step.pk, corrects)}",
            )


def _goes_on_after(step: ProcessStep, run: Run) -> bool:
    """Whether work went on, or may yet, after a break of this run."""
    if step.ended_at is None:
        return run.ended is None
    return run.begun < step.ended_at and (run.ended is None or step.ended_at < run.ended)


def _first(pk: UUID, corrects: Mapping[UUID, UUID]) -> UUID:
    """The first record of a line of corrections."""
    while (before := corrects.get(pk)) is not None:
        pk = before
    return pk


def _of_changeovers(whole: Due, schedule: Schedule, reading: Reading, run: Run) -> Iterator[Due]:
    """At each changeover of the batch's equipment: before it began, then at its start; or while it ran."""
    assert whole.batch is not None
    found: dict[UUID, Changeover] = {}
    for stay in reading.stays.get(whole.batch.pk, ()):
        for each in _changeovers_for(stay, reading.changeovers.get(stay.equipment, ()), run):
            found.setdefault(each.pk, each)
    if not found:
        yield replace(whole, occasion=CHANGE, yours=True)
    for each in sorted(found.values(), key=lambda each: (_done(each), each.pk)):
        at = max(_done(each), run.begun)
        local = _done(each).astimezone(whole.batch.establishment.zone)
        occasion, since = f"changeover of {local:%Y-%m-%d %H:%M}", _latest(whole.not_before, at)
        corrects = reading.corrected_changeovers if each.corrects_id else {}
        key = f"changeover {_first(each.pk, corrects)}"
        due_at = None if each.ended_at is None else at  # while it lasts nobody knows when it is due
        yield _due(whole, schedule, occasion, due_at, asks=CHANGE, not_before=since, key=key)


def _changeovers_for(stay: Stay, there: Iterable[Changeover], run: Run) -> list[Changeover]:
    """The last one before the equipment was taken, since another batch was on it; and those while it was used."""
    until = stay.until or run.until
    kept = [each for each in there if each.performed_at <= until]
    before = [each for each in kept if _done(each) <= stay.since]
    if stay.before is not None:
        before = [each for each in before if _done(each) >= stay.before]
    during = [each for each in kept if stay.since < _done(each) < until]
    return [*sorted(before, key=_done)[-1:], *during]


def _done(changeover: Changeover) -> datetime:
    return changeover.ended_at or changeover.performed_at


# -- shifts and days ------------------------------------------------------------------------------------


def _of_windows(whole: Due, schedule: Schedule, run: Run, zone: ZoneInfo) -> Iterator[Due]:
    """For each local day or shift on which the batch ran: as for a run, from its beginning there to its end."""
    starts = _starts(schedule)
    if not starts:
        yield replace(whole, occasion=schedule.per, yours=True)
        return
    for number, (label, opens, closes) in enumerate(_windows(run, zone, starts), start=1):
        here = Run(max(run.begun, opens), _ended_in(run, closes), run.now)
        of_window = replace(whole, house=True, not_before=opens)
        for due in _of_run(of_window, schedule, here):
            occasion = f"{schedule.per} {label}, {due.occasion}"
            yield replace(due, occasion=occasion, number=number)


def _starts(schedule: Schedule) -> Sequence[str]:
    return MIDNIGHT if schedule.per == "day" else schedule.shifts


def _ended_in(run: Run, closes: datetime) -> datetime | None:
    if run.ended is not None:
        return min(run.ended, closes)
    return closes if run.now >= closes else None


def _windows(run: Run, zone: ZoneInfo, starts: Sequence[str]) -> Iterator[tuple[str, datetime, datetime]]:
    """Name, opening and closing of each window the run touches, by the clock of the establishment."""
    first = run.begun.astimezone(zone).date() - timedelta(days=1)
    days = (first + timedelta(days=number) for number in range(MOST_INTERVALS))
    openings = ((day, start) for day in days for start in sorted(starts))
    for (day, start), (next_day, next_start) in pairwise(openings):
        opens, closes = _at(day, start, zone), _at(next_day, next_start, zone)
        if opens >= run.until and opens > run.begun:
            return
        if closes > run.begun:
            yield (f"{day}" if tuple(starts) == MIDNIGHT else f"{day} {start}"), opens, closes


def _at(day: date, clock: str, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time.fromisoformat(clock), tzinfo=zone).astimezone(UTC)
