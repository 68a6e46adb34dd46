"""Rows as the database keeps them, straight to the bytes their digest covers: what makes ``verify`` and evidence quick.

``Record.content`` goes by way of model objects and is right by definition. This has the database write the columns as
canonical JSON text and puts in only what needs Python: JSON columns in canonical order, and what is hidden. It must
come to the same bytes; a test compares the two for every kind of record.
"""

import json
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from json.encoder import encode_basestring as quoted
from typing import Any, NamedTuple
from uuid import UUID

import orjson
import psycopg
from django.db import connection

from ledger import canonical
from ledger.models.records import Record, reference_column

AT_ONCE = 1000  # rows a message
ID, INSTANT, DAY, TRUTH, NUMBER, TEXT = range(6)
KINDS = {
    "UUIDField": ID,
    "DateTimeField": INSTANT,
    "DateField": DAY,
    "BooleanField": TRUTH,
    "SmallIntegerField": NUMBER,
    "IntegerField": NUMBER,
    "BigIntegerField": NUMBER,
    "PositiveSmallIntegerField": NUMBER,
    "PositiveIntegerField": NUMBER,
    "PositiveBigIntegerField": NUMBER,
    "CharField": TEXT,
    "EmailField": TEXT,
    "TextField": TEXT,
}
"""Which column is written how. A record with another kind of field fails at once, by KeyError, and needs a line here."""

POSTGRESQL = {
    ID: """'"' || {0}::text || '"'""",
    INSTANT: """to_char({0} AT TIME ZONE 'UTC', '\\"YYYY-MM-DD"T"HH24:MI:SS.US"Z"\\"')""",
    DAY: """to_char({0}, '\\"YYYY-MM-DD\\"')""",
    TRUTH: "{0}::text",
    NUMBER: """'"' || {0}::text || '"'""",
    TEXT: "to_json({0})::text",
}
SQLITE = {
    ID: """'"' || substr({0}, 1, 8) || '-' || substr({0}, 9, 4) || '-' || substr({0}, 13, 4) || '-' """
    """|| substr({0}, 17, 4) || '-' || substr({0}, 21) || '"'""",
    INSTANT: """'"' || substr({0}, 1, 10) || 'T' || substr({0}, 12, 8) || '.' """
    """|| substr(substr({0}, 21) || '000000', 1, 6) || 'Z"'""",
    DAY: """'"' || {0} || '"'""",
    TRUTH: "CASE {0} WHEN 1 THEN 'true' WHEN 0 THEN 'false' END",
    NUMBER: """'"' || {0} || '"'""",
    TEXT: "json_quote({0})",
}


class StoredRow(NamedTuple):
    """A row, and the digest of what it says now.

    ``told``: the digest in the row; ``entered``: that in its entry, None without one; ``taken``: what its content comes
    to now, empty when it cannot be read at all; ``elsewhere``: its entry is another establishment's.
    """

    id: str
    told: str
    entered: str | None
    taken: str
    elsewhere: bool


def rows(model: type[Record]) -> Iterator[StoredRow]:
    """Every row of a kind, joined with its entry: one statement for each form, and one for forms nobody knows."""
    for form in sorted(model.FORMS):
        pieces = _pieces(model, form)
        take = _taker(model, pieces)
        for row in _fetch(_select(model, [sql for sql, *_ in pieces], f"kept.form = {form}")):
            yield StoredRow(row[0], row[1], row[2], take(row), row[3] == "1")
    known = ", ".join(str(form) for form in sorted(model.FORMS))
    for row in _fetch(_select(model, [], f"kept.form NOT IN ({known})")):
        yield StoredRow(row[0], row[1], row[2], "", row[3] == "1")


@dataclass(frozen=True)
class Stored:
    """A record as evidence shows it, read without a model object. ``text``: its content as canonical JSON."""

    pk: UUID
    kind: str
    digest: str
    text: str

    def content(self) -> orjson.Fragment:
        """For ``orjson.dumps``, which puts it in as it is."""
        return orjson.Fragment(self.text)

    @cached_property
    def said(self) -> dict[str, Any]:
        said: dict[str, Any] = orjson.loads(self.text)
        return said

    @property
    def establishment_id(self) -> UUID:
        return UUID(self.said["establishment"])

    @property
    def corrects_id(self) -> UUID | None:
        corrects = self.said["corrects"]
        return None if corrects is None else UUID(corrects)


def contents(model: type[Record], keys: Sequence[UUID]) -> Iterator[Stored]:
    """Those of the records that are here, in the order they were taken; one statement a thousand, and a form.

    Raises ValueError, KeyError, TypeError for a row that says nothing that can be read.
    """
    there = 0
    for form in sorted(model.FORMS):
        pieces = _pieces(model, form)
        write, columns = _writer(model, pieces), [sql for sql, *_ in pieces]
        for start in range(0, len(keys), AT_ONCE):
            named = ", ".join(f"'{key.hex}'" for key in keys[start : start + AT_ONCE])
            where = f"kept.form = {form} AND kept.id IN ({named}) ORDER BY kept.recorded_at, kept.id"
            for row in _fetch(_select(model, columns, where)):
                yield Stored(UUID(row[0]), model.kind, row[1], write(row))
                there += 1
    if there < len(keys) and model.objects.filter(pk__in=keys).exclude(form__in=model.FORMS).exists():
        raise ValueError(f"A record of kind {model.kind} has a form that is not known here.")


def _fetch(sql: str) -> Iterator[tuple[Any, ...]]:
    """Rows of text. PostgreSQL streams them, so that it makes the next ones while we work on these."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            yield from cursor.stream(sql, size=AT_ONCE if psycopg.capabilities.has_stream_chunked() else 1)
        else:
            yield from cursor.execute(sql)


# -- the statement --------------------------------------------------------------------------------------

Piece = tuple[str, str, bool]
"""SQL of a column of text; of which field it is, where Python has to look at it; whether that one is hidden."""


def _pieces(model: type[Record], form: int) -> list[Piece]:
    """The content in canonical order: runs of ready JSON text, and between them what is left to Python."""
    pieces: list[Piece] = []
    ready, mark = [], "{"
    for name in sorted({"kind", "form", "id", *model.FORMS[form]}):
        ready.append(_literal(f"{mark}{quoted(name)}:"))
        mark = ","
        if name in ("kind", "form"):
            ready.append(_literal(quoted(model.kind if name == "kind" else str(form))))
            continue
        sql, as_it_is = _json_text(model, name)
        if as_it_is and name not in model.confidential:
            ready.append(sql)
            continue
        pieces += [(" || ".join(ready), "", False), (sql, name, name in model.confidential)]
        ready = []
    return [*pieces, (" || ".join([*ready, _literal("}")]), "", False)]


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _json_text(model: type[Record], name: str) -> tuple[str, bool]:
    """SQL that writes a field as JSON, and whether that is canonical as it is."""
    field: Any = model._meta.get_field(name)
    column, kind = f'kept."{field.column}"', field.get_internal_type()
    if kind == "JSONField":
        return f"COALESCE({column}{'::text' if connection.vendor == 'postgresql' else ''}, 'null')", False
    if field.is_relation:
        column, kind = _reference(field, column), _kind_of_reference(field)
    sql = (POSTGRESQL if connection.vendor == "postgresql" else SQLITE)[KINDS[kind]].format(column)
    return f"COALESCE({sql}, 'null')" if field.null else sql, True


def _reference(field: Any, column: str) -> str:
    """A row that is named by its ``uid`` outside is asked for it."""
    if reference_column(field) == "pk":
        return column
    target = field.related_model._meta
    return f'(SELECT uid FROM "{target.db_table}" named WHERE named."{target.pk.column}" = {column})'


def _kind_of_reference(field: Any) -> str:
    named_by = (
        field.target_field if reference_column(field) == "pk" else field.related_model._meta.get_field("uid")
    )
    return str(named_by.get_internal_type())


def _select(model: type[Record], columns: list[str], where: str) -> str:
    identity = (POSTGRESQL if connection.vendor == "postgresql" else SQLITE)[ID].format("kept.id")
    elsewhere = "CASE WHEN entry.establishment_id <> kept.establishment_id THEN '1' ELSE '0' END"
    salts = "kept.salts::text" if connection.vendor == "postgresql" else "kept.salts"
    chosen = ", ".join([f"trim({identity}, '\"')", "kept.digest", "entry.digest", elsewhere, salts, *columns])
    joined = f"LEFT JOIN ledger_entry entry ON entry.id = kept.id AND entry.kind = {_literal(model.kind)}"
    return f'SELECT {chosen} FROM "{model._meta.db_table}" kept {joined} WHERE {where}'


# -- what is left to Python -----------------------------------------------------------------------------

BEFORE = 5  # columns that stand before the pieces
FROM_U_E000 = re.compile(rb"[\xee-\xff]")


def _taker(model: type[Record], pieces: list[Piece]) -> Callable[[tuple[Any, ...]], str]:
    """A function from a fetched row to the digest of what it says; empty where it says nothing that can be read."""
    write = _writer(model, pieces)

    def take(row: tuple[Any, ...]) -> str:
        try:
            return sha256(write(row).encode()).hexdigest()
        except (ValueError, KeyError, TypeError, RecursionError):
            return ""  # not even of the right kind: what it says is not what was written

    return take


def _writer(model: type[Record], pieces: list[Piece]) -> Callable[[tuple[Any, ...]], str]:
    """A function from a fetched row to its content as canonical JSON."""
    ours = [(BEFORE + at, name, hidden) for at, (_, name, hidden) in enumerate(pieces) if name]

    def write(row: tuple[Any, ...]) -> str:
        parts = list(row)
        salts = json.loads(row[4]) if model.confidential else {}
        for at, name, hidden in ours:
            parts[at] = _hidden(salts[name], _in_order(row[at])) if hidden else _in_order(row[at])
        return "".join(parts[BEFORE:])

    return write


def _in_order(text: str) -> str:
    """JSON text in canonical form. Below U+E000 names sort the same by UTF-8 as by UTF-16, as RFC 8785 has it."""
    if len(text) == 2:  # nothing in it
        return text
    written = orjson.dumps(orjson.loads(text), option=orjson.OPT_SORT_KEYS)
    if FROM_U_E000.search(written):
        written = canonical.canonical(json.loads(text))
    return written.decode()


def _hidden(salt: str, text: str) -> str:
    """As ``canonical.hidden``, of what is canonical already."""
    raw = bytes.fromhex(salt)
    if len(raw) != canonical.SALT_BYTES:
        raise ValueError("a salt of another length")
    return f'{{"hidden":"{sha256(raw + text.encode()).hexdigest()}"}}'
