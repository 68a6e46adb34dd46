"""Where the web of a house is laid out while it is asked: a database of its own, on disk where it grows, gone with the answer.

A house of many years then takes no more memory than a young one. It is SQLite whatever the records lie in: the service's role
may make no tables there, and an answer must not wait for a writer. No row here says more than ids and days.
"""

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Set
from dataclasses import dataclass, field
from itertools import islice
from typing import Any, Generic, TypeVar
from uuid import UUID

Node = UUID | tuple[str, int]
"""A record by its id; a lot or a batch by its key."""
V = TypeVar("V")
ROWS_AT_ONCE = 2000
TABLES = """
PRAGMA journal_mode = OFF;
PRAGMA synchronous = OFF;
PRAGMA cache_size = -8000;
CREATE TABLE record (id BLOB PRIMARY KEY, kind INTEGER, prepared TEXT) WITHOUT ROWID;
CREATE TABLE identity (uid BLOB PRIMARY KEY, node TEXT) WITHOUT ROWID;
CREATE TABLE part (id BLOB PRIMARY KEY, whole BLOB) WITHOUT ROWID;
CREATE TABLE named (record BLOB, kind INTEGER, uuid BLOB, how TEXT);
CREATE TABLE about (record BLOB, node TEXT, PRIMARY KEY (record, node)) WITHOUT ROWID;
CREATE TABLE keeps (one, other, PRIMARY KEY (one, other)) WITHOUT ROWID;
CREATE TABLE onward (one, other, PRIMARY KEY (one, other)) WITHOUT ROWID;
CREATE TABLE shelf (node TEXT PRIMARY KEY, latest TEXT, undated INTEGER) WITHOUT ROWID;
CREATE TABLE used (id BLOB PRIMARY KEY, in_force INTEGER, until TEXT) WITHOUT ROWID;
CREATE TABLE own (id BLOB PRIMARY KEY, until TEXT, rule INTEGER) WITHOUT ROWID;
CREATE TABLE stay (id BLOB PRIMARY KEY, until TEXT, rule INTEGER, because TEXT) WITHOUT ROWID;
CREATE TABLE proved (id BLOB PRIMARY KEY, digest TEXT) WITHOUT ROWID;
CREATE TABLE wanted (id BLOB PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE firm (node PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE weak (node PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE chain (node PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE staying (node PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE leaver (number INTEGER PRIMARY KEY, node UNIQUE);
CREATE TABLE turn (number INTEGER PRIMARY KEY, part INTEGER, leaver INTEGER);
CREATE VIEW leaving AS SELECT id FROM record WHERE NOT EXISTS (SELECT 1 FROM stay WHERE stay.id = record.id);
CREATE VIEW mutual AS SELECT there.one, there.other FROM keeps there
    JOIN keeps back ON back.one = there.other AND back.other = there.one
    WHERE typeof(there.one) = 'blob' AND typeof(there.other) = 'blob';
BEGIN;
"""


def laid_out() -> sqlite3.Connection:
    """An empty one. SQLite keeps a database without a name in a file that nobody else sees and that goes with it."""
    found = sqlite3.connect("", isolation_level=None)
    found.executescript(TABLES)
    return found


def written(node: Node) -> bytes | str:
    return node.bytes if isinstance(node, UUID) else f"{node[0]} {node[1]}"


def told(node: bytes | str) -> Node:
    if isinstance(node, bytes):
        return UUID(bytes=node)
    name, key = node.rsplit(" ", 1)
    return name, int(key)


def put(into: sqlite3.Connection, table: str, rows: Iterable[tuple[Any, ...]]) -> None:
    """Rows that are there already stay as they are."""
    waiting = iter(rows)
    while some := list(islice(waiting, ROWS_AT_ONCE)):
        marks = ", ".join("?" * len(some[0]))
        into.executemany(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", some)


def spread(into: sqlite3.Connection, table: str, edges: str) -> None:
    """Put into a table of nodes everything that follows from what is in it."""
    into.execute(
        f"INSERT OR IGNORE INTO {table} WITH RECURSIVE found (node) AS (SELECT node FROM {table} UNION "
        f"SELECT {edges}.other FROM found JOIN {edges} ON {edges}.one = found.node) SELECT node FROM found"
    )


@dataclass
class Writing:
    """Rows for one table, written by the thousand; ``rest`` at the end."""

    into: sqlite3.Connection
    table: str
    waiting: list[tuple[Any, ...]] = field(default_factory=list)

    def add(self, *row: Any) -> None:
        self.waiting.append(row)
        if len(self.waiting) >= ROWS_AT_ONCE:
            self.rest()

    def rest(self) -> None:
        put(self.into, self.table, self.waiting)
        self.waiting.clear()


# -- read like sets and mappings, one by one ------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Ids(Set[UUID]):
    """Ids of records in a table, in their order."""

    where: sqlite3.Connection
    table: str

    def __contains__(self, pk: object) -> bool:
        asked = f"SELECT 1 FROM {self.table} WHERE id = ?"
        return isinstance(pk, UUID) and self.where.execute(asked, [pk.bytes]).fetchone() is not None

    def __iter__(self) -> Iterator[UUID]:
        for (pk,) in self.where.execute(f"SELECT id FROM {self.table} ORDER BY id"):
            yield UUID(bytes=pk)

    def __len__(self) -> int:
        return int(self.where.execute(f"SELECT count(*) FROM {self.table}").fetchone()[0])

    @classmethod
    def _from_iterable(cls, ids: Iterable[Any]) -> Any:
        return set(ids)


@dataclass(frozen=True, eq=False)
class ByRecord(Mapping[UUID, V], Generic[V]):
    """What a table says of each record: ``made`` of the columns after its id."""

    where: sqlite3.Connection
    table: str
    columns: str
    made: Callable[..., V]

    def __getitem__(self, pk: UUID) -> V:
        asked = f"SELECT {self.columns} FROM {self.table} WHERE id = ?"
        row = self.where.execute(asked, [pk.bytes]).fetchone()
        if row is None:
            raise KeyError(pk)
        return self.made(*row)

    def __contains__(self, pk: object) -> bool:
        return pk in Ids(self.where, self.table)

    def __iter__(self) -> Iterator[UUID]:
        return iter(Ids(self.where, self.table))

    def __len__(self) -> int:
        return len(Ids(self.where, self.table))


@dataclass(frozen=True, eq=False)
class Edges(Mapping[Node, set[Node]]):
    """What each node keeps; a node that keeps nothing is not in it."""

    where: sqlite3.Connection

    def __getitem__(self, node: Node) -> set[Node]:
        rows = self.where.execute("SELECT other FROM keeps WHERE one = ?", [written(node)])
        if found := {told(other) for (other,) in rows}:
            return found
        raise KeyError(node)

    def __iter__(self) -> Iterator[Node]:
        return (told(one) for (one,) in self.where.execute("SELECT DISTINCT one FROM keeps"))

    def __len__(self) -> int:
        return int(self.where.execute("SELECT count(DISTINCT one) FROM keeps").fetchone()[0])
