"""Rows as the database keeps them, straight to the bytes their digest covers: what makes ``verify`` quick.

``Record.content`` goes by way of model objects and is right by definition; this goes by way of text columns and
must come to the same bytes. A property test compares the two for every kind of record.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from json.encoder import encode_basestring as quoted
from typing import Any

from django.db import connection

from ledger import canonical
from ledger.models.records import Record, reference_column, utc_text

Write = Callable[[Any], str]
"""From a column, as the database gives it, to canonical JSON text."""

CHUNK = 2000
POSTGRESQL = {
    "DateTimeField": """to_char({0} AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"')""",
    "DateField": "to_char({0}, 'YYYY-MM-DD')",
}
"""PostgreSQL writes times as they are digested, and all else as text: cheaper than a Python object for each."""


@dataclass(frozen=True)
class StoredRow:
    """``told``: the digest in the row; ``entered``: that in its entry, None without one; ``taken``: what its content
    comes to now, empty when it cannot be read at all. ``elsewhere``: its entry is another establishment's."""

    id: str
    told: str
    entered: str | None
    taken: str
    elsewhere: bool


def rows(model: type[Record]) -> Iterator[StoredRow]:
    """Every row of a kind with the digest of what it says now; one statement, joined with its entry."""
    columns = _columns(model)
    place = {name: index for index, name in enumerate(columns)}
    writers = {form: _writer(model, form, place) for form in model.FORMS}
    form_at, salts_at = place["form"], place["salts"]
    with connection.chunked_cursor() as cursor:
        cursor.execute(_select(model, columns))
        while chunk := cursor.fetchmany(CHUNK):
            for row in chunk:
                taken = _taken(writers.get(int(row[form_at])), row, row[salts_at])
                identity, told, entered, elsewhere = row[-4:]
                yield StoredRow(_uuid(identity)[1:-1], told, entered, taken, bool(elsewhere))


def _taken(write: Callable[[Any, str], str] | None, row: Any, salts: str) -> str:
    if write is None:
        return ""
    try:
        return sha256(write(row, salts).encode()).hexdigest()
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError):
        return ""  # not even of the right kind: what it says is not what was written


# -- the statement --------------------------------------------------------------------------------------


def _columns(model: type[Record]) -> list[str]:
    return sorted({"id", "form", "salts"}.union(*model.FORMS.values()))


def _select(model: type[Record], names: list[str]) -> str:
    table, joins, chosen = model._meta.db_table, [], []
    for name in names:
        field: Any = model._meta.get_field(name)
        column = f'kept."{field.column}"'
        if field.is_relation and reference_column(field) == "uid":
            other = f'"{name}_of"'
            target = field.related_model._meta
            joins.append(f'LEFT JOIN "{target.db_table}" {other} ON {other}."{target.pk.column}" = {column}')
            column = f'{other}."uid"'
        chosen.append(_as_text(field, column))
    chosen += ["kept.id", "kept.digest", "entry.digest", "entry.establishment_id <> kept.establishment_id"]
    joined = f"LEFT JOIN ledger_entry entry ON entry.id = kept.id AND entry.kind = '{model.kind}'"
    return f'SELECT {", ".join(chosen)} FROM "{table}" kept {joined} {" ".join(joins)}'


def _as_text(field: Any, column: str) -> str:
    if connection.vendor != "postgresql":
        return column
    return POSTGRESQL.get(field.get_internal_type(), "{0}::text").format(column)


# -- from columns to JSON -------------------------------------------------------------------------------


def _writer(model: type[Record], form: int, place: dict[str, int]) -> Callable[[Any, str], str]:
    """A function that writes the content of a row of this form, its names in canonical order."""
    start, parts = "{", []
    for name in sorted({"kind", "form", "id", *model.FORMS[form]}):
        if name in ("kind", "form"):
            value = model.kind if name == "kind" else str(form)
            start += f"{quoted(name)}:{quoted(value)},"
            continue
        write = _write_of(model._meta.get_field(name))
        parts.append(
            (f"{start}{quoted(name)}:", place[name], write, name if name in model.confidential else "")
        )
        start = ","
    end = "}" if start == "," else f"{start[:-1]}}}"
    open_parts = [part[:3] for part in parts]
    if not any(hidden for *_, hidden in parts):
        return lambda row, salts: "".join([lead + write(row[at]) for lead, at, write in open_parts]) + end
    return lambda row, salts: _with_hidden(parts, row, json.loads(salts)) + end


def _with_hidden(parts: list[tuple[str, int, Write, str]], row: Any, salts: dict[str, str]) -> str:
    return "".join(
        lead + (_hidden(salts[name], write(row[at])) if name else write(row[at]))
        for lead, at, write, name in parts
    )


def _hidden(salt: str, text: str) -> str:
    """As ``canonical.hidden``, of what is canonical already."""
    raw = bytes.fromhex(salt)
    if len(raw) != canonical.SALT_BYTES:
        raise ValueError("a salt of another length")
    return f'{{"hidden":"{sha256(raw + text.encode()).hexdigest()}"}}'


def _write_of(field: Any) -> Write:
    kind = field.get_internal_type()
    if kind == "JSONField":
        return _json
    if connection.vendor == "postgresql":
        return _truth if kind == "BooleanField" else _text
    if field.is_relation:
        return _uuid if _names_by_uuid(field) else _number
    return _sqlite_write(kind)


def _sqlite_write(kind: str) -> Write:
    return SQLITE.get(kind, _number if "Integer" in kind else _text)


def _names_by_uuid(field: Any) -> bool:
    if reference_column(field) == "uid":
        return True
    return bool(field.target_field.get_internal_type() == "UUIDField")


def _text(value: Any) -> str:
    return "null" if value is None else quoted(value)


def _truth(value: Any) -> str:
    return "null" if value is None else str(value)  # PostgreSQL says true or false


def _bit(value: Any) -> str:
    return "null" if value is None else ("false", "true")[value]


def _number(value: Any) -> str:
    return "null" if value is None else f'"{value}"'


def _uuid(value: Any) -> str:
    if value is None:
        return "null"
    text = str(value)
    if len(text) == 32:  # as SQLite keeps it
        text = f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"
    return f'"{text}"'


def _sqlite_time(value: Any) -> str:
    if value is None:
        return "null"
    if isinstance(value, str):
        value = datetime.fromisoformat(value)
    return f'"{utc_text(value if value.tzinfo else value.replace(tzinfo=UTC))}"'


def _json(value: Any) -> str:
    if value is None:
        return "null"
    if value in ("{}", "[]", '""'):
        return str(value)
    return canonical.canonical(json.loads(value) if isinstance(value, str) else value).decode()


SQLITE: dict[str, Write] = {
    "UUIDField": _uuid,
    "BooleanField": _bit,
    "DateTimeField": _sqlite_time,
    "DateField": _number,
}
