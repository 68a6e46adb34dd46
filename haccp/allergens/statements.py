"""What documents state about the allergens of materials and lots; a later one replaces the earlier from its day on."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any, NamedTuple
from uuid import UUID

from batches.edges import among_uuids, as_day, as_time, as_uuid, read, uuids_as_one
from batches.locks import lock_material
from batches.models import Lot, Material, TradingPartner
from batches.texts import one_line
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.allergens import lists, saying
from haccp.allergens.signals import allergens_stated
from haccp.models import AllergenStatement
from ledger.acts import Act
from ledger.deeds import deed

LONGEST_DOCUMENT = 200
TABLE = AllergenStatement._meta.db_table


@deed
def record(
    *,
    act: Act,
    material: Material,
    says: list[dict[str, Any]],
    document: str,
    document_day: date,
    in_force_from: date,
    lot: Lot | None = None,
    supplier: TradingPartner | None = None,
) -> AllergenStatement:
    """Keep what a document states; with ``act.corrects`` it replaces an earlier record.

    Lots whose label no longer holds by it are held at once (``haccp.late_allergens``).

    ``lot``: None is every lot of the material. ``supplier``: None is whoever supplies it. ``says``: see
    ``haccp.allergens.saying``. Raises Unusable with every reason, Unknown, RuleBroken. A refusal first asks whether
    this is a repeat of what is stored.
    """
    lock_material(act.establishment)
    made = AllergenStatement.new(
        act,
        material=material,
        lot=lot,
        supplier=supplier,
        says=says,
        document=document,
        document_day=document_day,
        in_force_from=in_force_from,
    )
    made.answer_if_repeated()
    _refuse_foreign(made)
    one_line(document, field="document", longest=LONGEST_DOCUMENT)
    if document_day > act.local_day:
        raise Unusable("A document of a day to come is none.", code="in-the-future", field="document_day")
    saying.read(says, lists.vocabulary(act.establishment))
    made.insert()
    allergens_stated.send(sender=AllergenStatement, statement=made, act=act)
    return made


@deed
def withdraw(*, act: Act) -> AllergenStatement:
    """Say that the statement ``act.corrects`` was never made. Raises Unknown, RuleBroken.

    What an earlier one says speaks again, and holds what no longer bears the right label.
    """
    lock_material(act.establishment)
    made = AllergenStatement.withdrawal(replace(act, withdraws=True))
    made.answer_if_repeated()
    made.insert()
    allergens_stated.send(sender=AllergenStatement, statement=made, act=act)
    return made


class Stated(NamedTuple):
    """An allergen statement as far as it says what is in lots. ``text``: what it says, as JSON; much of it is alike."""

    pk: UUID
    material_id: UUID
    lot_id: int | None
    supplier_id: UUID | None
    in_force_from: date
    recorded_at: datetime
    text: str

    @property
    def says(self) -> list[dict[str, Any]]:
        return saying.from_text(self.text)


STANDING = f"{TABLE} stated WHERE NOT withdrawn AND NOT EXISTS (SELECT 1 FROM {TABLE} later WHERE later.corrects_id = stated.id)"
"""SQL of every statement that stands; whoever asks for some goes on with AND."""


def standing(materials: Collection[UUID]) -> list[Stated]:
    """Every statement about materials that stands, in the order of its day and then as recorded. One statement."""
    return _read(f"{STANDING} AND material_id {among_uuids()}", uuids_as_one(set(materials)))


def _read(which: str, told: Any) -> list[Stated]:
    return in_order(
        read(
            f"SELECT id, material_id, lot_id, supplier_id, in_force_from, recorded_at, digest FROM {which}",
            [told],
        )
    )


def in_order(rows: Iterable[tuple[Any, ...]]) -> list[Stated]:
    """Rows (id, material, lot, supplier, in force from, recorded, digest) in the order of their day and then as recorded;
    one statement where what they say was not read before."""
    rows = list(rows)
    texts = _texts({digest: as_uuid(pk) for pk, *_, digest in rows})
    found = [
        Stated(
            as_uuid(pk),
            as_uuid(material),
            lot,
            supplier and as_uuid(supplier),
            as_day(day),
            as_time(at),
            texts[digest],
        )
        for pk, material, lot, supplier, day, at, digest in rows
    ]
    return sorted(found, key=lambda each: (each.in_force_from, each.recorded_at, each.pk))


_known_texts: dict[str, str] = {}
"""By digest, what records say: a digest covers it, so one that is known need not be read again. The process keeps it."""
MOST_KNOWN = 5000


def _texts(digests: Mapping[str, UUID]) -> dict[str, str]:
    """What the records of these digests say; one statement where some were not read before."""
    found = {digest: _known_texts[digest] for digest in digests if digest in _known_texts}
    new = [pk for digest, pk in digests.items() if digest not in found]
    if new:
        sql = f"SELECT digest, CAST(says AS text) FROM {TABLE} WHERE id {among_uuids()}"
        read_now = dict(read(sql, [uuids_as_one(new)]))
        if len(_known_texts) + len(read_now) > MOST_KNOWN:
            _known_texts.clear()
        _known_texts.update(read_now)
        found |= read_now
    return found


def before(made: AllergenStatement) -> list[Stated]:
    """What stood about the material before a statement, its correction or its withdrawal was recorded."""
    others = [each for each in standing([made.material_id]) if each.pk != made.pk]
    if made.corrects_id is not None:
        others += _read(f"{TABLE} WHERE id {among_uuids()}", uuids_as_one([made.corrects_id]))
    return sorted(others, key=lambda each: (each.in_force_from, each.recorded_at, each.pk))


def about(known: Sequence[Stated], *, lot: int | None, supplier: UUID | None, day: date) -> list[Stated]:
    """Which of the statements about one material speak for a lot of it, or for any lot (None) on a day.

    Those for the lot itself, whenever they were made; of those for every lot the latest that has begun, once of its
    own supplier and once of any. Two that begin on one day both count, so that none takes from the other.
    """
    if not known:
        return []
    only = known[0]
    if len(known) == 1 and only.lot_id is None:  # mostly so
        return [only] if only.in_force_from <= day and only.supplier_id in {supplier, None} else []
    own = [each for each in known if each.lot_id is not None and each.lot_id == lot]
    wide = [each for each in known if each.lot_id is None and each.in_force_from <= day]
    for whose in {supplier, None}:
        latest = [each for each in wide if each.supplier_id == whose]
        own += [each for each in latest if each.in_force_from == latest[-1].in_force_from]
    return own


def _refuse_foreign(made: AllergenStatement) -> None:
    here = made.establishment_id
    for name in ("material", "lot", "supplier"):
        row = getattr(made, name)
        if row is not None and row.establishment_id != here:
            raise Unknown(f"There is no such {name} here.", field=name)
    if made.lot is not None and made.lot.material_id != made.material_id:
        raise RuleBroken(
            f"Lot {made.lot.code} is of another material.", code="lot-of-another-material", field="lot"
        )
    if made.supplier is not None and not made.supplier.is_supplier:
        raise RuleBroken(f"{made.supplier} is no supplier.", code="not-a-supplier", field="supplier")
    corrected: Any = made.corrects
    if corrected is not None and corrected.material_id != made.material_id:
        raise RuleBroken(
            f"Record {corrected.pk} is about another material; withdraw it and enter this one anew.",
            code="corrects-another",
            field="corrects",
        )
