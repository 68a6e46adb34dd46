"""What a late fact may reach: lots made of others, and what those or some batches may have touched on equipment."""

from collections import defaultdict
from collections.abc import Collection, Iterator
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Min, Q

from batches.cleaning_breaks import standing_breaks
from batches.edges import among, as_one
from batches.mixed_places import MixedPlaces
from batches.models import Equipment, Lot, Movement, MovementKind, Occupation
from batches.near import Stay
from batches.near_statement import ALL
from haccp.allergens.floor import Clearing, Floor
from ledger.models import Establishment

EVERYTHING = 1
"""All there is, as one bit: what only some of it was cleaned of counts as not cleaned."""


def reached_from(
    establishment: Establishment, lots: Collection[int], batches: Collection[int] = ()
) -> set[int]:
    """The lots, what was made of them, and what either or the batches may have touched: no fewer than there are, maybe more.

    A cleaning of everything that counts ends it; one of some things does not, since it is not asked what the fact is about.
    Stays are read back to the first of a batch on the way, so that what happens now costs no look at years.
    """
    floor, back_to, mixed = Floor((), {}, 0), None, MixedPlaces(establishment)
    keys, fresh, known = set(lots), set(lots), set[int]()
    told = set(batches)
    while fresh or told:
        walk = mixed.forward(fresh)
        keys |= walk.lots | walk.under.keys()
        told |= walk.batches() | (_moved_in(walk.lots) if walk.lots else set())
        first = _first_stay(told)
        if first is not None and (back_to is None or first < back_to):
            cleanings = _cleanings_of_all(establishment, first)
            floor, back_to = Floor(_stays(establishment, first), cleanings, EVERYTHING), first
        new = floor.onward(known | told) - known
        known |= new
        made = Lot.objects.extra(where=[f"{Lot._meta.db_table}.batch_id {among()}"], params=[as_one(new)])
        fresh, told = set(made.values_list("pk", flat=True)) - keys, set()
    return keys


def _cleanings_of_all(establishment: Establishment, since: datetime) -> dict[UUID, list[Clearing]]:
    found: defaultdict[UUID, list[Clearing]] = defaultdict(list)
    for each in standing_breaks(list(Equipment.objects.filter(establishment=establishment)), since=since):
        if each.scope.get("allergens") == ALL:
            found[each.equipment_id].append(Clearing(each.at, EVERYTHING))
    return found


def _first_stay(batches: Collection[int]) -> datetime | None:
    table = Occupation._meta.db_table
    rows = Occupation.objects.extra(where=[f"{table}.batch_id {among()}"], params=[as_one(batches)])
    return rows.aggregate(first=Min("since"))["first"]  # type: ignore[no-any-return]


def _moved_in(lots: Collection[int]) -> set[int]:
    """The batches that used or made lots."""
    rows: Any = Movement.objects.standing().filter(
        what__in=[MovementKind.USED, MovementKind.MADE], batch__isnull=False
    )
    rows = rows.extra(where=[f"{Movement._meta.db_table}.lot_id {among()}"], params=[as_one(lots)])
    return set(rows.order_by().values_list("batch_id", flat=True).distinct())


def _stays(establishment: Establishment, since: datetime) -> Iterator[Stay]:
    """Of a house, those that lasted until a time."""
    rows = Occupation.objects.filter(equipment__establishment=establishment).order_by("since", "pk")
    rows = rows.filter(Q(until__isnull=True) | Q(until__gte=since))
    for row in rows.values_list("batch_id", "equipment_id", "since", "until").iterator(chunk_size=5000):
        yield Stay(*row)
