"""Which lots may be in what is taken out of a place that is topped up before it is empty. Pure, no Django.

What lies in such a place is a mix of every lot that came in since it was last found empty and clean; whatever is taken
out under the name of one of them may be any of them. A stock of zero empties nothing. Elsewhere lots lie apart, but what
was carried there out of a mix stays one. Where nobody said from which place something was taken, it may be from any in
which the lot had been by then.

A mix is a number below zero, so that it stands in one web with lots, whose keys are above. It never changes: what comes
in makes a new one of the one before it, so that a thousand lots make a thousand mixes of two parts each.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import NamedTuple
from uuid import UUID

EVER = datetime.max.replace(tzinfo=UTC)
PUT, EMPTIED = range(2)
"""What bears the time at which a place was found empty came in after that, and was taken out before it."""


class Put(NamedTuple):
    """A lot came to lie in a place. ``fresh``: just received or made, so that it is nothing but itself."""

    at: datetime
    lot: int
    place: UUID
    out_of: UUID | None = None
    fresh: bool = True


class Emptied(NamedTuple):
    """A place was found empty and clean."""

    at: datetime
    place: UUID


class Mix(NamedTuple):
    """What lay somewhere from a time on, until more came in. ``lot``: the one that came in then."""

    place: UUID
    since: datetime
    lot: int


@dataclass
class Stay:
    """A lot lies in a place; ``until``: that was found empty then."""

    place: UUID
    since: datetime
    until: datetime | None = None

    def covers(self, at: datetime) -> bool:
        return self.since <= at and (self.until is None or at <= self.until)


class Mixes:
    """Everything that lay in or came out of places that are refilled. ``sources``: what each mix is made of.

    ``refilled``: the places by key, with their codes.
    """

    def __init__(self, puts: Iterable[Put], emptied: Iterable[Emptied], refilled: Mapping[UUID, str]):
        self.refilled = refilled
        self.sources: dict[int, tuple[int, ...]] = {}
        self.named: dict[int, Mix] = {}
        self.stays: defaultdict[int, list[Stay]] = defaultdict(list)
        self._targets: defaultdict[int, list[int]] = defaultdict(list)
        self._only: dict[int, int | None] = {}
        self._history: defaultdict[tuple[UUID, int | None], list[tuple[datetime, int, int]]] = defaultdict(
            list
        )
        self._here: defaultdict[UUID, dict[int, Stay]] = defaultdict(dict)
        self._latest: dict[UUID, tuple[datetime, dict[int, set[int]]]] = {}
        events: list[Put | Emptied] = [*puts, *emptied]
        for event in sorted(events, key=lambda event: (event.at, isinstance(event, Emptied))):
            if isinstance(event, Put):
                self._put(event)
            elif event.place in refilled:
                self._empty(event)

    # -- through time ---------------------------------------------------------------------------------

    def _put(self, put: Put) -> None:
        came = set() if put.fresh else self.behind(put.lot, put.out_of, put.at)
        apart = None if put.place in self.refilled else put.lot
        if apart is None:
            came |= {put.lot}
            self._note(put, came)
        before, known = self._at(put.place, apart, put.at), put.lot in self._here[put.place]
        if not known:
            self._stay(put.lot, put.place, put.at)
        if not (known and came <= {put.lot, before}):
            parts = came | ({before} if before else set())
            mix = self._mix(Mix(put.place, put.at, put.lot), parts) if parts else 0
            self._history[put.place, apart].append((put.at, PUT, mix))

    def _note(self, put: Put, parts: set[int]) -> None:
        at, came = self._latest.get(put.place, (put.at, {}))
        came = came if at == put.at else {}
        came[put.lot] = came.get(put.lot, set()) | parts
        self._latest[put.place] = put.at, came

    def _empty(self, emptied: Emptied) -> None:
        """Only what came in at that very time is in it still."""
        for stay in self._here.pop(emptied.place, {}).values():
            stay.until = emptied.at
        at, came = self._latest.get(emptied.place, (emptied.at, {}))
        mix = 0
        for lot, parts in came.items() if at == emptied.at else ():
            self._stay(lot, emptied.place, at)
            mix = self._mix(Mix(emptied.place, at, lot), parts | ({mix} if mix else set()))
        self._history[emptied.place, None].append((emptied.at, EMPTIED, mix))

    def _stay(self, lot: int, place: UUID, at: datetime) -> None:
        stay = Stay(place, at)
        self.stays[lot].append(stay)
        self._here[place][lot] = stay

    def _mix(self, named: Mix, parts: Collection[int]) -> int:
        mix = -1 - len(self.sources)
        self.sources[mix], self.named[mix] = tuple(sorted(parts)), named
        alone = {self._only[part] if part < 0 else part for part in parts}
        self._only[mix] = alone.pop() if len(alone) == 1 else None
        for part in parts:
            self._targets[part].append(mix)
        return mix

    def _at(self, place: UUID, apart: int | None, at: datetime) -> int:
        """What lay in a place at a time, with what came in then; of one lot where lots lie apart. 0: nothing mixed."""
        history = self._history[place, apart]
        spot = bisect_right(history, (at, PUT, 1))
        return history[spot - 1][2] if spot else 0

    # -- what is asked --------------------------------------------------------------------------------

    def behind(self, lot: int, place: UUID | None, at: datetime) -> set[int]:
        """The mixes that may be in what was taken out under the name of a lot, from a place, at a time.

        Where it is not known to have been in that place then: those of all places in which it had been.
        """
        if place is None:
            return self.everywhere(lot, at)
        if any(stay.place == place and stay.covers(at) for stay in self.stays.get(lot, ())):
            found = {self._in(lot, place, at)}
        else:
            found = self.everywhere(lot, at)
            if place in self.refilled:
                found.add(self._in(lot, place, at))
        return found - {0}

    def everywhere(self, lot: int, at: datetime = EVER) -> set[int]:
        """The mixes that may be under the name of a lot, wherever it lay until a time."""
        stays = [stay for stay in self.stays.get(lot, ()) if stay.since <= at]
        found = {
            self._in(lot, stay.place, at if stay.until is None else min(at, stay.until)) for stay in stays
        }
        return found - {0}

    def _in(self, lot: int, place: UUID, at: datetime) -> int:
        return self._at(place, None if place in self.refilled else lot, at)

    def lying_in(self, place: UUID, at: datetime) -> dict[int, datetime | None]:
        """By lot that may be in a refilled place at a time: since when; None where it came in under another's name."""
        mix = self._at(place, None, at)
        lots = self.within([mix] if mix else [])[1]
        since = {
            lot: stay.since
            for lot in lots
            for stay in self.stays[lot]
            if stay.place == place and stay.covers(at)
        }
        return {lot: since.get(lot) for lot in lots}

    def are_others(self, lot: int, mixes: Iterable[int]) -> bool:
        """Whether anything but the lot itself may be in any of the mixes."""
        return any(self._only[mix] != lot for mix in mixes)

    def within(self, mixes: Iterable[int]) -> tuple[set[int], set[int]]:
        """Every mix that is in some, themselves too; and every lot."""
        found = set(everything(mixes, lambda mix: self.sources.get(mix, ())))
        return {each for each in found if each < 0}, {each for each in found if each > 0}

    def into(self, part: int) -> Sequence[int]:
        """The mixes that a lot, or a mix, went into as it was."""
        return self._targets.get(part, ())

    def holding(self, lots: Iterable[int]) -> set[int]:
        """Every mix that some lot is in."""
        return {each for each in everything(lots, self.into) if each < 0}

    def lots(self) -> set[int]:
        """Every lot that is known to have been in any of them, or in another place besides."""
        return set(self.stays)


def everything(starts: Iterable[int], onward: Callable[[int], Iterable[int]]) -> Iterator[int]:
    """Everything that is reached, the starts too; each once."""
    seen = set(starts)
    waiting = list(seen)
    while waiting:
        key = waiting.pop()
        yield key
        new = set(onward(key)) - seen
        seen |= new
        waiting += new
