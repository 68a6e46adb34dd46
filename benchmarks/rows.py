"""Rows written in bulk: COPY on PostgreSQL, executemany on SQLite; many times quicker than models.

What is the same in all rows of a table is said once. Keys and times are text that both databases read alike: a uuid as
32 hex digits, a time as UTC without a zone.
"""

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.core.management.color import no_style
from django.db import connection, models, transaction

from ledger import triggers


class Table:
    """Rows of one model that wait to be written. ``same``: by column, what every row has; ``varies``: the others."""

    def __init__(self, model: type[models.Model], same: dict[str, Any], varies: Sequence[str]):
        self.name = model._meta.db_table
        self.rows: list[tuple[Any, ...]] = []
        there = [field.column for field in model._meta.concrete_fields]
        odd = {*same, *varies}.symmetric_difference(there) - {"id"}
        assert not odd, f"{self.name}: {sorted(map(str, odd))}"
        self.columns = [*varies, *same]
        values = list(same.values())
        if connection.vendor == "postgresql":
            self._line = "\t".join(
                ["%s"] * len(varies) + [_copied(each).replace("%", "%%") for each in values]
            )
        else:
            self._line = ", ".join(["?"] * len(varies) + [_literal(each) for each in values])

    def write(self) -> None:
        rows, self.rows = self.rows, []
        columns = ", ".join(f'"{each}"' for each in self.columns)
        with connection.cursor() as cursor:
            if connection.vendor == "postgresql":
                with cursor.copy(f'COPY "{self.name}" ({columns}) FROM STDIN') as copy:
                    copy.write("".join([self._line % row + "\n" for row in rows]))
            else:
                cursor.connection.executemany(
                    f'INSERT INTO "{self.name}" ({columns}) VALUES ({self._line})', rows
                )


@contextmanager
def unguarded(*written: type[models.Model]) -> Iterator[None]:
    """Without triggers, foreign keys and plain indexes while much is written; all are there again afterwards.

    The rows are ours and name each other rightly; ``manage.py verify`` would say so. On PostgreSQL it takes an account
    that may switch the keys off.
    """
    indexes = [each for model in written for each in _plain_indexes(model._meta.db_table)]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET session_replication_role = replica")
        else:
            triggers.remove(connection)
            cursor.execute("PRAGMA foreign_keys = OFF")
        for name, _ in indexes:
            cursor.execute(f'DROP INDEX "{name}"')
    try:
        with transaction.atomic():
            yield
    finally:
        with connection.cursor() as cursor:
            for _, made_by in indexes:
                cursor.execute(made_by)
            if connection.vendor == "postgresql":
                cursor.execute("SET session_replication_role = DEFAULT")
            else:
                cursor.execute("PRAGMA foreign_keys = ON")
                triggers.install(connection)
            for statement in connection.ops.sequence_reset_sql(no_style(), list(written)):
                cursor.execute(statement)


def settle() -> None:
    """What PostgreSQL's own housekeeping would have done with rows that came in over years; SQLite does none unasked."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("VACUUM ANALYZE")


def _plain_indexes(table: str) -> list[tuple[str, str]]:
    """(name, the statement that makes it) of those that keep nothing unique."""
    sql = (
        "SELECT relname, pg_get_indexdef(indexrelid) FROM pg_index JOIN pg_class ON pg_class.oid = indexrelid "
        "WHERE indrelid = %s::regclass AND NOT indisunique"
    )
    if connection.vendor == "sqlite":
        sql = (
            "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND tbl_name = %s AND sql IS NOT NULL "
            "AND sql NOT LIKE 'CREATE UNIQUE%%'"
        )
    with connection.cursor() as cursor:
        cursor.execute(sql, [table])
        return list(cursor.fetchall())


def _text(value: Any) -> str:
    if isinstance(value, UUID):
        return value.hex
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M:%S}"
    if isinstance(value, date):
        return value.isoformat()
    return json.dumps(value) if isinstance(value, (dict, list)) else str(value)


def _copied(value: Any) -> str:
    if value is None:
        return "\\N"
    text = str(int(value)) if isinstance(value, bool) else _text(value)
    return text.replace("\\", "\\\\").replace("\t", "\\t").replace("\n", "\\n")


def _literal(value: Any) -> str:
    if value is None:
        return "NULL"
    if isinstance(value, (bool, int)):
        return str(int(value))
    quoted = _text(value).replace("'", "''")
    return f"'{quoted}'"
