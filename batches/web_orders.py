"""Web orders: the lots picked for each, and the buyer, who is forgotten once no recall can need them any more."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from uuid import UUID

from batches import judging
from batches.locks import lock_material
from batches.models import (
    Buyer,
    BuyerForgotten,
    Movement,
    MovementKind,
    Outlet,
    TradingPartner,
    WebOrder,
)
from batches.shipping import ship
from batches.texts import one_line
from config.api.refusals import OtherContent, Reason, RuleBroken, Unknown, Unusable
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Establishment


@dataclass(frozen=True)
class Contact:
    """Who ordered, and how they can be told of a recall: at least one way."""

    name: str
    email: str = ""
    phone: str = ""
    address: str = ""


@deed
def send(
    *,
    act: Act,
    outlet: TradingPartner,
    number: str,
    lines: Sequence[Mapping[str, Any]],
    buyer: Contact,
    already_happened: bool = False,
) -> WebOrder:
    """Ship what one buyer ordered. Raises RuleBroken ``may-not-ship`` with every reason of every line at once.

    ``lines``: each {"lot": Lot, "quantity", "unit"} and perhaps "from_place". The buyer is kept beside the record.
    """
    lock_material(act.establishment)
    order = WebOrder.new(
        act,
        outlet=outlet,
        number=one_line(number, field="number", longest=40),
        picked=[_as_picked(line) for line in lines],
    )
    _refuse_other_buyer(order, buyer)
    order.answer_if_repeated()
    _refuse_unusable(order, outlet, buyer)
    order.insert()
    Buyer.objects.create(order=order, establishment=act.establishment, **vars(buyer))
    _ship(act, order, lines, already_happened)
    return order


def _as_picked(line: Mapping[str, Any]) -> dict[str, str]:
    place = line.get("from_place")
    said = {"lot": str(line["lot"].uid), "quantity": line["quantity"], "unit": line["unit"]}
    return said | ({"from_place": str(place.pk)} if place else {})


def _refuse_other_buyer(order: WebOrder, buyer: Contact) -> None:
    """No digest covers the buyer; while they are kept, the same id with another buyer is another order."""
    known = Buyer.objects.filter(order=order.pk, establishment=order.establishment).first()
    if known is not None and _contact(known) != buyer:
        raise OtherContent(
            f"Id {order.pk} is taken by an order of another buyer. Nothing was changed.", field="id"
        )


def _contact(buyer: Buyer) -> Contact:
    return Contact(buyer.name, buyer.email, buyer.phone, buyer.address)


def _refuse_unusable(order: WebOrder, outlet: TradingPartner, buyer: Contact) -> None:
    if outlet.establishment_id != order.establishment_id:
        raise Unknown(f"There is no outlet {outlet.pk} here.", field="outlet")
    if order.corrects_id is not None:
        raise RuleBroken(
            "What was shipped for an order is corrected movement by movement.",
            code="not-corrected",
            field="corrects",
        )
    if outlet.outlet != Outlet.WEB:
        raise Unusable(
            f"{outlet.name} is no outlet for web orders.", code="not-for-web-orders", field="outlet"
        )
    if not order.picked:
        raise Unusable("Name at least one lot.", code="missing", field="lines")
    _refuse_unreachable(buyer)
    taken = WebOrder.objects.filter(establishment=order.establishment, number=order.number).first()
    if taken is not None:
        raise RuleBroken(
            f"Web order {order.number} is recorded already ({taken.pk}). Nothing was written.",
            code="number-taken",
            field="number",
        )


def _refuse_unreachable(buyer: Contact) -> None:
    if not buyer.name.strip():
        raise Unusable("Say who ordered.", code="missing", field="buyer.name")
    if not (buyer.email or buyer.phone or buyer.address):
        raise Unusable(
            "Give an e-mail address, a phone number or an address: else no recall reaches them.",
            code="missing",
            field="buyer.email",
        )


def _ship(act: Act, order: WebOrder, lines: Sequence[Mapping[str, Any]], already_happened: bool) -> None:
    reasons: list[Reason] = []
    for place, line in enumerate(lines):
        try:
            ship(
                act=act.with_new_id(),
                customer=order.outlet,
                document=f"web order {order.number}",
                order=order,
                already_happened=already_happened,
                **line,
            )
        except Unusable as refusal:
            field = f"lines.{place}.{refusal.reasons[0].field}"
            raise Unusable(refusal.detail, code=refusal.code, field=field) from refusal
        except RuleBroken as refusal:
            reasons += [
                Reason(each.code, each.detail, f"lines.{place}.{each.field}", each.ids)
                for each in refusal.reasons
            ]
    if reasons:
        raise RuleBroken(
            "The order may not be shipped; nothing was written. If it has left already, say so and it is recorded and "
            "flagged.",
            code="may-not-ship",
            reasons=reasons,
        )


@deed
def change_buyer(*, act: Act, order: WebOrder, buyer: Contact) -> Buyer:
    """Put right how a buyer is reached. What was wrong is gone: no record keeps it. Raises RuleBroken, Unusable."""
    lock_material(act.establishment)
    _refuse_unreachable(buyer)
    known = Buyer.objects.filter(order=order, establishment=act.establishment).first()
    if known is None:
        raise RuleBroken(
            f"The buyer of web order {order.number} is forgotten, and stays so.", code="forgotten-already"
        )
    for name, value in vars(buyer).items():
        setattr(known, name, value)
    known.save()
    return known


# -- until when a buyer is kept --------------------------------------------------------------------------


def kept_until(establishment: Establishment, orders: Collection[UUID]) -> dict[UUID, date | None]:
    """The last day on which a recall may need the buyer of each order: the latest best before of what left, and the days
    that the house keeps buyers on top. Of a lot without a date it counts from the day it left. None: nothing left.

    Asked anew each time, since a best before may be corrected. One statement.
    """
    left = Movement.objects.of(establishment).standing().filter(order__in=orders, what=MovementKind.SHIPPED)
    found: dict[UUID, date | None] = dict.fromkeys(orders)
    for each in left.select_related("lot__state"):
        each.establishment = establishment
        day = (each.lot.state.best_before or judging.day_of(each)) + timedelta(
            days=establishment.buyers_kept_days
        )
        assert each.order_id is not None
        found[each.order_id] = max(found[each.order_id] or day, day)
    return found


def overdue(establishment: Establishment, today: date) -> list[WebOrder]:
    """Orders whose buyer is kept past that day."""
    kept = {each.pk: each for each in WebOrder.objects.of(establishment).filter(buyer__isnull=False)}
    days = kept_until(establishment, kept)
    return [kept[key] for key, day in days.items() if day is None or day < today]


def lots_of(orders: Collection[WebOrder]) -> dict[UUID, set[int]]:
    """Keys of the lots that left for each order, by the movements that stand."""
    found: defaultdict[UUID, set[int]] = defaultdict(set)
    left = Movement.objects.standing().filter(
        order__in=[each.pk for each in orders], what=MovementKind.SHIPPED
    )
    for order, lot in left.order_by().values_list("order_id", "lot_id"):
        found[order].add(lot)
    return dict(found)


@deed
def forget(*, act: Act, order: WebOrder, because: str) -> BuyerForgotten:
    """Delete who ordered; that they were forgotten is a record. Whoever calls this has asked whether a recall needs them."""
    lock_material(act.establishment)
    record = BuyerForgotten.new(act, order=order, because=because.strip())
    record.answer_if_repeated()
    if not Buyer.objects.filter(order=order, establishment=act.establishment).delete()[0]:
        raise RuleBroken(f"The buyer of web order {order.number} is forgotten.", code="forgotten-already")
    if not record.because:
        raise Unusable("Say why.", code="missing", field="because")
    return record.insert()
