"""Triggers that keep rows as written, on PostgreSQL and on SQLite (decisions D1, D2).

Kept tables refuse UPDATE and DELETE (PostgreSQL also TRUNCATE, SQLite also REPLACE). Each new record makes
its own line in ``ledger_entry`` and in the queue of the unsealed. A DELETE passes only where a ``ledger_removal``
of the same establishment names the row, or the record it is a part of; a removal itself stays. Who did the work and
who keyed it belong to the establishment, or are the service itself (decision D10); the one exception is the record
that an establishment was founded, whose id is the establishment's. SQLite drops triggers when Django remakes a table,
so there they are taken down before every migration and made again after it.
"""

import re
from collections.abc import Iterator
from typing import Any

from django.apps import apps
from django.db import connection as default
from django.db import models
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models.sql import Query

from ledger.models import Kept, Record, Removal
from ledger.models.people import THE_SERVICE

STRANGER = "a record names people of its own establishment only"
A_STRANGER_IS_NAMED = f"""EXISTS (
    SELECT 1 FROM (SELECT NEW.performed_by_id AS person_id UNION SELECT NEW.recorded_by_id) AS named
    WHERE NOT EXISTS (SELECT 1 FROM ledger_membership AS held
      WHERE held.establishment_id = NEW.establishment_id AND held.person_id = named.person_id)
    AND NOT EXISTS (SELECT 1 FROM ledger_person AS person
      WHERE person.id = named.person_id AND person.sign_in_name = '{THE_SERVICE}'))"""
FOUNDING = "NEW.id <> NEW.establishment_id"  # one record each: there nobody belongs to the establishment yet

FUNCTIONS = f"""
CREATE OR REPLACE FUNCTION ledger_refuse_stranger() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF {A_STRANGER_IS_NAMED}
  THEN RAISE EXCEPTION '{STRANGER}' USING ERRCODE = 'restrict_violation';
  END IF;
  RETURN NEW;
END $$;
"""
FUNCTIONS += """
CREATE OR REPLACE FUNCTION ledger_refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  RAISE EXCEPTION '% rows are kept as written: % refused', TG_TABLE_NAME, TG_OP
    USING ERRCODE = 'restrict_violation';
END $$;
CREATE OR REPLACE FUNCTION ledger_refuse_removal() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF EXISTS (SELECT 1 FROM ledger_removal WHERE removed_id = OLD.id AND establishment_id = OLD.establishment_id)
  THEN RETURN OLD; END IF;
  RAISE EXCEPTION '% rows are kept as written: % refused', TG_TABLE_NAME, TG_OP
    USING ERRCODE = 'restrict_violation';
END $$;
CREATE OR REPLACE FUNCTION ledger_refuse_part_removal() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE found boolean;
BEGIN
  EXECUTE format('SELECT EXISTS (SELECT 1 FROM ledger_removal JOIN %I AS whole ON whole.id = removed_id '
    'AND whole.establishment_id = ledger_removal.establishment_id WHERE removed_id = ($1).%I)',
    TG_ARGV[1], TG_ARGV[0]) INTO found USING OLD;
  IF found THEN RETURN OLD; END IF;
  RAISE EXCEPTION '% rows are kept as written: % refused', TG_TABLE_NAME, TG_OP
    USING ERRCODE = 'restrict_violation';
END $$;
CREATE OR REPLACE FUNCTION ledger_enter() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  INSERT INTO ledger_entry (id, kind, establishment_id, digest)
    VALUES (NEW.id, TG_ARGV[0], NEW.establishment_id, NEW.digest);
  INSERT INTO ledger_unsealed (entry_id, establishment_id) VALUES (NEW.id, NEW.establishment_id);
  RETURN NULL;
END $$;
CREATE OR REPLACE FUNCTION ledger_refuse_foreign_correction() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE found boolean;
BEGIN
  EXECUTE format('SELECT EXISTS (SELECT 1 FROM %I WHERE id = $1 AND establishment_id = $2)', TG_TABLE_NAME)
    INTO found USING NEW.corrects_id, NEW.establishment_id;
  IF found THEN RETURN NEW; END IF;
  RAISE EXCEPTION 'a % record corrects one of its own establishment only', TG_TABLE_NAME
    USING ERRCODE = 'restrict_violation';
END $$;
"""


def kept_models() -> list[type[models.Model]]:
    """Every model whose rows are written once, in the order of their tables."""
    return sorted((m for m in apps.get_models() if issubclass(m, Kept)), key=lambda m: m._meta.db_table)


def kept_tables() -> list[str]:
    return [model._meta.db_table for model in kept_models()]


def install(connection: BaseDatabaseWrapper) -> None:
    """Make every trigger whose table exists; running it twice changes nothing."""
    there = set(connection.introspection.table_names())
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            if "ledger_removal" not in there:
                return
            cursor.execute(FUNCTIONS)
        for model in kept_models():
            if model._meta.db_table in there:
                for statement in statements(connection.vendor, model):
                    cursor.execute(statement)


def remove(connection: BaseDatabaseWrapper) -> None:
    """Take all our triggers down: before a SQLite migration, and between tests that clear tables."""
    with connection.cursor() as cursor:
        for name, table in installed(connection):
            on = f" ON {table}" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on}")


def installed(connection: BaseDatabaseWrapper) -> list[tuple[str, str]]:
    """(trigger, table) of every trigger of ours that stands in the database now."""
    return sorted((name, table) for name, (table, _) in _found(connection).items())


def expected(vendor: str) -> list[tuple[str, str]]:
    """(trigger, table) of every trigger that should stand."""
    return sorted((name, table) for name, (table, _) in _wanted(vendor).items())


def faults(connection: BaseDatabaseWrapper) -> Iterator[str]:
    """A sentence for each trigger that is missing, switched off, or says something else than it should."""
    found = _found(connection)
    for name, (table, wanted) in sorted(_wanted(connection.vendor).items()):
        if found.get(name, ("", ""))[0] != table:
            yield f"trigger {name} is missing on {table}: rows there can be changed unseen"
        elif found[name][1] != wanted:
            yield f"trigger {name} on {table} was switched off or changed: rows there can be changed unseen"


def _wanted(vendor: str) -> dict[str, tuple[str, str]]:
    """Trigger name -> its table, and what it says."""
    wanted = {}
    for model in kept_models():
        for statement in statements(vendor, model):
            name = next(word for word in statement.split() if word.startswith("kept_"))
            says = statement.replace("IF NOT EXISTS ", "", 1)  # as SQLite keeps it, to the letter
            if vendor == "postgresql":
                says = _plain(statement) + _body(re.findall(r"EXECUTE FUNCTION (\w+)", statement)[0])
            wanted[name] = (model._meta.db_table, says)
    return wanted


def _found(connection: BaseDatabaseWrapper) -> dict[str, tuple[str, str]]:
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute(
                "SELECT name, tbl_name, sql FROM sqlite_master "
                "WHERE type = 'trigger' AND name LIKE 'kept\\_%%' ESCAPE '\\'"
            )
            return {name: (table, sql) for name, table, sql in cursor.fetchall()}
        cursor.execute(
            "SELECT tgname, relname, pg_get_triggerdef(pg_trigger.oid), prosrc, tgenabled IN ('O', 'A') "
            "FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid JOIN pg_proc ON pg_proc.oid = tgfoid "
            "WHERE NOT tgisinternal AND tgname LIKE 'kept\\_%%' "
            "AND relnamespace = current_schema()::regnamespace",
            [],
        )
        return {
            name: (table, _plain(told) + body if on else "switched off")
            for name, table, told, body, on in cursor.fetchall()
        }


def _body(function: str) -> str:
    return FUNCTIONS.split(f"FUNCTION {function}()")[1].split("$$")[1]


def _plain(statement: str) -> str:
    """As both sides write it: PostgreSQL gives a trigger, not its function, back with other brackets and spaces."""
    return re.sub(r"OR REPLACE |\b(\w+)\.(?=\w+ FOR EACH)|[()\s]", "", statement).lower()


def statements(vendor: str, model: type[models.Model]) -> list[str]:
    """SQL that makes the triggers of one model."""
    return _sqlite(model) if vendor == "sqlite" else _postgresql(model)


def _may_leave(model: type[models.Model]) -> bool:
    return issubclass(model, Record) and not issubclass(model, Removal)


def _whole(model: type[models.Model]) -> tuple[str, str]:
    """(column, table) of the record that a row is a part of; empty where it is none."""
    if not (issubclass(model, Kept) and model.part_of):
        return ("", "")
    field: Any = model._meta.get_field(model.part_of)
    return (field.column, field.related_model._meta.db_table)


def _postgresql(model: type[models.Model]) -> list[str]:
    table, (column, whole) = model._meta.db_table, _whole(model)
    removal = "ledger_refuse_removal()" if _may_leave(model) else "ledger_refuse_change()"
    if whole:
        removal = f"ledger_refuse_part_removal('{column}', '{whole}')"
    made = [
        f"CREATE OR REPLACE TRIGGER kept_{table}_update BEFORE UPDATE ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION ledger_refuse_change()",
        f"CREATE OR REPLACE TRIGGER kept_{table}_delete BEFORE DELETE ON {table} "
        f"FOR EACH ROW EXECUTE FUNCTION {removal}",
        f"CREATE OR REPLACE TRIGGER kept_{table}_truncate BEFORE TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION ledger_refuse_change()",
    ]
    if issubclass(model, Record):
        made += [
            f"CREATE OR REPLACE TRIGGER kept_{table}_enter AFTER INSERT ON {table} "
            f"FOR EACH ROW EXECUTE FUNCTION ledger_enter('{model.kind}')",
            f"CREATE OR REPLACE TRIGGER kept_{table}_correct BEFORE INSERT ON {table} "
            "FOR EACH ROW WHEN (NEW.corrects_id IS NOT NULL) EXECUTE FUNCTION ledger_refuse_foreign_correction()",
            f"CREATE OR REPLACE TRIGGER kept_{table}_people BEFORE INSERT ON {table} "
            f"FOR EACH ROW WHEN ({FOUNDING}) EXECUTE FUNCTION ledger_refuse_stranger()",
        ]
    return made


def _sqlite(model: type[models.Model]) -> list[str]:
    table, (column, whole) = model._meta.db_table, _whole(model)
    unless = ""
    if _may_leave(model):
        unless = (
            "WHEN NOT EXISTS (SELECT 1 FROM ledger_removal WHERE removed_id = OLD.id "
            "AND establishment_id = OLD.establishment_id) "
        )
    if whole:
        unless = (
            f"WHEN NOT EXISTS (SELECT 1 FROM ledger_removal JOIN {whole} AS whole ON whole.id = removed_id "
            f"AND whole.establishment_id = ledger_removal.establishment_id WHERE removed_id = OLD.{column}) "
        )
    made = [
        _sqlite_refusal(table, "update", "UPDATE", f"{table} rows are kept as written: UPDATE refused"),
        _sqlite_refusal(
            table,
            "delete",
            "DELETE",
            f"{table} rows are kept as written: DELETE refused",
            unless,
        ),
        *_sqlite_no_replace(model),
    ]
    if issubclass(model, Record):
        made += [
            f"CREATE TRIGGER IF NOT EXISTS kept_{table}_enter AFTER INSERT ON {table} BEGIN "
            "INSERT INTO ledger_entry (id, kind, establishment_id, digest) "
            f"VALUES (NEW.id, '{model.kind}', NEW.establishment_id, NEW.digest); "
            "INSERT INTO ledger_unsealed (entry_id, establishment_id) VALUES (NEW.id, NEW.establishment_id); END",
            _sqlite_refusal(
                table,
                "correct",
                "INSERT",
                f"a {table} record corrects one of its own establishment only",
                f"WHEN NEW.corrects_id IS NOT NULL AND NOT EXISTS (SELECT 1 FROM {table} "
                "WHERE id = NEW.corrects_id AND establishment_id = NEW.establishment_id) ",
            ),
            _sqlite_refusal(
                table, "people", "INSERT", STRANGER, f"WHEN {FOUNDING} AND {A_STRANGER_IS_NAMED} "
            ),
        ]
    return made


def _sqlite_refusal(table: str, name: str, deed: str, message: str, when: str = "") -> str:
    return (
        f"CREATE TRIGGER IF NOT EXISTS kept_{table}_{name} BEFORE {deed} ON {table} {when}"
        f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
    )


def _sqlite_no_replace(model: type[models.Model]) -> list[str]:
    """REPLACE deletes the row in its way without asking the DELETE trigger; so refuse it one step earlier.

    The text is SQLite's own for a broken UNIQUE, so that a plain duplicate reads as it always does.
    """
    table = model._meta.db_table
    made = []
    for number, (columns, condition) in enumerate(_unique_columns(model)):
        same = " AND ".join(f"{column} = NEW.{column}" for column in columns)
        named = ", ".join(f"{table}.{column}" for column in columns)
        asked, there = (_of_new_row(condition) + " AND ", f" AND {condition}") if condition else ("", "")
        when = f"WHEN {asked}EXISTS (SELECT 1 FROM {table} WHERE {same}{there}) "
        message = f"UNIQUE constraint failed: {named}"
        made.append(_sqlite_refusal(table, f"unique_{number}", "INSERT", message, when))
    return made


def _unique_columns(model: type[models.Model]) -> list[tuple[tuple[str, ...], str]]:
    """(columns, condition) of everything that a row of this model has alone; the condition in SQL, or empty."""
    meta: Any = model._meta
    single = [((field.column,), "") for field in meta.concrete_fields if field.unique]
    several = [
        (tuple(meta.get_field(name).column for name in constraint.fields), _condition(model, constraint))
        for constraint in meta.constraints
        if isinstance(constraint, models.UniqueConstraint)
    ]
    return [*single, *several, *_hidden_number(model)]


def _hidden_number(model: type[models.Model]) -> list[tuple[tuple[str, ...], str]]:
    """SQLite numbers the rows of a table whose key is no number, and REPLACE looks at that number too.

    A row that comes without one shows the trigger -1, a number that SQLite gives to no row.
    """
    return [] if isinstance(model._meta.pk, models.AutoField) else [(("rowid",), "")]


def _condition(model: type[models.Model], constraint: Any) -> str:
    if constraint.condition is None:
        return ""
    query = Query(model, alias_cols=False)
    compiler = query.get_compiler(connection=default)
    sql, params = query.build_where(constraint.condition).as_sql(compiler, default)
    if params:
        raise ValueError(f"{constraint.name}: a condition with values needs a trigger of its own")
    return str(sql)


def _of_new_row(condition: str) -> str:
    return re.sub(r'"(\w+)"', r"NEW.\1", condition)
