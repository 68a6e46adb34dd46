"""What shared equipment carries from suspect batches to others: until a cleaning that is valid for the hazard.

A suspect batch leaves the hazard on every piece of equipment it stood on. Whoever stands there with it, or comes later
with no valid cleaning in between, is suspect too, with all it made and all that was made of that, which leave it where
they stood in turn. How much was carried over nobody can say, so there is no share. What was gone before it came is not
touched, and a cleaning while the suspect batch is there clears nothing. A batch that was touched somewhere counts as
suspect wherever it stood, as it does for derived allergens: tools go to and fro in a batch.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any, NamedTuple
from uuid import UUID

from django.db.models import Q, QuerySet

from batches.cleaning_breaks import standing_breaks
from batches.edges import among, as_one, walked
from batches.mixed_places import MixedPlaces
from batches.models import Batch, Equipment, Lot, Movement, MovementKind, Occupation
from batches.trace_results import Contact
from config.api.refusals import Unusable

MICROBIOLOGICAL, FOREIGN_BODIES = "microbiological", "foreign-bodies"
END, CLEAN, BEGIN, BRIEF_END = range(4)
"""What happens first of what bears the same time: what ends is gone before the cleaning, what begins comes after it; what
begins and ends at once was there at that time."""


@dataclass(frozen=True)
class Hazard:
    """What may have been carried over: allergens by code, microbes, foreign bodies; any of them.

    ``cleared_by``: by allergen, what else a cleaning may name so that it clears it (a group it stands in).
    """

    allergens: tuple[str, ...] = ()
    microbiological: bool = False
    foreign_bodies: bool = False
    cleared_by: Mapping[str, Collection[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.names:
            raise Unusable(
                "Say what may have been carried over: allergens, microbiological or foreign bodies. A cleaning stops "
                "some of them and not others.",
                code="missing",
                field="hazard",
            )

    @cached_property
    def names(self) -> tuple[str, ...]:
        others = ((MICROBIOLOGICAL, self.microbiological), (FOREIGN_BODIES, self.foreign_bodies))
        return (*dict.fromkeys(self.allergens), *(name for name, asked in others if asked))

    @property
    def all(self) -> int:
        """One bit for each name."""
        return (1 << len(self.names)) - 1

    def cleared(self, scope: Mapping[str, Any]) -> int:
        """What a cleaning break with this scope clears, as bits of ``names``."""
        told = scope.get("allergens", ())
        bits = 0
        for place, name in enumerate(self.names):
            if name in (MICROBIOLOGICAL, FOREIGN_BODIES):
                clears = scope.get(name) is True
            else:
                clears = told == "all" or not {name, *self.cleared_by.get(name, ())}.isdisjoint(told)
            bits |= clears << place
        return bits

    def told(self, bits: int) -> tuple[str, ...]:
        return tuple(name for place, name in enumerate(self.names) if bits >> place & 1)


class Stay(NamedTuple):
    batch: int
    equipment: UUID
    since: datetime
    until: datetime | None


class Event(NamedTuple):
    at: datetime
    what: int
    stay: Stay | None
    cleared: int


class Touch(NamedTuple):
    """``stay`` was touched by what ``by`` left, or has there: bits of the hazard."""

    stay: Stay
    by: Stay
    bits: int


@dataclass
class CarriedOver:
    """What was reached beyond the edges walked before.

    ``lots``: by key, the place in ``contacts`` of how it was reached; None for what was made with a lot of the start by
    one batch. ``links``: the edges on the way, without those walked before. ``mixes``: what lay in refilled places that
    some of it is in.
    """

    lots: dict[int, int | None] = field(default_factory=dict)
    links: list[Any] = field(default_factory=list)
    contacts: list[Contact] = field(default_factory=list)
    mixes: set[int] = field(default_factory=set)


def carried_over(
    hazard: Hazard, lots: Collection[int], links: Collection[Any], places: MixedPlaces | None = None
) -> CarriedOver:
    """Follow a hazard from lots and the edges forward from them over shared equipment, as far as it goes.

    With ``places`` also through what lay together in them: ``lots`` may name mixes too, by their numbers below zero.
    It ends: each turn something is touched by more than before, and there is only so much. A few statements a turn.
    """
    return _Spread(hazard, lots, links, places).settle()


class _Spread:
    """Bits of the hazard by lot and by batch; they only grow. ``first``: how a lot or batch was reached first."""

    def __init__(
        self, hazard: Hazard, lots: Collection[int], links: Collection[Any], places: MixedPlaces | None
    ):
        self.hazard, self.known, self.mixes = hazard, frozenset(lots), places.mixes if places else None
        self.lots: dict[int, int] = dict.fromkeys(lots, hazard.all)
        self.batches: dict[int, int] = {}
        self.touches: list[Touch] = []
        self.first: dict[int, int] = {}  # by batch: the place in touches
        self.first_of_lot: dict[int, int] = {}
        self.links = {link[:3]: link for link in links}
        self.walked = frozenset(self.links)
        self.onward: defaultdict[int, list[Any]] = defaultdict(list)
        for link in links:
            self.onward[link[0]].append(link)
        self.made: defaultdict[int, set[int]] = defaultdict(set)
        self.moved_in: defaultdict[int, set[int]] = defaultdict(set)
        self.looked_at: set[int] = set()
        for (batch, _), behind in places.drawn.items() if places else ():
            for mix in behind:
                self.moved_in[mix].add(batch)

    def settle(self) -> CarriedOver:
        """Turn by turn: from lots to the batches they were in, over equipment to others, and to what those made."""
        self._meet(self.lots)
        self._make()
        while self._touch():
            self._make()
        found = CarriedOver()
        new = [key for key in self.lots if key not in self.known]
        found.lots = {key: self.first_of_lot.get(key) for key in new if key > 0}
        found.mixes = {key for key in new if key < 0}
        found.links = [link for key, link in self.links.items() if key not in self.walked]
        found.contacts = list(self._told())
        return found

    # -- lots and batches --------------------------------------------------------------------------

    def _meet(self, lots: Iterable[int]) -> None:
        """The batches that made or used lots, or drew from mixes, bear what those bear."""
        new = [lot for lot in lots if lot not in self.looked_at]
        self.looked_at.update(new)
        for lot, batch in _batches_of([key for key in new if key > 0]):
            self.moved_in[lot].add(batch)
        for lot in list(self.lots):
            for batch in self.moved_in[lot]:
                self._bear(batch, self.lots[lot], self.first_of_lot.get(lot))

    def _bear(self, batch: int, bits: int, place: int | None) -> None:
        self.batches[batch] = self.batches.get(batch, 0) | bits
        if place is not None:
            self.first.setdefault(batch, place)

    def _make(self) -> None:
        """What touched batches made, and what was made of that, bears what they bear; and what drew from mixes of it."""
        before: dict[int, int] = {}
        while before != self.batches:
            before = dict(self.batches)
            self._make_once()

    def _make_once(self) -> None:
        fresh = set(self.batches) - set(self.made)
        for lot, batch in _made_by(fresh) if fresh else ():
            self.made[batch].add(lot)
        for batch in fresh:
            self.made[batch] |= set()
        new = {lot for batch in fresh for lot in self.made[batch]} - self.looked_at
        for link in walked(new, back=False, forward=True)[1] if new else ():
            if link[:3] not in self.links:
                self.links[link[:3]] = link
                self.onward[link[0]].append(link)
        waiting = [
            (lot, bits, self.first.get(batch))
            for batch, bits in self.batches.items()
            for lot in self.made[batch]
        ]
        while waiting:
            lot, bits, place = waiting.pop()
            if bits & ~self.lots.get(lot, 0):
                self.lots[lot] = self.lots.get(lot, 0) | bits
                if place is not None:
                    self.first_of_lot.setdefault(lot, place)
                waiting += [(link[1], self.lots[lot], place) for link in self.onward[lot]]
                waiting += (
                    [(mix, self.lots[lot], place) for mix in self.mixes.into(lot)] if self.mixes else []
                )
        self._meet(self.lots)

    # -- equipment ----------------------------------------------------------------------------------

    def _touch(self) -> bool:
        """Carry over equipment until nothing grows; whether anything did."""
        events, grew = self._events(), False
        while self._sweep(events):
            grew = True
        return grew

    def _events(self) -> list[tuple[UUID, list[Event]]]:
        """By equipment that a suspect batch stood on, what happened there since the first of them came.

        What a batch that is touched only now does elsewhere is read in the next turn.
        """
        own = _stays(_of_batches(self.batches))
        since: dict[UUID, datetime] = {}
        for stay in own:
            since[stay.equipment] = min(stay.since, since.get(stay.equipment, stay.since))
        if not since:
            return []
        later = Q(equipment__in=since) & (Q(until__isnull=True) | Q(until__gte=min(since.values())))
        by_equipment: defaultdict[UUID, list[Event]] = defaultdict(list)
        for stay in _stays(Occupation.objects.filter(later)):
            by_equipment[stay.equipment].append(Event(stay.since, BEGIN, stay, 0))
            if stay.until is not None:
                end = END if stay.until > stay.since else BRIEF_END
                by_equipment[stay.equipment].append(Event(stay.until, end, stay, 0))
        for each in standing_breaks(Equipment.objects.filter(pk__in=since), since=min(since.values())):
            bits = self.hazard.cleared(each.scope)
            by_equipment[each.equipment_id].append(Event(each.at, CLEAN, None, bits))
        return [(key, sorted(events, key=lambda event: event[:2])) for key, events in by_equipment.items()]

    def _sweep(self, events: list[tuple[UUID, list[Event]]]) -> bool:
        """Once through time on each piece of equipment. ``left``: what is there of whom is gone, the latest of it."""
        grown = False
        for _, happened in events:
            left: dict[Stay, int] = {}
            there: list[Stay] = []
            for _, what, stay, cleared in happened:
                if what == CLEAN:
                    left = {by: bits & ~cleared for by, bits in left.items() if bits & ~cleared}
                elif stay is not None and what == BEGIN:
                    for other in there:
                        grown |= self._meets(stay, other, self.batches.get(other.batch, 0))
                        grown |= self._meets(other, stay, self.batches.get(stay.batch, 0))
                    for other, bits in left.items():
                        grown |= self._meets(stay, other, bits)
                    there.append(stay)
                elif stay is not None:
                    there.remove(stay)
                    if bits := self.batches.get(stay.batch, 0):
                        left = {by: rest & ~bits for by, rest in left.items() if rest & ~bits} | {stay: bits}
        return grown

    def _meets(self, stay: Stay, by: Stay, bits: int) -> bool:
        more = bits & ~self.batches.get(stay.batch, 0)
        if not more or stay.batch == by.batch:
            return False
        self.touches.append(Touch(stay, by, more))
        self._bear(stay.batch, more, len(self.touches) - 1)
        return True

    def _told(self) -> Iterator[Contact]:
        keys = {key for touch in self.touches for key in (touch.stay.batch, touch.by.batch)}
        batches = {each.pk: each for each in Batch.objects.filter(pk__in=keys)}
        equipment = Equipment.objects.in_bulk({touch.stay.equipment for touch in self.touches})
        for stay, by, bits in self.touches:
            on, left_by, batch = equipment[stay.equipment], batches[by.batch], batches[stay.batch]
            yield Contact(
                on.pk,
                on.code,
                on.name,
                left_by.uid,
                left_by.code,
                by.since,
                by.until,
                batch.uid,
                batch.code,
                stay.since,
                self.hazard.told(bits),
            )


def _of_batches(batches: Collection[int]) -> QuerySet[Occupation]:
    found: Any = Occupation.objects.extra(
        where=[f"{Occupation._meta.db_table}.batch_id {among()}"], params=[as_one(batches)]
    )
    return found  # type: ignore[no-any-return]


def _stays(rows: QuerySet[Occupation]) -> Iterator[Stay]:
    rows = rows.order_by("since", "pk")
    for row in rows.values_list("batch_id", "equipment_id", "since", "until").iterator(chunk_size=5000):
        yield Stay(*row)


def _batches_of(lots: Collection[int]) -> Iterator[tuple[int, int]]:
    """(lot, batch): which made a lot or in which it was used, also one that has made nothing yet."""
    rows: Any = Movement.objects.standing().filter(
        what__in=[MovementKind.USED, MovementKind.MADE], batch__isnull=False
    )
    rows = rows.extra(where=[f"{Movement._meta.db_table}.lot_id {among()}"], params=[as_one(lots)])
    yield from rows.order_by().values_list("lot_id", "batch_id").distinct()


def _made_by(batches: Collection[int]) -> Iterator[tuple[int, int]]:
    rows: Any = Lot.objects.filter(state__withdrawn=False)
    rows = rows.extra(where=[f"{Lot._meta.db_table}.batch_id {among()}"], params=[as_one(batches)])
    yield from rows.order_by().values_list("pk", "batch_id")
