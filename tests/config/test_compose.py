"""docker-compose.yml, read as data: it cannot be run where no container engine is."""

import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from django.conf import settings

ROOT = Path(__file__).resolve().parents[2]
PROGRAMS = ("web", "worker-quick", "worker-heavy", "worker-long", "beat")


@pytest.fixture(scope="module")
def services() -> dict[str, Any]:
    return yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"]


def role(service: dict[str, Any]) -> str:
    found = re.match(r"postgresql://(\w+):", service["environment"]["DATABASE_URL"])
    assert found
    return found[1]


@pytest.mark.parametrize("name", PROGRAMS)
def test_no_running_program_owns_the_tables(services: dict[str, Any], name: str) -> None:
    assert role(services[name]) == "records_service"
    assert "OWNER_PASSWORD" not in str(services[name])
    assert (
        role(services["migrate"]) == services["postgres"]["environment"]["POSTGRES_USER"] == "records_owner"
    )


def test_the_migration_gives_that_role_its_privileges(services: dict[str, Any]) -> None:
    assert "manage.py grants records_service" in services["migrate"]["command"][-1]


@pytest.mark.parametrize("name", PROGRAMS)
def test_programs_start_after_the_migration(services: dict[str, Any], name: str) -> None:
    assert services[name]["depends_on"]["migrate"]["condition"] == "service_completed_successfully"


@pytest.mark.parametrize("name", ["postgres", "redis", "web", "worker-quick", "worker-heavy", "worker-long"])
def test_what_others_wait_for_says_whether_it_works(services: dict[str, Any], name: str) -> None:
    assert services[name]["healthcheck"]["test"]


def test_every_queue_that_is_sent_to_has_a_worker(services: dict[str, Any]) -> None:
    served = {
        word.removeprefix("--queues=")
        for service in services.values()
        for word in str(service.get("command")).split()
        if word.startswith("--queues=")
    }
    sent = {settings.CELERY_TASK_DEFAULT_QUEUE} | {
        route["queue"] for route in settings.CELERY_TASK_ROUTES.values()
    }
    assert served == sent


def test_every_folder_the_service_imports_is_in_the_image() -> None:
    copied = {
        line.split()[1] for line in (ROOT / "Dockerfile").read_text().splitlines() if line.startswith("COPY")
    }
    let_in = {line[1:] for line in (ROOT / ".dockerignore").read_text().splitlines() if line.startswith("!")}
    ours = {"config", *(app for app in settings.INSTALLED_APPS if (ROOT / app).is_dir())}
    assert ours < copied
    assert copied == let_in
