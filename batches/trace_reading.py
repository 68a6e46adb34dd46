"""What is known of the lots that a trace reached, and of what moved between them and partners: one statement each."""

import gc
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta, timezone
from functools import cache
from typing import Any
from uuid import UUID

from django.db import connection

from batches.edges import among, as_one, read
from batches.models import Batch, BatchState, Edge, Lot, LotState, Material, Movement, TradingPartner
from batches.trace_results import Consignment, InProcess, Side, TracedBatch, TracedLot

BACK_KINDS, FORWARD_KINDS = frozenset({"received", "sent-back"}), frozenset({"shipped", "returned"})
KINDS = {
    Side.START: BACK_KINDS | FORWARD_KINDS,
    Side.BETWEEN: BACK_KINDS | FORWARD_KINDS,
    Side.BACK: BACK_KINDS,
    Side.FORWARD: FORWARD_KINDS,
    Side.CONTACT: FORWARD_KINDS,
    Side.MAYBE_BACK: BACK_KINDS,
    Side.MAYBE_FORWARD: FORWARD_KINDS,
    Side.MAYBE_BETWEEN: BACK_KINDS | FORWARD_KINDS,
}
KNOWN = TracedLot._fields.index("side")
"""So many fields of a lot come from the database; the rest is computed."""


@contextmanager
def not_collecting() -> Iterator[None]:
    """Python looks through every row again and again for loops that nobody can reach: a third of a large answer's time.

    What is made here leads in no circle, so nothing is lost by waiting until it is told.
    """
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


UID, DIMENSION, BATCH = map(TracedLot._fields.index, ("uid", "dimension", "batch"))
UUIDS = [*map(TracedLot._fields.index, ("uid", "material", "batch", "supplier"))]


def known_of(keys: Collection[int]) -> dict[int, tuple[Any, ...]]:
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


def batches(rows: Iterable[tuple[Any, ...]]) -> tuple[TracedBatch, ...]:
    found = {
        row[BATCH]: TracedBatch(row[BATCH], row[BATCH + 1], *row[KNOWN:])
        for row in rows
        if row[BATCH] is not None
    }
    return tuple(found.values())


def what_moved(
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
