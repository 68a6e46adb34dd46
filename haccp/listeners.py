"""What happened to material out of order becomes a deviation, in the movement's own transaction."""

from typing import Any

from batches.flags import LOT_NOT_READY, SENTENCES, Flag
from batches.models import Lot, Movement, MovementKind
from batches.signals import lot_made, movement_recorded
from haccp import deviations, holds
from haccp.deviations import Touched
from haccp.models import Deviation, Hold, HoldSubject
from ledger.acts import Act

USED_OUT_OF_ORDER = LOT_NOT_READY | {
    Flag.PAST_ITS_DATE,
    Flag.NOT_IN_RECIPE,
    Flag.OTHER_THAN_LINE,
    Flag.OUTSIDE_THE_RUN,
}


def connect() -> None:
    movement_recorded.connect(open_for_flags, dispatch_uid="haccp.open_for_flags")
    lot_made.connect(hold_with_its_batch, dispatch_uid="haccp.hold_with_its_batch")


def open_for_flags(sender: Any, movement: Movement, act: Act, **_: Any) -> None:
    """Use of what was not in order, over-use, and shipping of what was not released."""
    if movement.withdrawn:
        return
    flags = {Flag(flag) for flag in movement.flags}
    if movement.what == MovementKind.USED and flags & USED_OUT_OF_ORDER:
        assert movement.batch is not None
        hold = Touched(HoldSubject.BATCH, movement.batch.uid)
        _open(act, movement, Deviation.What.MATERIAL, flags & USED_OUT_OF_ORDER, hold)
    if Flag.SHIPPED_NOT_RELEASED in flags:
        hold = Touched(HoldSubject.LOT, movement.lot.uid)
        _open(act, movement, Deviation.What.SHIPPED, {Flag.SHIPPED_NOT_RELEASED}, hold)
    if Flag.MORE_THAN_ON_HAND in flags:
        _open(act, movement, Deviation.What.STOCK, {Flag.MORE_THAN_ON_HAND}, None)


def _open(act: Act, movement: Movement, what: str, flags: set[Flag], hold: Touched | None) -> None:
    about = f"Lot {movement.lot.code} {MovementKind(movement.what).label}"
    words = " ".join(SENTENCES[flag] for flag in sorted(flags))
    deviations.open_case(
        act=act.with_new_id(),
        what=what,
        subject=movement.pk,
        slot=movement.what,
        title=f"{about}: {words}",
        because=movement,
        hold=hold,
    )


def hold_with_its_batch(sender: Any, lot: Lot, movement: Movement, act: Act, **_: Any) -> None:
    """A lot that comes out of a batch under an open hold is held with it."""
    batch = lot.batch
    if batch is None:
        return
    subjects = [batch.uid] + ([movement.part_id] if movement.part_id else [])
    open_holds = Hold.objects.filter(subject__in=subjects, deviation__closing__isnull=True)
    for hold in open_holds.select_related("deviation").order_by("recorded_at"):
        _join(act, hold, lot)


def _join(act: Act, hold: Hold, lot: Lot) -> None:
    """The hold's own record stays; a further one names the lot that came later."""
    if hold.deviation.holds.filter(subject_kind=HoldSubject.LOT, subject=lot.uid).exists():
        return
    Hold.new(
        act.with_new_id(),
        deviation=hold.deviation,
        subject_kind=HoldSubject.LOT,
        subject=lot.uid,
        lots=[str(lot.uid)],
    ).insert()
    holds.set_held(act, [lot], hold.deviation)
