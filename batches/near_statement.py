"""The statement by which ``batches.near`` finds the batches that bear on some, as each of the two databases takes it.

Of what stood somewhere before, only the last is asked for: it leads on to the one before itself. So equipment that is never
cleaned costs as many steps as it had stays, not pairs of them. And edges name the batch that made what was used, so that no
lot is asked for on the way.
"""

from collections.abc import Collection
from dataclasses import dataclass
from functools import lru_cache

from batches.edges import among_few, where_refilled
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


@lru_cache(maxsize=100)
def sql(vendor: str, places: int, fallen: tuple[int, ...], kinds: tuple[str, ...]) -> str:
    """``places``: how many are asked for; ``fallen``: breaks that count as none; ``kinds``: of records that are asked whether
    they stand. Parameters: of each place equipment and twice the time, lots and batches as one each, the house."""
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
            f"reach(batch) AS ({self.reach()})",
            f"stood AS ({self.stood()})",
            f"known AS ({self.known()})",
        ]
        parts = [self.links(), self.breaks(), self.stays(), self.named(), self.lines()]
        refilled = f"SELECT {REFILLED}{', NULL' * 10} {where_refilled()}"
        return f"WITH RECURSIVE {', '.join(tables)} {' UNION ALL '.join([*parts, refilled])}"

    def reach(self) -> str:
        begin = [
            f"SELECT batch_id FROM {LOT} WHERE id {among_few()} AND batch_id IS NOT NULL",
            f"SELECT id FROM {BATCH} WHERE id {among_few()}",
        ]
        if self.places:
            begin += self.beside("asked stay", "TRUE")
        return " UNION ".join([*begin, *self.onward()])

    def onward(self) -> list[str]:
        if not self.laterally:
            own = f"reach CROSS JOIN {STAY} stay"
            return [*self.into("reach CROSS JOIN "), *self.beside(own, "stay.batch_id = reach.batch")]
        # The last line leaves out what is none; and as PostgreSQL guesses that few are equal, it makes no table for
        # hundreds of thousands of rows to find those again that it had, which took longer than the walk.
        parts = [*self.into(""), *self.beside(f"{STAY} stay", "stay.batch_id = reach.batch")]
        return [
            f"SELECT onward.batch FROM reach CROSS JOIN LATERAL ({' UNION ALL '.join(parts)} OFFSET 0) onward "
            "WHERE onward.batch = COALESCE(onward.batch, NULL)"
        ]

    def into(self, reach: str) -> list[str]:
        """The batches that made what one used, by its edges, or by its movements where it made nothing."""
        without = f"SELECT reach.batch WHERE NOT EXISTS (SELECT 1 FROM {EDGE} edge WHERE edge.batch_id = reach.batch)"
        made_by = f"(SELECT lot.batch_id FROM {LOT} lot WHERE lot.id = moved.lot_id)"
        return [
            f"SELECT edge.maker_id AS batch FROM {reach}{EDGE} edge "
            "WHERE edge.batch_id = reach.batch AND edge.maker_id IS NOT NULL",
            f"SELECT {made_by} FROM {reach}{MOVED} moved "
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
            first = [f"SELECT beside.batch_id FROM {stays} CROSS JOIN {came[5:]} AND {which}"]
            before = [self.last_before(hours, clean) for hours in (*HOURS, 0)]
            return first + [f"SELECT ({each}) FROM {stays} WHERE {which}" for each in before]
        before = [f"SELECT ({self.last_before(hours, 'clean.at')})" for hours in (*HOURS, 0)]
        each = " UNION ALL ".join([f"SELECT beside.batch_id AS batch {came}", *before])
        return [
            f"SELECT beside.batch FROM {stays} CROSS JOIN LATERAL (SELECT {clean} AS at OFFSET 0) clean "
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
            f"NULL::text, NULL::text FROM reach CROSS JOIN LATERAL ({one}) edge"
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
        lately = self.dialect.earlier.format(at="stood.since", hours=HOURS[0])
        found = (
            f"cleaned.equipment_id = stood.equipment_id AND cleaned.at <= stood.since AND cleaned.at >= COALESCE("
            f"CASE WHEN stood.after > {lately} THEN stood.after ELSE {self.clean('stood')} END, {self.dialect.never}) "
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
