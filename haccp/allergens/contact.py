"""What may be in a lot by contact: what was on the same equipment since the last cleaning break valid for it.

Here it is read, of lots or of equipment at a time: only the batches that bear on it (``batches.near``), with their lots.
How it is carried on is in ``haccp.allergens.touched``.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

from batches.edges import among, as_one
from batches.mixed_places import MixedPlaces
from batches.models import Equipment, Movement, MovementKind
from batches.near import Cleaned, Near, Place, near
from haccp.allergens import facts as known_facts
from haccp.allergens import unrecorded
from haccp.allergens.bits import Bits
from haccp.allergens.floor import Clearing, Floor
from haccp.allergens.touched import Contacts, Left
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


def load(
    establishment: Establishment,
    lots: Collection[int],
    places: Collection[tuple[UUID, datetime]] = (),
    known_by: datetime | None = None,
) -> Contacts:
    """What touched lots, and what may stand on equipment at some times, with all that it takes to know it.

    ``known_by``: only what was released by then is cleared; else what was released at any time.
    """
    asked = [Place(*each) for each in places]
    found = near(establishment.pk, lots, (), asked, known_by)
    mixed = MixedPlaces(establishment, any_there=found.refilled)
    if mixed:
        found = _nearer(establishment, found, mixed, lots, asked, known_by)
    moved = _moved(found)
    keys = set(lots).union(*moved.values())
    facts = known_facts.load(establishment, keys, mixed=mixed, whole=lots, used_in=moved, fed=found.fed)
    for batch, knot in facts.knots.in_batches():
        moved.setdefault(batch, set()).add(knot)
    unrecorded.add_to(facts, establishment, moved, (found.batches, found.lines))
    floor = Floor(found.stays, _clearings(facts.bits, found.breaks), facts.bits.every)
    contacts = Contacts(facts, floor, moved, found.batches)
    contacts.settle()
    return contacts


def _nearer(
    establishment: Establishment,
    found: Near,
    mixed: MixedPlaces,
    lots: Collection[int],
    places: Collection[Place],
    known_by: datetime | None,
) -> Near:
    """Where lots lay together, what was weighed in as one may be another, which some batch made."""
    asked, done = set(lots), None
    while done != found.batches.keys():
        done = found.batches.keys()
        asked |= mixed.back(lots, whole=lots, used_in=done).lots
        found = near(establishment.pk, asked, done, places, known_by)
    return found


def _moved(found: Near) -> dict[int, set[int]]:
    """By batch: the lots it used or made, by its edges, or by its movements where it made nothing."""
    moved: dict[int, set[int]] = {batch: set() for batch in found.batches}
    for target, batch, sources, _ in found.fed:
        moved[batch].add(target)
        moved[batch].update(sources)
    silent = [batch for batch, known in moved.items() if not known]
    for batch, lot in _used_or_made(silent) if silent else ():
        moved[batch].add(lot)
    return moved


def _used_or_made(batches: Collection[int]) -> Iterator[tuple[int, int]]:
    rows: Any = Movement.objects.standing().filter(what__in=[MovementKind.USED, MovementKind.MADE])
    rows = rows.extra(where=[f"{Movement._meta.db_table}.batch_id {among()}"], params=[as_one(batches)])
    yield from rows.order_by().values_list("batch_id", "lot_id").iterator(chunk_size=5000)


def _clearings(bits: Bits, breaks: Iterable[Cleaned]) -> dict[UUID, list[Clearing]]:
    found: defaultdict[UUID, list[Clearing]] = defaultdict(list)
    for each in breaks:
        cleared = bits.every if each.of_everything else bits.cleared_by(each.scope.get("allergens", []))
        found[each.equipment].append(Clearing(each.at, cleared))
    return found
