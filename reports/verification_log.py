"""The instrument verification log: the register of instruments, and every verification of a period."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from batches.quantities import UNITS, plain_text
from haccp import doubts, instruments
from haccp.models import Instrument, InstrumentVerification, Verified
from haccp.verified import State
from ledger.models import Establishment
from reports import kept_sentences, periods, tables
from reports.documents import Column, OutOfOrder, RecordLine
from reports.listing import Listing, Section, spoken
from reports.periods import Period
from reports.tables import Table

TITLE = gettext_lazy("instrument verification log")
FORMS = tables.FORMS


@dataclass(frozen=True)
class InstrumentLine:
    """An instrument of the register. ``state``: by all verifications until now, empty of one that is not in use;
    ``verified``: how often in the period; ``failed``: how often of these."""

    code: str
    name: str
    kind: str
    serial: str
    unit: str
    span: str
    resolution: str
    uncertainty: str
    every_days: int | None
    in_use: bool
    state: str
    verified: int
    failed: int

    @property
    def now(self) -> str:
        words = {
            State.NEVER: _("never verified"),
            State.FAILED: _("failed"),
            State.OVERDUE: _("overdue"),
            State.VERIFIED: _("verified"),
        }
        if not self.state:
            return ""
        word = words[State(self.state)]
        return word if self.state == State.VERIFIED else OutOfOrder(word)


REGISTER = (
    Column(gettext_lazy("Code"), "code", 2),
    Column(gettext_lazy("Name"), "name", 3),
    Column(gettext_lazy("Kind"), "kind", 3),
    Column(gettext_lazy("Serial number"), "serial", 3),
    Column(gettext_lazy("Range"), "span", 3),
    Column(gettext_lazy("Reads to"), "resolution", 2),
    Column(gettext_lazy("Uncertainty (U, k = 2)"), "uncertainty", 3),
    Column(gettext_lazy("Every so many days"), "every_days", 2),
    Column(gettext_lazy("In use"), "in_use", 1),
    Column(gettext_lazy("Status now"), "now", 3),
    Column(gettext_lazy("Verified"), "verified", 2),
    Column(gettext_lazy("Failed"), "failed", 2),
)


@dataclass(frozen=True, kw_only=True)
class VerificationLine(RecordLine):
    """``found``, ``left`` and ``should`` as entered and computed then, with units. ``in_doubt``: checks, by now."""

    instrument: str
    method: str
    standard: str
    should: str
    source: str
    found: str
    left: str
    tolerance: str
    covers: str
    result: str
    left_result: str
    in_doubt: int

    @property
    def by(self) -> tuple[str, ...]:
        return self.method, self.standard

    @property
    def reference(self) -> tuple[str, ...]:
        return self.should, self.source

    @property
    def shown(self) -> tuple[str, ...]:
        left = _("left: %s") % self.left if self.left else ""
        return tuple(filter(None, (_("found: %s") % self.found, left, f"± {self.tolerance}")))

    @property
    def verdict(self) -> tuple[str, ...]:
        left = _("as left: %s") % self.left_result if self.left else ""
        doubt = _("%d checks in doubt") % self.in_doubt if self.in_doubt else ""
        return tuple(filter(None, (self.result, left, doubt)))


COLUMNS = (
    Column(gettext_lazy("Instrument"), "instrument", 3),
    Column(gettext_lazy("Method, standard"), "by", 4),
    Column(gettext_lazy("Should show (source)"), "reference", 5),
    Column(gettext_lazy("Showed"), "shown", 4),
    Column(gettext_lazy("Speaks for"), "covers", 3),
    Column(gettext_lazy("Result as found"), "verdict", 4),
)
HEADS = (
    "instrument",
    "method",
    "standard",
    "should",
    "source",
    "found",
    "left",
    "tolerance",
    "covers",
    "result",
    "left_result",
    "in_doubt",
)


@dataclass(frozen=True, kw_only=True)
class VerificationLog(Listing):
    kind: ClassVar[str] = "verification-log"
    shows_limits: ClassVar[bool] = False

    register: tuple[InstrumentLine, ...]
    verifications: tuple[VerificationLine, ...]
    record_ids: tuple[UUID, ...]

    def facts(self) -> tuple[tuple[str, str], ...]:
        return (
            (_("Instruments in use"), str(sum(each.in_use for each in self.register))),
            (_("Verifications in the period"), str(len(self.verifications))),
        )

    def remarks(self) -> tuple[str, ...]:
        return (
            _(
                "A verification speaks for its own range only. Checks in doubt are those made with an instrument that "
                "failed, since the last good verification and until the next; their results are kept as recorded."
            ),
        )

    def sections(self) -> tuple[Section, ...]:
        return (
            Section(_("Register"), self.register, REGISTER, _("No instrument is in the register.")),
            Section(
                _("Verifications"),
                self.verifications,
                COLUMNS,
                _("No instrument was verified in this period."),
            ),
        )

    def data_tables(self) -> tuple[Table, ...]:
        heads = tuple(column.attribute for column in REGISTER)
        return (
            tables.of_records("verifications", self.verifications, HEADS, frozenset(["in_doubt"])),
            tables.of_lines(
                "register", self.register, heads, frozenset(["every_days", "verified", "failed"])
            ),
        )


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unusable for the period, RuleBroken for too many."""
    periods.refuse_too_many(_found(establishment, periods.asked(about)).count())


def _found(here: Establishment, period: Period) -> QuerySet[InstrumentVerification]:
    return InstrumentVerification.objects.of(here).filter(period.within(here), withdrawn=False)


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> VerificationLog:
    """Read register and verifications; call it within one snapshot."""
    period = periods.asked(about)
    rows = _found(here, period).select_related(*RecordLine.FROM_RECORD, "instrument")
    found = list(rows.order_by("performed_at", "id"))
    lines = tuple(map(line, found))
    return VerificationLog(
        period=period,
        register=tuple(_register(here, found, head["made_at"])),
        verifications=lines,
        confirmed_rules=(),
        record_ids=tuple(sorted({key for each in lines for key in each.records})),
        **head,
    )


def _register(
    here: Establishment, found: Sequence[InstrumentVerification], now: datetime
) -> Iterator[InstrumentLine]:
    of_it: defaultdict[UUID, list[InstrumentVerification]] = defaultdict(list)
    for each in found:
        if getattr(each, "corrected_by", None) is None:
            of_it[each.instrument_id].append(each)
    rows = Instrument.objects.filter(establishment=here).select_related("establishment", "verification_state")
    for row in rows.order_by("code", "id"):
        made = of_it[row.pk]
        symbol = _symbol(row.unit)
        yield InstrumentLine(
            code=row.code,
            name=row.name,
            kind=row.kind,
            serial=row.serial,
            unit=symbol,
            span=_span(_plain(row.range_lower), _plain(row.range_upper), symbol),
            resolution="" if row.resolution is None else f"{plain_text(row.resolution)} {symbol}",
            uncertainty=""
            if row.expanded_uncertainty is None
            else f"{plain_text(row.expanded_uncertainty)} {symbol}",
            every_days=row.verify_every_days,
            in_use=row.in_use,
            state=instruments.standing(row, now).state.value if row.in_use else "",
            verified=len(made),
            failed=sum(each.result == Verified.FAIL for each in made),
        )


def line(each: InstrumentVerification) -> VerificationLine:
    """A verification with its instrument read; how many checks it leaves in doubt is asked anew."""
    said, reference, symbol = each.said, each.reference, _symbol(each.said["unit"])
    failed = each.result == Verified.FAIL and getattr(each, "corrected_by", None) is None
    return VerificationLine.of(
        each,
        instrument=" ".join(filter(None, (str(each.instrument), each.instrument.serial))),
        method=spoken(each.get_method_display()),
        standard=each.standard,
        should=_should(reference),
        source=kept_sentences.cited(reference["source"]),
        found=f"{said['as_found']} {symbol}",
        left=f"{said['as_left']} {symbol}" if said.get("as_left") else "",
        tolerance=f"{said['tolerance']} {symbol}",
        covers=_span(said["covers_lower"], said["covers_upper"], symbol),
        result=spoken(each.get_result_display()),
        left_result=spoken(each.get_left_display()),
        in_doubt=doubts.checks_of(each).count() if failed else 0,
    )


def _should(reference: dict[str, Any]) -> str:
    """With the band of what is known, where it has one."""
    symbol = _symbol(reference["unit"])
    if Decimal(reference["low"]) == Decimal(reference["high"]):
        return f"{reference['value']} {symbol}"
    return _("%(value)s %(unit)s (%(low)s to %(high)s)") % {**reference, "unit": symbol}


def _span(lower: str | None, upper: str | None, symbol: str) -> str:
    """Nothing where neither end is known, and one number where both are the same."""
    if lower is None and upper is None:
        return ""
    return f"{lower} {symbol}" if lower == upper else f"{lower or '…'} – {upper or '…'} {symbol}"


def _plain(number: Decimal | None) -> str | None:
    return None if number is None else plain_text(number)


def _symbol(unit: str) -> str:
    return UNITS[unit].symbol if unit in UNITS else unit
