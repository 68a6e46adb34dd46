"""What is out of order about a movement that is about to be recorded. Nothing here refuses."""

from datetime import date

from batches import lots, stock
from batches.flags import Flag
from batches.models import AtOutlet, LotStatus, Movement, MovementKind

OF_STATUS = {
    LotStatus.AWAITING: Flag.LOT_AWAITING,
    LotStatus.HELD: Flag.LOT_HELD,
    LotStatus.REJECTED: Flag.LOT_REJECTED,
}


def available(movement: Movement) -> int:
    """Base steps of the lot on hand, leaving out what ``movement`` corrects."""
    corrected = movement.replaces
    same_lot = corrected is not None and corrected.lot_id == movement.lot_id
    return movement.lot.state.on_hand - (corrected.effect if corrected and same_lot else 0)


def of_taking(movement: Movement) -> list[Flag]:
    """More than there was; from a count's past."""
    found = [Flag.MORE_THAN_ON_HAND] if movement.quantity > available(movement) else []
    return found + of_counts(movement)


def of_counts(movement: Movement) -> list[Flag]:
    """A count that was made later and recorded earlier took this for a loss or a surplus already."""
    later = Movement.objects.standing().filter(
        lot=movement.lot_id, what=MovementKind.COUNTED, performed_at__gt=movement.performed_at
    )
    return [Flag.BEFORE_LAST_COUNT] if later.exists() else []


def of_lot(movement: Movement | AtOutlet) -> list[Flag]:
    """The lot's status and date when this was done."""
    found = []
    status = LotStatus(lots.status_when(movement.lot, movement.performed_at))
    if status in OF_STATUS:
        found.append(OF_STATUS[status])
    ends = movement.lot.state.best_before
    if ends is not None and ends < day_of(movement):
        found.append(Flag.PAST_ITS_DATE)
    return found


def day_of(movement: Movement | AtOutlet) -> date:
    """The establishment's date on which this was done."""
    return movement.performed_at.astimezone(movement.establishment.zone).date()


def of_run(movement: Movement) -> list[Flag]:
    """Whether the batch was running, asked of the time of the work, not of its arrival (decision D17)."""
    state = movement.batch.state if movement.batch else None
    if state is None:
        return []
    ended = state.ended_at is not None and movement.performed_at > state.ended_at
    return [Flag.OUTSIDE_THE_RUN] if ended or movement.performed_at < state.started_at else []


def of_recipe(movement: Movement) -> list[Flag]:
    """Whether the batch's recipe names what is used, and the line names it where one is given."""
    lines = dict(movement.batch.recipe_version.lines.values_list("position", "material_id"))  # type: ignore[union-attr]
    material = movement.lot.material_id
    if material not in lines.values():
        return [Flag.NOT_IN_RECIPE]
    other = movement.recipe_line is not None and lines.get(movement.recipe_line) != material
    return [Flag.OTHER_THAN_LINE] if other else []


def of_product(movement: Movement) -> list[Flag]:
    """Whether the batch's recipe is for what was made."""
    lot, recipe = movement.lot, movement.batch.recipe_version  # type: ignore[union-attr]
    return [] if lot.is_rework or lot.material_id == recipe.material_id else [Flag.NOT_THE_PRODUCT]


def of_partner(is_as_needed: bool) -> list[Flag]:
    return [] if is_as_needed else [Flag.PARTNER_IN_OTHER_PART]


def of_place(movement: Movement, place_is_given: bool) -> list[Flag]:
    """Where it went from, if it lay in more than one place."""
    if place_is_given:
        return []
    places = stock.by_place([movement.lot], at=movement.performed_at).get(movement.lot_id, {})
    return [Flag.PLACES_UNCLEAR] if len(places) > 1 else []
