"""Tracing: from lots back to what they came from, forward to what they went into and who got it, or both.

Three statements whatever the size of the house: one walks the edges, one fetches what is known of the lots that were
reached, one the movements between them and partners. All grow with the answer. What is answered is in
``batches.trace_results``, what can be asked in ``batches.trace_questions``.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta, timezone
from fractions import Fraction
from functools import cache, cached_property
from typing import Any
from uuid import UUID

from django.db import connection

from batches.carry_over import CarriedOver, carried_over
from batches.edges import among, as_one, next_ways, read, walked
from batches.genealogy import Carried, carry, connected
from batches.models import Batch, BatchState, Edge, Lot, LotState, Material, Movement, TradingPartner
from batches.trace_questions import FromLots, StartLot, TraceQuestion
from batches.trace_results import (
    Consignment,
    Direction,
    InProcess,
    Side,
    Size,
    Step,
    Trace,
    TracedBatch,
    TracedLot,
    Unfollowed,
)
from config.api.refusals import Unusable
from ledger.models import Establishment

MOST_EXACT_STEPS = (
    2000  # fractions of longer chains have numbers of thousands of digits (site setting, no source)
)
MOST_EXACT_BITS = 14_000
"""Of each number of a fraction, 4,215 digits: Python writes none of more than 4,300 as text (its documentation of int)."""
BACK_KINDS, FORWARD_KINDS = frozenset({"received", "sent-back"}), frozenset({"shipped", "returned"})
KINDS = {
    Side.START: BACK_KINDS | FORWARD_KINDS,
    Side.BETWEEN: BACK_KINDS | FORWARD_KINDS,
    Side.BACK: BACK_KINDS,
    Side.FORWARD: FORWARD_KINDS,
    Side.CONTACT: FORWARD_KINDS,
}
KNOWN = TracedLot._fields.index("side")
"""So many fields of a lot come from the database; the rest is computed."""


def back(lot: Lot) -> Trace:
    """Everything a lot came from, with the suppliers it was received from."""
    return _of_one(lot, Direction.BACK)


def forward(lot: Lot) -> Trace:
    """Everything a lot went into, with the customers it was shipped to."""
    return _of_one(lot, Direction.FORWARD)


def whole(lot: Lot) -> Trace:
    """Everything a lot came from and everything it went into."""
    return _of_one(lot, Direction.WHOLE)


def _of_one(lot: Lot, direction: Direction) -> Trace:
    question = TraceQuestion(FromLots((lot.uid,)), direction)
    return Followed(question, [StartLot(lot.pk, lot.uid, None)]).shown()


def trace(
    here: Establishment, question: TraceQuestion, *, after: int | None = None, limit: int | None = None
) -> Trace:
    """Answer a question. ``after``, ``limit``: only so many lots from a key on (``Trace.following``).

    Raises Unknown, Unusable, RuleBroken where the lots to begin with cannot be found.
    """
    return Followed(question, question.start.lots(here)).shown(after, limit)


class Followed:
    """What was reached, by keys, before anything more is known of it."""

    def __init__(self, question: TraceQuestion, starts: Sequence[StartLot]):
        self.question, self.starts = question, starts
        self.start_keys = frozenset(each.key for each in starts)
        ones, parts = dict.fromkeys(self.start_keys, 1.0), self._weights()
        least, way = question.least_share, question.direction
        if least is None:
            both = walked(self.start_keys, back=way != Direction.FORWARD, forward=way != Direction.BACK)
            self.inward, self.onward = both
        else:
            self.inward = [] if way == Direction.FORWARD else bounded(parts, least, back=True)
            self.onward = [] if way == Direction.BACK else bounded(ones, least, back=False)
        self.shares = carry(ones, _forward(self.onward), fixed=True)
        self.parts = carry({key: float(part) for key, part in parts.items()}, _back(self.inward))
        self.beyond = CarriedOver()
        if question.hazard is not None:
            self.beyond = carried_over(question.hazard, self.shares.values, self.onward)

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
        return sorted({*self.shares.values, *self.parts.values, *self.beyond.lots})

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
        ahead = connected(keys, list(_forward(self.onward)), self.shares.order)
        behind = connected(keys, list(_back(self.inward)), self.parts.order)
        return {key: ahead.get(key, 0) | behind.get(key, 0) for key in self.keys}

    # -- shown -----------------------------------------------------------------------------------------

    def shown(self, after: int | None = None, limit: int | None = None) -> Trace:
        """All of it, or ``limit`` lots with keys above ``after``."""
        keys = self.keys if after is None else [key for key in self.keys if key > after]
        page = keys if limit is None else keys[:limit]
        steps = list(self._steps(None if len(page) == len(self.keys) else set(page)))
        wanted = {*page, *(key for step in steps for key in step[:2])} if len(page) < len(self.keys) else page
        rows = _known_of(wanted)
        lots = tuple(self._lot(rows[key]) for key in page)
        moved, in_process = _moved(lots, self._in_batches_without_output(lots))
        return Trace(
            direction=self.question.direction,
            starts=tuple(each.uid for each in self.starts),
            lots=lots,
            steps=self._told_steps(steps, rows),
            batches=_batches(rows[key] for key in page),
            consignments=moved,
            in_process=in_process,
            contacts=tuple(self.beyond.contacts),
            size=self.size,
            loop=self.shares.loop or self.parts.loop,
            in_loop=sum(1 for key in self.keys if self._in_loop(key)),
            unfollowed=self.unfollowed,
            following=page[-1] if len(page) < len(keys) else None,
        )

    @cached_property
    def size(self) -> Size:
        deepest = max((*self.shares.generation.values(), *self.parts.generation.values()), default=0)
        return Size(len(self.keys), sum(1 for _ in self._steps(None)), deepest)

    def _steps(self, page: set[int] | None) -> Iterator[Any]:
        """Each step once, with its lot that lies further from the start: the target forward, the source back."""
        if self.onward and self.inward:
            walked_forward = {way[:3] for way in self.onward}
            inward: Any = (way for way in self.inward if way[:3] not in walked_forward)
        else:
            inward = self.inward
        if page is None:
            yield from self.onward
            yield from inward
            yield from self.beyond.links
            return
        yield from (way for way in self.onward if way[1] in page)
        yield from (way for way in self.beyond.links if way[1] in page)
        yield from (way for way in inward if way[0] in page)

    def _told_steps(self, steps: Sequence[Any], rows: Mapping[int, Any]) -> tuple[Step, ...]:
        exact = _exact_share if self.question.exact else (lambda _: None)
        found = []
        for way in steps:
            source, target, _, quantity, used, share, *_ = way
            at, to = rows[source], rows[target]
            found.append(Step(at[UID], to[UID], to[BATCH], at[DIMENSION], quantity, used, share, exact(way)))
        return tuple(found)

    def _in_loop(self, key: int) -> bool:
        return self.shares.values.get(key, 0) is None or self.parts.values.get(key, 0) is None

    def _lot(self, row: tuple[Any, ...]) -> TracedLot:
        key = row[0]
        (shares, parts), (exact_shares, exact_parts) = self._told, self.exact
        generation = max(self.shares.generation.get(key, 0), self.parts.generation.get(key, 0))
        computed = (
            self._side(key),
            generation,
            shares.get(key),
            parts.get(key),
            exact_shares.get(key),
            exact_parts.get(key),
            self.bits[key].bit_count() if self.bits else int(key not in self.beyond.lots),
            self.beyond.lots.get(key),
        )
        return TracedLot._make(row[:KNOWN] + computed)

    @cached_property
    def _told(self) -> tuple[Mapping[int, Any], Mapping[int, Any]]:
        return self._along(self.shares.values, self.parts.values)

    def _along(
        self, shares: Mapping[int, Any], parts: Mapping[int, Any]
    ) -> tuple[Mapping[int, Any], Mapping[int, Any]]:
        """Shares and parts, each only where the trace goes that way."""
        way = self.question.direction
        return {} if way == Direction.BACK else shares, {} if way == Direction.FORWARD else parts

    def _side(self, key: int) -> Side:
        if key in self.start_keys:
            return Side.START
        if key in self.beyond.lots:
            return Side.CONTACT
        if key not in self.parts.values:
            return Side.FORWARD
        return Side.BETWEEN if key in self.shares.values else Side.BACK

    def _in_batches_without_output(self, lots: Sequence[TracedLot]) -> list[int]:
        """Lots of which more was used than the edges tell: the rest is in batches that have made nothing yet."""
        if self.question.direction == Direction.BACK:
            return []
        used = {way[:3:2]: way[4] for way in (*self.onward, *self.beyond.links)}  # by lot and batch
        along: defaultdict[int, int] = defaultdict(int)
        for (lot, _), amount in used.items():
            along[lot] += amount
        left = self._left(self.shares)
        ahead = (lot for lot in lots if lot.side != Side.BACK and lot.key not in left)
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
    return ((way[0], way[1], _exact_share(way) if exact else way[5]) for way in ways)


def _back(ways: Sequence[Any], *, exact: bool = False) -> Iterator[tuple[int, int, Any]]:
    return ((way[1], way[0], _exact_share(way) if exact else way[5]) for way in ways)


def _exact_share(way: Sequence[Any]) -> Fraction:
    return Fraction(way[6], way[7]) if way[7] else Fraction(0)


# -- reading ----------------------------------------------------------------------------------------

UID, DIMENSION, BATCH = map(TracedLot._fields.index, ("uid", "dimension", "batch"))
UUIDS = [*map(TracedLot._fields.index, ("uid", "material", "batch", "supplier"))]


def _known_of(keys: Collection[int]) -> dict[int, tuple[Any, ...]]:
    """By key: what is known of each lot in the order of ``TracedLot``, and when its batch ran; one statement."""
    rows = read(_details_sql(), [as_one(keys)] * 2)
    if connection.vendor == "sqlite":
        rows = [_typed(row) for row in rows]
    return {row[0]: row for row in rows}


def _details_sql() -> str:
    """On PostgreSQL the batch is asked for lot by lot, and states by the same keys as lots: left to choose, it reads
    the whole table of either."""
    lot, state, material, batch, run, partner = (
        model._meta.db_table for model in (Lot, LotState, Material, Batch, BatchState, TradingPartner)
    )
    of_batch = (
        f"(SELECT batch.uid, batch.code, run.started_at, run.ended_at FROM {batch} batch "
        f"JOIN {run} run ON run.batch_id = batch.id WHERE batch.id = lot.batch_id OFFSET 0) batch ON TRUE"
    )
    if connection.vendor == "sqlite":
        of_batch = (
            f"{batch} batch ON batch.id = lot.batch_id LEFT JOIN {run} run ON run.batch_id = lot.batch_id"
        )
    lateral = "LATERAL " if connection.vendor == "postgresql" else ""
    ran = "batch" if lateral else "run"
    return f"""
        SELECT lot.id, lot.uid, lot.code, material.id, material.name, material.dimension, material.kind,
               lot.is_rework, lot.day, state.best_before, batch.uid, COALESCE(batch.code, ''),
               state.supplier_id, COALESCE(supplier.name, ''), state.supplier_code, state.status,
               state.on_hand, state.received, state.made, state.used, state.shipped, state.returned,
               state.sent_back, state.sampled, state.destroyed, state.unexplained, state.mass,
               {ran}.started_at, {ran}.ended_at
        FROM {lot} lot
        JOIN {state} state ON state.lot_id = lot.id
        JOIN {material} material ON material.id = lot.material_id
        LEFT JOIN {partner} supplier ON supplier.id = state.supplier_id
        LEFT JOIN {lateral}{of_batch}
        WHERE lot.id {among()} AND state.lot_id {among()}
    """


def _typed(row: tuple[Any, ...]) -> tuple[Any, ...]:
    """SQLite answers uuids as text, and times without saying that they are UTC."""
    found = list(row)
    for place in UUIDS:
        found[place] = found[place] and UUID(found[place])
    found[KNOWN:] = [at and _time(at) for at in found[KNOWN:]]
    return tuple(found)


def _time(said: datetime | str) -> datetime:
    when = said if isinstance(said, datetime) else datetime.fromisoformat(said)
    return when if when.tzinfo else when.replace(tzinfo=UTC)


def _batches(rows: Iterable[tuple[Any, ...]]) -> tuple[TracedBatch, ...]:
    found = {
        row[BATCH]: TracedBatch(row[BATCH], row[BATCH + 1], *row[KNOWN:])
        for row in rows
        if row[BATCH] is not None
    }
    return tuple(found.values())


def _moved(
    lots: Sequence[TracedLot], in_process: Collection[int]
) -> tuple[tuple[Consignment, ...], tuple[InProcess, ...]]:
    """What went between lots and partners, and what is in batches that have made nothing yet; one statement.

    Standing is asked with ``corrects_id IS NOT NULL`` so that the index over corrections alone is read.
    """
    movement, partner, batch, edge = (
        model._meta.db_table for model in (Movement, TradingPartner, Batch, Edge)
    )
    standing = (
        f"NOT moved.withdrawn AND NOT EXISTS (SELECT 1 FROM {movement} later "
        "WHERE later.corrects_id = moved.id AND later.corrects_id IS NOT NULL)"
    )
    columns = "moved.id, moved.what, moved.lot_id, {}, moved.document, moved.quantity, moved.performed_at, moved.performed_offset"
    sql = (
        f"SELECT {columns.format('partner.id, partner.name')} FROM {movement} moved "
        f"JOIN {partner} partner ON partner.id = moved.partner_id "
        f"WHERE moved.lot_id {among()} AND moved.partner_id IS NOT NULL AND {standing}"
    )
    keys = [as_one([lot.key for lot in lots])]
    if in_process:
        sql += (
            f" UNION ALL SELECT {columns.format('batch.uid, batch.code')} FROM {movement} moved "
            f"JOIN {batch} batch ON batch.id = moved.batch_id WHERE moved.lot_id {among()} AND moved.what = 'used' "
            f"AND {standing} AND NOT EXISTS (SELECT 1 FROM {edge} edge WHERE edge.batch_id = moved.batch_id)"
        )
        keys.append(as_one(in_process))
    rows = read(f"{sql} ORDER BY 8, 1", keys)
    return _consignments(lots, rows), _in_process(lots, rows)


def _consignments(lots: Sequence[TracedLot], rows: Sequence[Any]) -> tuple[Consignment, ...]:
    by_key = {lot.key: lot for lot in lots}
    found = []
    for uid, what, key, partner, name, document, quantity, at, offset in rows:
        lot = by_key[key]
        if what in KINDS[lot.side]:
            when = _time(at).astimezone(_zone(offset))
            found.append(
                Consignment(
                    as_uuid(uid),
                    what,
                    lot.uid,
                    as_uuid(partner),
                    name,
                    document,
                    lot.dimension,
                    quantity,
                    when,
                )
            )
    return tuple(found)


@cache
def _zone(offset: int) -> timezone:
    return timezone(timedelta(minutes=offset))


def _in_process(lots: Sequence[TracedLot], rows: Sequence[Any]) -> tuple[InProcess, ...]:
    by_key, found = {lot.key: lot for lot in lots}, defaultdict[Any, int](int)
    for _, what, key, batch, code, _, quantity, *_ in rows:
        if what == "used":
            lot = by_key[key]
            found[lot.uid, as_uuid(batch), code, lot.dimension] += quantity
    return tuple(InProcess._make((*named, quantity)) for named, quantity in found.items())


def as_uuid(value: Any) -> UUID:
    return value if isinstance(value, UUID) else UUID(value)
