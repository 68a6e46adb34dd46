"""Real Celery workers in their own processes, one broker each: a message sent here is done there."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

pytestmark = pytest.mark.worker
ROOT = Path(__file__).resolve().parent.parent
PATIENCE = 60  # seconds; a busy machine starts a worker slowly

WRITE_AND_SEND = """
from ledger import establishments
from ledger.models import Person
from ledger.tasks import seal_everywhere
founder = Person.objects.create_user("mira", "a-long-enough-word", name="Mira", initials="M")
establishments.open_establishment(founder=founder, name="Worker Test", address="x", country="DE", time_zone="UTC")
seal_everywhere.delay()
"""
COUNT_SEALS = "from ledger.models import Seal; print('seals:', Seal.objects.count())"


def redis_url() -> str | None:
    url = os.environ.get("TEST_REDIS_URL") or os.environ.get("CELERY_BROKER_URL", "")
    url = url if url.startswith("redis") else "redis://127.0.0.1:6379/13"
    try:
        import redis

        redis.Redis.from_url(url, socket_connect_timeout=1).ping()
    except Exception:
        return None
    return url


@pytest.fixture(params=["filesystem", "redis"])
def house(request: pytest.FixtureRequest, tmp_path: Path) -> dict[str, str]:
    """The environment of one house on SQLite with its own broker."""
    environment = dict(os.environ) | {"DATA_DIR": str(tmp_path), "DATABASE_URL": "", "CELERY_BROKER_URL": ""}
    if request.param == "redis":
        url = redis_url()
        if url is None:
            pytest.skip("no Redis answers")
        environment |= {"CELERY_BROKER_URL": url}
    return environment


@pytest.fixture
def worker(house: dict[str, str]) -> Iterator[None]:
    manage(house, "migrate", "-v0")
    command = [sys.executable, "-m", "celery", "-A", "config", "worker", "--pool=solo", "-Q", "quick"]
    running = subprocess.Popen(
        [*command, "--loglevel=ERROR"],
        cwd=ROOT,
        env=house,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    yield
    running.terminate()
    try:
        running.wait(timeout=20)
    except subprocess.TimeoutExpired:
        running.kill()


def manage(house: dict[str, str], *arguments: str) -> str:
    ran = subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=ROOT,
        env=house,
        capture_output=True,
        text=True,
        check=True,
    )
    return ran.stdout


def test_a_worker_seals_what_was_written(house: dict[str, str], worker: None) -> None:
    manage(house, "shell", "-v0", "-c", WRITE_AND_SEND)
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        if "seals: 1" in manage(house, "shell", "-v0", "-c", COUNT_SEALS):
            return
        time.sleep(1)
    pytest.fail(f"no seal after {PATIENCE} s")
