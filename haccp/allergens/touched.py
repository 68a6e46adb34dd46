"""What batches touched each other with: their lots' allergens, carried over equipment until nothing changes.

A batch leaves what its lots contain, may contain, or were touched by, and carries it on to every piece of equipment it
stands on. Batches that share equipment at one time touch each other both ways. A break clears what its scope names; what
stands on the equipment while it is made is there afterwards too.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import reduce
from operator import or_
from uuid import UUID

from batches.models import Equipment
from batches.near import NamedBatch, Stay
from haccp.allergens.bits import Plane
from haccp.allergens.facts import Facts
from haccp.allergens.floor import Floor
from haccp.allergens.saying import Says
from haccp.allergens.spread import ALL

POSSIBLE = (Plane.MAY, Plane.TOUCHED, Plane.OPEN, Plane.OPEN_CONTAINS)
NOT_STATED = (Plane.UNSTATED, Plane.TOUCHED_BY_UNSTATED, Plane.OPEN_UNSTATED)
END, CLEAN, BEGIN = range(3)
"""What happens first of what bears the same time: what ends is gone before the cleaning, what begins comes after it."""


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


@dataclass
class Contacts:
    """What every batch was touched by: plain bits of what may be there, and of what nobody stated."""

    facts: Facts
    floor: Floor
    moved: dict[int, set[int]]  # lots used or made, by batch, and what was used as one that was mixed
    batches: Mapping[int, NamedBatch]
    touched: defaultdict[int, int] = field(default_factory=lambda: defaultdict(int))
    unstated: defaultdict[int, int] = field(default_factory=lambda: defaultdict(int))
    _base: dict[int, tuple[int, int, int]] = field(default_factory=dict)
    _codes: dict[UUID, str] = field(default_factory=dict)

    def settle(self) -> None:
        """Carry on until nothing changes: from lots to batches, over equipment to others, and to their lots."""
        made = defaultdict(list)
        for lot in self.facts.lots.values():
            if lot.batch is not None:
                made[lot.batch].append(lot.key)
        events, bits, keep = self._events(), self.facts.bits, self.facts.keep
        given = self._given(made)
        while True:
            found = self.facts.found
            handed = found | {key: found[key] & kept for key, kept in keep.items() if key in found}
            self._base = {batch: self._of_lots(batch, handed, *given[batch]) for batch in self.moved}
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

    def _given(self, made: Mapping[int, list[int]]) -> dict[int, tuple[int, Collection[int]]]:
        """By batch: what lots that no contact reaches hand on to it, bought ones mostly; and the other lots.

        What was used is in all that was made of it, so that where anything was, nothing else need be asked.
        """
        facts = self.facts
        mixed = {key for key in facts.web.sources if key not in facts.keep}
        reached = {*facts.web.sources, *(key for batch in self.moved for key in made.get(batch, ()))}
        given: dict[int, tuple[int, Collection[int]]] = {}
        for batch, keys in self.moved.items():
            whole = [key for key in made.get(batch, ()) if key in mixed and key in keys]
            bits = 0
            for key in () if whole else keys - reached:
                bits |= facts.found.get(key, 0) & facts.keep.get(key, ALL)
            given[batch] = bits, whole or keys & reached
        return given

    def _of_lots(
        self, batch: int, handed: Mapping[int, int], given: int, others: Iterable[int]
    ) -> tuple[int, int, int]:
        """What the lots of a batch contain, what they may, and what is not stated of them, by what each hands on.

        Lines of its recipe of which no use is recorded may come late, or never were written down. Of a batch of which
        nothing is recorded nobody knows what stood there.
        """
        bits = self.facts.bits
        open_may, open_unstated = self.open(batch)
        if not self.moved[batch]:
            return 0, open_may, bits.members
        found = given
        for key in others:
            found |= handed.get(key, 0)
        contains, may = bits.of(Plane.CONTAINS, found), bits.of_any(POSSIBLE, found)
        return contains, may | open_may, bits.of_any(NOT_STATED, found) | open_unstated

    def open(self, batch: int) -> tuple[int, int]:
        """What lines of its recipe may bring, or are not stated of, of which no use is recorded."""
        lines = self.facts.open.get(batch)
        return (0, 0) if lines is None else (lines.contains | lines.may, lines.unstated)

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

    def _events(self) -> list[tuple[datetime, int, int, int]]:
        """(time, what, equipment by its place, batch or cleared bits) in the order they happened."""
        events = []
        for place, (equipment, stays) in enumerate(self.floor.by_equipment.items()):
            for batch, _, since, until in stays:
                if batch in self.moved:
                    events.append((since, BEGIN, place, batch))
                    if until is not None:
                        # what begins and ends at once is there at that time
                        events.append((until, END if until > since else BEGIN + 1, place, batch))
            for each in self.floor.clearings.get(equipment, ()):
                events.append((each.at, CLEAN, place, each.bits))
        return sorted(events, key=lambda event: event[:2])

    def _sweep(self, events: Iterable[tuple[datetime, int, int, int]]) -> bool:
        """Once through time. Answers whether any batch was touched by more than was known.

        ``left`` is what those left who are gone; who is there touches whoever comes, and leaves when it goes.
        """
        residue: defaultdict[int, list[int]] = defaultdict(lambda: [0, 0])
        there: defaultdict[int, list[int]] = defaultdict(list)
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

    def code_of(self, equipment: UUID) -> str:
        """Asked for only where it is shown: one statement for each."""
        if equipment not in self._codes:
            self._codes[equipment] = Equipment.objects.values_list("code", flat=True).get(pk=equipment)
        return self._codes[equipment]

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
