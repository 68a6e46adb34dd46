"""Refilled places in the web of what came from what: what was used, or lies, under the name of a lot that was mixed.

Such knots are numbers below zero, beside the mixes themselves. A lot that was mixed hands on to a batch what its place-mates
contain, as its own: really some of them is likely in it, so that a warning or an assessment would not protect the eater.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import takewhile
from typing import NamedTuple
from uuid import UUID

from batches.mixed_places import Link, MixedPlaces, Walk
from batches.mixes import Mixes


class Passed(NamedTuple):
    """How a lot went on: lying in a place from a time on, it may have been taken out as another (by key)."""

    place: UUID
    place_code: str
    since: datetime
    taken_as: int


@dataclass
class Knots:
    """``sources``: what each knot may be. ``used``: by batch and lot. ``whole``: by lot, that under its name anywhere."""

    mixes: Mixes | None = None
    sources: dict[int, tuple[int, ...]] = field(default_factory=dict)
    used: dict[tuple[int, int], int] = field(default_factory=dict)
    whole: dict[int, int] = field(default_factory=dict)
    links: set[tuple[int, int]] = field(default_factory=set)
    _lots: dict[int, int] = field(default_factory=dict)

    @classmethod
    def of(cls, places: MixedPlaces, walk: Walk) -> "Knots":
        found = cls(places.mixes, {mix: places.mixes.sources[mix] for mix in _mixes_in(places, walk)})
        for use, behind in walk.drawn.items():
            found.used[use] = found._knot(use[1], behind)
        for lot, behind in walk.under.items():
            found.whole[lot] = found._knot(lot, behind)
        found.links = {(part, knot) for knot, parts in found.sources.items() for part in parts}
        found.links |= set(found._into_made(walk.links.values()))
        return found

    def _knot(self, lot: int, behind: Iterable[int]) -> int:
        assert self.mixes is not None
        knot = -1 - len(self.mixes.sources) - len(self._lots)
        self.sources[knot], self._lots[knot] = (lot, *sorted(behind)), lot
        return knot

    def _into_made(self, links: Iterable[Link]) -> Iterator[tuple[int, int]]:
        by_batch: defaultdict[int, list[int]] = defaultdict(list)
        for (batch, _), knot in self.used.items():
            by_batch[batch].append(knot)
        if not by_batch:
            return
        for _, target, batch, *_ in links:
            yield from ((knot, target) for knot in by_batch.get(batch, ()))

    def in_batches(self) -> Iterator[tuple[int, int]]:
        """(batch, knot) of what was used under the name of a lot that was mixed."""
        yield from ((batch, knot) for (batch, _), knot in self.used.items())

    def narrow(self, batch: int, lot: int, uses: Iterable[tuple[UUID | None, datetime]]) -> None:
        """Of what may have been used as a lot that was mixed, hand on only what these uses (place, when) drew from."""
        if self.mixes is None or (batch, lot) not in self.used:
            return
        drawn = {mix for place, at in uses for mix in self.mixes.behind(lot, place, at)}
        knot = self.used[batch, lot]
        parts = tuple(part for part in self.sources[knot] if part in drawn)
        if parts:
            self.sources[knot] = (lot, *parts)
            self.links -= {(part, to) for part, to in self.links if to == knot and part not in {lot, *parts}}
        else:
            del self.used[batch, lot]
            self.links = {link for link in self.links if link[0] != knot}

    def as_lot(self, key: int) -> int:
        """The lot that a knot goes by; a lot itself."""
        return self._lots.get(key, key)

    def steps(self, way: Sequence[int]) -> Iterator[tuple[int, Passed | None]]:
        """A way as its lots, each with how it went on where that was by being mixed."""
        for at, key in enumerate(way):
            if key >= 0:
                yield key, self._mixed_in(way, at)
        if way and way[-1] < 0 and not (way[0] == self._lots[way[-1]] and len(way) == 2):
            yield self._lots[way[-1]], None

    def _mixed_in(self, way: Sequence[int], at: int) -> Passed | None:
        """By the mixes that follow on a way, up to the next lot; only the first place is told."""
        if self.mixes is None:
            return None
        after = list(takewhile(lambda key: key < 0, way[at + 1 :]))
        named = [self.mixes.named[key] for key in after if key in self.mixes.named]
        for mix in named:
            if mix.place in self.mixes.refilled:
                return Passed(mix.place, self.mixes.refilled[mix.place], mix.since, self._lots[after[-1]])
        return None


def _mixes_in(places: MixedPlaces, walk: Walk) -> set[int]:
    behind = [*walk.drawn.values(), *walk.under.values()]
    return places.mixes.within(mix for mixes in behind for mix in mixes)[0]
