"""Which batches bear on some: by what went into them, and by what stood before them on the same equipment.

Read in one statement however many stand between: from each batch to the lots it used and those that made them, and to those
that stood where it did since the last cleaning of everything, or at the same time. Before such a cleaning nothing needs to
be read, so that what happened in other years costs nothing. A cleaning of some things only leaves the rest: it ends no
reading.

The statement itself is in ``batches.near_statement``.
"""

import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection

from batches import near_statement
from batches.cleaning_breaks import standing_among
from batches.edges import as_key, as_one, as_time, as_uuid, read
from batches.near_statement import ALL, CLEANED, FED, LINE, NAMED, REFILLED, STOOD

Edged = tuple[int, int, int, float]
"""An edge: source, target, batch, share."""


class Stay(NamedTuple):
    """A batch on equipment; ``until`` None: it is there still."""

    batch: int
    equipment: UUID
    since: datetime
    until: datetime | None


class Place(NamedTuple):
    """Equipment, and a time at which it is asked what stands there."""

    equipment: UUID
    at: datetime


class Cleaned(NamedTuple):
    """A cleaning break of equipment. ``because``: the record it was written for, and of which kind that is."""

    equipment: UUID
    at: datetime
    scope: Mapping[str, Any]
    because: UUID
    kind: str

    @property
    def of_everything(self) -> bool:
        return self.scope.get("allergens") == ALL


class Fed(NamedTuple):
    """A lot that a batch made, what went into it, and of each its share."""

    target: int
    batch: int
    sources: Sequence[int]
    shares: Sequence[float]


def fed_by(edges: Iterable[Edged]) -> list[Fed]:
    """Edges, together by what they lead into."""
    found: defaultdict[tuple[int, int], tuple[list[int], list[float]]] = defaultdict(lambda: ([], []))
    for source, target, batch, share in edges:
        sources, shares = found[target, batch]
        sources.append(source)
        shares.append(share)
    return [Fed(*key, *each) for key, each in found.items()]


class NamedBatch(NamedTuple):
    uid: UUID
    code: str
    version: UUID


Lines = defaultdict[UUID, list[tuple[int, UUID]]]
"""By recipe version: position and material of every line."""


@dataclass
class Near:
    """``stays``: all of the batches. ``breaks``: what was cleaned before each began, back to the last of everything.

    ``fed``: every edge of the batches. ``lines``: of their recipes. ``refilled``: whether the house has places in which
    lots lie together.
    """

    batches: dict[int, NamedBatch] = field(default_factory=dict)
    stays: list[Stay] = field(default_factory=list)
    breaks: list[Cleaned] = field(default_factory=list)
    fed: list[Fed] = field(default_factory=list)
    lines: Lines = field(default_factory=lambda: defaultdict(list))
    refilled: bool = False


def near(
    here: UUID,
    lots: Collection[int],
    batches: Collection[int] = (),
    places: Collection[Place] = (),
    known_by: datetime | None = None,
) -> Near:
    """Every batch of a house that bears on lots, on batches, or on what stands on equipment at some times; the batches too.

    ``known_by``: as ``cleaning_breaks.standing_breaks``. One statement for all, and one more for a kind of record that no
    break was met of before; all is read anew without a cleaning of everything that does not count.
    """
    fallen: set[int] = set()
    while True:
        kinds = frozenset(_kinds_met)  # as they are now: others may meet more meanwhile
        found, breaks = _read(here, lots, batches, places, fallen, kinds)
        no_more = breaks.keys() - _standing(breaks, kinds, known_by)
        if not any(breaks[key].cleaned.of_everything for key in no_more - fallen):
            counting = (each.cleaned for key, each in breaks.items() if key not in no_more)
            found.breaks = sorted(counting, key=lambda each: each.at)
            return found
        fallen |= no_more


class _Told(NamedTuple):
    """A cleaning break, and from when the record it was written for stands; None: not, or its kind was not asked for."""

    cleaned: Cleaned
    stands: datetime | None


_kinds_met: set[str] = set()
"""Of which kinds the records are that breaks were written for: the walk asks of these whether they stand. Which kind a
record is of never changes; a kind that comes anew is asked by itself."""


def _standing(breaks: Mapping[int, _Told], kinds: Collection[str], known_by: datetime | None) -> set[int]:
    """Which breaks count. ``kinds``: of which the walk has told whether they stand."""
    told = {
        key
        for key, (_, stands) in breaks.items()
        if stands is not None and (known_by is None or stands <= known_by)
    }
    new = {key: each for key, (each, _) in breaks.items() if each.kind not in kinds}
    if new:
        standing = standing_among(((each.kind, each.because) for each in new.values()), known_by)
        told |= {key for key, each in new.items() if each.because in standing}
        _kinds_met.update(each.kind for each in new.values())
    return told


def _read(
    here: UUID,
    lots: Collection[int],
    batches: Collection[int],
    places: Collection[Place],
    fallen: Collection[int],
    kinds: Collection[str],
) -> tuple[Near, dict[int, _Told]]:
    """The breaks by key, those too that do not count, but for what is named ``fallen``."""
    found, breaks, edges = Near(), dict[int, _Told](), list[Edged]()
    for what, batch, key, source, share, one, other, since, until, word, scope in _rows(
        here, lots, batches, places, fallen, kinds
    ):
        if what == FED:
            if isinstance(source, int):
                edges.append((source, key, batch, share))
            else:
                found.fed.append(Fed(key, batch, source, share))
        elif what == STOOD:
            found.stays.append(Stay(batch, as_uuid(one), as_time(since), until and as_time(until)))
        elif what == NAMED:
            found.batches[batch] = NamedBatch(as_uuid(one), word, as_uuid(other))
        elif what == CLEANED and key not in breaks:
            cleaned = Cleaned(as_uuid(one), as_time(since), _scope(scope), as_uuid(other), word)
            breaks[key] = _Told(cleaned, until and as_time(until))
        elif what == LINE:
            found.lines[as_uuid(one)].append((key, as_uuid(other)))
        elif what == REFILLED:
            found.refilled = True
    found.fed += fed_by(edges)
    return found, breaks


@lru_cache(maxsize=1000)
def _scope(text: str) -> Mapping[str, Any]:
    """Many cleanings are of the same; whoever reads one changes nothing in it."""
    return json.loads(text)  # type: ignore[no-any-return]


def _rows(
    here: UUID,
    lots: Collection[int],
    batches: Collection[int],
    places: Collection[Place],
    fallen: Collection[int],
    kinds: Collection[str],
) -> list[Any]:
    """Edges, cleaning breaks, stays, batches and lines of recipes, each with nothing in the columns of the others.

    And one row more where the house has refilled places.
    """
    times = [connection.ops.adapt_datetimefield_value(place.at) for place in places]
    asked = [
        each for place, at in zip(places, times, strict=True) for each in (as_key(place.equipment), at, at)
    ]
    sql = near_statement.sql(connection.vendor, len(places), tuple(sorted(fallen)), tuple(sorted(kinds)))
    return read(sql, [*asked, as_one(lots), as_one(batches), as_key(here)])
