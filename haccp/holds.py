"""Holds: what a subject touched since its last good check is kept from leaving."""

from collections.abc import Callable, Iterable
from datetime import datetime
from uuid import UUID

from batches import edges
from batches import lots as lot_deeds
from batches.locks import lock_material
from batches.models import Batch, Equipment, Lot, LotState, LotStatus, Movement, MovementKind
from config.api.refusals import Unknown
from haccp.models import Check, Deviation, Hold, HoldSubject
from ledger.acts import Act
from ledger.models import Establishment


def place(
    *, act: Act, deviation: Deviation, subject_kind: str, subject: UUID, since: datetime | None = None
) -> Hold:
    """Hold every lot that a subject touched since a time, and what was made of those. Within a deed.

    ``since``: the last good check; None reaches as far back as there is. Raises Unknown.
    """
    lock_material(act.establishment)
    touched = touched_by(act.establishment, subject_kind, subject, since)
    hold = Hold.new(
        act.with_new_id(),
        deviation=deviation,
        subject_kind=subject_kind,
        subject=subject,
        since=since,
        lots=sorted(str(lot.uid) for lot in touched),
    ).insert()
    set_held(act, touched, deviation)
    return hold


def set_held(act: Act, touched: Iterable[Lot], deviation: Deviation) -> None:
    """Rejected lots stay rejected; everything else is held, released and shipped lots too."""
    keys = [lot.pk for lot in touched]
    rejected = set(
        LotState.objects.filter(lot__in=keys, status=LotStatus.REJECTED).values_list("lot_id", flat=True)
    )
    to_hold = [lot for lot in touched if lot.pk not in rejected]
    if to_hold:
        lot_deeds.decide(act=act, lots=to_hold, status=LotStatus.HELD, because=deviation)


def touched_by(
    establishment: Establishment, subject_kind: str, subject: UUID, since: datetime | None
) -> list[Lot]:
    """Lots the subject touched since a time, and every lot made of them since. Raises Unknown."""
    found = {lot.pk for lot in FINDERS[HoldSubject(subject_kind)](establishment, subject, since)}
    made_of_them = {target for _, target, *_ in edges.reached(found, back=False)} if found else set()
    return list(Lot.objects.filter(pk__in=found | made_of_them).select_related("state").order_by("pk"))


def _made(establishment: Establishment, since: datetime | None, **narrowed: object) -> list[Lot]:
    made = Movement.objects.standing().filter(establishment=establishment, what=MovementKind.MADE, **narrowed)
    if since is not None:
        made = made.filter(performed_at__gt=since)
    return list(Lot.objects.filter(pk__in=made.values("lot")))


def _of_batch(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    _one(Batch, establishment, uid=subject)
    return _made(establishment, since, batch__uid=subject)


def _of_part(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    """What came out of the part; and what came out of its batch without a part said."""
    batch = Batch.objects.filter(establishment=establishment, parts__pk=subject).first()
    if batch is None:
        raise Unknown(f"There is no batch part {subject} here.", field="subject")
    return _made(establishment, since, part_id=subject) + _made(
        establishment, since, batch=batch, part__isnull=True
    )


def _of_lot(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    return [_one(Lot, establishment, uid=subject)]


def _of_equipment(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    _one(Equipment, establishment, pk=subject)
    return _of_occupying(establishment, since, equipment=subject)


def _of_area(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    return _of_occupying(establishment, since, equipment__area=subject)


def _of_occupying(establishment: Establishment, since: datetime | None, **where: object) -> list[Lot]:
    batches = Batch.objects.filter(
        establishment=establishment, **{f"occupations__{name}": value for name, value in where.items()}
    )
    if since is not None:
        batches = batches.exclude(occupations__until__lte=since)
    return list(Lot.objects.filter(batch__in=batches.values("pk")))


def _of_instrument(establishment: Establishment, subject: UUID, since: datetime | None) -> list[Lot]:
    checks = Check.objects.standing().filter(establishment=establishment, instrument=subject)
    if since is not None:
        checks = checks.filter(performed_at__gt=since)
    of_batches = Lot.objects.filter(batch__in=checks.values("batch"))
    return [*of_batches, *Lot.objects.filter(pk__in=checks.values("lot"))]


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


def _one(kind, establishment, **key):  # type: ignore[no-untyped-def]
    found = kind.objects.filter(establishment=establishment, **key).first()
    if found is None:
        raise Unknown(f"There is no such {kind._meta.verbose_name} here.", field="subject")
    return found


Finder = Callable[[Establishment, UUID, datetime | None], list[Lot]]
FINDERS: dict[HoldSubject, Finder] = {
    HoldSubject.BATCH: _of_batch,
    HoldSubject.PART: _of_part,
    HoldSubject.LOT: _of_lot,
    HoldSubject.EQUIPMENT: _of_equipment,
    HoldSubject.AREA: _of_area,
    HoldSubject.INSTRUMENT: _of_instrument,
    HoldSubject.SUPPLIER_LOT: _of_supplier_lot,
}
