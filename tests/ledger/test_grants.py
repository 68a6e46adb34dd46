"""The service's database role may add records, and has no privilege to change one (PostgreSQL's own access rights)."""

import os
from collections.abc import Iterator
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import ProgrammingError, connection, transaction

from ledger import grants, seals, triggers
from ledger.models import Change, Leaf

postgresql_only = pytest.mark.skipif(
    not os.environ.get("DATABASE_URL", "").startswith("postgres"), reason="SQLite has no roles"
)


@pytest.fixture
def role(db: Any) -> str:
    """Made within the test's transaction, so it is gone with it."""
    name = f"records_service_{os.getpid()}"
    grants.give(connection, name)
    return name


@pytest.fixture
def as_service(role: str, establishment: Any) -> Iterator[None]:
    """Statements from here on are the service's, not the owner's."""
    with connection.cursor() as cursor:
        cursor.execute(f"SET ROLE {role}")
        yield
        cursor.execute("RESET ROLE")


def may(role: str, table: str, privilege: str) -> bool:
    with connection.cursor() as cursor:
        cursor.execute("SELECT has_table_privilege(%s, %s, %s)", [role, table, privilege])
        return bool(cursor.fetchone()[0])


@postgresql_only
def test_every_kept_table_can_be_read_and_added_to_and_nothing_else(role: str) -> None:
    tables = triggers.kept_tables()
    assert "ledger_change" in tables
    for table in tables:
        assert may(role, table, "SELECT"), table
        assert may(role, table, "INSERT"), table
        for refused in ("UPDATE", "DELETE", "TRUNCATE", "TRIGGER", "REFERENCES"):
            assert not may(role, table, refused), (table, refused)


@postgresql_only
def test_giving_twice_leaves_the_same_privileges(role: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"GRANT ALL ON ledger_change TO {role}")  # somebody was generous in between
    grants.give(connection, role)
    assert not may(role, "ledger_change", "UPDATE")
    assert may(role, "ledger_change", "INSERT")


@postgresql_only
@pytest.mark.usefixtures("as_service")
@pytest.mark.parametrize(
    "statement",
    ["UPDATE ledger_change SET note = 'x'", "DELETE FROM ledger_change", "TRUNCATE ledger_change CASCADE"],
)
def test_a_change_of_a_record_is_refused_before_any_trigger(statement: str) -> None:
    assert Change.objects.exists()
    with (
        pytest.raises(ProgrammingError, match="permission denied"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)


@postgresql_only
@pytest.mark.usefixtures("as_service")
def test_the_service_cannot_take_down_a_trigger() -> None:
    with (
        pytest.raises(ProgrammingError, match="must be owner"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute("ALTER TABLE ledger_change DISABLE TRIGGER ALL")


@postgresql_only
@pytest.mark.usefixtures("as_service")
def test_the_service_makes_no_table_that_stands_before_ours() -> None:
    """PostgreSQL looks among temporary tables first, so a trigger would write the entry of a record into one."""
    with (
        pytest.raises(ProgrammingError, match="permission denied"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute("CREATE TEMPORARY TABLE ledger_entry (id uuid)")


@postgresql_only
@pytest.mark.usefixtures("as_service")
def test_the_service_records_and_seals(establishment: Any, lead_api: Any, operator: Any) -> None:
    asked = {"person": str(operator.pk), "role": "supervisor", "from_day": "2026-01-01"}
    made = lead_api.send("roles", asked)
    assert made.status_code == 201, made.json()
    assert seals.seal(establishment=establishment) is not None
    last = Change.objects.order_by("recorded_at").last()
    assert last is not None
    assert Leaf.objects.filter(entry_id=last.pk).exists()


@postgresql_only
@pytest.mark.django_db
def test_the_owner_is_not_a_service() -> None:
    with pytest.raises(CommandError, match="owns the tables"):
        call_command("grants", connection.settings_dict["USER"])


@pytest.mark.skipif(os.environ.get("DATABASE_URL", "").startswith("postgres"), reason="PostgreSQL has roles")
def test_sqlite_says_that_triggers_stand_alone() -> None:
    with pytest.raises(CommandError, match="SQLite has no roles"):
        call_command("grants", "records_service")
