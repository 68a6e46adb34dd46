"""Tracing: from a lot back to what it came from, or forward to what it went into and who got it.

Two statements whatever the size of the house: one walks the edges, one fetches what is known of the lots that
were reached. Both grow with the answer.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any, Literal
from uuid import UUID

from django.db import connection

from batches.edges import among, as_one, reached
from batches.genealogy import shares
from batches.models import Batch, Lot, LotState, Material, Movement, TradingPartner

Direction = Literal["back", "forward"]


@dataclass(frozen=True)
class TracedLot:
    """A lot that was reached. Quantities are base steps (mg or pieces, see ``dimension``).

    ``share``: forward, the part of its mass that came from the lot the trace began with; back, its part in
    that lot's mass. 0 does not mean untouched (a wrapper has no share); None: cannot be computed (a loop).
    ``totals``: sum of standing movements by kind. ``unexplained``: what counts found more or less.
    """

    uid: UUID
    code: str
    material: UUID
    material_name: str
    dimension: str
    is_rework: bool
    day: date
    best_before: date | None
    batch: UUID | None
    batch_code: str
    supplier: UUID | None
    supplier_name: str
    supplier_code: str
    status: str
    on_hand: int
    share: float | None
    totals: Mapping[str, int]
    unexplained: int


@dataclass(frozen=True)
class Step:
    """``quantity`` base steps of ``source`` went through ``batch`` into ``target``; ``share`` of its mass."""

    source: UUID
    target: UUID
    batch: UUID
    quantity: int
    share: float


@dataclass(frozen=True)
class Consignment:
    """What of one lot a partner got or gave, in sum: shipped, returned, received or sent-back."""

    partner: UUID
    partner_name: str
    lot: UUID
    what: str
    quantity: int


@dataclass(frozen=True)
class Trace:
    """``loop``: the edges lead in a circle, which no deed writes; run ``manage.py verify``."""

    direction: Direction
    start: UUID
    lots: tuple[TracedLot, ...]
    steps: tuple[Step, ...]
    consignments: tuple[Consignment, ...]
    loop: bool


def back(lot: Lot) -> Trace:
    """Everything a lot came from, with the suppliers it was received from."""
    return _trace(lot, "back", ("received", "sent-back"))


def forward(lot: Lot) -> Trace:
    """Everything a lot went into, with the customers it was shipped to."""
    return _trace(lot, "forward", ("shipped", "returned"))


def _trace(lot: Lot, direction: Direction, partner_kinds: tuple[str, ...]) -> Trace:
    links = reached([lot.pk], back=direction == "back")
    ways = ((target, source, share) for source, target, *_, share in links)
    if direction == "forward":
        ways = ((source, target, share) for source, target, *_, share in links)
    found = shares(lot.pk, ways)
    lots, consignments = {}, []
    for key, rows in _known_of(found.by_lot):
        lots[key] = _traced_lot(rows, found.by_lot[key])
        consignments += [
            Consignment(
                _uuid(row["partner"]), row["partner_name"], lots[key].uid, row["what"], row["quantity"]
            )
            for row in rows
            if row["what"] in partner_kinds
        ]
    steps = tuple(_step(lots[source], lots[target], link) for source, target, *link in links)
    return Trace(direction, lot.uid, tuple(lots.values()), steps, tuple(consignments), found.loop)


def _step(source: TracedLot, target: TracedLot, link: list[Any]) -> Step:
    _, quantity, share = link
    assert target.batch is not None  # only a batch has edges
    return Step(source.uid, target.uid, target.batch, quantity, share)


def _traced_lot(rows: list[dict[str, Any]], share: float | None) -> TracedLot:
    first, totals, unexplained = rows[0], defaultdict[str, int](int), 0
    for row in rows:
        if row["what"]:
            totals[row["what"]] += int(row["quantity"])
        if row["what"] == "counted":
            unexplained += int(row["effect"])
    return TracedLot(
        uid=_uuid(first["uid"]),
        code=first["code"],
        material=_uuid(first["material"]),
        material_name=first["material_name"],
        dimension=first["dimension"],
        is_rework=bool(first["is_rework"]),
        day=_date(first["day"]),
        best_before=first["best_before"] and _date(first["best_before"]),
        batch=first["batch"] and _uuid(first["batch"]),
        batch_code=first["batch_code"] or "",
        supplier=first["supplier"] and _uuid(first["supplier"]),
        supplier_name=first["supplier_name"] or "",
        supplier_code=first["supplier_code"],
        status=first["status"],
        on_hand=first["on_hand"],
        share=share,
        totals=dict(totals),
        unexplained=unexplained,
    )


def _known_of(keys: Iterable[int]) -> Iterator[tuple[int, list[dict[str, Any]]]]:
    """Each lot with one row for each kind of movement and partner, by key; one statement."""
    one = as_one(list(keys))
    with connection.cursor() as cursor:
        cursor.execute(_details_sql(), [one, one])
        names = [column[0] for column in cursor.description]
        rows = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    for key, group in groupby(rows, key=lambda row: row["id"]):
        yield key, list(group)


def _details_sql() -> str:
    """Standing is asked with ``corrects_id IS NOT NULL`` so that the index over corrections alone is read."""
    lot, state, material, batch, partner, movement = (
        model._meta.db_table for model in (Lot, LotState, Material, Batch, TradingPartner, Movement)
    )
    return f"""
        SELECT lot.id, lot.uid, lot.code, lot.is_rework, lot.day, material.id AS material,
               material.name AS material_name, material.dimension,
               batch.uid AS batch, batch.code AS batch_code,
               state.status, state.on_hand, state.best_before, state.supplier_code,
               supplier.id AS supplier, supplier.name AS supplier_name,
               done.what, done.quantity, done.effect, partner.id AS partner, partner.name AS partner_name
        FROM {lot} lot
        JOIN {state} state ON state.lot_id = lot.id
        JOIN {material} material ON material.id = lot.material_id
        LEFT JOIN {batch} batch ON batch.id = lot.batch_id
        LEFT JOIN {partner} supplier ON supplier.id = state.supplier_id
        LEFT JOIN (
            SELECT moved.lot_id, moved.what, moved.partner_id,
                   CAST(SUM(moved.quantity) AS BIGINT) AS quantity,
                   CAST(SUM(moved.effect) AS BIGINT) AS effect
            FROM {movement} moved
            WHERE moved.lot_id {among()} AND NOT moved.withdrawn AND NOT EXISTS (
                SELECT 1 FROM {movement} later
                WHERE later.corrects_id = moved.id AND later.corrects_id IS NOT NULL)
            GROUP BY moved.lot_id, moved.what, moved.partner_id
        ) done ON done.lot_id = lot.id
        LEFT JOIN {partner} partner ON partner.id = done.partner_id
        WHERE lot.id {among()}
        ORDER BY lot.id, done.what, partner.code
    """


def _uuid(value: Any) -> UUID:
    return value if isinstance(value, UUID) else UUID(value)


def _date(value: Any) -> date:
    return value if isinstance(value, date) else date.fromisoformat(value)
