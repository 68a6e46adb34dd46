"""What the database says is an outage (503, ask again) or a fault (500, asking again does not help)."""

import sqlite3

import psycopg
import pytest
from django.db import InterfaceError, OperationalError, connection, transaction

from config.api.outages import is_outage
from tests.config.conftest import Asking
from tests.config.urls import FAILURES, fail


def as_django_raises(said: Exception) -> OperationalError:
    error = OperationalError(*said.args)
    error.__cause__ = said
    return error


def of_sqlite(code: int) -> OperationalError:
    said = sqlite3.OperationalError("said by SQLite")
    said.sqlite_errorcode = code  # type: ignore[misc]
    return as_django_raises(said)


OUTAGES = {
    "nobody answers": as_django_raises(psycopg.OperationalError("connection refused")),
    "shutting down": as_django_raises(psycopg.errors.AdminShutdown("shutting down")),
    "too many connections": as_django_raises(psycopg.errors.TooManyConnections("too many")),
    "disk full": as_django_raises(psycopg.errors.DiskFull("no space")),
    "a lock was not given": as_django_raises(psycopg.errors.LockNotAvailable("lock timeout")),
    "a deadlock": as_django_raises(psycopg.errors.DeadlockDetected("deadlock")),
    "SQLite busy": of_sqlite(sqlite3.SQLITE_BUSY),
    "SQLite busy, refined": of_sqlite(sqlite3.SQLITE_BUSY_SNAPSHOT),
    "SQLite full": of_sqlite(sqlite3.SQLITE_FULL),
    "SQLite cannot open": of_sqlite(sqlite3.SQLITE_CANTOPEN),
    "connection closed": InterfaceError("connection already closed"),
}
FAULTS = {
    "a statement that took too long": as_django_raises(psycopg.errors.QueryCanceled("statement timeout")),
    "an object in use": as_django_raises(psycopg.errors.ObjectInUse("in use")),
    "no such table in SQLite": of_sqlite(sqlite3.SQLITE_ERROR),
    "SQLite read only": of_sqlite(sqlite3.SQLITE_READONLY),
    "something else": ZeroDivisionError("by zero"),
}


@pytest.mark.parametrize("how", OUTAGES)
def test_what_passes_by_itself_is_an_outage(how: str) -> None:
    assert is_outage(OUTAGES[how])


@pytest.mark.parametrize("how", FAULTS)
def test_what_does_not_pass_is_none(how: str) -> None:
    assert not is_outage(FAULTS[how])


@pytest.mark.parametrize("where", ["failing", "plain"])
def test_a_fault_of_the_database_is_a_500_with_a_reference(
    ask: Asking, where: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(FAILURES, "fault", fail(of_sqlite(sqlite3.SQLITE_ERROR)))
    answer = ask.get(f"/api/v1/{where}/fault")
    assert (answer.status_code, bool(answer.json()["reference"])) == (500, True)


@pytest.mark.django_db
def test_a_table_that_is_not_there_is_no_outage() -> None:
    with pytest.raises(Exception, match="nowhere") as raised, transaction.atomic():
        connection.cursor().execute("SELECT 1 FROM nowhere")
    assert not is_outage(raised.value)
