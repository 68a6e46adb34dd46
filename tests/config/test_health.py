"""Whether the service can work, for whoever watches it."""

from typing import Any

import pytest
from django.db import OperationalError, connection
from django.db.backends.utils import CursorWrapper
from django.db.migrations.recorder import MigrationRecorder

from config.api import health
from ledger import triggers
from tests.config.conftest import Asking


@pytest.mark.django_db
def test_all_well_is_ok_without_sign_in(ask: Asking) -> None:
    answer = ask.get("/api/health")
    assert (answer.status_code, answer.json()["database"]) == (200, "answers")


@pytest.mark.django_db
def test_a_broker_that_is_away_is_degraded_and_still_200(ask: Asking, settings: Any) -> None:
    settings.CELERY_BROKER_URL = "redis://127.0.0.1:1/0"
    answer = ask.get("/api/health")
    assert answer.status_code == 200
    assert (answer.json()["status"], answer.json()["broker"]) == ("degraded", "does not answer")


@pytest.mark.django_db
def test_a_message_folder_that_is_away_is_degraded(ask: Asking, settings: Any, tmp_path: Any) -> None:
    settings.CELERY_BROKER_URL = "filesystem://"
    settings.CELERY_BROKER_TRANSPORT_OPTIONS = {"data_folder_out": str(tmp_path / "gone")}
    assert ask.get("/api/health").json()["status"] == "degraded"


@pytest.mark.django_db
def test_a_database_that_is_down_is_503(ask: Asking, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*args: Any, **kwargs: Any) -> None:
        raise OperationalError("connection refused by db.internal")

    monkeypatch.setattr(CursorWrapper, "execute", refuse)
    answer = ask.get("/api/health")
    assert (answer.status_code, answer["Retry-After"]) == (503, "30")
    assert answer.json()["detail"] == "The database does not answer."


@pytest.mark.django_db
def test_triggers_that_are_down_are_503_and_say_what_to_do(ask: Asking) -> None:
    """As after a SQLite migration that failed midway."""
    triggers.remove(connection)
    answer = ask.get("/api/health")
    assert answer.status_code == 503
    assert "rows there can be changed unseen" in answer.json()["detail"]
    assert "run manage.py migrate" in answer.json()["detail"]
    triggers.install(connection)
    assert ask.get("/api/health").status_code == 200


@pytest.mark.django_db
def test_migrations_that_wait_are_503(ask: Asking) -> None:
    health._all_migrated.cache_clear()
    MigrationRecorder.Migration.objects.filter(app="ledger").delete()
    answer = ask.get("/api/health")
    assert answer.status_code == 503
    assert "migrate" in answer.json()["detail"]
