"""The whole service in one terminal, started and ended as a person would."""

import json
import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import psycopg
import pytest
from django.db import connection

from config.management.commands.up import _say_who_is_let_in

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.worker


# A laptop's arrangement, whatever the other tests run on.
LAPTOP = {"DATABASE_URL": "", "CELERY_BROKER_URL": "", "PYTHONWARNINGS": "ignore"}


@pytest.fixture(scope="module")
def made_tables(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database file with every table, made once."""
    folder = tmp_path_factory.mktemp("made")
    manage = [sys.executable, str(ROOT / "manage.py"), "migrate", "-v0"]
    subprocess.run(manage, env=os.environ | LAPTOP | {"DATA_DIR": str(folder)}, check=True, timeout=180)
    return folder / "records.sqlite3"


@pytest.fixture
def laptop(made_tables: Path, tmp_path: Path) -> dict[str, str]:
    """The environment of one machine: SQLite and a message folder, whatever the other tests run on."""
    (tmp_path / "var").mkdir()
    shutil.copy(made_tables, tmp_path / "var")
    return LAPTOP | {"DATA_DIR": str(tmp_path / "var")}


@pytest.fixture
def arrangement(
    request: pytest.FixtureRequest, transactional_db: None, tmp_path: Path
) -> Iterator[dict[str, str]]:
    """The environment of the engines these tests run on: the laptop's, or PostgreSQL and its broker."""
    if not os.environ.get("DATABASE_URL", "").startswith("postgres"):
        yield request.getfixturevalue("laptop")
        return
    connection.close()
    made, url = connection.settings_dict, urlsplit(os.environ["DATABASE_URL"])
    copy = f"{made['NAME']}_up"
    assert made["NAME"].startswith("test_"), "only the tests' own database is ever cut off"
    server = url._replace(path="/postgres").geturl()
    with psycopg.connect(server, autocommit=True) as owner:
        owner.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s", [made["NAME"]]
        )
        owner.execute(f"DROP DATABASE IF EXISTS {copy}")
        owner.execute(f"CREATE DATABASE {copy} TEMPLATE {made['NAME']}")
        yield {"DATABASE_URL": url._replace(path=f"/{copy}").geturl(), "DATA_DIR": str(tmp_path / "var")}
        owner.execute(f"DROP DATABASE {copy} WITH (FORCE)")


def shell(environment: dict[str, str], lines: str) -> str:
    """What Python prints that runs within the service's own settings."""
    command = [sys.executable, str(ROOT / "manage.py"), "shell", "-v0", "-c", lines]
    done = subprocess.run(
        command, env=os.environ | environment, check=True, timeout=60, stdout=subprocess.PIPE, text=True
    )
    return done.stdout.strip()


class Up:
    """``manage.py up``, started from a folder that is not the project's."""

    def __init__(self, environment: dict[str, str], folder: Path, port: int):
        self.port, self.printed_to = port, folder / f"printed-{port}"
        command = [sys.executable, str(ROOT / "manage.py"), "up", "--port", str(port)]
        with self.printed_to.open("w") as file:
            self.process = subprocess.Popen(
                command, env=os.environ | environment, cwd=folder, stdout=file, stderr=subprocess.STDOUT
            )

    def ended(self) -> int:
        """The exit code, within 20 seconds."""
        return self.process.wait(timeout=20)

    @property
    def printed(self) -> str:
        return self.printed_to.read_text()

    @property
    def processes(self) -> dict[str, int]:
        return {name: int(pid) for name, pid in re.findall(r"(\w+) is process (\d+)", self.printed)}

    @property
    def left(self) -> list[int]:
        return [pid for pid in self.processes.values() if alive(pid)]

    def health(self) -> dict[str, object]:
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline and self.process.poll() is None:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/api/health", timeout=5) as answer:
                    return json.load(answer)
            except OSError:
                time.sleep(0.2)
        raise AssertionError(f"no answer; it printed:\n{self.printed}")


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[[dict[str, str], int], Up]]:
    started: list[Up] = []

    def make(environment: dict[str, str], port: int) -> Up:
        started.append(Up(environment, tmp_path, port))
        return started[-1]

    yield make
    for up in started:
        up.process.terminate()
        up.ended()


@pytest.fixture
def port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as free:
        return free.getsockname()[1]


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


Start = Callable[[dict[str, str], int], Up]


def test_it_answers_works_and_ends_with_all_its_processes_when_asked(
    start: Start, arrangement: dict[str, str], port: int
) -> None:
    up = start(arrangement, port)
    assert up.health()["status"] == "ok"
    assert list(up.processes) == ["web", "quick", "heavy", "long", "clock"]
    assert len(up.left) == 5, up.printed
    private = Path(arrangement["DATA_DIR"]) / "tmp"
    assert private.stat().st_mode & 0o777 == 0o700
    shell(arrangement, RECORD_AND_ASK_FOR_A_SEAL)
    assert sealed_within(30, arrangement), up.printed
    up.process.send_signal(signal.SIGTERM)
    assert up.ended() == 0, up.printed
    assert f"http://127.0.0.1:{port}/" in up.printed
    assert up.left == []


RECORD_AND_ASK_FOR_A_SEAL = """
from ledger import establishments, people
from ledger.models import Person
from ledger.tasks import seal_everywhere
founder = Person.objects.create_user("ines", password="sugar-boils-slowly-7", name="Ines Lead", initials="IL")
establishments.open_establishment(
    founder=founder, name="Lindenhof Sweets", address="Mill Lane 4", country="DE", time_zone="Europe/Berlin"
)
seal_everywhere.delay()
"""


def sealed_within(seconds: float, environment: dict[str, str]) -> bool:
    """Whether a worker made the seal: nobody else does."""
    lines = f"""
import time
from ledger.models import Seal
deadline = time.monotonic() + {seconds}
while not Seal.objects.exists() and time.monotonic() < deadline:
    time.sleep(0.2)
print(Seal.objects.exists())
"""
    return shell(environment, lines) == "True"


def test_when_one_process_ends_all_end_and_it_says_which(
    start: Start, laptop: dict[str, str], port: int
) -> None:
    up = start(laptop, port)
    up.health()
    os.kill(up.processes["clock"], signal.SIGKILL)
    assert up.ended() == 1, up.printed
    assert "clock ended by itself" in up.printed
    assert up.left == []


def test_a_second_one_on_the_same_data_is_refused(start: Start, laptop: dict[str, str], port: int) -> None:
    first = start(laptop, port)
    first.health()
    second = start(laptop, port + 1)
    assert second.ended() == 1
    assert "already runs on" in second.printed
    assert f"process {first.process.pid}" in second.printed
    assert first.process.poll() is None
    assert len(first.left) == 5


def test_a_taken_port_is_named_and_nothing_is_started(start: Start, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        up = start(LAPTOP | {"DATA_DIR": str(tmp_path / "var")}, port)
        assert up.ended() == 1
    assert f"Port {port} on 127.0.0.1 is taken" in up.printed
    assert up.processes == {}


def test_tables_that_are_not_up_to_date_are_named_and_nothing_is_started(
    start: Start, tmp_path: Path, port: int
) -> None:
    up = start(LAPTOP | {"DATA_DIR": str(tmp_path / "var")}, port)
    assert up.ended() == 1
    assert "run manage.py migrate first" in up.printed
    assert up.processes == {}


def test_triggers_that_are_down_are_named_and_nothing_is_started(
    start: Start, laptop: dict[str, str], port: int
) -> None:
    """As after a migration that failed midway on SQLite."""
    with sqlite3.connect(Path(laptop["DATA_DIR"]) / "records.sqlite3") as database:
        database.execute("DROP TRIGGER kept_ledger_change_update")
    up = start(laptop, port)
    assert up.ended() == 1
    assert "kept_ledger_change_update is missing on ledger_change" in up.printed
    assert "nothing was started" in up.printed
    assert "Run manage.py migrate" in up.printed
    assert up.processes == {}


@pytest.mark.parametrize(
    ("host", "let_in", "warned"),
    [
        ("0.0.0.0", ["localhost", "127.0.0.1"], True),
        ("0.0.0.0", ["127.0.0.1", "kitchen.example"], False),
        ("127.0.0.1", ["localhost", "127.0.0.1"], False),
    ],
)
def test_listening_for_others_without_letting_them_in_is_said(
    settings: Any, capsys: pytest.CaptureFixture[str], host: str, let_in: list[str], warned: bool
) -> None:
    settings.ALLOWED_HOSTS = let_in
    _say_who_is_let_in(host)
    assert ("ALLOWED_HOSTS" in capsys.readouterr().out) is warned
