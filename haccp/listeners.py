"""What happened to material out of order becomes a deviation, in the movement's own transaction.

When a run is said to have been another one, what is held and what is released is looked at again.
"""

from typing import Any
from uuid import UUID

from batches import lots as lot_deeds
from batches import mixed_places
from batches.flags import LOT_NOT_READY, REWORK, SENTENCES, Flag
from batches.models import (
    AtOutlet,
    AtOutletKind,
    Batch,
    BatchEnd,
    BatchStart,
    EquipmentUse,
    Lot,
    Movement,
    MovementKind,
    StoragePlace,
    WeighedApart,
)
from batches.signals import (
    movement_recorded,
    noted_at_outlet,
    places_mixed,
    run_changed,
    weighed_apart,
)
from haccp import deviations, gates, holds, instruments, late_allergens, late_labels, reworking
from haccp.allergens.signals import allergens_stated
from haccp.deviations import Touched
from haccp.labels.signals import packing_recorded
from haccp.models import Deviation, Disposition, HoldSubject
from haccp.recalls import arriving, questions
from ledger.acts import Act
from ledger.models import Record

USED_OUT_OF_ORDER = LOT_NOT_READY | {
    Flag.PAST_ITS_DATE,
    Flag.NOT_IN_RECIPE,
    Flag.OTHER_THAN_LINE,
    Flag.OUTSIDE_THE_RUN,
    *REWORK,
}
CHANGES_GENEALOGY = frozenset({MovementKind.USED, MovementKind.MADE})


def connect() -> None:
    movement_recorded.connect(follow, dispatch_uid="haccp.follow")
    run_changed.connect(follow_run, dispatch_uid="haccp.follow_run")
    packing_recorded.connect(late_labels.follow_packing, dispatch_uid="haccp.late_labels")
    allergens_stated.connect(late_allergens.follow_statement, dispatch_uid="haccp.follow_statement")
    noted_at_outlet.connect(follow_sale, dispatch_uid="haccp.follow_sale")
    places_mixed.connect(follow_place, dispatch_uid="haccp.follow_place")
    weighed_apart.connect(follow_weighing, dispatch_uid="haccp.follow_weighing")


def follow(sender: Any, movement: Movement, act: Act, **_: Any) -> None:
    """Cases for what was out of order; then whatever open holds reach by now is held with them."""
    instruments.refuse_unless_it_weighs(movement)
    if not movement.withdrawn:
        _open_for_flags(movement, act)
    if questions.leaves_while_held(movement):
        questions.follow_shipment(act=act, movement=movement, cases=deviations.open_cases_of([movement.lot]))
    arriving.follow_receipt(act=act, movement=movement)
    reworking.follow(act=act, movement=movement)
    mixes = mixed_places.puts_more_in(movement)
    late_allergens.follow_movement(act=act, movement=movement, mixes=mixes)
    if mixes or movement.what in CHANGES_GENEALOGY:
        holds.reach(act=act)


SOLD_OUT_OF_ORDER = frozenset({Flag.LOT_HELD, Flag.LOT_REJECTED})
REACHED_BUYERS = frozenset({AtOutletKind.SOLD, AtOutletKind.GIVEN})


def follow_sale(sender: Any, record: AtOutlet, act: Act, **_: Any) -> None:
    """A lot was sold at an outlet while it was held or rejected: a case, with hold.

    One that only awaits a decision again was released when it was taken there; that is a flag and no case.
    """
    flags = SOLD_OUT_OF_ORDER.intersection(record.flags)
    if not flags or record.what not in REACHED_BUYERS or record.corrects_id is not None:
        return
    deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.SHIPPED,
        subject=record.pk,
        slot=record.what,
        title=f"Lot {record.lot.code} {record.get_what_display()} at {record.outlet.name}: "
        + " ".join(SENTENCES[Flag(flag)] for flag in sorted(flags)),
        because=record,
        hold=Touched(HoldSubject.LOT, record.lot.uid),
    )


def follow_weighing(sender: Any, record: WeighedApart, **_: Any) -> None:
    """What was weighed apart names a balance of the house, or none."""
    instruments.refuse_unless_it_weighs(record)


def follow_place(sender: Any, place: StoragePlace, because: Record, act: Act, **_: Any) -> None:
    """What lay in a place was mixed with more than was known."""
    late_allergens.follow_place(act=act, place=place, because=because)
    holds.reach(act=act)


def follow_run(sender: Any, batch: Batch, record: Record, act: Act, **_: Any) -> None:
    """Due checks and the sweep read the standing times by themselves; what was decided on earlier ones does not.

    A corrected start or end lets released lots of the batch await a decision again (decision D7). What open holds
    on equipment and areas reach by now is held with them. Permission, checks, cases and holds stay as recorded;
    equipment that a corrected start adds or moves is asked about like equipment taken later.
    """
    if record.corrects is not None and isinstance(record, (BatchStart, BatchEnd)):
        lot_deeds.reopen(act=act, lots=Lot.objects.filter(batch=batch), because=record)
    if isinstance(record, (BatchStart, BatchEnd)):
        reworking.follow_share(act=act, batch=batch, because=record)
    if isinstance(record, BatchStart) and record.corrects is not None:
        gates.follow_corrected_start(act=act, batch=batch, record=record)
    if isinstance(record, EquipmentUse):
        gates.follow_taken(act=act, batch=batch, record=record)
    late_allergens.follow_run(act=act, batch=batch, record=record)
    holds.reach(act=act)


def _open_for_flags(movement: Movement, act: Act) -> None:
    """Use of what was not in order, over-use, and shipping of what was not released.

    Where papers of the past do not add up, whoever brought them in was told; it is a flag and no case of today.
    """
    flags = {Flag(flag) for flag in movement.flags}
    if Flag.BROUGHT_IN in flags:
        flags.discard(Flag.MORE_THAN_ON_HAND)
    used = flags & USED_OUT_OF_ORDER
    if used and used <= LOT_NOT_READY and _is_for_rework(movement):
        used = set()
    if movement.what == MovementKind.USED and used:
        assert movement.batch is not None
        _open(act, movement, Deviation.What.MATERIAL, used, Touched(HoldSubject.BATCH, movement.batch.uid))
    if Flag.SHIPPED_NOT_RELEASED in flags:
        hold = Touched(HoldSubject.LOT, movement.lot.uid)
        _open(act, movement, Deviation.What.SHIPPED, {Flag.SHIPPED_NOT_RELEASED}, hold)
    if Flag.MORE_THAN_ON_HAND in flags:
        _open(act, movement, Deviation.What.STOCK, {Flag.MORE_THAN_ON_HAND}, None)


def _is_for_rework(movement: Movement) -> bool:
    """A closed case decided that the lot is to be reworked: then its use is what was asked for."""
    decided = Disposition.objects.standing().filter(lot=movement.lot_id, deviation__closing__isnull=False)
    last = decided.order_by("-recorded_at").first()
    asked = last is not None and last.decision == Disposition.Decision.REWORK
    return asked and not deviations.open_cases_of([movement.lot])


def _open_case_of(corrected: UUID | None, what: str) -> Deviation | None:
    if corrected is None:
        return None
    return Deviation.objects.filter(what=what, subject=corrected, closing__isnull=True).first()


def _open(act: Act, movement: Movement, what: str, flags: set[Flag], hold: Touched | None) -> None:
    """A movement that corrects another goes on under that one's open case of the same kind."""
    before = _open_case_of(movement.corrects_id, what)
    if before is not None:
        if hold is not None:
            holds.place(act=act.with_new_id(), deviation=before, touched=hold)
        return
    done = str(MovementKind(movement.what).label)
    if movement.batch is not None:
        done = done.replace("a batch", f"batch {movement.batch.code}")
    about = f"Lot {movement.lot.code} {done}"
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
