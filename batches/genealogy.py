"""How much of what went in is in what came out; pure, no Django.

A batch mixes: every lot used in it is in every lot made by it. What was used of a source is spread over the
outputs in proportion to their mass, in whole base steps, so that the parts add up to exactly what was used.
The share of a source in an output is its mass over the mass of everything used: losses (water boiled off,
trim) are taken to fall on all inputs alike, so the shares of an output's sources add up to 1.

Mass is milligrams; a counted material has it by the mass of a piece. A source without a known mass, or one
that is packaging, has share 0: a share says nothing about it, reach alone does. If the mass of an output is
not known, the outputs are weighed by pieces where all are counted, else alike.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from batches.quantities import scale


@dataclass(frozen=True)
class Amount:
    """Of one lot used or made: base steps, and milligrams where they are known (0 for packaging).

    ``maker``: the batch that made the lot, if one did.
    """

    lot: int
    quantity: int
    mass: int | None
    maker: int | None = None


class Link(NamedTuple):
    """``quantity`` base steps of ``source`` went into ``target``, whose mass is to ``share`` from it.

    Of the ``used`` that went into the batch; ``mass`` of ``of_mass`` milligrams there are of the source, which the batch
    ``maker`` made, if one did.
    """

    source: int
    target: int
    quantity: int
    share: float
    used: int
    mass: int
    of_mass: int
    maker: int | None


def links(used: Sequence[Amount], made: Sequence[Amount]) -> list[Link]:
    """Every used lot in every made lot of one batch; empty while nothing was made or used."""
    weights = _weights(made)
    total = sum(amount.mass or 0 for amount in used)
    found = []
    for source in used:
        mass = source.mass or 0
        share = mass / total if total else 0.0
        parts = scale(weights, source.quantity, sum(weights)) if made else []
        found += [
            Link(source.lot, to.lot, part, share, source.quantity, mass, total, source.maker)
            for to, part in zip(made, parts, strict=True)
        ]
    return found


def _weights(made: Sequence[Amount]) -> list[int]:
    masses = [amount.mass for amount in made if amount.mass]
    if len(masses) == len(made):
        return masses
    if all(amount.mass is None for amount in made) and all(amount.quantity for amount in made):
        return [amount.quantity for amount in made]
    return [1] * len(made)


class Carried(NamedTuple):
    """What was carried along the ways that were reached, by lot.

    ``values``: None where a loop stands in the way. ``generation``: the most steps from a start; of a lot in or behind
    a loop as many as could be counted. ``order``: the lots with a value, each after all it was carried from.
    """

    values: dict[int, Any]
    generation: dict[int, int]
    order: list[int]
    loop: bool


def carry(starts: Mapping[int, Any], ways: Iterable[tuple[int, int, Any]], *, fixed: bool = False) -> Carried:
    """Carry what the starts have along (near, far, share) in one topological pass: floats, or exact fractions.

    Forward, near is the source: the answer is how much of each lot's mass came from the starts. Back, near is the
    target: how much of the mass of the starts came from each lot. Every way must be reached from a start. ``fixed``:
    a start keeps its value whatever else is carried into it, as what is suspect as a whole stays so.
    """
    onward: dict[int, list[tuple[int, Any]]] = {}
    waiting: dict[int, int] = dict.fromkeys(starts, 0)
    for near, far, share in ways:
        if near in onward:
            onward[near].append((far, share))
        else:
            onward[near] = [(far, share)]
        waiting[far] = waiting.get(far, 0) + 1
    values, generation = dict(starts), dict.fromkeys(starts, 0)
    order = [lot for lot in starts if not waiting[lot]]
    for lot in order:  # grows as it goes
        value, next_generation = values[lot], generation[lot] + 1
        for far, share in onward.get(lot, ()):
            if far not in values:
                values[far], generation[far] = value * share, next_generation
            else:
                if not (fixed and far in starts):
                    values[far] += value * share
                if generation[far] < next_generation and far not in starts:
                    generation[far] = next_generation
            waiting[far] -= 1
            if not waiting[far]:
                order.append(far)
    return Carried(*_final(starts, waiting, values, generation, fixed), order, len(order) < len(waiting))


def _final(
    starts: Mapping[int, Any],
    waiting: Mapping[int, int],
    values: dict[int, Any],
    generation: dict[int, int],
    fixed: bool,
) -> tuple[dict[int, Any], dict[int, int]]:
    """Nothing is told of what still waits, in a loop or behind it; but what is suspect as a whole stays so."""
    for lot, left in waiting.items():
        if left:
            values[lot] = values[lot] if fixed and lot in starts else None
            generation.setdefault(lot, 0)
    return values, generation


def connected(
    starts: Iterable[int], ways: Collection[tuple[int, int, Any]], order: Sequence[int]
) -> dict[int, int]:
    """By lot: which of the starts it is connected with, one bit for each; right in a loop too."""
    bits = {lot: 1 << place for place, lot in enumerate(starts)}
    place = {lot: number for number, lot in enumerate(order)}
    sorted_ways = sorted(ways, key=lambda way: place.get(way[0], len(place)))
    grown = True
    while grown:  # once, and once more to see that nothing grows; more often only round a loop
        grown = False
        for near, far, _ in sorted_ways:
            more = bits.get(near, 0)
            if more & ~bits.get(far, 0):
                bits[far] = bits.get(far, 0) | more
                grown = True
    return bits


def grown(starts: Mapping[Any, int], ways: Iterable[tuple[Any, Any]]) -> dict[Any, int]:
    """The same over any ways (near, far), in whatever order they stand."""
    onward: dict[Any, list[Any]] = {}
    for near, far in ways:
        onward.setdefault(near, []).append(far)
    bits, waiting = dict(starts), list(starts)
    while waiting:
        near = waiting.pop()
        for far in onward.get(near, ()):
            if bits[near] & ~bits.get(far, 0):
                bits[far] = bits.get(far, 0) | bits[near]
                waiting.append(far)
    return bits
