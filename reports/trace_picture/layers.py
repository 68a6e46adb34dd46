"""Where the boxes of a layered picture stand and how lines run between them. Pure; no set or hash decides any order.

Boxes are the numbers from 0 on, in the order they were given. A line that passes layers runs through points of its
own; those of one box and one look run together as far as they can.
"""

import itertools
from collections import defaultdict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass

SWEEPS = 12
Way = tuple[int, int]


@dataclass(frozen=True)
class Line:
    """From a box to another; those of one ``look`` may run together."""

    source: int
    target: int
    look: Hashable = None


@dataclass(frozen=True)
class Layout:
    """``layers``: boxes and points from top to bottom, layer by layer; a number from ``boxes`` on is a point.

    ``ways``: by line what it runs through, from the layer nearer the sources to the other; empty for a line from a box
    to itself. ``heights``: where the middle of each stands, from 0 down.
    """

    boxes: int
    layers: tuple[tuple[int, ...], ...]
    ways: tuple[tuple[int, ...], ...]
    heights: Mapping[int, float]


def layers_of(boxes: int, ways: Sequence[Way]) -> list[int]:
    """By box its layer: the longest way from a box that nothing leads to, which itself stands close to what it leads to.

    Lines that would close a circle are taken the other way round.
    """
    onward, inward = _neighbours(boxes, forward_only(boxes, ways))
    waiting = [len(each) for each in inward]
    ready = [box for box in range(boxes) if not waiting[box]]
    layer = [0] * boxes
    for box in ready:  # grows on the way
        for target in onward[box]:
            layer[target] = max(layer[target], layer[box] + 1)
            waiting[target] -= 1
            if not waiting[target]:
                ready.append(target)
    for box in range(boxes):
        if onward[box] and not inward[box]:
            layer[box] = min(layer[target] for target in onward[box]) - 1
    return layer


def forward_only(boxes: int, ways: Sequence[Way]) -> list[Way]:
    """The ways without circles: one that leads back to a box it came through is turned, one to the same box left out."""
    onward, _ = _neighbours(boxes, [way for way in ways if way[0] != way[1]])
    seen: set[int] = set()
    place: dict[int, int] = {}
    for root in range(boxes):
        _finish(root, onward, seen, place)
    return [(s, t) if place[s] > place[t] else (t, s) for s, t in ways if s != t]


def _finish(root: int, onward: Sequence[Sequence[int]], seen: set[int], place: dict[int, int]) -> None:
    """Number boxes in the order they are left, depth first: a way that closes a circle leads to a later one."""
    if root in seen:
        return
    seen.add(root)
    path = [(root, iter(onward[root]))]
    while path:
        box, rest = path[-1]
        following = next((each for each in rest if each not in seen), None)
        if following is None:
            path.pop()
            place[box] = len(place)
        else:
            seen.add(following)
            path.append((following, iter(onward[following])))


def _neighbours(boxes: int, ways: Iterable[Way]) -> tuple[list[list[int]], list[list[int]]]:
    onward: list[list[int]] = [[] for _ in range(boxes)]
    inward: list[list[int]] = [[] for _ in range(boxes)]
    for source, target in ways:
        onward[source].append(target)
        inward[target].append(source)
    return onward, inward


def layout(layer: Sequence[int], lines: Sequence[Line], *, box_height: float, point_height: float) -> Layout:
    """Order and place the boxes, whose layers are given, so that few lines cross and most run straight."""
    boxes = len(layer)
    known = {each: place for place, each in enumerate(sorted(set(layer)))}
    of_layer = [known[each] for each in layer]
    ways, points = _through_points(of_layer, lines)
    of_layer += points
    links = list(dict.fromkeys(link for way in ways for link in itertools.pairwise(way)))
    order = _ordered(_stacked(of_layer, len(known)), links)
    tall = [box_height if each < boxes else point_height for each in range(len(of_layer))]
    return Layout(boxes, tuple(map(tuple, order)), tuple(ways), _placed(order, links, tall))


def _through_points(layer: Sequence[int], lines: Sequence[Line]) -> tuple[list[tuple[int, ...]], list[int]]:
    """By line what it runs through, and the layers of the new points."""
    shared: dict[tuple[int, Hashable, int], int] = {}
    layers: list[int] = []
    ways: list[tuple[int, ...]] = []
    for line in lines:
        first, last = sorted((line.source, line.target), key=lambda box: layer[box])
        if layer[first] == layer[last]:
            ways.append(())
            continue
        way = [first]
        for at in range(layer[first] + 1, layer[last]):
            key = (first, line.look, at)
            if key not in shared:
                shared[key] = len(layer) + len(layers)
                layers.append(at)
            way.append(shared[key])
        ways.append((*way, last))
    return ways, layers


def _stacked(layer: Sequence[int], count: int) -> list[list[int]]:
    found: list[list[int]] = [[] for _ in range(count)]
    for each, at in enumerate(layer):
        found[at].append(each)
    return found


# -- order -----------------------------------------------------------------------------------------


def _ordered(order: list[list[int]], links: Sequence[Way]) -> list[list[int]]:
    """Sweeps to and fro, each sorting a layer by the middle of what it is linked with; the order with fewest crossings."""
    before, after = defaultdict[int, list[int]](list), defaultdict[int, list[int]](list)
    for source, target in links:
        after[source].append(target)
        before[target].append(source)
    best, least = order, crossings(order, after)
    for sweep in range(SWEEPS):
        forward = sweep % 2 == 0
        order = _swept(order, before if forward else after, forward=forward)
        if (count := crossings(order, after)) < least:
            best, least = order, count
    return best


def _swept(
    order: Sequence[Sequence[int]], linked: Mapping[int, Sequence[int]], *, forward: bool
) -> list[list[int]]:
    found = [list(each) for each in order]
    for at in range(1, len(found)) if forward else range(len(found) - 2, -1, -1):
        place = {each: number for number, each in enumerate(found[at - 1 if forward else at + 1])}
        middle = {
            each: sum(near) / len(near) if (near := [place[other] for other in linked.get(each, ())]) else own
            for own, each in enumerate(found[at])
        }
        found[at].sort(key=middle.__getitem__)  # stable: alike stay as they stood
    return found


def crossings(order: Sequence[Sequence[int]], after: Mapping[int, Sequence[int]]) -> int:
    """How many pairs of links between neighbouring layers cross."""
    count = 0
    for left, right in itertools.pairwise(order):
        place = {each: number for number, each in enumerate(right)}
        seen = [0] * len(right)
        for each in left:
            ends = [place[target] for target in after.get(each, ())]
            count += sum(sum(seen[end + 1 :]) for end in ends)
            for end in ends:
                seen[end] += 1
    return count


# -- places ----------------------------------------------------------------------------------------


def _placed(order: Sequence[Sequence[int]], links: Sequence[Way], tall: Sequence[float]) -> dict[int, float]:
    """Middles from 0 down: near those of what each is linked with, in the order found, none on another."""
    linked = defaultdict[int, list[int]](list)
    for source, target in links:
        linked[source].append(target)
        linked[target].append(source)
    at: dict[int, float] = {}
    for layer in order:
        at |= _apart(layer, [0.0] * len(layer), tall)
    for sweep in range(SWEEPS):
        for layer in order if sweep % 2 == 0 else reversed(order):
            wanted = [_mean([at[other] for other in linked.get(each, ())] or [at[each]]) for each in layer]
            at |= _apart(layer, wanted, tall)
    top = min((at[each] - tall[each] / 2 for each in at), default=0.0)
    return {each: y - top for each, y in at.items()}


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _apart(layer: Sequence[int], wanted: Sequence[float], tall: Sequence[float]) -> dict[int, float]:
    """The nearest places to those wanted, by least squares, that keep order and distance (pool adjacent violators)."""
    offsets, down = [], 0.0
    for each in layer:
        offsets.append(down + tall[each] / 2)
        down += tall[each]
    pools: list[list[float]] = []  # mean, how many
    for want, offset in zip(wanted, offsets, strict=True):
        pools.append([want - offset, 1])
        while len(pools) > 1 and pools[-2][0] > pools[-1][0]:
            (mean, many), (other, more) = pools.pop(), pools.pop()
            pools.append([(mean * many + other * more) / (many + more), many + more])
    means = [mean for mean, many in pools for _ in range(int(many))]
    return {each: mean + offset for each, mean, offset in zip(layer, means, offsets, strict=True)}
