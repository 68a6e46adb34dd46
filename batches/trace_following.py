"""What a trace reaches, by keys: the walk over the edges, shares carried along it, and what was left.

Two further statements tell what is known of it (``batches.trace_reading``).
"""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from fractions import Fraction
from functools import cached_property
from typing import Any
from uuid import UUID

from batches.carry_over import CarriedOver, Hazard, carried_over
from batches.edges import next_ways, walked
from batches.genealogy import Carried, carry, connected
from batches.mixed_places import MixedPlaces
from batches.trace_mixing import Mixing
from batches.trace_questions import StartLot, TraceQuestion
from batches.trace_results import Direction, Side, Size, TracedLot, Unfollowed
from config.api.refusals import Unusable

MOST_EXACT_STEPS = (
    2000  # fractions of longer chains have numbers of thousands of digits (site setting, no source)
)
MOST_EXACT_BITS = 14_000
"""Of each number of a fraction, 4,215 digits: Python writes none of more than 4,300 as text (its documentation of int)."""

ONLY_BACK = frozenset({Side.BACK, Side.MAYBE_BACK})


class Followed:
    """What was reached, by keys, before anything more is known of it."""

    def __init__(self, question: TraceQuestion, starts: Sequence[StartLot], here: UUID):
        self.question, self.starts = question, starts
        self.start_keys = frozenset(each.key for each in starts)
        ones, parts = dict.fromkeys(self.start_keys, 1.0), self._weights()
        least, way = question.least_share, question.direction
        if least is None:
            back, forward = way != Direction.FORWARD, way != Direction.BACK
            found = walked(self.start_keys, back=back, forward=forward, here=here)
            self.inward, self.onward, refilled = found
        else:
            refilled = True  # or not: it is asked
            self.inward = [] if way == Direction.FORWARD else bounded(parts, least, back=True)
            self.onward = [] if way == Direction.BACK else bounded(ones, least, back=False)
        self.shares = carry(ones, _forward(self.onward), fixed=True)
        self.parts = carry({key: float(part) for key, part in parts.items()}, _back(self.inward))
        self.mixing, places = Mixing(), MixedPlaces(here) if refilled else None
        if places:
            self.mixing = Mixing.along(places, way, self.start_keys, self.inward, self.onward)
        self.mixed_onward = self.mixing.links(self.mixing.ahead, self.onward)
        self.mixed_inward = self.mixing.links(self.mixing.behind, self.inward)
        self.beyond = CarriedOver()
        if question.hazard is not None:
            self._carry_over(question.hazard)

    def _carry_over(self, hazard: Hazard) -> None:
        """Shared equipment leads to refilled places and they to equipment, until nothing grows."""
        known, links, walk = set(self.shares.values), self.onward, self.mixing.ahead
        if walk is not None:
            known, links = known | walk.lots | walk.held, [*links, *self.mixed_onward]
        self.beyond = carried_over(hazard, known, links, self.mixing.places)
        self.mixing.hold_more(self.beyond.mixes)

    def _weights(self) -> dict[int, Fraction]:
        """What each start counts for among them: what it weighs, or all alike where one's mass is not known."""
        masses = [each.mass or 0 for each in self.starts]
        whole = sum(masses) if all(masses) else 0
        return {
            each.key: Fraction(mass, whole) if whole else Fraction(1, len(self.starts))
            for each, mass in zip(self.starts, masses, strict=True)
        }

    @cached_property
    def keys(self) -> list[int]:
        known = {*self.shares.values, *self.parts.values, *self.beyond.lots}
        return sorted(known | self.mixing.lots_ahead | self.mixing.lots_behind)

    @property
    def ahead(self) -> frozenset[int]:
        """The lots that are, or may be, forward of the start: what became of them counts."""
        return self.mixing.lots_ahead.union(self.shares.values, self.beyond.lots)

    @cached_property
    def by_name(self) -> tuple[Mapping[int, float], Mapping[int, float]]:
        """Of shares and parts, what rests on a name only; empty where nothing does."""
        ahead, behind = self.mixing.ahead, self.mixing.behind
        shares: Mapping[int, Any] = {}
        parts: Mapping[int, Any] = {}
        if ahead is not None and ahead.drawn:
            ways = _forward(list(self.mixing.by_name(ahead, self.onward)))
            shares = _less(self.shares, carry(dict.fromkeys(self.start_keys, 1.0), ways, fixed=True))
        if behind is not None and behind.drawn:
            weights = {key: float(part) for key, part in self._weights().items()}
            parts = _less(self.parts, carry(weights, _back(list(self.mixing.by_name(behind, self.inward)))))
        return self._along(shares, parts)

    @cached_property
    def exact(self) -> tuple[Mapping[int, Any], Mapping[int, Any]]:
        """Shares and parts as fractions, if they were asked for. Raises Unusable where they would be too long."""
        if not self.question.exact:
            return {}, {}
        steps = len(self.onward) + len(self.inward)
        if steps > MOST_EXACT_STEPS:
            raise _too_many(f"Fractions are told of at most {MOST_EXACT_STEPS} steps, and these are {steps}.")
        ones = {each.key: Fraction(1) for each in self.starts}
        shares = carry(ones, _forward(self.onward, exact=True), fixed=True).values
        parts = carry(self._weights(), _back(self.inward, exact=True)).values
        found = self._along(shares, parts)
        if any(_is_long(value) for values in found for value in values.values()):
            raise _too_many(f"Over these {steps} steps the fractions come to numbers of thousands of digits.")
        return found

    @cached_property
    def bits(self) -> Mapping[int, int]:
        """By lot, which of several starts it is connected with."""
        keys = [each.key for each in self.starts]
        if len(keys) == 1:
            return {}
        if self.mixing.places is not None:
            inward, onward = [*self.inward, *self.mixed_inward], [*self.onward, *self.mixed_onward]
            found = self.mixing.connected(keys, inward, onward)
            return {key: found.get(key, 0) for key in self.keys}
        ahead = connected(keys, list(_forward(self.onward)), self.shares.order)
        behind = connected(keys, list(_back(self.inward)), self.parts.order)
        return {key: ahead.get(key, 0) | behind.get(key, 0) for key in self.keys}

    @cached_property
    def size(self) -> Size:
        deepest = max((*self.shares.generation.values(), *self.parts.generation.values()), default=0)
        steps = sum(1 for _ in self.steps(None))
        return Size(len(self.keys), steps, deepest, len(self.mixing.shown), len(self.mixing.taken))

    def steps(self, page: Collection[int] | None) -> Iterator[Any]:
        """Each step once, with its lot that lies further from the start: the target forward, the source back."""
        onward, inward = self._ways
        if page is None:
            yield from onward
            yield from inward
            return
        yield from (way for way in onward if way[1] in page)
        yield from (way for way in inward if way[0] in page)

    @cached_property
    def _ways(self) -> tuple[list[Any], list[Any]]:
        onward, inward = self.onward, self.inward
        if self.beyond.links or self.mixed_onward:
            onward = [*onward, *self.mixed_onward, *self.beyond.links]
        if self.mixed_inward:
            inward = [*inward, *self.mixed_inward]
        if onward and inward:
            walked_forward = {way[:3] for way in onward}
            inward = [way for way in inward if way[:3] not in walked_forward]
        return onward, inward

    @property
    def in_loop(self) -> int:
        """How many lots stand in a loop or behind it."""
        both = (*self.shares.values.items(), *self.parts.values.items())
        return len({key for key, value in both if value is None})

    @cached_property
    def told(self) -> tuple[Mapping[int, Any], Mapping[int, Any]]:
        return self._along(self.shares.values, self.parts.values)

    def _along(
        self, shares: Mapping[int, Any], parts: Mapping[int, Any]
    ) -> tuple[Mapping[int, Any], Mapping[int, Any]]:
        """Shares and parts, each only where the trace goes that way."""
        way = self.question.direction
        return {} if way == Direction.BACK else shares, {} if way == Direction.FORWARD else parts

    def side(self, key: int) -> Side:
        if key in self.start_keys:
            return Side.START
        if self.mixing.places is None and not self.beyond.lots:
            if key not in self.parts.values:
                return Side.FORWARD
            return Side.BETWEEN if key in self.shares.values else Side.BACK
        ahead, behind = key in self.shares.values, key in self.parts.values
        touched = key in self.beyond.lots
        maybe_ahead = ahead or touched or key in self.mixing.lots_ahead
        maybe_behind = behind or key in self.mixing.lots_behind
        if ahead or behind:
            if maybe_ahead and maybe_behind:
                return Side.BETWEEN
            return Side.FORWARD if ahead else Side.BACK
        if maybe_ahead and maybe_behind:
            return Side.MAYBE_BETWEEN
        if touched:
            return Side.CONTACT
        return Side.MAYBE_FORWARD if maybe_ahead else Side.MAYBE_BACK

    def in_batches_without_output(self, lots: Sequence[TracedLot]) -> list[int]:
        """Lots of which more was used than the edges tell: the rest is in batches that have made nothing yet."""
        if self.question.direction == Direction.BACK:
            return []
        used = {way[:3:2]: way[4] for way in self._ways[0]}  # by lot and batch
        along: defaultdict[int, int] = defaultdict(int)
        for (lot, _), amount in used.items():
            along[lot] += amount
        left = self._left(self.shares)
        ahead = (lot for lot in lots if lot.side not in ONLY_BACK and lot.key not in left)
        return [lot.key for lot in ahead if lot.used > along[lot.key]]

    # -- what a least share left -------------------------------------------------------------------------

    @cached_property
    def unfollowed(self) -> Unfollowed | None:
        least = self.question.least_share
        if least is None:
            return None
        ahead, behind = self._left(self.shares), self._left(self.parts)
        mass = sum(
            self.shares.values[way[0]] * way[6] * way[3] / way[4]
            for way in self.onward
            if way[1] in ahead and way[4] and self.shares.values[way[0]]
        )
        masses = [each.mass for each in self.starts]
        if behind:
            known = None if None in masses else sum(mass or 0 for mass in masses)
            if known is None:
                return Unfollowed(least, len(ahead) + len(behind), None)
            mass += known * sum(self.parts.values[key] or 0.0 for key in behind)
        return Unfollowed(least, len(ahead) + len(behind), mass)

    def _left(self, carried: Carried) -> set[int]:
        """Lots whose edges were not asked for, because they have too little."""
        least = self.question.least_share
        if least is None:
            return set()
        return {
            key
            for key, value in carried.values.items()
            if value is not None and value < least and key not in self.start_keys
        }


def _less(all_of_it: Carried, certain: Carried) -> dict[int, float | None]:
    """What the certain leaves of it; where nothing rests on a name both were added up alike, and it is exactly nothing."""
    found = {}
    for key, value in all_of_it.values.items():
        sure = certain.values[key]
        found[key] = None if value is None or sure is None else max(value - sure, 0.0)
    return found


def _too_many(sentence: str) -> Unusable:
    return Unusable(
        f"{sentence} Ask without them: the shares are told as decimal numbers.",
        code="too-many-for-fractions",
        field="exact",
    )


def _is_long(value: Fraction | None) -> bool:
    """Whether it is more than is written as text; None in a loop."""
    return value is not None and max(value.numerator, value.denominator).bit_length() > MOST_EXACT_BITS


def bounded(starts: Mapping[int, Any], least: float, *, back: bool) -> list[Any]:
    """The edges of every lot that has at least so much of the starts; one statement a generation.

    What a lot has from others that have less is not known here, so that its share is told too low by at most that.
    """
    ways, asked = list[Any](), set[int]()
    fresh = set(starts)
    while fresh:
        asked |= fresh
        ways += next_ways(fresh, back=back)
        carried = carry(starts, _back(ways) if back else _forward(ways), fixed=not back)
        fresh = {
            key
            for key, value in carried.values.items()
            if key not in asked and (value is None or value >= least)
        }
    return ways


def _forward(ways: Sequence[Any], *, exact: bool = False) -> Iterator[tuple[int, int, Any]]:
    return ((way[0], way[1], exact_share(way) if exact else way[5]) for way in ways)


def _back(ways: Sequence[Any], *, exact: bool = False) -> Iterator[tuple[int, int, Any]]:
    return ((way[1], way[0], exact_share(way) if exact else way[5]) for way in ways)


def exact_share(way: Sequence[Any]) -> Fraction:
    return Fraction(way[6], way[7]) if way[7] else Fraction(0)
