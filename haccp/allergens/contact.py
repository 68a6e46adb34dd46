"""What may be in a lot by contact: what was on the same equipment since the last cleaning break valid for it.

A batch leaves what its lots contain, may contain, or were touched by, and carries it on to every piece of equipment it
stands on. Batches that share equipment at one time touch each other both ways. A break clears what its scope names; what
stands on the equipment while it is made is there afterwards too.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import reduce
from operator import or_
from typing import Any, NamedTuple
from uuid import UUID

from django.db.models import Min, Q

from batches.cleaning_breaks import standing_breaks
from batches.edges import among, as_one
from batches.mixed_places import MixedPlaces, Walk
from batches.models import CleaningBreak, Equipment, Lot, Movement, MovementKind, Occupation
from haccp.allergens import facts as known_facts
from haccp.allergens import lists, unrecorded
from haccp.allergens.bits import Bits, Plane
from haccp.allergens.facts import MANY, Facts
from haccp.allergens.saying import Says
from ledger.models import Establishment

END, CLEAN, BEGIN = range(3)
"""What happens first of what bears the same time: what ends is gone before the cleaning, what begins comes after it."""


class Stay(NamedTuple):
    """A batch on equipment; ``until`` None: it is there still."""

    batch: int
    equipment: UUID
    since: datetime
    until: datetime | None


class Clearing(NamedTuple):
    at: datetime
    bits: int


class NamedBatch(NamedTuple):
    uid: UUID
    code: str


@dataclass(frozen=True)
class Left:
    """An allergen that stands on equipment, the last batch that brought it there, and whether that contained it.

    ``says``: contains, or may-contain where the batch may have, by a supplier's word or by contact itself. ``by_recipe``:
    nothing tells of it but a line of its recipe of which no use is recorded.
    """

    allergen: str
    equipment: UUID
    batch: str
    batch_uid: UUID
    says: Says
    until: datetime | None
    by_recipe: bool = False


class Floor:
    """Who stood where and what was cleaned, by equipment."""

    def __init__(self, stays: Iterable[Stay], clearings: dict[UUID, list[Clearing]], every: int):
        self.by_equipment: defaultdict[UUID, list[Stay]] = defaultdict(list)
        self.by_batch: defaultdict[int, list[Stay]] = defaultdict(list)
        for stay in stays:
            self.by_equipment[stay.equipment].append(stay)
            self.by_batch[stay.batch].append(stay)
        self.clearings, self.every = clearings, every

    def cleared(self, equipment: UUID, after: datetime | None, until: datetime) -> int:
        """What was cleared since a batch left, until a time; nothing while it is there (None)."""
        bits = 0
        for clearing in self.clearings.get(equipment, ()):
            if after is not None and after <= clearing.at <= until:
                bits |= clearing.bits
        return bits

    def nothing_before(self, equipment: UUID, at: datetime) -> datetime | None:
        """What left by then cannot be there any more at a time, since everything was cleared; None: there is no such."""
        bits = 0
        for clearing in reversed(self.clearings.get(equipment, ())):
            if clearing.at <= at:
                bits |= clearing.bits
                if bits & self.every == self.every:
                    return clearing.at
        return None

    def near(self, equipment: UUID, since: datetime, until: datetime | None) -> Iterator[Stay]:
        """Stays that could leave something to whoever is there from a time until another."""
        clean = self.nothing_before(equipment, since)
        for stay in self.by_equipment.get(equipment, ()):
            begins = until is None or stay.since <= until
            if begins and (clean is None or stay.until is None or stay.until > clean):
                yield stay

    def reach(self, batches: Collection[int]) -> set[int]:
        """The batches, and all whose stays could have left something to them, however many stand between."""
        seen, waiting = set(batches), list(batches)
        widest: dict[UUID, tuple[datetime, datetime | None]] = {}
        while waiting:
            for stay in self.by_batch.get(waiting.pop(), ()):
                since, until = widest.get(stay.equipment, (stay.since, stay.until))
                later = None if until is None or stay.until is None else max(until, stay.until)
                wider = (min(since, stay.since), later)
                if stay.equipment in widest and wider == widest[stay.equipment]:
                    continue
                widest[stay.equipment] = wider
                for other in self.near(stay.equipment, *wider):
                    if other.batch not in seen:
                        seen.add(other.batch)
                        waiting.append(other.batch)
        return seen

    def onward(self, batches: Collection[int]) -> set[int]:
        """The batches, and all that stood later, or at the same time, where one of them did; breaks are not asked."""
        earliest: dict[UUID, datetime] = {}
        seen, waiting = set(batches), list(batches)
        while waiting:
            for stay in self.by_batch.get(waiting.pop(), ()):
                if stay.equipment in earliest and earliest[stay.equipment] <= stay.since:
                    continue
                earliest[stay.equipment] = stay.since
                for other in self.by_equipment[stay.equipment]:
                    if other.batch not in seen and (other.until is None or other.until >= stay.since):
                        seen.add(other.batch)
                        waiting.append(other.batch)
        return seen


@dataclass
class Contacts:
    """What every batch was touched by: plain bits of what may be there, and of what nobody stated."""

    facts: Facts
    floor: Floor
    moved: dict[int, set[int]]  # lots used or made, by batch, and what was used as one that was mixed
    batches: dict[int, NamedBatch]
    equipment: dict[UUID, str]
    touched: defaultdict[int, int] = field(default_factory=lambda: defaultdict(int))
    unstated: defaultdict[int, int] = field(default_factory=lambda: defaultdict(int))
    _base: dict[int, tuple[int, int, int]] = field(default_factory=dict)

    def settle(self) -> None:
        """Carry on until nothing changes: from lots to batches, over equipment to others, and to their lots."""
        made = defaultdict(list)
        for lot in self.facts.lots.values():
            if lot.batch is not None:
                made[lot.batch].append(lot.key)
        events, bits = self._events(), self.facts.bits
        while True:
            self._base = {batch: self._of_lots(batch) for batch in self.moved}
            if not self._sweep(events):
                return
            for batch in self.moved:
                told = bits.on(Plane.TOUCHED, self.touched[batch]) | bits.on(
                    Plane.TOUCHED_BY_UNSTATED, self.unstated[batch]
                )
                contains = bits.on(Plane.CONTAINS, self.touched[batch])
                for key in made[batch]:
                    self.facts.own[key] |= told | (contains if key in self.facts.odd else 0)
            self.facts.respread()

    def _of_lots(self, batch: int) -> tuple[int, int, int]:
        """What the lots of a batch contain, what they may, and what is not stated of them.

        Lines of its recipe of which no use is recorded may come late, or never were written down. Of a batch of which
        nothing is recorded nobody knows what stood there.
        """
        bits, facts = self.facts.bits, self.facts
        open_may, open_unstated = self.open(batch)
        if not self.moved[batch]:
            return 0, open_may, bits.members
        found = 0
        for key in self.moved[batch]:
            found |= facts.found.get(key, 0) & facts.keep.get(key, -1)
        contains = bits.of(Plane.CONTAINS, found)
        may = bits.of(Plane.MAY, found) | bits.of(Plane.TOUCHED, found) | bits.of(Plane.OPEN, found)
        unstated = bits.of(Plane.UNSTATED, found) | bits.of(Plane.TOUCHED_BY_UNSTATED, found)
        return contains, may | open_may, unstated | bits.of(Plane.OPEN_UNSTATED, found) | open_unstated

    def open(self, batch: int) -> tuple[int, int]:
        """What lines of its recipe may bring, or are not stated of, of which no use is recorded."""
        lines = self.facts.open.get(batch)
        return (0, 0) if lines is None else (lines.may, lines.unstated)

    def only_planned(self, batch: int) -> int:
        """What may be there by such lines, and by nothing else."""
        bits, facts = self.facts.bits, self.facts
        known = self.touched[batch]
        for key in self.moved[batch]:
            found = facts.found.get(key, 0)
            known |= reduce(
                or_, (bits.of(plane, found) for plane in (Plane.CONTAINS, Plane.MAY, Plane.TOUCHED))
            )
        return self.open(batch)[0] & ~known

    def carries(self, batch: int) -> tuple[int, int]:
        """What a batch leaves where it stands: what may be there, and what nobody stated."""
        contains, may, unstated = self._base.get(batch, (0, 0, 0))
        return contains | may | self.touched[batch], unstated | self.unstated[batch]

    def contains(self, batch: int) -> int:
        return self._base.get(batch, (0, 0, 0))[0]

    def _events(self) -> list[tuple[datetime, int, UUID, int]]:
        """(time, what, equipment, batch or cleared bits) in the order they happened."""
        events = []
        for batch in self.moved:
            for stay in self.floor.by_batch.get(batch, ()):
                events.append((stay.since, BEGIN, stay.equipment, batch))
                if stay.until is not None:
                    # what begins and ends at once is there at that time
                    events.append(
                        (stay.until, END if stay.until > stay.since else BEGIN + 1, stay.equipment, batch)
                    )
        for equipment, clearings in self.floor.clearings.items():
            events += [(each.at, CLEAN, equipment, each.bits) for each in clearings]
        return sorted(events, key=lambda event: event[:2])

    def _sweep(self, events: Iterable[tuple[datetime, int, UUID, int]]) -> bool:
        """Once through time. Answers whether any batch was touched by more than was known.

        ``left`` is what those left who are gone; who is there touches whoever comes, and leaves when it goes.
        """
        residue: defaultdict[UUID, list[int]] = defaultdict(lambda: [0, 0])
        there: defaultdict[UUID, list[int]] = defaultdict(list)
        grown = False
        for _, what, equipment, value in events:
            left, now = residue[equipment], there[equipment]
            if what == BEGIN:
                for other in now:
                    grown |= self._touch(other, *self.carries(value))
                    grown |= self._touch(value, *self.carries(other))
                grown |= self._touch(value, *left)
                now.append(value)
            elif what == CLEAN:
                left[0], left[1] = left[0] & ~value, left[1] & ~value
            else:
                now.remove(value)
                _add(left, self.carries(value))
        return grown

    def _touch(self, batch: int, may: int, unstated: int) -> bool:
        before = self.touched[batch], self.unstated[batch]
        self.touched[batch] |= may
        self.unstated[batch] |= unstated
        return before != (self.touched[batch], self.unstated[batch])

    # -- who left it ----------------------------------------------------------------------------------

    def left_by(self, batch: int, code: str, *, unstated: bool = False) -> tuple[NamedBatch, UUID] | None:
        """The batch that left an allergen where ``batch`` stood, and on which equipment.

        Of several one that contained it, the latest first; batches of one time by their codes.
        """
        bit = self.facts.bits.plain([code])
        found = [
            (self._rank(other, bit), other.batch, stay.equipment)
            for stay in self.floor.by_batch.get(batch, ())
            for other in self.floor.near(stay.equipment, stay.since, stay.until)
            if other.batch != batch
            and (stay.until is None or other.since < stay.until or other.since == stay.since)
            and self.carries(other.batch)[unstated] & bit
            and not self.floor.cleared(stay.equipment, other.until, stay.since) & bit
        ]
        if not found:
            return None
        _, other, equipment = min(found, key=lambda each: (*each[0], str(each[2])))
        return self.batches[other], equipment

    def _rank(self, stay: Stay, bit: int) -> tuple[bool, float, str]:
        return not self.contains(stay.batch) & bit, -stay.since.timestamp(), self.batches[stay.batch].code

    def on(
        self, equipment: UUID, at: datetime, day: date, *, unstated: bool = False, but: int | None = None
    ) -> dict[str, Left]:
        """What stands on equipment at a time, of what is listed on a day; or what nobody stated of what was there.

        ``but``: a batch that is left out, since it is asked what the others left it.
        """
        bits = self.facts.bits
        found: dict[str, Left] = {}
        listed = bits.listed(day)
        stays = [
            stay
            for stay in self.floor.near(equipment, at, at)
            if stay.batch in self.batches and stay.batch != but
        ]
        for stay in sorted(stays, key=lambda stay: (stay.since, self.batches[stay.batch].code)):
            gone = None if stay.until is None or stay.until > at else stay.until
            there = self.carries(stay.batch)[unstated] & listed & ~self.floor.cleared(equipment, gone, at)
            certain = self.contains(stay.batch)
            for code in bits.codes_in(there):
                says = Says.CONTAINS if certain & bits.plain([code]) else Says.MAY_CONTAIN
                if code not in found or says == Says.CONTAINS or found[code].says != Says.CONTAINS:
                    named = self.batches[stay.batch]
                    planned = not unstated and bool(self.only_planned(stay.batch) & bits.plain([code]))
                    found[code] = Left(code, equipment, named.code, named.uid, says, stay.until, planned)
        return found


def _add(left: list[int], more: tuple[int, int]) -> None:
    left[0] |= more[0]
    left[1] |= more[1]


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


def reached_from(
    establishment: Establishment, lots: Collection[int], batches: Collection[int] = ()
) -> set[int]:
    """The lots, what was made of them, and what either or the batches may have touched: no fewer than there are, maybe more.

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
            floor, back_to = Floor(_stays(establishment, first), {}, 0), first
        new = floor.onward(known | told) - known
        known |= new
        made = Lot.objects.extra(where=[f"{Lot._meta.db_table}.batch_id {among()}"], params=[as_one(new)])
        fresh, told = set(made.values_list("pk", flat=True)) - keys, set()
    return keys


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


# -- reading ----------------------------------------------------------------------------------------


def load(
    establishment: Establishment,
    lots: Collection[int],
    places: Collection[tuple[UUID, datetime]] = (),
    known_by: datetime | None = None,
) -> Contacts:
    """What touched lots, and what may stand on equipment at some times, with all that it takes to know it.

    The stays of the house are read once; then what led to the lots, turn by turn, until no batch is new.
    ``known_by``: only what was released by then is cleared; else what was released at any time.
    """
    rows = {row.pk: row for row in Equipment.objects.filter(establishment=establishment)}
    bits = Bits(lists.vocabulary(establishment))
    floor = Floor(_stays(establishment), _clearings(bits, rows.values(), known_by), bits.every)
    started = {stay.batch for each, at in places for stay in floor.near(each, at, at)}
    mixed = MixedPlaces(establishment)
    moved, keys = _gather(establishment, floor, set(lots), started, mixed)
    facts = known_facts.load(establishment, keys, bits, mixed=mixed, whole=lots, used_in=moved)
    for batch, knot in facts.knots.in_batches():
        moved.setdefault(batch, set()).add(knot)
    batches = unrecorded.add_to(facts, establishment, moved)
    named = {key: NamedBatch(each.uid, each.code) for key, each in batches.items()}
    contacts = Contacts(facts, floor, moved, named, {pk: row.code for pk, row in rows.items()})
    contacts.settle()
    return contacts


def _stays(establishment: Establishment, since: datetime | None = None) -> Iterator[Stay]:
    """Of a house; only those that lasted until a time, if it is told."""
    rows = Occupation.objects.filter(equipment__establishment=establishment).order_by("since", "pk")
    if since is not None:
        rows = rows.filter(Q(until__isnull=True) | Q(until__gte=since))
    for row in rows.values_list("batch_id", "equipment_id", "since", "until").iterator(chunk_size=5000):
        yield Stay(*row)


def _clearings(
    bits: Bits, equipment: Collection[Equipment], known_by: datetime | None
) -> dict[UUID, list[Clearing]]:
    found: defaultdict[UUID, list[Clearing]] = defaultdict(list)
    for each in standing_breaks(equipment, known_by=known_by):
        found[each.equipment_id].append(Clearing(each.at, _scope(bits, each)))
    return found


def _scope(bits: Bits, each: CleaningBreak) -> int:
    told = each.scope.get("allergens", [])
    return bits.every if told == "all" else bits.cleared_by(told)


def _gather(
    establishment: Establishment, floor: Floor, lots: set[int], started: set[int], mixed: MixedPlaces
) -> tuple[dict[int, set[int]], set[int]]:
    """Every batch that matters with the lots it used and made, and every lot to ask for."""
    if len(lots) >= MANY:
        moved = {batch: set[int]() for batch in floor.by_batch} | _moved(None, establishment)
        return moved, lots | {key for each in moved.values() for key in each}
    moved, keys, fresh = dict[int, set[int]](), set(lots), set(lots)
    batches, new = set(started), set[int]()
    while True:
        batches |= _made_by(mixed.back(fresh, whole=lots, used_in=new)) if fresh or new else set()
        new = floor.reach(batches) - set(moved)
        if not new:
            return moved, keys
        moved |= {batch: set() for batch in new} | _moved(new, establishment)
        fresh = {key for batch in new for key in moved[batch]} - keys
        keys |= fresh
        batches |= new


def _made_by(walk: Walk) -> set[int]:
    """The batches that made lots on a walk."""
    own = Lot.objects.filter(batch__isnull=False).extra(
        where=[f"{Lot._meta.db_table}.id {among()}"], params=[as_one(walk.lots)]
    )
    return walk.batches() | set(own.values_list("batch_id", flat=True))


def _moved(batches: Collection[int] | None, establishment: Establishment) -> dict[int, set[int]]:
    rows: Any = Movement.objects.standing().filter(
        establishment=establishment, what__in=[MovementKind.USED, MovementKind.MADE], batch__isnull=False
    )
    if batches is not None:
        rows = rows.extra(where=[f"{Movement._meta.db_table}.batch_id {among()}"], params=[as_one(batches)])
    found: defaultdict[int, set[int]] = defaultdict(set)
    for batch, lot in rows.order_by().values_list("batch_id", "lot_id").iterator(chunk_size=5000):
        found[batch].add(lot)
    return found
