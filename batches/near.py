"""Which batches bear on some: by what went into them, and by what stood before them on the same equipment.

Read in one statement however many stand between: from each batch to the lots it used and those that made them, and to those
that stood where it did since the last cleaning of everything, or at the same time. Before such a cleaning nothing needs to
be read, so that what happened in other years costs nothing. A cleaning of some things only leaves the rest: it ends no
reading.

Of what stood there before, only the last is asked for: it leads on to the one before itself. So equipment that is never
cleaned costs as many steps as it had stays, not pairs of them. And lots stand on the way, since many batches use the same.
"""

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection

from batches.cleaning_breaks import standing_among
from batches.edges import among, as_key, as_one, as_time, as_uuid, read, where_refilled
from batches.models import Batch, CleaningBreak, Edge, Lot, Movement, MovementKind, Occupation
from batches.models.batches import HOURS
from ledger.models import Entry

ENTRY, LOT, BATCH, EDGE, STAY, BREAK, MOVED = (
    model._meta.db_table for model in (Entry, Lot, Batch, Edge, Occupation, CleaningBreak, Movement)
)
ALL = "all"
REFILLED = -1
"""Stands where the other rows tell a key."""
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


@dataclass
class Near:
    """``stays``: all of the batches. ``breaks``: what was cleaned before each began, back to the last of everything.

    ``links``: every edge of the batches. ``refilled``: whether the house has places in which lots lie together.
    """

    batches: set[int] = field(default_factory=set)
    stays: list[Stay] = field(default_factory=list)
    breaks: list[Cleaned] = field(default_factory=list)
    links: list[Edged] = field(default_factory=list)
    refilled: bool = False


def near(
    here: UUID,
    lots: Collection[int],
    batches: Collection[int] = (),
    places: Collection[Place] = (),
    known_by: datetime | None = None,
) -> Near:
    """Every batch of a house that bears on lots, on batches, or on what stands on equipment at some times; the batches too.

    ``known_by``: as ``cleaning_breaks.standing_breaks``. One statement for all, and one for each kind of record that
    breaks were written for; all is read anew without a cleaning of everything that does not count.
    """
    fallen: set[int] = set()
    while True:
        found, breaks = _read(here, lots, batches, places, fallen)
        standing = standing_among(((each.kind, each.because) for each in breaks.values()), known_by)
        no_more = {key for key, each in breaks.items() if each.because not in standing}
        if not any(breaks[key].of_everything for key in no_more - fallen):
            counting = (each for key, each in breaks.items() if key not in no_more)
            found.breaks = sorted(counting, key=lambda each: each.at)
            return found
        fallen |= no_more


def _read(
    here: UUID,
    lots: Collection[int],
    batches: Collection[int],
    places: Collection[Place],
    fallen: Collection[int],
) -> tuple[Near, dict[int, Cleaned]]:
    """The breaks by key, those too that do not count, but for what is named ``fallen``."""
    found, breaks = Near(), dict[int, Cleaned]()
    for batch, key, target, share, equipment, since, until, because, kind, scope in _rows(
        here, lots, batches, places, fallen
    ):
        if key == REFILLED:
            found.refilled = True
        elif target is not None:
            found.links.append((key, target, batch, share))
        elif batch is not None:
            found.batches.add(batch)
            if equipment is not None:
                found.stays.append(Stay(batch, as_uuid(equipment), as_time(since), until and as_time(until)))
        elif key not in breaks:
            breaks[key] = Cleaned(
                as_uuid(equipment), as_time(since), json.loads(scope), as_uuid(because), kind
            )
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
) -> list[Any]:
    """Edges, cleaning breaks and stays, in this order, with nothing in the columns of the others.

    And one row with no more than ``REFILLED`` where the house has refilled places.
    """
    times = [connection.ops.adapt_datetimefield_value(place.at) for place in places]
    asked = [
        each for place, at in zip(places, times, strict=True) for each in (as_key(place.equipment), at, at)
    ]
    sql = _sql(connection.vendor, len(places), tuple(sorted(fallen)))
    return read(sql, [*asked, as_one(lots), as_one(batches), as_key(here)])


@lru_cache(maxsize=100)
def _sql(vendor: str, places: int, fallen: tuple[int, ...]) -> str:
    return _Asking(vendor, places, fallen).sql()


@dataclass(frozen=True)
class _Asking:
    """PostgreSQL takes one recursive part, and is made to go row by row (LATERAL, OFFSET 0; see ``edges._walk``); SQLite
    takes several parts, and joins in the order they are written."""

    vendor: str
    places: int
    fallen: Collection[int]

    @property
    def dialect(self) -> _Dialect:
        return _DIALECTS[self.vendor]

    @property
    def laterally(self) -> bool:
        return self.vendor == "postgresql"

    def sql(self) -> str:
        asked = ", ".join([self.dialect.place] * self.places)
        tables = [f"asked(equipment_id, since, until) AS (VALUES {asked})"] if self.places else []
        tables += [f"reach(batch, lot) AS ({self.reach()})", f"stood AS ({self.stood()})"]
        return (
            f"WITH RECURSIVE {', '.join(tables)} {self.links()} UNION ALL {self.breaks()} UNION ALL "
            "SELECT batch, NULL, NULL, NULL, equipment_id, since, until, NULL, NULL, NULL FROM stood "
            f"WHERE batch IS NOT NULL UNION ALL SELECT NULL, {REFILLED}{', NULL' * 8} {where_refilled()}"
        )

    def reach(self) -> str:
        begin = [
            f"SELECT NULL{self.key}, id FROM {LOT} WHERE id {among()}",
            f"SELECT id, NULL{self.key} FROM {BATCH} WHERE id {among()}",
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
        parts = [*self.into(""), *self.beside(f"{STAY} stay", "stay.batch_id = reach.batch")]
        return [
            "SELECT onward.batch, onward.lot FROM reach "
            f"CROSS JOIN LATERAL ({' UNION ALL '.join(parts)} OFFSET 0) onward"
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
        nothing = ", ".join(["NULL"] * 6)
        columns = f"edge.batch_id, edge.source_id, edge.target_id, edge.share, {nothing}"
        if self.laterally:
            one = f"SELECT * FROM {EDGE} edge WHERE edge.batch_id = reach.batch OFFSET 0"
            return f"SELECT {columns} FROM reach CROSS JOIN LATERAL ({one}) edge"
        return f"SELECT {columns} FROM reach CROSS JOIN {EDGE} edge WHERE edge.batch_id = reach.batch"

    def stood(self) -> str:
        """Every stay of what was reached, a batch that stood nowhere too, and what was asked for.

        ``after``: when what was reached stood there last before.
        """
        own = f"{STAY} stay ON stay.batch_id = reach.batch"
        if self.laterally:
            own = (
                f"LATERAL (SELECT * FROM {STAY} stay WHERE stay.batch_id = reach.batch OFFSET 0) stay ON TRUE"
            )
        columns = "equipment_id, since, until"
        sql = f"SELECT batch, {columns} FROM reach LEFT JOIN {own} WHERE batch IS NOT NULL"
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
            "SELECT NULL, cleaned.id, NULL, NULL, cleaned.equipment_id, cleaned.at, cleaned.at, cleaned.because_id, "
            f"(SELECT kind FROM {ENTRY} entry WHERE entry.id = cleaned.because_id), CAST(cleaned.scope AS text) "
            f"FROM stood JOIN {own}"
        )
