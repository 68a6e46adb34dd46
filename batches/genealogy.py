"""How much of what went in is in what came out; pure, no Django.

A batch mixes: every lot used in it is in every lot made by it. What was used of a source is spread over the
outputs in proportion to their mass, in whole base steps, so that the parts add up to exactly what was used.
The share of a source in an output is its mass over the mass of everything used: losses (water boiled off,
trim) are taken to fall on all inputs alike, so the shares of an output's sources add up to 1.

Mass is milligrams; a counted material has it by the mass of a piece. A source without a known mass, or one
that is packaging, has share 0: a share says nothing about it, reach alone does. If the mass of an output is
not known, the outputs are weighed by pieces where all are counted, else alike.
"""

from collections import defaultdict, deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from batches.quantities import scale


@dataclass(frozen=True)
class Amount:
    """Of one lot used or made: base steps, and milligrams where they are known (0 for packaging)."""

    lot: int
    quantity: int
    mass: int | None


class Link(NamedTuple):
    """``quantity`` base steps of ``source`` went into ``target``, whose mass is to ``share`` from it."""

    source: int
    target: int
    quantity: int
    share: float


def links(used: Sequence[Amount], made: Sequence[Amount]) -> list[Link]:
    """Every used lot in every made lot of one batch; empty while nothing was made or used."""
    weights = _weights(made)
    total = sum(amount.mass or 0 for amount in used)
    found = []
    for source in used:
        share = (source.mass or 0) / total if total else 0.0
        parts = scale(weights, source.quantity, sum(weights)) if made else []
        found += [Link(source.lot, to.lot, part, share) for to, part in zip(made, parts, strict=True)]
    return found


def _weights(made: Sequence[Amount]) -> list[int]:
    masses = [amount.mass for amount in made if amount.mass]
    if len(masses) == len(made):
        return masses
    if all(amount.mass is None for amount in made) and all(amount.quantity for amount in made):
        return [amount.quantity for amount in made]
    return [1] * len(made)


class Shares(NamedTuple):
    """Each lot's share by lot; None where it cannot be computed because a loop stands in the way."""

    by_lot: dict[int, float | None]
    loop: bool


def shares(start: int, links: Iterable[tuple[int, int, float]]) -> Shares:
    """Carry the share of ``start`` (1) along (near, far, share) in one topological pass.

    Forward, near is the source: the answer is how much of each lot's mass came from ``start``. Back, near is
    the target: how much of the mass of ``start`` came from each lot. Every link must be reached from it.
    """
    onward: dict[int, list[tuple[int, float]]] = defaultdict(list)
    waiting: dict[int, int] = defaultdict(int)
    for near, far, share in links:
        onward[near].append((far, share))
        waiting[far] += 1
    found: dict[int, float] = defaultdict(float, {start: 1.0})
    ready, done = deque([start] if not waiting[start] else []), 0
    final: dict[int, float | None] = dict.fromkeys(waiting)
    while ready:
        lot = ready.popleft()
        final[lot], done = found[lot], done + 1
        for far, share in onward[lot]:
            found[far] += found[lot] * share
            waiting[far] -= 1
            if not waiting[far]:
                ready.append(far)
    return Shares(final, loop=done < len(final))
