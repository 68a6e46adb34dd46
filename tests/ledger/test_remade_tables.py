"""The guards of kept rows outlast a migration that makes tables anew.

A module of its own: a migration needs a connection on which no test's transaction is open.
"""

from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection

from ledger import triggers

pytestmark = pytest.mark.django_db(transaction=True)

LATER = """
import importlib
from django.db import migrations, models
First = importlib.import_module("ledger.migrations.0001_initial").Migration

class Migration(migrations.Migration):
    dependencies = [("ledger", "0001_initial")]
    operations = [
        migrations.AlterField("qualification", "title", models.CharField(max_length=250)),
        migrations.AlterField("entry", "kind", models.CharField(max_length=70)),
        migrations.AlterField("leaf", "position", models.PositiveBigIntegerField()),
    ]
"""
SAME = """
import importlib
Migration = importlib.import_module("ledger.migrations.0001_initial").Migration
"""


@pytest.fixture
def later_migration(tmp_path: Any, monkeypatch: pytest.MonkeyPatch, settings: Any) -> Any:
    """A migration of the ledger that alters columns: on SQLite Django makes such a table anew."""
    folder = tmp_path / "later_ledger_migrations"
    folder.mkdir()
    (folder / "__init__.py").touch()
    (folder / "0001_initial.py").write_text(SAME)
    (folder / "0002_later.py").write_text(LATER)
    monkeypatch.syspath_prepend(str(tmp_path))
    settings.MIGRATION_MODULES = {"ledger": "later_ledger_migrations"}
    yield
    call_command("migrate", "ledger", "0001", verbosity=0)


def remade(table: str) -> bool:
    """Whether the column that the later migration alters is as it says."""
    with connection.cursor() as cursor:
        described = connection.introspection.get_table_description(cursor, table)
    return any(column.name == "title" and column.display_size == 250 for column in described)


def test_a_migration_leaves_every_trigger_standing(later_migration: Any) -> None:
    call_command("migrate", "ledger", verbosity=0)
    assert remade("ledger_qualification")
    assert list(triggers.faults(connection)) == []


@pytest.mark.skipif(connection.vendor != "sqlite", reason="PostgreSQL alters a table as it stands")
def test_without_triggers_made_again_it_would_leave_tables_unguarded(
    later_migration: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Shows that the test above can fail."""
    with monkeypatch.context() as patched:
        patched.setattr(triggers, "install", lambda connection: None)
        call_command("migrate", "ledger", verbosity=0)
    missing = " ".join(triggers.faults(connection))
    for table in ("ledger_qualification", "ledger_entry", "ledger_leaf"):
        assert f"trigger kept_{table}_update is missing on {table}" in missing
