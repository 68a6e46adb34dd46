"""The genealogy as a table of edges: a projection of what was used in batches and made by them (D13)."""

import json
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cache
from itertools import groupby
from types import SimpleNamespace
from typing import Any
from uuid import UUID

from django.db import connection
from django.db.models import Count, Q, QuerySet, Sum

from batches.genealogy import Amount, Link, links
from batches.models import Batch, Edge, Lot, Movement, MovementKind, StoragePlace
from batches.projections import rebuilds
from ledger.models import Establishment
from ledger.verification import compare_projection

ROWS_A_STATEMENT = 500
BINARY = 1  # libpq's word for answers that are not text
NAMED = frozenset({"source", "target", "maker"})
"""What of a link is the key of a row."""


def recompute(batch: Batch) -> None:
    """Write a batch's edges anew from its standing movements. Call it under ``lock_material``."""
    found = dict(_links_by_batch(Movement.objects.filter(batch=batch))).get(batch.pk, [])
    Edge.objects.filter(batch=batch).delete()
    Edge.objects.bulk_create(_rows(batch.establishment_id, batch.pk, found), batch_size=ROWS_A_STATEMENT)


@dataclass(frozen=True)
class Mixture:
    """What was used in a batch and what was made by it."""

    used: list[Amount]
    made: list[Amount]


def before(movement: Movement) -> dict[int, Mixture]:
    """Of the batches that a movement is about: what was used and made, as it was known before it was recorded."""
    corrected = movement.replaces
    told = [movement] if corrected is None else [movement, corrected]
    rows = _known_before(movement).filter(batch__in={each.batch_id for each in told} - {None})
    found = dict(_mixtures(rows))
    return {each.batch_id: found.get(each.batch_id, Mixture([], [])) for each in told if each.batch_id}


def uses_before(movement: Movement) -> list[tuple[Any, datetime]]:
    """From where, and when, its lot was used in its batch, as it was known before it was recorded."""
    uses = _known_before(movement).filter(
        what=MovementKind.USED, batch=movement.batch_id, lot=movement.lot_id
    )
    return list(uses.order_by().values_list("from_place_id", "performed_at"))


def lines_used_before(movement: Movement) -> dict[int, set[int]]:
    """By each batch it is about: for which lines of the recipe a use was recorded, as it was known before it was recorded."""
    corrected = movement.replaces
    told = [movement] if corrected is None else [movement, corrected]
    found: dict[int, set[int]] = {each.batch_id: set() for each in told if each.batch_id}
    rows = _known_before(movement).filter(what=MovementKind.USED, batch__in=found, recipe_line__isnull=False)
    for batch, line in rows.order_by().values_list("batch_id", "recipe_line").distinct():
        if batch is not None and line is not None:
            found[batch].add(line)
    return found


def _known_before(movement: Movement) -> QuerySet[Movement]:
    standing = Q(corrected_by__isnull=True, withdrawn=False)
    if movement.corrects_id is not None:
        standing |= Q(pk=movement.corrects_id)
    return Movement.objects.filter(standing).exclude(pk=movement.pk)


def comes_from(lot: Lot, batch: Batch) -> bool:
    """Whether ``batch``, or one that used what it made, made ``lot`` (decision D14)."""
    if lot.batch_id == batch.pk:
        return True
    made = list(Lot.objects.filter(batch=batch).values_list("pk", flat=True))
    return bool(made) and any(link[1] == lot.pk for link in reached(made, back=False))


def reached(starts: Collection[int], *, back: bool) -> list[tuple[int, int, int, int, float]]:
    """Every edge that is reached from lots: (source, target, batch, quantity, share), in one statement."""
    columns = "source_id, target_id, batch_id, quantity, share"
    return read(f"WITH RECURSIVE {_walk('walk', columns, back)} SELECT * FROM walk", [as_one(starts)])


WAY = "source_id, target_id, batch_id, quantity, used, share, mass, of_mass"
"""What a trace wants to know of an edge, in this order."""
REFILLED = 2
"""Stands where the other rows of a walk tell their direction."""


def walked(
    starts: Collection[int], *, back: bool, forward: bool, here: UUID | None = None
) -> tuple[list[Any], list[Any], bool]:
    """Every edge that is reached back, and every one that is reached forward, as plain tuples of what ``WAY`` names.

    And whether the house ``here`` has places that are topped up before they are empty, in which lots lie together. One
    statement for all of it.
    """
    ways = {
        name: to_back
        for name, to_back, asked in (("inward", True, back), ("onward", False, forward))
        if asked
    }
    both = ", ".join(_walk(name, WAY, to_back) for name, to_back in ways.items())
    picked = " UNION ALL ".join(f"SELECT {WAY}, {int(to_back)} FROM {name}" for name, to_back in ways.items())
    keys: list[Any] = [as_one(starts)] * len(ways)
    if here is not None:
        picked += f" UNION ALL SELECT {', '.join('0' * len(WAY.split(', ')))}, {REFILLED} {where_refilled()}"
        keys.append(as_key(here))
    rows = read(f"WITH RECURSIVE {both} {picked}", keys)
    refilled = here is not None and any(row[-1] == REFILLED for row in rows)
    if refilled:
        rows = [row for row in rows if row[-1] != REFILLED]
    if not (back and forward):
        return (rows, [], refilled) if back else ([], rows, refilled)
    return [row for row in rows if row[-1]], [row for row in rows if not row[-1]], refilled


def where_refilled() -> str:
    """SQL that holds where a house has such places."""
    return (
        f"WHERE EXISTS (SELECT 1 FROM {StoragePlace._meta.db_table} WHERE establishment_id = %s AND refilled)"
    )


def next_ways(lots: Collection[int], *, back: bool) -> list[Any]:
    """The edges of lots one step back or forward, as ``walked`` tells them."""
    near = "target_id" if back else "source_id"
    return read(f"SELECT {WAY} FROM {Edge._meta.db_table} WHERE {near} {among()}", [as_one(lots)])


def _walk(name: str, columns: str, back: bool) -> str:
    """A recursive query over edges.

    UNION drops rows that were found before, so the walk ends even where a forged edge makes a loop; no path is
    carried. On PostgreSQL the next edges are asked for lot by lot (LATERAL, OFFSET 0): left to choose, it
    expects hundreds of thousands of rows and reads the whole table once a generation.
    """
    near, far = ("target_id", "source_id") if back else ("source_id", "target_id")
    table = Edge._meta.db_table
    onward = f"JOIN {table} edge ON edge.{near} = {name}.{far}"
    if connection.vendor == "postgresql":
        next_edges = f"SELECT {columns} FROM {table} WHERE {near} = {name}.{far} OFFSET 0"
        onward = f"CROSS JOIN LATERAL ({next_edges}) edge"
    of_edge = ", ".join(f"edge.{column}" for column in columns.split(", "))
    return (
        f"{name}({columns}) AS (SELECT {columns} FROM {table} WHERE {near} {among()} UNION "
        f"SELECT {of_edge} FROM {name} {onward})"
    )


def read(sql: str, params: Sequence[Any]) -> list[Any]:
    """All rows as tuples. From PostgreSQL as numbers and uuids, not as text: reading that takes three times as long."""
    with _cursor() as cursor:
        cursor.execute(sql, params)
        return cursor.fetchall()


def _cursor() -> Any:
    """Django's own cursor, counted and timed as any, but one that takes binary answers."""
    if connection.vendor != "postgresql":
        return connection.cursor()
    connection.ensure_connection()
    cursor = _binary_cursor()(connection.connection)
    cursor.format = BINARY
    return connection._prepare_cursor(cursor)  # type: ignore[attr-defined]


@cache
def _binary_cursor() -> Any:
    """Asks to be prepared on the server: planning a small trace takes longer than answering it (see ``benchmarks``).

    The driver does so because ``prepare_threshold`` in the settings is a number; Django would leave it empty.
    """
    from django.db.backends.postgresql.base import ServerBindingCursor  # needs psycopg

    class Prepared(ServerBindingCursor):
        def execute(self, query: Any, params: Any = None, **how: Any) -> Any:
            try:
                return super().execute(query, params, prepare=True, **how)  # type: ignore[misc]
            finally:  # Django's log of statements reads it, and the driver keeps no prepared one
                self._query = SimpleNamespace(query=query.encode())

    return Prepared


def as_uuid(value: Any) -> UUID:
    """As ``read`` answers it: SQLite as text."""
    return value if isinstance(value, UUID) else UUID(value)


def as_time(value: Any) -> datetime:
    """SQLite answers text, or a time of a column, in UTC without saying so."""
    told = value if isinstance(value, datetime) else datetime.fromisoformat(value)
    return told if told.tzinfo is not None else told.replace(tzinfo=UTC)


def as_day(value: Any) -> date:
    return value if isinstance(value, date) else date.fromisoformat(value)


def among() -> str:
    """SQL that asks whether a key is in a list that was sent as one parameter."""
    return (
        "= ANY(%s::bigint[])" if connection.vendor == "postgresql" else "IN (SELECT value FROM json_each(%s))"
    )


def among_few() -> str:
    """The same where mostly few keys are asked for, so that PostgreSQL plans the statement once and for all.

    Of an array that it knows it guesses how many rows come; as it takes ten for one that it does not know, what it plans
    for the known one looks cheaper, and it plans anew each time. So it is told an array that it never knows.
    """
    return (
        "= ANY(ARRAY(SELECT unnest(%s::bigint[])))"
        if connection.vendor == "postgresql"
        else "IN (SELECT value FROM json_each(%s))"
    )


def as_one(keys: Collection[int]) -> Any:
    """Many keys as one parameter: an array written as text, which is quicker than a list, or JSON for SQLite."""
    told = ",".join(map(str, keys))
    return f"{{{told}}}" if connection.vendor == "postgresql" else f"[{told}]"


def as_key(key: UUID) -> Any:
    """A uuid as a parameter of ``read``."""
    return key if connection.vendor == "postgresql" else key.hex


def among_uuids() -> str:
    return (
        "= ANY(%s::uuid[])" if connection.vendor == "postgresql" else "IN (SELECT value FROM json_each(%s))"
    )


def uuids_as_one(keys: Collection[UUID]) -> Any:
    """The same of uuids."""
    return list(keys) if connection.vendor == "postgresql" else json.dumps([key.hex for key in keys])


def _links_by_batch(movements: QuerySet[Movement]) -> Iterator[tuple[int, list[Link]]]:
    """Each batch with its edges, one pass over sums of its standing movements."""
    standing = movements.standing()  # type: ignore[attr-defined]
    return ((batch, links(each.used, each.made)) for batch, each in _mixtures(standing))


def _mixtures(movements: QuerySet[Movement]) -> Iterator[tuple[int, Mixture]]:
    rows = (
        movements.filter(what__in=[MovementKind.USED, MovementKind.MADE])
        .order_by("batch_id", "what", "lot_id")
        .values("batch_id", "what", "lot_id", "lot__batch_id")
        .annotate(total=Sum("quantity"), known=Sum("mass"), unknown=Count("pk", filter=Q(mass=None)))
    )
    for batch, group in groupby(rows.iterator(), key=lambda row: row["batch_id"]):
        amounts: dict[str, list[Amount]] = {MovementKind.USED: [], MovementKind.MADE: []}
        for row in group:
            mass = None if row["unknown"] else int(row["known"])
            amounts[row["what"]].append(Amount(row["lot_id"], int(row["total"]), mass, row["lot__batch_id"]))
        yield batch, Mixture(amounts[MovementKind.USED], amounts[MovementKind.MADE])


def _rows(establishment: Any, batch: int, found: list[Link]) -> list[Edge]:
    return [Edge(establishment_id=establishment, batch_id=batch, **_columns(link)) for link in found]


def _columns(link: Link) -> dict[str, Any]:
    return {f"{name}_id" if name in NAMED else name: value for name, value in link._asdict().items()}


@rebuilds("edges")
def rebuild(establishment: Establishment) -> int:
    Edge.objects.filter(establishment=establishment).delete()
    count = 0
    for batch, found in _links_by_batch(Movement.objects.of(establishment)):
        Edge.objects.bulk_create(_rows(establishment.pk, batch, found), batch_size=ROWS_A_STATEMENT)
        count += len(found)
    return count


@compare_projection("edges")
def differences() -> Iterator[str]:
    for establishment in Establishment.objects.all():
        wanted = {
            (link.source, link.target, batch): tuple(link[2:])
            for batch, found in _links_by_batch(Movement.objects.of(establishment))
            for link in found
        }
        kept = Edge.objects.filter(establishment=establishment).order_by()
        for source, target, batch, *said in kept.values_list(
            "source_id", "target_id", "batch_id", *Link._fields[2:]
        ).iterator():
            should = wanted.pop((source, target, batch), None)
            if should != tuple(said):
                yield f"edge of batch {batch} from lot {source} to {target} says {said}, records say {should}"
        yield from (f"edge of batch {b} from lot {s} to {t} is missing" for s, t, b in wanted)
