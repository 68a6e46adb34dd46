"""What every movement has in common: how it is read, written, followed up, corrected and withdrawn.

The deeds are in the modules named for their subject: ``receiving``, ``using``, ``shipping``, ``storing``.
Each is told ``act`` first; with ``act.corrects`` it replaces an earlier movement of its own kind. What
happened is never refused, it is flagged (``batches.flags``); only ``shipping.ship`` is a gate.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from batches import edges, lots, quantities, stock
from batches.flags import Flag
from batches.locks import lock_material
from batches.models import (
    ADDS,
    TAKES,
    Dimension,
    Lot,
    Material,
    MaterialKind,
    Movement,
    MovementKind,
)
from batches.signals import lot_made, movement_corrected, movement_recorded
from config.api.refusals import Reason, RuleBroken, Unknown
from ledger.acts import Act
from ledger.deeds import deed

REFERENCES = ("lot", "batch", "part", "from_place", "to_place", "partner", "carrier", "order")
CANNOT_BE = {
    Dimension.MASS: (quantities.Dimension.PIECES, quantities.Dimension.NUMBER),
    Dimension.COUNT: (quantities.Dimension.MASS, quantities.Dimension.VOLUME),
}


def begin(
    act: Act,
    what: MovementKind,
    *,
    quantity: str,
    unit: str,
    lot: Lot | None = None,
    material: Material | None = None,
    **values: Any,
) -> Movement:
    """Take the lock, read the amount and shape the record; a repeat ends here with what is stored.

    Of an existing ``lot``, read anew under the lock, or of a lot of ``material`` that the deed brings. Raises
    Unusable, Unknown for another establishment's rows, RuleBroken for a correction of another kind.
    """
    lock_material(act.establishment)
    if lot is not None:
        lot = Lot.objects.select_related("material", "state").get(pk=lot.pk)
        material, values["lot"] = lot.material, lot
    assert material is not None
    amount = read_amount(material, quantity, unit, positive=what != MovementKind.COUNTED)
    movement = Movement.new(
        act,
        what=what,
        quantity=amount.base,
        effect=_effect(what, amount.base),
        mass=_mass(material, amount.base),
        entered=amount.entered,
        unit=amount.unit,
        flags=[Flag.ROUNDED] if amount.rounded else [],
        **values,
    )
    _refuse_foreign(act, [material, *(values.get(name) for name in REFERENCES)])
    movement.answer_if_repeated()
    _refuse_other_kind(movement)
    return movement


def read_amount(
    material: Material, quantity: str, unit: str, *, positive: bool = True
) -> quantities.Quantity:
    """An amount of a material as entered. Raises Unusable; a mass of what is counted does not convert."""
    if quantities.known_unit(unit).dimension in CANNOT_BE[Dimension(material.dimension)]:
        raise quantities.UnitDoesNotConvert(
            f"{material.name} is kept by {material.dimension}; {unit} does not measure that.", field="unit"
        )
    return quantities.parse(quantity, unit, positive=positive)


def _effect(what: MovementKind, base: int) -> int:
    """What it does to the stock of its lot; of a count the deed finds it."""
    return base if what in ADDS else -base if what in TAKES else 0


def _mass(material: Material, base: int) -> int | None:
    """Milligrams of food; 0 for packaging, None where a piece's mass is not known."""
    if material.kind == MaterialKind.PACKAGING:
        return 0
    if material.dimension == Dimension.MASS:
        return base
    return None if material.piece_mass_mg is None else base * material.piece_mass_mg


def _refuse_foreign(act: Act, rows: Iterable[Any]) -> None:
    for row in rows:
        if row is not None and row.establishment_id != act.establishment.pk:
            raise Unknown(f"There is no {row._meta.verbose_name} {row.pk} here.", field=row._meta.model_name)


def _refuse_other_kind(movement: Movement) -> None:
    corrected = movement.replaces
    if corrected is not None and corrected.what != movement.what:
        raise RuleBroken(
            f"Movement {corrected.pk} says {corrected.what}: withdraw it and record what was done instead.",
            code="corrects-another-kind",
            field="corrects",
        )


def keep_lot(movement: Movement, **same: Any) -> Lot:
    """The lot whose birth ``movement`` corrects; what its identity says must stay as it was written.

    Raises RuleBroken ``identity-is-kept``: for that, withdraw and record anew.
    """
    assert movement.replaces is not None
    lot = Lot.objects.select_related("material", "state").get(pk=movement.replaces.lot_id)
    for name, value in same.items():
        if value != getattr(lot, name):
            raise RuleBroken(
                f"The {name} of lot {lot.code} is part of its identity. Withdraw movement "
                f"{movement.corrects_id} and record the right lot anew.",
                code="identity-is-kept",
                field=name,
            )
    return lot


def write(act: Act, movement: Movement, flags: Iterable[Flag] = ()) -> Movement:
    """Store the record with its flags and bring up everything that follows from it."""
    movement.flags = sorted({*movement.flags, *flags})
    movement.insert()
    _follow(act, movement)
    return movement


@deed
def withdraw(*, act: Act) -> Movement:
    """Say that the movement ``act.corrects`` never happened. Raises RuleBroken, Unknown.

    The birth of a lot can be withdrawn only when nothing else stands in the lot's name.
    """
    lock_material(act.establishment)
    movement = Movement.withdrawal(act)
    movement.answer_if_repeated()
    _refuse_while_needed(movement)
    movement.insert()
    _follow(act, movement)
    return movement


def _refuse_while_needed(movement: Movement) -> None:
    if not movement.new_lot or movement.replaces is None:
        return
    others = Movement.objects.standing().filter(lot=movement.lot_id).exclude(pk=movement.replaces.pk)
    ids = [str(key) for key in others.values_list("pk", flat=True)[:100]]
    if ids:
        reason = Reason(
            "lot-has-movements",
            f"Lot {movement.lot.code} came with this movement and others followed. Withdraw or correct those "
            "first.",
            field="corrects",
            ids=ids,
        )
        raise RuleBroken(reason.detail, code=reason.code, reasons=[reason])


def _follow(act: Act, movement: Movement) -> None:
    """Stock, edges, state and release follow the records that stand; then whoever listens is told."""
    corrected = movement.replaces
    touched = [movement] if corrected is None else [movement, corrected]
    if movement.new_lot:
        lots.remember(movement)
    stock.refresh([each.lot for each in touched])
    for batch in {each.batch for each in touched if each.batch}:
        edges.recompute(batch)
    lots.reopen(act=act, lots=_in_question(touched), because=movement)
    movement_recorded.send(sender=Movement, movement=movement, act=act)
    if corrected is not None:
        movement_corrected.send(sender=Movement, movement=movement, corrected=corrected, act=act)
    elif movement.what == MovementKind.MADE and movement.new_lot:
        lot_made.send(sender=Lot, lot=movement.lot, movement=movement, act=act)


def _in_question(touched: Sequence[Movement]) -> list[Lot]:
    """Lots about which a release could not know this: what they are, how much, or what went into them."""
    found = []
    for each in touched:
        if each.what in (MovementKind.RECEIVED, MovementKind.MADE):
            found.append(each.lot)
        elif each.what == MovementKind.USED:
            found += Lot.objects.filter(batch=each.batch_id)
    return found
