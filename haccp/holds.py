"""Holds: what a subject touched since its last good check is kept from leaving."""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator
from datetime import datetime
from typing import Any, NamedTuple, TypeVar
from uuid import UUID

from django.db import models
from django.db.models import Q

from batches import edges
from batches import lots as lot_deeds
from batches.locks import lock_material
from batches.mixed_places import MixedPlaces
from batches.models import (
    Area,
    Batch,
    Equipment,
    Lot,
    LotState,
    LotStatus,
    Movement,
    MovementKind,
    Occupation,
    Part,
)
from config.api.refusals import Unknown
from haccp import doubts
from haccp.models import (
    Check,
    ControlKind,
    Deviation,
    Hold,
    HoldSubject,
    Instrument,
    InstrumentVerification,
    Moment,
    Packed,
    PackingCheck,
)
from haccp.recalls import questions
from ledger.acts import Act
from ledger.models import Establishment

Row = TypeVar("Row", bound=models.Model)


class Touched(NamedTuple):
    """What to hold with a deviation: a subject, back to its last good check (None: as far as there is)."""

    kind: str
    subject: UUID
    since: datetime | None = None


def place(*, act: Act, deviation: Deviation, touched: Touched) -> Hold:
    """Hold every lot that a subject touched since a time, and what was made of those. Within a deed.

    A repeat ends here with what is stored. Raises Unknown.
    """
    lock_material(act.establishment)
    hold = _shaped(act, deviation, touched)
    hold.answer_if_repeated()
    return _write(act, hold, touched_by(act.establishment, touched))


def place_on_lots(*, act: Act, deviation: Deviation, lots: Collection[Lot], note: str = "") -> list[Hold]:
    """A hold on each of many lots and what may be it or was made of it, in few statements. Within a deed.

    ``note``: why, where it is for another reason than the case's own.
    """
    lock_material(act.establishment)
    made_of = MixedPlaces(act.establishment).forward({lot.pk for lot in lots}).by_start()
    uids = _uids({key for each in made_of.values() for key in each})
    placed = []
    for lot in lots:
        hold = _shaped(act.with_new_id(note=note), deviation, Touched(HoldSubject.LOT, lot.uid))
        hold.lots = sorted(uids[key] for key in made_of[lot.pk])
        placed.append(hold)
    Hold.insert_many(placed)
    _set_held(act, _lots(uids), deviation)
    return placed


def reach(*, act: Act) -> None:
    """Hold what the subjects of open holds have touched by now and had not when they were placed.

    Call it under the material lock after material was used or made, or came into a refilled place: a lot made of what
    is held or mixed with it, or entered late, is held as well. The earlier hold stays as it was written; a further one
    names the new lots. Lots that are held one by one cost no statement more each.
    """
    rows = Hold.objects.filter(establishment=act.establishment, deviation__closing__isnull=True)
    placed = list(rows.select_related("deviation").order_by("recorded_at", "id"))
    known: defaultdict[UUID, set[str]] = defaultdict(set)
    for hold in placed:
        known[hold.deviation_id].update(hold.lots)
    places = MixedPlaces(act.establishment)
    made_of = _made_of_held(places, placed)
    for hold, touched in _once_each(placed):
        if touched.kind == HoldSubject.LOT:
            lots = _lots(key for key, uid in made_of[touched.subject] if uid not in known[hold.deviation_id])
        else:
            lots = touched_by(act.establishment, touched, places)
        new = [lot for lot in lots if str(lot.uid) not in known[hold.deviation_id]]
        if new:
            _write(act, _shaped(act.with_new_id(), hold.deviation, touched), new)
            known[hold.deviation_id].update(str(lot.uid) for lot in new)


def _once_each(placed: Iterable[Hold]) -> Iterator[tuple[Hold, Touched]]:
    """Each subject of each case once."""
    done = set()
    for hold in placed:
        touched = Touched(hold.subject_kind, hold.subject, hold.since)
        if (hold.deviation_id, touched) not in done:
            done.add((hold.deviation_id, touched))
            yield hold, touched


def _shaped(act: Act, deviation: Deviation, touched: Touched) -> Hold:
    return Hold.new(
        act, deviation=deviation, subject_kind=touched.kind, subject=touched.subject, since=touched.since
    )


def _write(act: Act, hold: Hold, lots: Iterable[Lot]) -> Hold:
    found = list(lots)
    hold.lots = sorted(str(lot.uid) for lot in found)
    hold.insert()
    _set_held(act, found, hold.deviation)
    return hold


def _set_held(act: Act, touched: Iterable[Lot], deviation: Deviation) -> None:
    """Rejected lots stay rejected; everything else is held, released and shipped lots too.

    Of what was shipped it is asked whether to recall, also where it was rejected since.
    """
    found = list(touched)
    keys = [lot.pk for lot in found]
    rejected = set(
        LotState.objects.filter(lot__in=keys, status=LotStatus.REJECTED).values_list("lot_id", flat=True)
    )
    to_hold = [lot for lot in found if lot.pk not in rejected]
    if to_hold:
        lot_deeds.decide(act=act, lots=to_hold, status=LotStatus.HELD, because=deviation)
    questions.follow_hold(act=act, deviation=deviation, lots=found)


def held_under(deviation: Deviation) -> set[str]:
    """The uuids of every lot the deviation ever held."""
    return {uid for lots in deviation.holds.values_list("lots", flat=True) for uid in lots}


# -- what a subject touched -------------------------------------------------------------------------


def touched_by(
    establishment: Establishment, touched: Touched, places: MixedPlaces | None = None
) -> list[Lot]:
    """Lots the subject touched since a time, every lot made of them, and what may be either. Raises Unknown.

    What lay in a refilled place with one of them may be it, whatever name it was taken out by. What bears the very time
    of the last good check is in doubt, so it counts as touched.
    """
    find = FINDERS[HoldSubject(touched.kind)]
    found = {lot.pk for lot in find(establishment, touched.subject, touched.since)}
    if not found:
        return []
    walk = (MixedPlaces(establishment) if places is None else places).forward(found)
    keys = walk.lots | walk.under.keys()
    return list(Lot.objects.filter(pk__in=keys).select_related("state").order_by("pk"))


def _made_of_held(places: MixedPlaces, placed: Iterable[Hold]) -> dict[UUID, list[tuple[int, str]]]:
    """By uuid of each lot that is held by itself: the keys and uuids of it and of what may be it, or made of it."""
    subjects = {hold.subject for hold in placed if hold.subject_kind == HoldSubject.LOT}
    keys = dict(Lot.objects.filter(uid__in=subjects).order_by().values_list("uid", "pk")) if subjects else {}
    made_of = places.forward(set(keys.values())).by_start()
    uids = _uids({key for each in made_of.values() for key in each})
    return {uid: [(key, uids[key]) for key in sorted(made_of[start])] for uid, start in keys.items()}


def _among(keys: Collection[int]) -> models.QuerySet[Lot]:
    """However many keys there are, as one parameter."""
    return Lot.objects.extra(where=[f"{Lot._meta.db_table}.id {edges.among()}"], params=[edges.as_one(keys)])


def _uids(keys: Collection[int]) -> dict[int, str]:
    found = _among(keys).order_by().values_list("pk", "uid") if keys else ()
    return {pk: str(uid) for pk, uid in found}


def _lots(keys: Iterable[int]) -> list[Lot]:
    wanted = list(keys)
    return list(_among(wanted).select_related("state").order_by("pk")) if wanted else []


def _made(establishment: Establishment, since: datetime | None, *where: Q) -> list[Lot]:
    made = Movement.objects.standing().filter(*where, establishment=establishment, what=MovementKind.MADE)
    if since is not None:
        made = made.filter(performed_at__gte=since)
    return list(Lot.objects.filter(pk__in=made.values("lot")))


def _of_batch(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    batch = _one(Batch, establishment, uid=subject)
    return _made(establishment, since, Q(batch=batch))


def _of_part(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    """What came out of the part; and what came out of its batch without a part said."""
    part = _one(Part, establishment, pk=subject)
    return _made(establishment, since, Q(part=part) | Q(batch=part.batch_id, part__isnull=True))


def _of_lot(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    return [_one(Lot, establishment, uid=subject)]


def _of_equipment(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    return _of_occupied(since, equipment=_one(Equipment, establishment, pk=subject))


def _of_area(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    return _of_occupied(since, equipment__area=_one(Area, establishment, pk=subject))


def _of_occupied(since: datetime | None, **where: Any) -> list[Lot]:
    """Lots of every batch that was on the equipment, from the time on."""
    taken = Occupation.objects.filter(**where)
    if since is not None:
        taken = taken.filter(Q(until__isnull=True) | Q(until__gte=since))
    return list(Lot.objects.filter(batch__in=taken.values("batch")))


def _of_instrument(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    instrument = _one(Instrument, establishment, pk=subject)
    made, logged = Q(instrument=instrument), Q(series_uses__series__instrument=instrument)
    if since is not None:
        made &= Q(performed_at__gte=since)
        logged &= Q(series_uses__series__ended_at__gte=since)
    checks = Check.objects.standing().filter(made | logged)
    return list(Lot.objects.filter(Q(batch__in=checks.values("batch")) | Q(pk__in=checks.values("lot"))))


def _of_verification(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    """Lots of the checks that the failure puts in doubt, as its own time says; a prerequisite programme holds none."""
    failure = _one(InstrumentVerification, establishment, pk=subject)
    checks = doubts.checks_of(failure).exclude(control_point__kind=ControlKind.PRP)
    return list(Lot.objects.filter(Q(batch__in=checks.values("batch")) | Q(pk__in=checks.values("lot"))))


def _of_packing(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    """The lot that was packed, if it was named; else what its batch made since packing last ended well, and one more.

    A good start or roll change tells that packing went on: what was made before may have been packed after it. The last
    lot made before a good end is in doubt too, as packing may go on after a lot was made.
    """
    check = _one(PackingCheck, establishment, pk=subject)
    if check.lot is not None:
        return [check.lot]
    ended = _ended_well(check, since)
    lots = _made(establishment, ended, Q(batch=check.batch))
    if ended is not None:
        made = Movement.objects.standing().filter(
            batch=check.batch, what=MovementKind.MADE, performed_at__lt=ended
        )
        last = made.order_by("-performed_at", "-id").values("lot")[:1]
        lots += Lot.objects.filter(pk__in=last)
    return lots


def _ended_well(check: PackingCheck, since: datetime | None) -> datetime | None:
    """When packing of the whole batch last ended in order, up to its last good check; None where it never did."""
    if since is None:
        return None
    ends = PackingCheck.objects.standing().filter(
        batch=check.batch, lot__isnull=True, moment=Moment.END, result=Packed.GOOD, performed_at__lte=since
    )
    return ends.order_by("-performed_at").values_list("performed_at", flat=True).first()


def _of_supplier_lot(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    """Every delivery that bears the same supplier's code as the lot named."""
    named = _one(Lot, establishment, uid=subject)
    state = named.state
    if not state.supplier_code:
        return [named]
    same = LotState.objects.filter(
        establishment=establishment, supplier=state.supplier_id, supplier_code=state.supplier_code
    )
    return list(Lot.objects.filter(pk__in=same.values("lot")))


def _one(kind: type[Row], establishment: Establishment, **key: Any) -> Row:
    found = kind._default_manager.filter(establishment=establishment, **key).first()
    if found is None:
        raise Unknown(f"There is no such {kind._meta.verbose_name} here.", field="hold.subject")
    return found


Finder = Callable[[Establishment, UUID, datetime | None], list[Lot]]
FINDERS: dict[HoldSubject, Finder] = {
    HoldSubject.BATCH: _of_batch,
    HoldSubject.PART: _of_part,
    HoldSubject.LOT: _of_lot,
    HoldSubject.EQUIPMENT: _of_equipment,
    HoldSubject.AREA: _of_area,
    HoldSubject.INSTRUMENT: _of_instrument,
    HoldSubject.VERIFICATION: _of_verification,
    HoldSubject.PACKING: _of_packing,
    HoldSubject.SUPPLIER_LOT: _of_supplier_lot,
}
