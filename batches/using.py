"""What goes into a batch, and what comes out of it."""

from datetime import date
from typing import Any
from uuid import UUID

from batches import edges, judging, lots, packing, rework
from batches.flags import Flag
from batches.models import (
    Batch,
    Lot,
    Material,
    MaterialKind,
    Movement,
    MovementKind,
    Part,
    ReworkFrom,
    StoragePlace,
)
from batches.movements import begin, keep_lot, write
from config.api.refusals import RuleBroken, Unknown, Unusable
from ledger.acts import Act
from ledger.deeds import deed


@deed
def use(
    *,
    act: Act,
    lot: Lot,
    batch: Batch,
    quantity: str,
    unit: str,
    part: Part | None = None,
    recipe_line: int | None = None,
    from_place: StoragePlace | None = None,
    weighed_with: UUID | None = None,
) -> Movement:
    """Weigh some of a lot into a batch, or one part of it. Raises Unusable, Unknown, RuleBroken.

    Only what cannot be is refused: a lot that came out of the batch, or one made of it.
    """
    movement = begin(
        act,
        MovementKind.USED,
        lot=lot,
        quantity=quantity,
        unit=unit,
        batch=batch,
        part=_part_of(batch, part),
        recipe_line=_line_of(batch, recipe_line),
        from_place=from_place,
        weighed_with=weighed_with,
    )
    if edges.comes_from(lot, batch):
        raise RuleBroken(
            f"Lot {lot.code} came out of batch {batch.code}, or of one made of it, so it is no ingredient "
            "of that batch. Trim folded back within a batch is noted as trim returned between its parts.",
            code="comes-from-this-batch",
            field="lot",
        )
    flags = [
        *judging.of_taking(movement),
        *judging.of_lot(movement),
        *judging.of_run(movement),
        *_of_recipe(movement),
    ]
    if packing.ends_before_its_box(movement.lot, batch):
        flags.append(Flag.SOONER_THAN_BOX)
    return write(act, movement, flags)


def _of_recipe(movement: Movement) -> list[Flag]:
    """Rework goes in by the recipe's rules for rework, so no line need name it."""
    by_lines = judging.of_recipe(movement)
    of_rework = [*rework.of_use(movement), *rework.of_share(movement)]
    if movement.lot.is_rework and Flag.REWORK_NOT_FORESEEN not in of_rework:
        by_lines = [flag for flag in by_lines if flag != Flag.NOT_IN_RECIPE]
    return by_lines + of_rework


@deed
def make(
    *,
    act: Act,
    batch: Batch,
    quantity: str,
    unit: str,
    material: Material | None = None,
    lot: Lot | None = None,
    part: Part | None = None,
    is_rework: bool = False,
    rework_from: str = "",
    best_before: date | None = None,
    code: str = "",
    to_place: StoragePlace | None = None,
    weighed_with: UUID | None = None,
) -> Movement:
    """Take a new lot of ``material`` out of a batch, or a further quantity into its ``lot``.

    A new lot awaits decision and is ``movement.lot``; a released lot that gets more awaits one again. Best
    before follows the material's shelf life unless said; a box of finished lots ends with the first of them.
    ``rework_from``: where a new rework lot comes from, a value of ``ReworkFrom``; it has to be said. Raises Unusable,
    Unknown, RuleBroken.
    """
    _refuse_odd_rework(is_rework and lot is None, rework_from)
    common: dict[str, Any] = {
        "quantity": quantity,
        "unit": unit,
        "batch": batch,
        "part": _part_of(batch, part),
        "to_place": to_place,
        "weighed_with": weighed_with,
    }
    if lot is not None:
        _refuse_other_batch(lot, batch)
        movement = begin(act, MovementKind.MADE, lot=lot, **common)
        _refuse_second_birth(movement)
    elif material is not None:
        movement = _new_lot(act, batch, material, is_rework, rework_from, best_before, code, common)
    else:
        raise Unusable("Name the material of the new lot, or the lot that gets more.", field="material")
    flags = judging.of_run(movement) + judging.of_product(movement) + judging.of_counts(movement)
    first = _ends_first(batch, movement.lot.material, is_rework) if movement.new_lot else None
    if first is not None and movement.best_before is not None and movement.best_before > first:
        flags.append(Flag.LATER_THAN_CONTENTS)
    return write(act, movement, flags)


def _ends(act: Act, batch: Batch, material: Material, is_rework: bool, said: date | None) -> date | None:
    """As said; else by the shelf life, and no later than what ends first of what is packed in it."""
    usual = lots.best_before(material, act.local_day, said)
    first = None if said is not None else _ends_first(batch, material, is_rework)
    return min(filter(None, (usual, first)), default=None)


def _ends_first(batch: Batch, material: Material, is_rework: bool) -> date | None:
    is_box = material.kind == MaterialKind.FINISHED and not is_rework
    return packing.earliest(batch) if is_box else None


def _new_lot(
    act: Act,
    batch: Batch,
    material: Material,
    is_rework: bool,
    rework_from: str,
    best_before: date | None,
    code: str,
    common: dict[str, Any],
) -> Movement:
    said = {
        "material": str(material.pk),
        "code": code,
        "is_rework": is_rework,
        "best_before": best_before.isoformat() if best_before else "",
    }
    said |= {"rework_from": rework_from} if rework_from else {}
    movement = begin(
        act,
        MovementKind.MADE,
        material=material,
        new_lot=said,
        best_before=_ends(act, batch, material, is_rework, best_before),
        **common,
    )
    if movement.replaces:
        same = {"material": material, "batch": batch, "is_rework": is_rework}
        movement.lot = keep_lot(movement, **same, **({"code": code} if code else {}))
        _refuse_no_birth(movement)
    else:
        movement.lot = lots.bring(
            act=act, movement=movement, material=material, batch=batch, code=code, is_rework=is_rework
        )
    return movement


def _refuse_odd_rework(new_rework: bool, rework_from: str) -> None:
    if rework_from and rework_from not in ReworkFrom.values:
        known = ", ".join(ReworkFrom.values)
        raise Unusable(f"Rework comes from one of: {known}.", field="rework_from")
    if new_rework and not rework_from:
        known = ", ".join(ReworkFrom.values)
        raise Unusable(
            f"Say where this rework comes from, one of: {known}. That nobody knows is an answer too.",
            code="missing",
            field="rework_from",
        )
    if rework_from and not new_rework:
        raise Unusable("Only a new lot of rework comes from somewhere.", field="rework_from")


def _refuse_other_batch(lot: Lot, batch: Batch) -> None:
    if lot.batch_id != batch.pk:
        raise RuleBroken(
            f"Lot {lot.code} did not come out of batch {batch.code}; a lot comes from one batch. Make a new "
            "lot.",
            code="lot-of-another-batch",
            field="lot",
        )


def _refuse_second_birth(movement: Movement) -> None:
    """A correction keeps to what it corrects: the lot that was brought, or a further quantity."""
    if movement.replaces and movement.replaces.new_lot:
        raise RuleBroken(
            f"Movement {movement.corrects_id} brought lot {movement.replaces.lot.code}: correct it as the "
            "making of that lot, by naming its material.",
            code="identity-is-kept",
            field="lot",
        )


def _refuse_no_birth(movement: Movement) -> None:
    if movement.replaces and not movement.replaces.new_lot:
        raise RuleBroken(
            f"Movement {movement.corrects_id} put more into lot {movement.lot.code}: correct it by naming "
            "that lot.",
            code="identity-is-kept",
            field="material",
        )


def _part_of(batch: Batch, part: Part | None) -> Part | None:
    if part is not None and part.batch_id != batch.pk:
        raise Unknown(f"Batch {batch.code} has no part {part.pk}.", field="part")
    return part


def _line_of(batch: Batch, position: int | None) -> int | None:
    if position is not None and not batch.recipe_version.lines.filter(position=position).exists():
        raise Unknown(f"The recipe of batch {batch.code} has no line {position}.", field="recipe_line")
    return position
