"""The whole service in one terminal, started and ended as a person would."""

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

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
def migrated(made_tables: Path, tmp_path: Path) -> None:
    (tmp_path / "var").mkdir()
    shutil.copy(made_tables, tmp_path / "var")


class Up:
    """``manage.py up``, started from a folder that is not the project's."""

    def __init__(self, folder: Path, port: int):
        self.port, self.printed_to = port, folder / f"printed-{port}"
        environment = os.environ | LAPTOP | {"DATA_DIR": str(folder / "var")}
        command = [sys.executable, str(ROOT / "manage.py"), "up", "--port", str(port)]
        with self.printed_to.open("w") as file:
            self.process = subprocess.Popen(
                command, env=environment, cwd=folder, stdout=file, stderr=subprocess.STDOUT
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
def start(tmp_path: Path) -> Iterator[Callable[[int], Up]]:
    started: list[Up] = []

    def make(port: int) -> Up:
        started.append(Up(tmp_path, port))
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


@pytest.mark.usefixtures("migrated")
def test_it_answers_and_ends_with_all_its_processes_when_asked(
    start: Callable[[int], Up], port: int, tmp_path: Path
) -> None:
    up = start(port)
    assert up.health()["status"] == "ok"
    assert list(up.processes) == ["web", "quick", "heavy", "clock"]
    assert len(up.left) == 4
    assert (tmp_path / "var" / "tmp").stat().st_mode & 0o777 == 0o700
    up.process.send_signal(signal.SIGTERM)
    assert up.ended() == 0, up.printed
    assert f"http://127.0.0.1:{port}/" in up.printed
    assert up.left == []


@pytest.mark.usefixtures("migrated")
def test_when_one_process_ends_all_end_and_it_says_which(start: Callable[[int], Up], port: int) -> None:
    up = start(port)
    up.health()
    os.kill(up.processes["clock"], signal.SIGKILL)
    assert up.ended() == 1, up.printed
    assert "clock ended by itself" in up.printed
    assert up.left == []


@pytest.mark.usefixtures("migrated")
def test_a_second_one_on_the_same_data_is_refused(start: Callable[[int], Up], port: int) -> None:
    first = start(port)
    first.health()
    second = start(port + 1)
    assert second.ended() == 1
    assert "already runs on" in second.printed
    assert f"process {first.process.pid}" in second.printed
    assert first.process.poll() is None
    assert len(first.left) == 4


def test_a_taken_port_is_named_and_nothing_is_started(start: Callable[[int], Up]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        up = start(port)
        assert up.ended() == 1
    assert f"Port {port} on 127.0.0.1 is taken" in up.printed
    assert up.processes == {}


def test_tables_that_are_not_up_to_date_are_named_and_nothing_is_started(
    start: Callable[[int], Up], port: int
) -> None:
    up = start(port)
    assert up.ended() == 1
    assert "run manage.py migrate first" in up.printed
    assert up.processes == {}
