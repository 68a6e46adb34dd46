"""Sets carried along a genealogy, as whole numbers with one bit a member; and how much of one is in what. Pure.

Lots are named by a number, links are (source, target). What is below zero is no lot but something that may be any of its
sources: it hands on what they do, and is no step of a way. One pass in topological order carries every set at once. A loop,
which no deed writes, is walked until nothing changes any more: everything in it is in all of it.
"""

from collections import defaultdict, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

ALL = -1
"""Every bit."""


class Web:
    """What comes from what. ``links``: (source, target), each once."""

    def __init__(self, links: Iterable[tuple[int, int]] = ()):
        self.sources: dict[int, Sequence[int]] = {}
        found: defaultdict[int, list[int]] = defaultdict(list)
        for source, target in links:
            found[target].append(source)
        self.sources.update(found)

    @classmethod
    def of(cls, sources: Mapping[int, Sequence[int]]) -> "Web":
        """By target: what it comes from, each once."""
        web = cls()
        web.sources.update(sources)
        return web

    @cached_property
    def order(self) -> tuple[list[tuple[tuple[int, ...], list[int]]], list[int]]:
        """Whatever comes from something: sources with all that comes from just those, after all that these came from; and
        what is in a loop or after one."""
        alike: dict[tuple[int, ...], list[int]] = {}
        for target, sources in self.sources.items():
            alike.setdefault(tuple(sources), []).append(target)
        waiting, onward = dict[tuple[int, ...], int](), defaultdict[int, list[tuple[int, ...]]](list)
        for sources in alike:
            made = [source for source in sources if source in self.sources]
            waiting[sources] = len(made)
            for source in made:
                onward[source].append(sources)
        ready, done = deque(sources for sources, left in waiting.items() if not left), []
        while ready:
            sources = ready.popleft()
            done.append((sources, alike[sources]))
            for target in alike[sources]:
                for others in onward.get(target, ()):
                    waiting[others] -= 1
                    if not waiting[others]:
                        ready.append(others)
        return done, [target for sources, left in waiting.items() if left for target in alike[sources]]


def spread(web: Web, own: Mapping[int, int], keep: Mapping[int, int] | None = None) -> dict[int, int]:
    """By lot: its own bits and all that came with what it was made of.

    ``keep``: the bits that a lot hands on, where not all (a wrapper brings no missing statements).
    """
    keep = keep or {}
    found = dict(own)
    handed = found | {key: found[key] & kept for key, kept in keep.items() if key in found}
    done, looped = web.order
    for sources, targets in done:
        came = 0
        for source in sources:
            came |= handed.get(source, 0)
        for target in targets:
            found[target] = bits = own.get(target, 0) | came
            handed[target] = bits & keep[target] if target in keep else bits
    while sum(_take_in(web, found, keep, key) for key in looped):
        pass
    return found


def _take_in(web: Web, found: dict[int, int], keep: Mapping[int, int], key: int) -> bool:
    before = bits = found.get(key, 0)
    for source in web.sources.get(key, ()):
        bits |= found.get(source, 0) & keep.get(source, ALL)
    found[key] = bits
    return bits != before


def shortest(
    start: int,
    bit: int,
    *,
    web: Web,
    own: Mapping[int, int],
    found: Mapping[int, int],
    names: Mapping[int, str],
    keep: Mapping[int, int] | None = None,
) -> tuple[int, ...]:
    """The shortest way by which ``bit`` came into ``start``: from the lot that has it as its own, ``start`` last.

    Breadth first; of ways of one length the one whose names come first, read from ``start`` back. Empty where the
    bit is not there.
    """
    keep = keep or {}
    came: dict[int, int | None] = {start: None}
    queue = deque([start])
    while queue:
        key = queue.popleft()
        if own.get(key, 0) & bit:
            return tuple(_way(key, came))
        near = _near(key, bit, found, keep, web, came)
        for source in sorted(near, key=lambda each: names.get(each, "")) if len(near) > 1 else near:
            came[source] = near[source]
            queue.append(source)
    return ()


def _near(
    key: int,
    bit: int,
    found: Mapping[int, int],
    keep: Mapping[int, int],
    web: Web,
    came: dict[int, int | None],
) -> dict[int, int]:
    """The lots that are one step back and not come by yet, each with the key it was found from. Enters what is passed."""
    near: dict[int, int] = {}
    passed = [key]
    for at in passed:  # grows as it goes
        for source in web.sources.get(at, ()):
            if not found.get(source, 0) & bit or source in came or not keep.get(source, ALL) & bit:
                continue
            if source < 0:
                came[source] = at
                passed.append(source)
            else:
                near.setdefault(source, at)
    return near


def _way(key: int | None, came: Mapping[int, int | None]) -> Iterator[int]:
    while key is not None:
        yield key
        key = came[key]


@dataclass(frozen=True)
class Band:
    """An amount in mg/kg between ``low`` and ``high``; None is not known."""

    low: Decimal
    high: Decimal | None


NOTHING = Band(Decimal(0), Decimal(0))


@dataclass(frozen=True)
class Mixed:
    """What one lot was mixed of. ``parts``: each source's share of the mass of everything used.

    ``thicker``: the mass used over the mass that came out, at least 1: what went off may all have been water, and
    then everything else is thicker by that; None where a mass is not known. ``shares_known``: every mass used is.
    """

    parts: Sequence[tuple[int, Decimal]]
    thicker: Decimal | None
    shares_known: bool


@dataclass(frozen=True)
class AnyOf:
    """It may be all one of ``parts`` and nothing of the others."""

    parts: Sequence[int]


def bands(web: Web, own: Mapping[int, Band], mixed: Mapping[int, Mixed | AnyOf]) -> dict[int, Band]:
    """By lot: how much of a substance is in it, by the shares. What was stated of the lot itself may add to that.

    ``low`` takes it that nothing but the substance's share came along, ``high`` that all that was lost was water.
    Heat is held to take nothing off.
    """
    found = dict(own)
    done, looped = web.order
    for _, targets in done:
        for key in targets:
            if key in mixed:
                found[key] = _higher(own.get(key, NOTHING), _mix(mixed[key], found))
    for key in looped:
        found[key] = Band(Decimal(0), None)
    return found


def _mix(mixed: Mixed | AnyOf, found: Mapping[int, Band]) -> Band:
    if isinstance(mixed, AnyOf):
        return _any(found.get(part, NOTHING) for part in mixed.parts)
    sources = [(share, found.get(source, NOTHING)) for source, share in mixed.parts]
    if all(band == NOTHING for _, band in sources):
        return NOTHING
    if not mixed.shares_known:
        return Band(Decimal(0), None)
    low = sum((share * band.low for share, band in sources), Decimal(0))
    highs = [share * band.high for share, band in sources if band.high is not None]
    if mixed.thicker is None or len(highs) < len(sources):
        return Band(low, None)
    return Band(low, mixed.thicker * sum(highs, Decimal(0)))


def _any(bands: Iterable[Band]) -> Band:
    found = list(bands)
    highs = [band.high for band in found if band.high is not None]
    return Band(min(band.low for band in found), max(highs) if len(highs) == len(found) else None)


def _higher(one: Band, other: Band) -> Band:
    if one.high is None or other.high is None:
        return Band(max(one.low, other.low), None)
    return Band(max(one.low, other.low), max(one.high, other.high))
