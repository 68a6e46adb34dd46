"""Rows that are kept stay as written, whatever statement asks."""

from typing import Any

import pytest
from django.db import IntegrityError, connection, models, transaction

from ledger import triggers
from ledger.ids import uuid7
from ledger.models import Entry, Leaf, Seal, record_classes
from tests.ledger.conftest import House

TABLES = triggers.kept_tables()
ON_SQLITE = connection.vendor == "sqlite"
only_sqlite = pytest.mark.skipif(not ON_SQLITE, reason="PostgreSQL has no REPLACE and keeps triggers")
only_postgresql = pytest.mark.skipif(ON_SQLITE, reason="SQLite has no TRUNCATE")
MODELS: dict[str, type[models.Model]] = {model._meta.db_table: model for model in triggers.kept_models()}


def refused(sql: str, params: Any = ()) -> str:
    """What the database says to a statement that it must refuse."""
    with pytest.raises(IntegrityError) as error, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql, params)
    return str(error.value)


def rows(table: str) -> list[Any]:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT * FROM {table} ORDER BY id")
        return list(cursor.fetchall())


def columns(table: str) -> list[str]:
    return [f'"{field.column}"' for field in MODELS[table]._meta.concrete_fields]


def copied(table: str, **instead: str) -> str:
    """An INSERT of the first row as it stands, with other SQL for some columns."""
    names = columns(table)
    values = [instead.get(name.strip('"'), name) for name in names]
    if ON_SQLITE:
        first = f"SELECT {', '.join(values)} FROM {table} WHERE id = (SELECT min(id) FROM {table})"
    else:
        first = f"SELECT {', '.join(values)} FROM (SELECT * FROM {table} ORDER BY id LIMIT 1) AS first"
    return f"INTO {table} ({', '.join(names)}) {first}"


def test_records_entries_seals_and_leaves_are_among_the_kept() -> None:
    kept = {model._meta.db_table for model in (Entry, Leaf, Seal, *record_classes())}
    assert kept <= set(TABLES)


@pytest.mark.django_db
@pytest.mark.parametrize("table", TABLES)
class TestAKeptTable:
    """Each of them with at least one row."""

    def test_refuses_update(self, house: House, table: str) -> None:
        before = rows(table)
        assert before
        assert f"{table} rows are kept as written: UPDATE refused" in refused(f"UPDATE {table} SET id = id")
        assert rows(table) == before

    def test_refuses_delete(self, house: House, table: str) -> None:
        before = rows(table)
        assert f"{table} rows are kept as written: DELETE refused" in refused(f"DELETE FROM {table}")
        assert rows(table) == before

    @only_postgresql
    def test_refuses_truncate(self, house: House, table: str) -> None:
        before = rows(table)
        connection.check_constraints()  # else it refuses because a deferred check waits
        # it names the first table that would be emptied with this one
        assert "rows are kept as written: TRUNCATE refused" in refused(f"TRUNCATE {table} CASCADE")
        assert rows(table) == before

    @only_sqlite
    @pytest.mark.parametrize("verb", ["INSERT OR REPLACE", "REPLACE"])
    def test_refuses_to_replace_a_row_by_its_key(self, house: House, table: str, verb: str) -> None:
        before = rows(table)
        assert f"UNIQUE constraint failed: {table}." in refused(f"{verb} {copied(table)}")
        assert rows(table) == before

    @only_sqlite
    def test_no_row_goes_when_one_with_the_same_unique_columns_comes(self, house: House, table: str) -> None:
        before = set(rows(table))
        with transaction.atomic():
            try:
                with transaction.atomic(), connection.cursor() as cursor:
                    cursor.execute(f"INSERT OR REPLACE {copied(table, id=_new_key(table))}")
            except IntegrityError as error:
                assert "UNIQUE constraint failed" in str(error)  # noqa: PT017
            assert before <= set(rows(table))

    @only_sqlite
    def test_refuses_to_replace_a_row_by_its_hidden_number(self, house: House, table: str) -> None:
        """SQLite numbers rows whose key is not a number, and REPLACE looks at that number too."""
        before = rows(table)
        statement = copied(table, id=_new_key(table)).replace("(", "(rowid, ", 1)
        refused(f"INSERT OR REPLACE {statement.replace('SELECT ', 'SELECT rowid, ', 1)}")
        assert rows(table) == before

    def test_refuses_on_conflict_do_update(self, house: House, table: str) -> None:
        before = rows(table)
        other = columns(table)[-1]
        said = refused(f"INSERT {copied(table)} ON CONFLICT (id) DO UPDATE SET {other} = excluded.{other}")
        assert "UNIQUE constraint failed" in said or "UPDATE refused" in said
        assert rows(table) == before

    def test_says_nothing_against_an_update_once_its_trigger_is_gone(self, house: House, table: str) -> None:
        """Shows that the tests above can fail."""
        connection.check_constraints()  # PostgreSQL drops no trigger while a deferred check waits
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(f"DROP TRIGGER kept_{table}_update" + ("" if ON_SQLITE else f" ON {table}"))
            cursor.execute(f"UPDATE {table} SET id = id")
            transaction.set_rollback(True)


def _new_key(table: str) -> str:
    if MODELS[table]._meta.pk.get_internal_type() == "UUIDField":
        return f"'{uuid7().hex}'"
    return "9999"
