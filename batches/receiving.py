"""What comes from a supplier, and what goes back there."""

from datetime import date
from uuid import UUID

from batches import judging, lots
from batches.models import Lot, Material, Movement, MovementKind, StoragePlace, TradingPartner
from batches.movements import begin, keep_lot, write
from ledger.acts import Act
from ledger.deeds import deed


@deed
def receive(
    *,
    act: Act,
    material: Material,
    supplier: TradingPartner,
    quantity: str,
    unit: str,
    supplier_code: str = "",
    best_before: date | None = None,
    code: str = "",
    to_place: StoragePlace | None = None,
    carrier: TradingPartner | None = None,
    document: str = "",
    weighed_with: UUID | None = None,
) -> Movement:
    """A delivery is a new lot, awaiting decision: ``movement.lot``. Raises Unusable, RuleBroken, Unknown.

    ``code``: our own code for it, if the client chose one; the supplier's is kept apart. A correction may
    change everything but the lot's material and code.
    """
    said = {
        "material": str(material.pk),
        "code": code,
        "supplier_code": lots.checked_supplier_code(supplier_code),
        "best_before": best_before.isoformat() if best_before else "",
    }
    movement = begin(
        act,
        MovementKind.RECEIVED,
        material=material,
        quantity=quantity,
        unit=unit,
        new_lot=said,
        best_before=lots.best_before(material, act.local_day, best_before),
        partner=supplier,
        carrier=carrier,
        to_place=to_place,
        document=document,
        weighed_with=weighed_with,
    )
    if movement.replaces:
        movement.lot = keep_lot(movement, material=material, **({"code": code} if code else {}))
    else:
        movement.lot = lots.bring(
            act=act, movement=movement, material=material, batch=None, code=code, is_rework=False
        )
    flags = judging.of_partner(supplier.is_supplier) + judging.of_counts(movement)
    return write(act, movement, flags)


@deed
def send_back(
    *,
    act: Act,
    lot: Lot,
    supplier: TradingPartner,
    quantity: str,
    unit: str,
    from_place: StoragePlace | None = None,
    carrier: TradingPartner | None = None,
    document: str = "",
    weighed_with: UUID | None = None,
) -> Movement:
    """Some of a lot went back to the supplier."""
    movement = begin(
        act,
        MovementKind.SENT_BACK,
        lot=lot,
        quantity=quantity,
        unit=unit,
        partner=supplier,
        carrier=carrier,
        from_place=from_place,
        document=document,
        weighed_with=weighed_with,
    )
    return write(act, movement, judging.of_taking(movement) + judging.of_partner(supplier.is_supplier))
