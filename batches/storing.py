"""What happens to a lot while it lies there: moved, counted, sampled, destroyed."""

from uuid import UUID

from batches import judging, stock
from batches.flags import Flag
from batches.models import Lot, Movement, MovementKind, StoragePlace
from batches.movements import begin, write
from config.api.refusals import Unusable
from ledger.acts import Act
from ledger.deeds import deed


@deed
def move(
    *,
    act: Act,
    lot: Lot,
    quantity: str,
    unit: str,
    to_place: StoragePlace,
    from_place: StoragePlace | None = None,
) -> Movement:
    """Carry some of a lot to another place."""
    if from_place is not None and from_place.pk == to_place.pk:
        raise Unusable("It is moved to another place than it came from.", field="to_place")
    movement = begin(
        act,
        MovementKind.MOVED,
        lot=lot,
        quantity=quantity,
        unit=unit,
        from_place=from_place,
        to_place=to_place,
    )
    more = [Flag.MORE_THAN_ON_HAND] if movement.quantity > judging.available(movement) else []
    return write(act, movement, more + judging.of_place(movement, from_place is not None))


@deed
def count(
    *,
    act: Act,
    lot: Lot,
    quantity: str,
    unit: str,
    in_place: StoragePlace | None = None,
    weighed_with: UUID | None = None,
) -> Movement:
    """Say how much of a lot is really there, in one place or in all; the difference corrects the stock.

    What was expected is what the records say of the time of the count, not of its arrival.
    """
    movement = begin(
        act,
        MovementKind.COUNTED,
        lot=lot,
        quantity=quantity,
        unit=unit,
        to_place=in_place,
        weighed_with=weighed_with,
    )
    there = stock.expected(lot, at=movement.performed_at, place=in_place, without=movement.corrects_id)
    movement.effect = movement.quantity - there
    return write(act, movement, judging.of_place(movement, in_place is None))


@deed
def sample(
    *,
    act: Act,
    lot: Lot,
    quantity: str,
    unit: str,
    from_place: StoragePlace | None = None,
    weighed_with: UUID | None = None,
) -> Movement:
    """Take some of a lot for a laboratory or to keep back."""
    movement = begin(
        act,
        MovementKind.SAMPLED,
        lot=lot,
        quantity=quantity,
        unit=unit,
        from_place=from_place,
        weighed_with=weighed_with,
    )
    return write(act, movement, judging.of_taking(movement))


@deed
def destroy(
    *,
    act: Act,
    lot: Lot,
    quantity: str,
    unit: str,
    from_place: StoragePlace | None = None,
    document: str = "",
    weighed_with: UUID | None = None,
) -> Movement:
    """Throw some of a lot away so that it cannot be eaten."""
    movement = begin(
        act,
        MovementKind.DESTROYED,
        lot=lot,
        quantity=quantity,
        unit=unit,
        from_place=from_place,
        document=document,
        weighed_with=weighed_with,
    )
    return write(act, movement, judging.of_taking(movement))
