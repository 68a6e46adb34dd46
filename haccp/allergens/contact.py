"""What may be in a lot by contact: what was on the same equipment since the last cleaning break valid for it.

Here it is read, of a lot or of equipment at a time: only the batches that bear on it (``batches.near``), with their lots.
Of many lots at once the house is read whole. How it is carried on is in ``haccp.allergens.touched``.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

from batches.cleaning_breaks import standing_breaks
from batches.edges import among, as_one, into_batches
from batches.mixed_places import Link, MixedPlaces
from batches.models import CleaningBreak, Equipment, Movement, MovementKind, Occupation
from batches.near import Cleaned, Near, Place, Stay, near
from haccp.allergens import facts as known_facts
from haccp.allergens import lists, unrecorded
from haccp.allergens.bits import Bits
from haccp.allergens.facts import MANY
from haccp.allergens.floor import Clearing, Floor
from haccp.allergens.touched import Contacts, Left, NamedBatch
from ledger.models import Establishment


def left_on(equipment: Collection[Equipment], at: datetime) -> dict[UUID, dict[str, Left]]:
    """By equipment and allergen: what stands there at a time, the time itself included.

    Of what some list in force that day names. What nobody stated of what was there is not among it.
    """
    return standing_on(equipment, at).left


class Standing(NamedTuple):
    """By equipment and allergen: what stands there, and what nobody stated of what was there."""

    left: dict[UUID, dict[str, Left]]
    unstated: dict[UUID, dict[str, Left]]


def standing_on(equipment: Collection[Equipment], at: datetime, *, but: int | None = None) -> Standing:
    """As ``left_on``, and what is not known beside it. ``but``: what this batch brought is left out."""
    if not equipment:
        return Standing({}, {})
    here = next(iter(equipment)).establishment
    contacts = load(here, [], [(each.pk, at) for each in equipment], known_by=at)
    day = at.astimezone(here.zone).date()
    return Standing(
        {each.pk: contacts.on(each.pk, at, day, but=but) for each in equipment},
        {each.pk: contacts.on(each.pk, at, day, unstated=True, but=but) for each in equipment},
    )


# -- reading ----------------------------------------------------------------------------------------


@dataclass
class _Known:
    """Who stood where, the lots that each batch used or made, and the lots to ask for. ``links``: edges, if read already."""

    floor: Floor
    moved: dict[int, set[int]]
    keys: set[int]
    links: list[Link] | None = None


def load(
    establishment: Establishment,
    lots: Collection[int],
    places: Collection[tuple[UUID, datetime]] = (),
    known_by: datetime | None = None,
) -> Contacts:
    """What touched lots, and what may stand on equipment at some times, with all that it takes to know it.

    Read are the batches that bear on it; from ``MANY`` lots on all of the house, once.
    ``known_by``: only what was released by then is cleared; else what was released at any time.
    """
    bits, mixed = lists.bits(establishment), MixedPlaces(establishment)
    if len(lots) < MANY:
        known = _what_bears(_near(mixed, lots, [Place(*each) for each in places], known_by), lots, bits)
    else:
        known = _all(establishment, lots, bits, known_by)
    moved = known.moved
    facts = known_facts.load(
        establishment, known.keys, bits, mixed=mixed, whole=lots, used_in=moved, links=known.links
    )
    for batch, knot in facts.knots.in_batches():
        moved.setdefault(batch, set()).add(knot)
    batches = unrecorded.add_to(facts, establishment, moved)
    named = {key: NamedBatch(each.uid, each.code) for key, each in batches.items()}
    contacts = Contacts(facts, known.floor, moved, named)
    contacts.settle()
    return contacts


def _near(
    mixed: MixedPlaces, lots: Collection[int], places: Collection[Place], known_by: datetime | None
) -> Near:
    """Where lots lay together, what was weighed in as one may be another, which some batch made."""
    found, asked = near(lots, (), places, known_by), set(lots)
    done: set[int] | None = None
    while mixed and done != found.batches:
        done = found.batches
        asked |= mixed.back(lots, whole=lots, used_in=done).lots
        found = near(asked, done, places, known_by)
    return found


def _what_bears(found: Near, lots: Collection[int], bits: Bits) -> _Known:
    links, moved = into_batches(found.batches), {batch: set[int]() for batch in found.batches}
    for source, target, batch, _ in links:
        moved[batch] |= {source, target}
    silent = {batch for batch, known in moved.items() if not known}
    if silent:
        moved |= _moved(_of_batches(silent))
    clearings = _clearings(bits, found.breaks)
    keys = set(lots).union(*moved.values())
    return _Known(Floor(found.stays, clearings, bits.every), moved, keys, links)


def _all(
    establishment: Establishment, lots: Collection[int], bits: Bits, known_by: datetime | None
) -> _Known:
    """The house whole: reading only what bears on many lots reads most of it, and slower."""
    equipment = list(Equipment.objects.filter(establishment=establishment))
    floor = Floor(
        _stays(establishment),
        _clearings(bits, standing_breaks(equipment, known_by=known_by)),
        bits.every,
    )
    moved = {batch: set[int]() for batch in floor.by_batch} | _moved(_of_house(establishment))
    return _Known(floor, moved, set(lots).union(*moved.values()))


def _clearings(bits: Bits, breaks: Iterable[CleaningBreak | Cleaned]) -> dict[UUID, list[Clearing]]:
    found: defaultdict[UUID, list[Clearing]] = defaultdict(list)
    for each in breaks:
        equipment = each.equipment if isinstance(each, Cleaned) else each.equipment_id
        told = each.scope.get("allergens", [])
        found[equipment].append(Clearing(each.at, bits.every if told == "all" else bits.cleared_by(told)))
    return found


def _stays(establishment: Establishment) -> Iterator[Stay]:
    rows = Occupation.objects.filter(equipment__establishment=establishment).order_by("since", "pk")
    for row in rows.values_list("batch_id", "equipment_id", "since", "until").iterator(chunk_size=5000):
        yield Stay(*row)


def _moved(rows: Any) -> dict[int, set[int]]:
    """By batch: the lots that standing movements say it used or made."""
    found: defaultdict[int, set[int]] = defaultdict(set)
    rows = rows.filter(what__in=[MovementKind.USED, MovementKind.MADE], batch__isnull=False).order_by()
    for batch, lot in rows.values_list("batch_id", "lot_id").iterator(chunk_size=5000):
        found[batch].add(lot)
    return found


def _of_house(establishment: Establishment) -> Any:
    return Movement.objects.standing().filter(establishment=establishment)


def _of_batches(batches: Collection[int]) -> Any:
    return Movement.objects.standing().extra(
        where=[f"{Movement._meta.db_table}.batch_id {among()}"], params=[as_one(batches)]
    )
