"""The deviations of a period: those opened in it, and those from before that were still open when it began."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import Prefetch, Q, QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from batches.models import Lot
from config.templatetags.moments import local_time
from haccp.models import Closing, Deviation, Question
from ledger.models import Establishment
from reports import cases, periods, tables
from reports.documents import Column, RecordLine
from reports.listing import Listing, Section, spoken
from reports.periods import Period
from reports.tables import Table
from reports.templatetags.documents import span

TITLE = gettext_lazy("list of deviations")
FORMS = tables.FORMS


@dataclass(frozen=True, kw_only=True)
class DeviationLine(RecordLine):
    """``days_open``: until it was closed, else until now. ``lots``: held under it. ``missing``: what it still needs."""

    what: str
    title: str
    lots: tuple[str, ...]
    closed_at: datetime | None
    closed_by: str
    closing: UUID | None
    days_open: int
    missing: tuple[str, ...]

    @property
    def state(self) -> tuple[str, ...]:
        if self.closed_at is None:
            days = ngettext("%d day", "%d days", self.days_open) % self.days_open
            return _("open"), days if self.days_open else _("less than a day")
        return (
            _("closed"),
            span(self.closed_at - self.performed_at),
            f"{local_time(self.closed_at)}, {self.closed_by}",
        )


COLUMNS = (
    Column(gettext_lazy("Kind"), "what", 3),
    Column(gettext_lazy("What happened"), "title", 6),
    Column(gettext_lazy("Lots held"), "lots", 3),
    Column(gettext_lazy("State"), "state", 4),
    Column(gettext_lazy("Still missing"), "missing", 4),
)
HEADS = ("what", "title", "lots", "closed_at", "closed_by", "days_open", "missing")


@dataclass(frozen=True, kw_only=True)
class DeviationList(Listing):
    kind: ClassVar[str] = "deviation-list"
    shows_limits: ClassVar[bool] = False
    signed_in_rows: ClassVar[bool] = True

    cases: tuple[DeviationLine, ...]
    by_kind: tuple[tuple[str, int], ...]
    record_ids: tuple[UUID, ...]

    @property
    def open(self) -> tuple[DeviationLine, ...]:
        return tuple(each for each in self.cases if each.closed_at is None)

    def facts(self) -> tuple[tuple[str, str], ...]:
        return (
            (_("Deviations"), str(len(self.cases))),
            (_("Still open"), str(len(self.open))),
            (_("By kind"), "; ".join(f"{what}: {count}" for what, count in self.by_kind)),
        )

    def remarks(self) -> tuple[str, ...]:
        return (_("Opened in the period, or before it and still open when it began."),)

    def sections(self) -> tuple[Section, ...]:
        nothing = _("No deviation was opened in this period, and none was open when it began.")
        return (Section(_("Deviations"), self.cases, COLUMNS, nothing),)

    def data_tables(self) -> tuple[Table, ...]:
        return (tables.of_records("deviations", self.cases, HEADS, frozenset(["days_open"])),)


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unusable for the period, RuleBroken for too many."""
    periods.refuse_too_many(found(establishment, periods.asked(about)).count())


def found(here: Establishment, period: Period) -> QuerySet[Deviation]:
    """Opened in the period, or before it and still open when it began."""
    assert period.first is not None
    opened = Deviation.objects.of(here).filter(Period(None, period.last).within(here))
    ended = Period(period.first, None).within(here, "closing__performed_at")
    return opened.filter(period.within(here) | Q(closing__isnull=True) | ended)


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> DeviationList:
    """Read the cases; call it within one snapshot."""
    period = periods.asked(about)
    closings = Closing.objects.select_related("performed_by")
    rows = found(here, period).select_related(*RecordLine.FROM_RECORD)
    rows = rows.prefetch_related(
        Prefetch("closing", closings), "holds", "answers__corrected_by", "dispositions__lot"
    )
    cases = tuple(_lines(list(rows.order_by("performed_at", "id")), head["made_at"]))
    closed = {line.closing for line in cases if line.closing is not None}
    return DeviationList(
        period=period,
        cases=cases,
        by_kind=tuple(sorted(Counter(each.what for each in cases).items())),
        confirmed_rules=(),
        record_ids=tuple(sorted({*(each.record for each in cases), *closed})),
        **head,
    )


def _lines(listed: Sequence[Deviation], now: datetime) -> Iterator[DeviationLine]:
    held = {uid for each in listed for hold in each.holds.all() for uid in hold.lots}
    codes = {str(uid): code for uid, code in Lot.objects.filter(uid__in=held).values_list("uid", "code")}
    for each in listed:
        lots = {codes.get(uid, uid) for hold in each.holds.all() for uid in hold.lots}
        closing: Closing | None = getattr(each, "closing", None)
        yield _line(each, closing, lots, now)


def _line(each: Deviation, closing: Closing | None, lots: set[str], now: datetime) -> DeviationLine:
    until = now if closing is None else closing.performed_at
    return DeviationLine.of(
        each,
        what=spoken(each.get_what_display()),
        title=cases.title(each),
        lots=tuple(sorted(lots)),
        closed_at=None if closing is None else closing.performed_at.astimezone(now.tzinfo),
        closed_by="" if closing is None else closing.performed_by.name,
        closing=None if closing is None else closing.pk,
        days_open=max(0, (until - each.performed_at).days),
        missing=() if closing is not None else tuple(_missing(each, lots)),
    )


def _missing(each: Deviation, lots: set[str]) -> Iterator[str]:
    """Questions nobody answered, and how many lots nobody decided on."""
    answered = {answer.question for answer in each.answers.all() if not answer.withdrawn}
    yield from (spoken(question.label) for question in Question if question not in answered)
    undecided = lots - {disposition.lot.code for disposition in each.dispositions.all()}
    if undecided:
        yield _("decision on: %s") % ", ".join(sorted(undecided))
