"""The receiving log: every delivery of a period, or those of some suppliers, and what was decided on it."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, pgettext_lazy

from batches.flags import SENTENCES, Flag
from batches.models import Dimension, LotDecision, Movement, MovementKind, TradingPartner
from config.templatetags.moments import local_time
from ledger.models import Establishment
from reports import amounts, balances, periods, tables
from reports.documents import Column, RecordLine
from reports.listing import Listing, Section, spoken
from reports.periods import Period
from reports.tables import Table

TITLE = gettext_lazy("receiving log")
FORMS = tables.FORMS


@dataclass(frozen=True, kw_only=True)
class ReceiptLine(RecordLine):
    """A delivery as it was recorded; ``status`` and ``decided`` as they stand now, the last decision by whom and when."""

    lot: str
    material_code: str
    material: str
    supplier: str
    supplier_code: str
    entered: str
    balance: str
    document: str
    best_before: date | None
    flags: tuple[str, ...]
    status: str
    decided: str

    @property
    def what(self) -> tuple[str, ...]:
        return f"{self.material_code} {self.material}", self.lot

    @property
    def quantity(self) -> tuple[str, ...]:
        return tuple(filter(None, (self.entered, self.balance)))

    @property
    def came_from(self) -> tuple[str, ...]:
        return tuple(filter(None, (self.supplier, self.supplier_code)))

    @property
    def decision(self) -> tuple[str, ...]:
        return tuple(filter(None, (self.status, self.decided)))


COLUMNS = (
    Column(gettext_lazy("Material and lot"), "what", 4),
    Column(gettext_lazy("Supplier and their code"), "came_from", 4),
    Column(pgettext_lazy("of goods", "Quantity"), "quantity", 3),
    Column(gettext_lazy("Document"), "document", 3),
    Column(gettext_lazy("Best before"), "best_before", 3),
    Column(gettext_lazy("Out of order"), "flags", 4),
    Column(gettext_lazy("Decision"), "decision", 4),
)
HEADS = (
    "lot",
    "material_code",
    "material",
    "supplier",
    "supplier_code",
    "entered",
    "balance",
    "document",
    "best_before",
    "flags",
    "status",
    "decided",
)


@dataclass(frozen=True, kw_only=True)
class ReceivingLog(Listing):
    """``suppliers``: whose deliveries it tells only; of all where none is named."""

    kind: ClassVar[str] = "receiving-log"
    shows_limits: ClassVar[bool] = False

    suppliers: tuple[str, ...]
    receipts: tuple[ReceiptLine, ...]
    record_ids: tuple[UUID, ...]

    def facts(self) -> tuple[tuple[str, str], ...]:
        standing = [each for each in self.receipts if each.replaced is None]
        return (
            (_("Deliveries that stand"), str(len(standing))),
            *(((_("Only of"), ", ".join(self.suppliers)),) if self.suppliers else ()),
        )

    def sections(self) -> tuple[Section, ...]:
        nothing = _("Nothing was received in this period.")
        return (Section(_("Deliveries"), self.receipts, COLUMNS, nothing),)

    def data_tables(self) -> tuple[Table, ...]:
        return (tables.of_records("deliveries", self.receipts, HEADS),)


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unusable for the period, RuleBroken for too many."""
    period, suppliers = _asked(about)
    periods.refuse_too_many(_found(establishment, period, suppliers).count())


def of_suppliers(days: dict[str, str], keys: Iterable[UUID]) -> dict[str, Any]:
    """What such a log is asked that tells what these delivered, and nothing of others."""
    return {**days, "suppliers": list(map(str, keys))}


def _asked(about: dict[str, Any]) -> tuple[Period, list[UUID]]:
    days = {name: said for name, said in about.items() if name != "suppliers"}
    return periods.asked(days), list(map(UUID, about.get("suppliers", [])))


def _found(here: Establishment, period: Period, suppliers: list[UUID]) -> QuerySet[Movement]:
    received = Movement.objects.of(here).filter(what=MovementKind.RECEIVED, withdrawn=False)
    found = received.filter(period.within(here))
    return found.filter(partner__in=suppliers) if suppliers else found


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> ReceivingLog:
    """Read the deliveries; call it within one snapshot."""
    period, suppliers = _asked(about)
    rows = _found(here, period, suppliers).select_related(
        *RecordLine.FROM_RECORD, "partner", "lot__material", "lot__state"
    )
    found = list(rows.order_by("performed_at", "id"))
    decisions = _decisions(found)
    known = balances.names(here, (each.weighed_with for each in found))
    receipts = tuple(_lines(found, decisions, known))
    named = {key for line in receipts for key in line.records}
    return ReceivingLog(
        period=period,
        suppliers=tuple(_names(here, suppliers)),
        receipts=receipts,
        confirmed_rules=(),
        record_ids=tuple(sorted({*named, *(each.pk for each in decisions.values())})),
        **head,
    )


def _names(here: Establishment, suppliers: list[UUID]) -> Iterator[str]:
    rows = TradingPartner.objects.filter(establishment=here, pk__in=suppliers)
    yield from rows.order_by("name").values_list("name", flat=True)


def _balance(each: Movement, known: dict[UUID, str]) -> str:
    """Nothing of what is counted by pieces."""
    if each.lot.material.dimension == Dimension.COUNT:
        return ""
    return balances.said(each.weighed_with, known)


def _decisions(found: Sequence[Movement]) -> dict[int, LotDecision]:
    """The last decision on each lot."""
    rows = LotDecision.objects.standing().filter(lot__in={each.lot_id for each in found})
    rows = rows.select_related("performed_by", "establishment")
    return {each.lot_id: each for each in rows.order_by("recorded_at", "id")}


def _lines(
    found: Sequence[Movement], decisions: dict[int, LotDecision], known: dict[UUID, str]
) -> Iterator[ReceiptLine]:
    for each in found:
        decision = decisions.get(each.lot_id)
        decided = ""
        if decision is not None:
            at = decision.performed_at.astimezone(decision.establishment.zone)
            decided = f"{decision.performed_by.name}, {local_time(at)}"
        yield ReceiptLine.of(
            each,
            lot=each.lot.code,
            material_code=each.lot.material.code,
            material=each.lot.material.name,
            supplier=each.partner.name if each.partner else "",
            supplier_code=str(each.new_lot.get("supplier_code", "")),
            entered=amounts.in_symbols(f"{each.entered} {each.unit}"),
            balance=_balance(each, known),
            document=each.document,
            best_before=each.best_before,
            flags=tuple(spoken(SENTENCES[Flag(flag)]) for flag in each.flags),
            status=spoken(each.lot.state.get_status_display()),
            decided=decided,
        )
