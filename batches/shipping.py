"""What goes to customers and comes back from them. ``ship`` is a gate: only released lots leave."""

from uuid import UUID

from batches import judging, lots
from batches.flags import LOT_NOT_READY, Flag
from batches.models import (
    Lot,
    LotStatus,
    Movement,
    MovementKind,
    StoragePlace,
    TradingPartner,
    WebOrder,
)
from batches.movements import begin, write
from batches.quantities import shown
from config.api.refusals import Reason, RuleBroken, Unusable
from ledger.acts import Act
from ledger.deeds import deed


@deed
def ship(
    *,
    act: Act,
    lot: Lot,
    customer: TradingPartner,
    quantity: str,
    unit: str,
    carrier: TradingPartner | None = None,
    from_place: StoragePlace | None = None,
    document: str = "",
    order: WebOrder | None = None,
    already_happened: bool = False,
    weighed_with: UUID | None = None,
) -> Movement:
    """Ship some of a released lot. Raises RuleBroken ``may-not-ship`` with every reason at once.

    ``order``: the web order it was picked for; a correction keeps to that of what it corrects. ``already_happened``: it
    has left; then it is recorded and flagged. So is a correction of a shipment.
    """
    movement = begin(
        act,
        MovementKind.SHIPPED,
        lot=lot,
        quantity=quantity,
        unit=unit,
        partner=customer,
        carrier=carrier,
        from_place=from_place,
        document=document,
        order=_order_of(act, customer, order),
        weighed_with=weighed_with,
    )
    if not already_happened and movement.replaces is None:
        _gate(movement)
    flags = [
        *judging.of_taking(movement),
        *judging.of_lot(movement),
        *judging.of_partner(customer.is_customer),
    ]
    if LOT_NOT_READY.intersection(flags):
        flags.append(Flag.SHIPPED_NOT_RELEASED)
    return write(act, movement, flags)


def _gate(movement: Movement) -> None:
    lot, there = movement.lot, judging.available(movement)
    reasons = []
    if lot.state.status != LotStatus.RELEASED:
        sentence = f"Lot {lot.code} is not released: {LotStatus(lot.state.status).label}."
        reasons.append(Reason("not-released", sentence, "lot", [str(lot.uid)]))
    if movement.quantity > there:
        sentence = f"Of lot {lot.code} only {shown(there, _measure(lot))} are on hand."
        reasons.append(Reason("more-than-on-hand", sentence, "quantity", [str(lot.uid)]))
    if reasons:
        raise RuleBroken(
            "It may not be shipped; nothing was written. If it has left already, say so and it is recorded "
            "and flagged.",
            code="may-not-ship",
            reasons=reasons,
        )


def _order_of(act: Act, customer: TradingPartner, order: WebOrder | None) -> WebOrder | None:
    """The order that was named, else that of the movement which is corrected. Raises Unusable for another outlet's."""
    if order is None and act.corrects is not None:
        corrected = Movement.objects.of(act.establishment).filter(pk=act.corrects).first()
        order = corrected.order if corrected is not None else None
    if order is not None and order.outlet_id != customer.pk:
        raise Unusable(
            f"Web order {order.number} went through {order.outlet.name}: name that as the customer.",
            code="another-outlet",
            field="customer",
        )
    return order


def _measure(lot: Lot) -> str:
    return "pieces" if lot.material.dimension == "count" else "mass"


@deed
def take_back(
    *,
    act: Act,
    lot: Lot,
    customer: TradingPartner,
    quantity: str,
    unit: str,
    to_place: StoragePlace | None = None,
    carrier: TradingPartner | None = None,
    document: str = "",
    order: WebOrder | None = None,
    weighed_with: UUID | None = None,
) -> Movement:
    """A customer returned some of a lot, or it was brought back from an outlet. A released lot then awaits a decision again.

    ``order``: the web order whose buyer sent it back.
    """
    movement = begin(
        act,
        MovementKind.RETURNED,
        lot=lot,
        quantity=quantity,
        unit=unit,
        partner=customer,
        carrier=carrier,
        to_place=to_place,
        document=document,
        order=_order_of(act, customer, order),
        weighed_with=weighed_with,
    )
    write(act, movement, judging.of_partner(customer.is_customer) + judging.of_counts(movement))
    lots.reopen(act=act, lots=[movement.lot], because=movement)
    return movement
