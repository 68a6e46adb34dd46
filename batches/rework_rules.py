"""What a recipe allows of rework, and what one use of it or a whole batch makes of that. Pure, no Django.

Like goes into like: rework of the materials, and of what the recipes make, that the recipe names; never from the floor,
from returns or of held lots. All bounds are included. Age is counted in days from the day the rework lot was made.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from batches.flags import Flag

WHOLE = 1000  # per mille
MOST_DAYS = 3650
MOST_GENERATIONS = 20
MOST_SOURCES = 50


@dataclass(frozen=True)
class Rules:
    """``materials`` and ``recipes``: codes or ids as the document names them. ``permille``: largest share of rework in
    the mass of the batch. ``days``: greatest age. ``generations``: 1 lets in rework of what had none in it."""

    materials: tuple[str, ...]
    recipes: tuple[str, ...]
    permille: int
    days: int
    generations: int


@dataclass(frozen=True)
class Use:
    """One use of a rework lot: whether its source is named, its age in days, how often it was reworked, and where it
    came from as was said when it was made."""

    from_allowed: bool
    days: int
    generation: int
    came_from: str
    origin_known: bool


NEVER = {"floor": Flag.REWORK_FROM_FLOOR, "returns": Flag.REWORK_FROM_RETURNS}


def broken(rules: Rules | None, use: Use) -> list[Flag]:
    """What a use breaks, the share left out. Without rules no rework is allowed."""
    found = [NEVER[use.came_from]] if use.came_from in NEVER else []
    found += [] if use.origin_known else [Flag.REWORK_ORIGIN_UNKNOWN]
    if rules is None:
        return [*found, Flag.REWORK_NOT_FORESEEN]
    found += [] if use.from_allowed else [Flag.REWORK_SOURCE]
    found += [Flag.REWORK_TOO_OLD] if use.days > rules.days else []
    return found + ([Flag.REWORK_GENERATIONS] if use.generation > rules.generations else [])


@dataclass(frozen=True)
class Share:
    """Milligrams of all rework in a batch and of the batch. ``unknown``: some rework without a known mass."""

    rework: int
    batch: int
    unknown: bool

    @property
    def permille(self) -> int | None:
        """Rounded up, so that what is above a bound never looks like it; None where it cannot be computed."""
        if self.unknown or (self.rework and not self.batch):
            return None
        return -(-self.rework * WHOLE // self.batch) if self.rework else 0

    def breaks(self, rules: Rules) -> Flag | None:
        if self.permille is None:
            return Flag.REWORK_SHARE_UNKNOWN
        return Flag.REWORK_SHARE if self.rework * WHOLE > rules.permille * self.batch else None


def generation(start: int, links: Iterable[tuple[int, int]], reworks: Collection[int]) -> int:
    """How many rework lots follow each other on the longest way back from ``start``, itself counted.

    ``links``: (source, target) of every edge back from it. Where a forged edge makes a loop every rework lot counts.
    """
    sources: dict[int, set[int]] = defaultdict(set)
    waiting: dict[int, int] = defaultdict(int)
    for source, target in set(links):
        sources[target].add(source)
        waiting[source] += 1
    deep: dict[int, int] = {start: start in reworks}
    ready, done = [start] if not waiting[start] else [], 0
    while ready:
        lot = ready.pop()
        done += 1
        for source in sources[lot]:
            deep[source] = max(deep.get(source, 0), deep[lot] + (source in reworks))
            waiting[source] -= 1
            if not waiting[source]:
                ready.append(source)
    looped = done < len(waiting)
    return len(set(reworks)) if looped else max(deep.values())
