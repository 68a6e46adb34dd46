"""The monitoring log of a control point: every check of a period, or of all versions of its plan, and what was missed."""

import gc
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import cached_property
from itertools import islice
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import Q, QuerySet, prefetch_related_objects
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from batches.models import Batch, Movement, MovementKind
from config.api.refusals import Unknown
from config.templatetags.moments import local_time
from haccp import check_sheets, doubts, drawing, histories, limits, missed_receipts, monitoring, plans, rules
from haccp.charting import Asked
from haccp.check_sheets import Scan
from haccp.history_plots import plot_of
from haccp.limit_kinds import RangeLimit, ResidueLimit
from haccp.limits import Result
from haccp.models import Check, ControlKind, ControlPoint
from haccp.series_uses import named_in
from ledger.acts import Moment
from ledger.models import Establishment
from reports import check_lines, compact, kept_sentences, limit_words, occasions, periods, tables
from reports.check_lines import CHECK_COLUMNS, CheckLine
from reports.documents import Column, Document, Stretch, written_late
from reports.periods import Period
from reports.signed import signatures_on
from reports.tables import Table, text
from reports.templatetags.documents import late_words

TITLE = gettext_lazy("monitoring log")
FORMS = tables.FORMS
MOST = 20_000
"""Checks in one document (a site setting, no source): half a minute of drawing."""
IN_FULL = 500
"""So many are printed as a table; more in lines of one size, which take a tenth of the time (a site setting)."""
BLOCKS_AT_ONCE = 24
"""So many blocks of lines are drawn in one stretch: some 960 checks, 17 pages (a site setting, no source). The first has
half as many, since its process also holds the charts and what is attached."""
AT_ONCE = 2000
READ_WITH = (
    "sheet",
    "performed_by",
    "recorded_by",
    "corrected_by__recorded_by",
    "control_point__version__plan",
    "part",
    "lot",
    "batch__state",
    "batch__recipe_version",
    "instrument",
)
OF_SERIES = ("series_uses__series__corrected_by", "series_uses__series__instrument")
"""Of the checks that name a series: few do, and asking it of each takes its time even where there is none."""


@dataclass(frozen=True)
class Reviewed:
    """A signature on a check, as it stands beside it."""

    name: str
    meaning: str
    at: datetime
    record: UUID
    late: datetime | None = None  # when it was written down, if late


@dataclass(frozen=True, kw_only=True)
class LogLine(CheckLine):
    """A check of the log. ``plan``: code and number of the version it was made under."""

    batch: str
    lot: str
    plan: str
    instrument_code: str
    signed: tuple[Reviewed, ...]

    @property
    def on(self) -> tuple[str, ...]:
        part = _("part %d") % self.part if self.part else ""
        what = _("batch %s") % self.batch if self.batch else _("lot %s") % self.lot
        where = ", ".join(filter(None, (part, occasions.occasion(self.occasion))))
        return tuple(filter(None, (what, where, self.plan)))

    @property
    def reviewed(self) -> tuple[str, ...]:
        return tuple(
            f"{each.name}: {each.meaning}, {local_time(each.at)}{late_words(each.late)}"
            for each in self.signed
        )


COLUMNS = (
    Column(gettext_lazy("Made on"), "on", 3),
    *CHECK_COLUMNS[1:],
    Column(gettext_lazy("Signed"), "reviewed", 3),
)
HEADS = (
    "point",
    "batch",
    "lot",
    "part",
    "occasion",
    "plan",
    "instrument",
    "result",
    "flags",
    "reviewed",
)


@dataclass(frozen=True)
class Missed:
    """A check that the plan asked for and nobody made in time."""

    due_at: datetime | None
    batch: str
    occasion: str
    lot: str = ""

    @property
    def on(self) -> str:
        return self.batch or self.lot

    @property
    def when(self) -> str:
        return occasions.occasion(self.occasion)


MISSED_COLUMNS = (
    Column(gettext_lazy("Was due"), "due_at", 2),
    Column(gettext_lazy("Batch or lot"), "on", 2),
    Column(gettext_lazy("Occasion"), "when", 4),
)


@dataclass(frozen=True)
class Picture:
    """A chart as SVG, empty where too little was read to draw one, and what is told of it in words."""

    title: str
    svg: str
    words: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class MonitoringLog(Document):
    """``period`` without days: all there is. ``charts``: one for each quantity that is a number. ``asks``: whether any version
    names a limit and a time, so that a check could be missed at all."""

    kind: ClassVar[str] = "monitoring-log"
    template: ClassVar[str] = "reports/monitoring_log.html"
    marks_late: ClassVar[bool] = True
    columns: ClassVar[tuple[Column, ...]] = COLUMNS
    missed_columns: ClassVar[tuple[Column, ...]] = MISSED_COLUMNS
    signed_in_rows: ClassVar[bool] = True
    landscape: ClassVar[bool] = True

    code: str
    name: str
    control: str
    period: Period
    versions: tuple[str, ...]
    counts: tuple[tuple[str, int], ...]
    checks: tuple[LogLine, ...]
    missed: tuple[Missed, ...]
    asks: bool
    charts: tuple[Picture, ...]
    record_ids: tuple[UUID, ...]

    @property
    def is_long(self) -> bool:
        return len(self.checks) > IN_FULL

    @property
    def instruments(self) -> tuple[str, ...]:
        return tuple(sorted({line.instrument for line in self.checks if line.instrument}))

    @cached_property
    def blocks(self) -> tuple[str, ...]:
        """The checks as lines of one size, where they are many; in the language of the document."""
        lines = ((line, _told(line)) for line in self.checks) if self.is_long else ()
        return tuple(compact.blocks(lines))

    def whole(self) -> Stretch:
        return Stretch(self.blocks)

    def stretches(self) -> tuple[Stretch, ...]:
        later = range(BLOCKS_AT_ONCE // 2, len(self.blocks), BLOCKS_AT_ONCE)
        ends = (*later, len(self.blocks))
        return tuple(
            Stretch(self.blocks[start:end], opens=start == 0, closes=end == len(self.blocks))
            for start, end in zip((0, *later), ends, strict=True)
        )

    def data_tables(self) -> tuple[Table, ...]:
        return (
            check_lines.table(self.checks, HEADS),
            Table(
                "missed",
                ("due_at", "batch", "lot", "occasion"),
                [(text(each.due_at), each.batch, each.lot, each.occasion) for each in self.missed],
            ),
        )


def _told(line: LogLine) -> Iterator[str]:
    """What is known of a check, in pieces; instruments and plans by their codes, which stand above in full."""
    yield from compact.began(line, line.result)
    part = _("part %d") % line.part if line.part else ""
    yield from filter(None, (line.batch or line.lot, part, occasions.occasion(line.occasion), line.plan))
    for each in line.readings:
        yield f"{kept_sentences.quantity(each.quantity)} {each.entered}"
    yield from line.asked
    yield from filter(
        None,
        (line.instrument_code or line.instrument, *(each.warning for each in line.readings), *line.flags),
    )
    yield from line.reviewed
    yield from compact.ended(line)


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a point of another establishment, Unusable for the period, RuleBroken for too many checks."""
    period = periods.asked(about, whole=True)
    count = _checks(establishment, _point(establishment, subject).code, period).count()
    periods.refuse_too_many(count, MOST)


def takes_long(here: Establishment, subject: UUID, about: dict[str, Any]) -> bool:
    """Of more checks than are printed as a table."""
    points = ControlPoint.objects.filter(establishment=here, pk=subject)
    period = periods.asked(about, whole=True)
    return any(_checks(here, each.code, period).count() > IN_FULL for each in points)


def _point(here: Establishment, subject: UUID) -> ControlPoint:
    found = ControlPoint.objects.filter(establishment=here, pk=subject).first()
    if found is None:
        raise Unknown(f"There is no control point {subject} here.", field="subject")
    return found


def _checks(here: Establishment, code: str, period: Period) -> QuerySet[Check]:
    found = Check.objects.of(here).filter(period.within(here), control_point__code=code)
    return found.filter(withdrawn=False)  # a withdrawal is told at what it withdraws


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> MonitoringLog:
    """Read the log; call it within one snapshot."""
    period = periods.asked(about, whole=True)
    points = histories.control_points(here, _point(here, subject).code)
    newest = points[0]
    read = _Read(here)
    checks = tuple(read.lines(_checks(here, newest.code, period)))
    day = period.last or head["made_at"].date()
    return MonitoringLog(
        code=newest.code,
        name=newest.name,
        control=_(str(ControlKind(newest.kind).label)),
        period=period,
        versions=tuple(_versions(points)),
        counts=_counts(checks),
        checks=checks,
        missed=(
            *_missed(here, newest.code, period, head["made_at"]),
            *_missed_at_receipt(here, points, period, head["made_at"]),
        ),
        asks=any(each.limits and each.schedule for each in map(plans.spec, points)),
        charts=tuple(_charts(points, period)) if checks else (),
        confirmed_rules=tuple(map(kept_sentences.source, sorted(read.rules))),
        unconfirmed_rules=tuple(
            map(limit_words.of_rule, rules.awaiting(here, day, read.quantities, read.materials))
        ),
        record_ids=tuple(sorted({*(key for line in checks for key in line.records), *read.signatures})),
        **head,
    )


def _counts(checks: Iterable[LogLine]) -> tuple[tuple[str, int], ...]:
    """How many checks that stand had which result."""
    found = Counter(str(line.result) for line in checks if line.replaced is None)
    return tuple((str(each), found[each.value]) for each in Result)


def _versions(points: Iterable[ControlPoint]) -> Iterator[str]:
    for point in points:
        version = point.version
        at = Moment(version.performed_at, version.performed_offset).local
        yield _("%(plan)s version %(number)d, approved %(at)s") % {
            "plan": version.plan.code,
            "number": version.number,
            "at": f"{at:%Y-%m-%d}{late_words(written_late(version))}",
        }


class _Read:
    """Reads checks some hundreds at a time, so that memory holds lines and never all rows; keeps what they name."""

    def __init__(self, here: Establishment):
        self.here = here
        self.rules: set[str] = set()
        self.quantities: set[str] = set()
        self.materials: set[UUID] = set()
        self.signatures: list[UUID] = []
        self._bounds: dict[str, tuple[str, ...]] = {}

    def lines(self, found: QuerySet[Check]) -> Iterator[LogLine]:
        rows = found.order_by("performed_at", "recorded_at", "id").prefetch_related(*READ_WITH)
        left = rows.iterator(chunk_size=AT_ONCE)
        while checks := list(islice(left, AT_ONCE)):
            gc.collect(
                0
            )  # the rows before these lead in circles, and nothing else would let them go (``jobs.read``)
            for check in checks:
                check.establishment = self.here
            prefetch_related_objects([check for check in checks if named_in(check)], *OF_SERIES)
            in_doubt, signed = doubts.doubted(checks), self._signed([check.pk for check in checks])
            scans = check_sheets.scans_of(checks)
            for check in checks:
                self._note(check)
                yield _line(
                    check, check.pk in in_doubt, scans.get(check.sheet_id, ()), signed.get(check.pk, ())
                )

    def _note(self, check: Check) -> None:
        for judged in check.judgements:
            self.rules.update(judged.get("rules", ()))
            limit = str(judged["limit"])
            if limit not in self._bounds:
                parts = limits.bounded_parts(limits.from_json(judged["limit"]))
                self._bounds[limit] = tuple(part.quantity for part in parts)
                self.quantities.update(self._bounds[limit])
        if check.lot is not None:
            self.materials.add(check.lot.material_id)
        if check.batch is not None:
            self.materials.add(check.batch.recipe_version.material_id)

    def _signed(self, keys: list[UUID]) -> dict[UUID, tuple[Reviewed, ...]]:
        found: dict[UUID, tuple[Reviewed, ...]] = {}
        rows = signatures_on(keys)
        for row in rows:
            self.signatures.append(row.pk)
            at = Moment(row.performed_at, row.performed_offset).local
            line = Reviewed(row.signer_name, _(str(row.get_meaning_display())), at, row.pk, written_late(row))
            found[row.target_id] = (*found.get(row.target_id, ()), line)
        return found


def _line(check: Check, in_doubt: bool, scans: tuple[Scan, ...], signed: tuple[Reviewed, ...]) -> LogLine:
    version = check.control_point.version
    return LogLine.of_check(
        check,
        in_doubt,
        scans,
        batch=check.batch.code if check.batch else "",
        lot=check.lot.code if check.lot else "",
        instrument_code=_codes(check),
        plan=f"{version.plan.code} {version.number}",
        signed=signed,
    )


def _codes(check: Check) -> str:
    return ", ".join(each.code for each in check_lines.instruments_of(check))


def _missed(here: Establishment, code: str, period: Period, now: datetime) -> Iterator[Missed]:
    """Of every batch that may have run in the period under a plan with this point."""
    versions = ControlPoint.objects.filter(establishment=here, code=code).values("version")
    ran = Batch.objects.filter(establishment=here, plan_version__in=versions)
    ran = ran.filter(Period(None, period.last).within(here, "state__started_at"))
    if period.first is not None:  # else an empty condition, which "or" leaves out
        ended = Period(period.first, None).within(here, "state__ended_at")
        ran = ran.filter(Q(state__ended_at__isnull=True) | ended)
    found = ran.select_related("state", "recipe_version__material", "establishment")
    left = found.order_by("state__started_at", "pk").iterator(chunk_size=monitoring.AT_ONCE)
    for batch, answered in monitoring.of_batches(left, now, code):
        for each in answered:
            if each.state is monitoring.State.MISSED:
                at = each.due.due_at
                if at is None or _lies_in(at.astimezone(here.zone).date(), period):
                    local = None if at is None else at.astimezone(here.zone)
                    yield Missed(local, batch.code, each.due.occasion)


def _missed_at_receipt(
    here: Establishment, points: list[ControlPoint], period: Period, now: datetime
) -> Iterator[Missed]:
    received = Movement.objects.standing().filter(
        period.within(here), establishment=here, what=MovementKind.RECEIVED
    )
    for each in missed_receipts.unchecked(points, received, now):
        at = each.performed_at.astimezone(here.zone)
        yield Missed(at, "", "receipt", lot=each.lot.code)


def _lies_in(day: date, period: Period) -> bool:
    return (period.first is None or period.first <= day) and (period.last is None or day <= period.last)


def _charts(points: list[ControlPoint], period: Period) -> Iterator[Picture]:
    """The chart of each quantity that is one number, in the newest version that asks for it."""
    asked = histories.Period(period.first, period.last, newest=True)
    quantities = {
        member.quantity: None
        for point in points
        for said in plans.spec(point).limits
        for member in limits.members(limits.from_json(said))
        if isinstance(member, RangeLimit | ResidueLimit)
    }
    for quantity in quantities:
        plot = plot_of(histories.history(points, quantity, asked, Asked()))
        svg = drawing.svg(replace(plot, words=())) if plot.panels else ""
        yield Picture(plot.title, svg, plot.words)
