"""Who got what of the lots in a recall, by the movements that stand: read anew each time, since deliveries come late."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.utils import timezone

from batches import outlets
from batches.models import BuyerForgotten, Lot, Movement, MovementKind, TradingPartner, WebOrder
from batches.outlet_sums import Visit
from batches.outlets import LotThere
from batches.quantities import plain_text, to_unit
from ledger.acts import Moment
from ledger.models import Establishment

UNITS = {"mass": ("KGM", 3), "count": ("H87", 0)}
KINDS = (MovementKind.SHIPPED, MovementKind.RETURNED, MovementKind.SENT_BACK)


@dataclass(frozen=True)
class Got:
    """What one partner got of one lot: base steps, papers, and when for the first and last time."""

    lot: UUID
    code: str
    material: str
    dimension: str
    shipped: int
    returned: int
    sent_back: int
    documents: tuple[str, ...]
    first: datetime
    last: datetime
    best_before: date | None

    def as_row(self) -> dict[str, Any]:
        """As a scope keeps it: amounts as text in ``unit``."""
        amounts = {
            name: text(getattr(self, name), self.dimension) for name in ("shipped", "returned", "sent_back")
        }
        return {
            "lot": str(self.lot),
            "code": self.code,
            "material": self.material,
            **amounts,
            "unit": UNITS[self.dimension][0],
            "documents": list(self.documents),
            "first": self.first.isoformat(),
            "last": self.last.isoformat(),
        }


def text(base: int, dimension: str) -> str:
    unit, places = UNITS[dimension]
    return plain_text(to_unit(base, unit), places)


@dataclass(frozen=True)
class Received:
    """One who got some: a partner with a name, or the buyer of a web order as long as the house knows who that is.

    ``is_named``: there is somebody to write to. Else buyers got it whom nobody names.
    """

    partner: TradingPartner
    order: WebOrder | None
    is_named: bool
    got: tuple[Got, ...]

    @property
    def key(self) -> tuple[UUID, UUID | None]:
        return key_of(self.partner, self.order)

    @property
    def name(self) -> str:
        return name_of(self.partner, self.order)


def key_of(partner: TradingPartner, order: WebOrder | None) -> tuple[UUID, UUID | None]:
    return partner.pk, order.pk if order else None


def name_of(partner: TradingPartner, order: WebOrder | None) -> str:
    """A buyer is named by the order only: what is kept of a recall outlives what is kept of them."""
    return f"Buyer of web order {order.number}" if order else partner.name


def receiver_of(each: Received) -> tuple[UUID | None, UUID | None]:
    """As notices and answers name who got it: the partner, or the web order of the buyer."""
    return (None, each.order.pk) if each.order else (each.partner.pk, None)


def who_got(
    establishment: Establishment, lots: Collection[str], at: datetime | None = None
) -> list[Received]:
    """In the order of their names: what each got of lots (uuids), as it was known at a time. One statement.

    A supplier to whom some was sent back is among them: they have it.
    """
    at = at or timezone.now()
    rows = (
        Movement.objects.of(establishment)
        .filter(lot__uid__in=lots, what__in=KINDS, recorded_at__lte=at, withdrawn=False)
        .exclude(corrected_by__recorded_at__lte=at)
        .select_related("partner", "lot__material", "lot__state", "order__forgotten")
        .order_by("partner__name", "partner__code", "order__number", "lot_id", "performed_at", "id")
    )
    found: defaultdict[tuple[UUID, UUID | None], dict[int, list[Movement]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for row in rows:
        assert row.partner is not None  # what is shipped, returned or sent back names one
        found[key_of(row.partner, row.order)][row.lot_id].append(row)
    return [_received(list(by_lot.values()), at) for by_lot in found.values()]


def _received(by_lot: Sequence[Sequence[Movement]], at: datetime) -> Received:
    first = by_lot[0][0]
    assert first.partner is not None
    named = knows_buyer(first.order, at) if first.order else not first.partner.outlet
    return Received(first.partner, first.order, named, tuple(map(_got, by_lot)))


def knows_buyer(order: WebOrder, at: datetime) -> bool:
    """Whether the buyer was not forgotten yet at a time."""
    forgotten: BuyerForgotten | None = getattr(order, "forgotten", None)
    return forgotten is None or forgotten.recorded_at > at


def _got(moved: Sequence[Movement]) -> Got:
    lot = moved[0].lot
    sums = {kind: sum(each.quantity for each in moved if each.what == kind) for kind in KINDS}
    went = [each for each in moved if each.what != MovementKind.RETURNED]  # the papers that they have
    times = [Moment(each.performed_at, each.performed_offset).local for each in moved]
    return Got(
        lot=lot.uid,
        code=lot.code,
        material=lot.material.name,
        dimension=lot.material.dimension,
        shipped=sums[MovementKind.SHIPPED],
        returned=sums[MovementKind.RETURNED],
        sent_back=sums[MovementKind.SENT_BACK],
        documents=tuple(sorted({each.document for each in went if each.document})),
        first=min(times),
        last=max(times),
        best_before=lot.state.best_before,
    )


# -- where buyers nobody names got some ------------------------------------------------------------------


@dataclass(frozen=True)
class SoldThere:
    """Base steps of one lot at one outlet. ``with_buyers``: the most that buyers may have of it."""

    lot: UUID
    code: str
    material: str
    dimension: str
    best_before: date | None
    taken: int
    brought_back: int
    destroyed: int
    there: int
    with_buyers: int
    visits: tuple[Visit, ...]

    def as_row(self) -> dict[str, Any]:
        """As a scope keeps it: amounts as text in ``unit``, days as dates."""
        amounts = {name: text(getattr(self, name), self.dimension) for name in OUTLET_AMOUNTS}
        return {
            "lot": str(self.lot),
            "code": self.code,
            "material": self.material,
            "best_before": self.best_before.isoformat() if self.best_before else "",
            **amounts,
            "unit": UNITS[self.dimension][0],
            "visits": [
                {
                    "place": each.place,
                    "first": each.first.isoformat(),
                    "last": each.last.isoformat() if each.last else "",
                }
                for each in self.visits
            ],
        }


OUTLET_AMOUNTS = ("taken", "brought_back", "destroyed", "there", "with_buyers")


@dataclass(frozen=True)
class SoldAt:
    """An outlet, and what went to its buyers or is there still."""

    outlet: TradingPartner
    lots: tuple[SoldThere, ...]

    @property
    def reached_buyers(self) -> bool:
        return any(each.with_buyers for each in self.lots)


def sold_at(
    establishment: Establishment,
    lots: Collection[str],
    got: Sequence[Received],
    at: datetime | None = None,
) -> list[SoldAt]:
    """Outlets that had some of lots (uuids), by name: stalls and shops, and web orders whose buyer is forgotten."""
    found: defaultdict[UUID, list[SoldThere]] = defaultdict(list)
    known: dict[UUID, TradingPartner] = {}
    if lots:
        keys = set(Lot.objects.filter(establishment=establishment, uid__in=lots).values_list("pk", flat=True))
        for row in outlets.there(establishment, lots=keys, at=at):
            known[row.outlet.pk] = row.outlet
            found[row.outlet.pk].append(_of_outlet(row))
    for each in got:
        if not each.is_named and each.order is not None:
            known[each.partner.pk] = each.partner
            found[each.partner.pk] += map(_of_order, each.got)
    named = sorted(known.values(), key=lambda outlet: (outlet.name, outlet.code))
    return [SoldAt(outlet, tuple(found[outlet.pk])) for outlet in named]


def _of_outlet(row: LotThere) -> SoldThere:
    sums, lot = row.sums, row.lot
    return SoldThere(
        lot=lot.uid,
        code=lot.code,
        material=lot.material.name,
        dimension=lot.material.dimension,
        best_before=lot.state.best_before,
        taken=sums.taken,
        brought_back=sums.brought_back,
        destroyed=sums.destroyed,
        there=max(sums.there, 0) if sums.counted else 0,
        with_buyers=sums.with_buyers,
        visits=sums.visits,
    )


def _of_order(got: Got) -> SoldThere:
    """An order whose buyer is forgotten: somebody has it, and nobody knows who."""
    return SoldThere(
        lot=got.lot,
        code=got.code,
        material=got.material,
        dimension=got.dimension,
        best_before=got.best_before,
        taken=got.shipped,
        brought_back=got.returned,
        destroyed=0,
        there=0,
        with_buyers=max(got.shipped - got.returned, 0),
        visits=(Visit("", got.first.date(), got.last.date()),),
    )
