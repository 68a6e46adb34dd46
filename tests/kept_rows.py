"""What each trigger of our tables keeps, shown on twins of good rows (``tests/twins.py``).

To prove a new kind of trigger, add what it keeps to ``KEEPS``, under what its name ends in.
"""

from collections.abc import Callable
from typing import Any

from django.db import connection

from ledger import triggers
from ledger.ids import uuid7
from ledger.models import Entry, Establishment, Membership, Person, Record, Removal, Unsealed
from reports.demo.house import HOUSE
from tests.twins import Model, alone, good_row, implied, insert, refused_for, row_of, twin

KEPT_AS_WRITTEN = "{} rows are kept as written: {} refused"
FOREIGN = "a {} record corrects one of its own establishment only"


def execute(statement: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement)


def no_row_is_changed(model: Model) -> None:
    table, key = model._meta.db_table, model._meta.pk.column
    statement = f"UPDATE {table} SET {key} = {key}"
    assert refused_for(execute, statement) == KEPT_AS_WRITTEN.format(table, "UPDATE")


def no_row_is_removed(model: Model) -> None:
    table = model._meta.db_table
    assert refused_for(execute, f"DELETE FROM {table}") == KEPT_AS_WRITTEN.format(table, "DELETE")
    if model is Removal:
        a_removal_stays_where_another_names_it()
    elif issubclass(model, Record):
        a_removal_lets_a_record_of_its_own_house_go(model)
    elif getattr(model, "part_of", ""):
        a_removal_lets_a_part_go_with_its_record(model)


def a_removal_stays_where_another_names_it() -> None:
    stays = twin(good_row(Removal))
    insert(stays)
    insert(twin(row_of(Removal), removed_id=stays.pk))
    remove = Removal.objects.filter(pk=stays.pk)._raw_delete
    assert refused_for(remove, "default") == KEPT_AS_WRITTEN.format(Removal._meta.db_table, "DELETE")


def a_removal_lets_a_record_of_its_own_house_go(kind: type[Record]) -> None:
    stays, goes = twin(good_row(kind)), twin(good_row(kind))
    for record, house in ((stays, another_house()), (goes, HOUSE)):
        insert(record)
        insert(twin(row_of(Removal), removed_id=record.pk, establishment=house))
    remove = kind.objects.filter(pk=stays.pk)._raw_delete
    assert refused_for(remove, "default") == KEPT_AS_WRITTEN.format(kind._meta.db_table, "DELETE")
    assert kind.objects.filter(pk=goes.pk)._raw_delete("default") == 1


def a_removal_lets_a_part_go_with_its_record(model: Any) -> None:
    for house in (another_house(), HOUSE):
        record = twin(good_row(model._meta.get_field(model.part_of).related_model))
        insert(record)
        part = twin(good_row(model), **{model.part_of: record.pk})
        insert(part)
        insert(twin(row_of(Removal), removed_id=record.pk, establishment=house))
        remove = model.objects.filter(pk=part.pk)._raw_delete
        if house == HOUSE:
            assert remove("default") == 1
        else:
            assert refused_for(remove, "default") == KEPT_AS_WRITTEN.format(model._meta.db_table, "DELETE")


def the_table_is_not_cleared(model: Model) -> None:
    table = model._meta.db_table
    connection.check_constraints()  # no table is cleared while a deferred check waits
    statement = f"TRUNCATE {table} CASCADE"
    assert refused_for(execute, statement) == KEPT_AS_WRITTEN.format(table, "TRUNCATE")


def no_row_is_replaced(model: Model) -> None:
    """SQLite's REPLACE would remove the row in its way without asking the trigger against DELETE."""
    for name in sorted(alone(model).keys() - implied(model)):
        again = twin(good_row(model, name), alike=name)
        with connection.execute_wrapper(_replacing):
            assert refused_for(insert, again) == name


def _replacing(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
    return execute(sql.replace("INSERT INTO", "INSERT OR REPLACE INTO", 1), params, many, context)


def a_record_is_entered_and_waits_for_its_seal(kind: type[Record]) -> None:
    made = twin(good_row(kind), digest="d" * 64)
    insert(made)
    entry = Entry.objects.get(pk=made.pk)
    assert (entry.kind, entry.establishment_id, entry.digest) == (kind.kind, HOUSE, "d" * 64)
    assert Unsealed.objects.filter(entry=made.pk, establishment=HOUSE).exists()


def only_a_record_of_the_house_is_corrected(kind: type[Record]) -> None:
    good, elsewhere = good_row(kind), another_house()
    foreign = twin(good, establishment=elsewhere, corrects=good.pk, reason="x")
    unknown = twin(good, corrects=uuid7(), reason="x")
    for bad in (foreign, unknown):
        assert refused_for(insert, bad) == FOREIGN.format(kind._meta.db_table)


def another_house() -> Any:
    """Where everyone of the house works as well. Its id."""
    made = twin(row_of(Establishment))
    insert(made)
    for held in Membership.objects.filter(establishment=HOUSE):
        insert(twin(held, establishment=made.pk, person=held.person_id))
    return made.pk


def strangers_are_not_named(kind: type[Record]) -> None:
    good, stranger = good_row(kind), twin(row_of(Person))
    insert(stranger)
    for who in ("performed_by", "recorded_by"):
        assert refused_for(insert, twin(good, **{who: stranger.pk})) == triggers.STRANGER


KEEPS: dict[str, Callable[[Any], None]] = {
    "update": no_row_is_changed,
    "delete": no_row_is_removed,
    "truncate": the_table_is_not_cleared,
    "unique": no_row_is_replaced,
    "enter": a_record_is_entered_and_waits_for_its_seal,
    "correct": only_a_record_of_the_house_is_corrected,
    "people": strangers_are_not_named,
}
"""What each trigger keeps, by what its name ends in (``kept_<table>_<this>``)."""


def rule_of(trigger: str, table: str) -> str:
    """``unique_0``, ``unique_1``, ... are one rule."""
    return trigger.removeprefix(f"kept_{table}_").split("_")[0]
