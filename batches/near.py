"""Which batches bear on some: by what went into them, and by what stood before them on the same equipment.

Read in one statement however many stand between: from each batch to the lots it used and those that made them, and to those
that stood where it did since the last cleaning of everything, or at the same time. Before such a cleaning nothing needs to
be read, so that what happened in other years costs nothing. A cleaning of some things only leaves the rest: it ends no
reading.

Of what stood there before, only the last is asked for: it leads on to the one before itself. So equipment that is never
cleaned costs as many steps as it had stays, not pairs of them. And lots stand on the way, since many batches use the same.
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

from batches.cleaning_breaks import standing_among
from batches.edges import among_few, as_key, as_one, as_time, as_uuid, read, where_refilled
from batches.models import Batch, CleaningBreak, Edge, Lot, Movement, MovementKind, Occupation, RecipeLine
from batches.models.batches import HOURS
from ledger.models import Entry, record_class

ENTRY, LOT, BATCH, EDGE, STAY, BREAK, MOVED, LINES = (
    model._meta.db_table
    for model in (Entry, Lot, Batch, Edge, Occupation, CleaningBreak, Movement, RecipeLine)
)
ALL = "all"
FED, CLEANED, STOOD, NAMED, LINE, REFILLED = range(6)
"""What a row of the statement tells."""
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
            cleaned = Cleaned(as_uuid(one), as_time(since), json.loads(scope), as_uuid(other), word)
            breaks[key] = _Told(cleaned, until and as_time(until))
        elif what == LINE:
            found.lines[as_uuid(one)].append((key, as_uuid(other)))
        elif what == REFILLED:
            found.refilled = True
    found.fed += fed_by(edges)
    return found, breaks


# -- the statement ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Dialect:
    """What the two databases write differently. ``whole``: that everything was cleaned by a break."""

    never: str
    ever: str
    place: str
    whole: str
    earlier: str


_DIALECTS = {
    "postgresql": _Dialect(
        never="'-infinity'::timestamptz",
        ever="'infinity'::timestamptz",
        place="(%s::uuid, %s::timestamptz, %s::timestamptz)",
        whole=f"(cleaned.scope -> 'allergens') = '\"{ALL}\"'::jsonb",
        earlier="{at} - interval '{hours} hours'",
    ),
    "sqlite": _Dialect(
        never="''",
        ever="'9999-12-31'",  # a bare year would be taken for a number, and any time is more than a number
        place="(%s, %s, %s)",
        whole=f"JSON_EXTRACT(cleaned.scope, '$.\"allergens\"') = '{ALL}'",
        earlier="COALESCE(datetime({at}, '-{hours} hours'), '')",
    ),
}


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
    sql = _sql(connection.vendor, len(places), tuple(sorted(fallen)), tuple(sorted(kinds)))
    return read(sql, [*asked, as_one(lots), as_one(batches), as_key(here)])


@lru_cache(maxsize=100)
def _sql(vendor: str, places: int, fallen: tuple[int, ...], kinds: tuple[str, ...]) -> str:
    return _Asking(vendor, places, fallen, kinds).sql()


@dataclass(frozen=True)
class _Asking:
    """PostgreSQL takes one recursive part, and is made to go row by row (LATERAL, OFFSET 0; see ``edges._walk``); SQLite
    takes several parts, and joins in the order they are written."""

    vendor: str
    places: int
    fallen: Collection[int]
    kinds: Collection[str]

    @property
    def dialect(self) -> _Dialect:
        return _DIALECTS[self.vendor]

    @property
    def laterally(self) -> bool:
        return self.vendor == "postgresql"

    def sql(self) -> str:
        asked = ", ".join([self.dialect.place] * self.places)
        tables = [f"asked(equipment_id, since, until) AS (VALUES {asked})"] if self.places else []
        tables += [
            f"reach(batch, lot) AS ({self.reach()})",
            f"stood AS ({self.stood()})",
            f"known AS ({self.known()})",
        ]
        parts = [self.links(), self.breaks(), self.stays(), self.named(), self.lines()]
        refilled = f"SELECT {REFILLED}{', NULL' * 10} {where_refilled()}"
        return f"WITH RECURSIVE {', '.join(tables)} {' UNION ALL '.join([*parts, refilled])}"

    def reach(self) -> str:
        begin = [
            f"SELECT NULL{self.key}, id FROM {LOT} WHERE id {among_few()}",
            f"SELECT id, NULL{self.key} FROM {BATCH} WHERE id {among_few()}",
        ]
        if self.places:
            begin += self.beside("asked stay", "TRUE")
        return " UNION ".join([*begin, *self.onward()])

    @property
    def key(self) -> str:
        return "::bigint" if self.laterally else ""

    def onward(self) -> list[str]:
        if not self.laterally:
            own = f"reach CROSS JOIN {STAY} stay"
            return [*self.into("reach CROSS JOIN "), *self.beside(own, "stay.batch_id = reach.batch")]
        # The last line leaves out what is neither; and as PostgreSQL guesses that few are equal, it makes no table for
        # hundreds of thousands of rows to find those again that it had, which took longer than the walk.
        parts = [*self.into(""), *self.beside(f"{STAY} stay", "stay.batch_id = reach.batch")]
        return [
            "SELECT onward.batch, onward.lot FROM reach "
            f"CROSS JOIN LATERAL ({' UNION ALL '.join(parts)} OFFSET 0) onward "
            "WHERE COALESCE(onward.batch, onward.lot) = COALESCE(onward.lot, onward.batch)"
        ]

    def into(self, reach: str) -> list[str]:
        """The batch that made a lot; the lots that one used, by its edges, or by its movements where it made nothing."""
        without = f"SELECT reach.batch WHERE NOT EXISTS (SELECT 1 FROM {EDGE} edge WHERE edge.batch_id = reach.batch)"
        return [
            f"SELECT lot.batch_id AS batch, NULL{self.key} AS lot FROM {reach}{LOT} lot "
            "WHERE lot.id = reach.lot AND lot.batch_id IS NOT NULL",
            f"SELECT NULL, edge.source_id FROM {reach}{EDGE} edge WHERE edge.batch_id = reach.batch",
            f"SELECT NULL, moved.lot_id FROM {reach}{MOVED} moved "
            f"WHERE moved.batch_id = ({without}) AND moved.what = '{MovementKind.USED}' AND NOT moved.withdrawn "
            f"AND NOT EXISTS (SELECT 1 FROM {MOVED} later WHERE later.corrects_id = moved.id)",
        ]

    def beside(self, stays: str, which: str) -> list[str]:
        """Batches that came while a stay lasted, and the last before it that could have left something to it.

        By how long they stood there, so that an index finds them.
        """
        clean = f"COALESCE({self.clean('stay')}, {self.dialect.never})"
        came = (
            f"FROM {STAY} beside WHERE beside.equipment_id = stay.equipment_id AND beside.since >= stay.since "
            f"AND beside.since <= COALESCE(stay.until, {self.dialect.ever})"
        )
        if not self.laterally:
            first = [f"SELECT beside.batch_id, NULL FROM {stays} CROSS JOIN {came[5:]} AND {which}"]
            before = [self.last_before(hours, clean) for hours in (*HOURS, 0)]
            return first + [f"SELECT ({each}), NULL FROM {stays} WHERE {which}" for each in before]
        before = [f"SELECT ({self.last_before(hours, 'clean.at')})" for hours in (*HOURS, 0)]
        each = " UNION ALL ".join([f"SELECT beside.batch_id AS batch {came}", *before])
        return [
            f"SELECT beside.batch, NULL::bigint FROM {stays} CROSS JOIN LATERAL (SELECT {clean} AS at OFFSET 0) clean "
            f"CROSS JOIN LATERAL ({each} OFFSET 0) beside WHERE {which}"
        ]

    def last_before(self, hours: int, clean: str) -> str:
        begins = f"AND beside.since > {self.dialect.earlier.format(at=clean, hours=hours)} " if hours else ""
        return (
            f"SELECT beside.batch_id FROM {STAY} beside WHERE beside.equipment_id = stay.equipment_id "
            f"AND beside.within_hours = {hours} {begins}AND beside.since < stay.since "
            f"AND (beside.until IS NULL OR beside.until > {clean}) ORDER BY beside.since DESC LIMIT 1"
        )

    def clean(self, stay: str) -> str:
        """When everything was cleaned last before a stay began."""
        but = f"AND cleaned.id NOT IN ({', '.join(map(str, self.fallen))}) " if self.fallen else ""
        return (
            f"(SELECT cleaned.at FROM {BREAK} cleaned WHERE cleaned.equipment_id = {stay}.equipment_id "
            f"AND cleaned.at <= {stay}.since AND {self.dialect.whole} {but}ORDER BY cleaned.at DESC LIMIT 1)"
        )

    def links(self) -> str:
        """On PostgreSQL together by the lots they lead into: so many rows less to be sent and taken apart."""
        columns = "edge.target_id, edge.source_id, edge.share"
        if not self.laterally:
            columns += ", NULL" * 6
            of_batch = f"{EDGE} edge WHERE edge.batch_id = reach.batch"
            return f"SELECT {FED}, edge.batch_id, {columns} FROM reach CROSS JOIN {of_batch}"
        one = (
            "SELECT target_id, array_agg(source_id) AS source_id, array_agg(share) AS share "
            f"FROM {EDGE} edge WHERE edge.batch_id = reach.batch GROUP BY target_id OFFSET 0"
        )
        return (
            f"SELECT {FED}, reach.batch, {columns}, NULL::uuid, NULL::uuid, NULL::timestamptz, NULL::timestamptz, "
            f"NULL::text, NULL::text FROM reach CROSS JOIN LATERAL ({one}) edge "
            "WHERE reach.batch IS NOT NULL"
        )

    def stays(self) -> str:
        nothing = ", ".join(["NULL"] * 3)
        return (
            f"SELECT {STOOD}, batch, {nothing}, equipment_id, NULL, since, until, NULL, NULL FROM stood "
            "WHERE batch IS NOT NULL"
        )

    def known(self) -> str:
        one = f"{BATCH} batch WHERE batch.id = reach.batch"
        if self.laterally:
            one = f"LATERAL (SELECT * FROM {one} OFFSET 0) batch"
        return f"SELECT batch.id, uid, code, recipe_version_id FROM reach CROSS JOIN {one}"

    def named(self) -> str:
        return f"SELECT {NAMED}, id{', NULL' * 3}, uid, recipe_version_id, NULL, NULL, code, NULL FROM known"

    def lines(self) -> str:
        one = f"{LINES} line WHERE line.version_id = approved.recipe_version_id"
        if self.laterally:
            one = f"LATERAL (SELECT * FROM {one} OFFSET 0) line"
        return (
            f"SELECT {LINE}, NULL, line.position, NULL, NULL, line.version_id, line.material_id{', NULL' * 4} "
            f"FROM (SELECT DISTINCT recipe_version_id FROM known) approved CROSS JOIN {one}"
        )

    def stood(self) -> str:
        """Every stay of what was reached, and what was asked for. ``after``: when what was reached stood there last before."""
        own = f"{STAY} stay WHERE stay.batch_id = reach.batch"
        if self.laterally:
            own = f"LATERAL (SELECT * FROM {own} OFFSET 0) stay"
        columns = "equipment_id, since, until"
        sql = f"SELECT reach.batch, {columns} FROM reach CROSS JOIN {own}"
        if self.places:
            sql += f" UNION ALL SELECT NULL, {columns} FROM asked"
        return f"SELECT *, LAG(since) OVER (PARTITION BY equipment_id ORDER BY since) AS after FROM ({sql}) stood"

    def breaks(self) -> str:
        """What was cleaned from the last cleaning of everything until a stay began; not again what an earlier stay told."""
        found = (
            f"cleaned.equipment_id = stood.equipment_id AND cleaned.at <= stood.since "
            f"AND cleaned.at >= COALESCE({self.clean('stood')}, {self.dialect.never}) "
            f"AND cleaned.at >= COALESCE(stood.after, {self.dialect.never})"
        )
        own = f"{BREAK} cleaned ON {found}"
        if self.laterally:
            own = f"LATERAL (SELECT * FROM {BREAK} cleaned WHERE {found} OFFSET 0) cleaned ON TRUE"
        return (
            f"SELECT {CLEANED}, NULL, cleaned.id, NULL, NULL, cleaned.equipment_id, cleaned.because_id, cleaned.at, "
            f"{self.stands()}, {self.kind_of()}, CAST(cleaned.scope AS text) FROM stood JOIN {own}"
        )

    def kind_of(self) -> str:
        return f"(SELECT kind FROM {ENTRY} entry WHERE entry.id = cleaned.because_id)"

    def stands(self) -> str:
        """When the record was made that a break was written for, if it stands and is of a kind that is asked for."""
        told = ", ".join(
            f"(SELECT performed_at FROM {table} made WHERE made.id = cleaned.because_id AND NOT made.withdrawn "
            f"AND NOT EXISTS (SELECT 1 FROM {table} later WHERE later.corrects_id = made.id))"
            for table in (record_class(kind)._meta.db_table for kind in self.kinds)
        )
        return f"COALESCE({told}, NULL)" if told else "NULL"
