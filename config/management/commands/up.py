"""``manage.py up``: the whole service in one terminal: web, three workers and the clock, ended together.

For one machine. Larger installations start the same five programs separately (docker-compose.yml).
"""

import errno
import fcntl
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from config.api import conditions

LOOK_EVERY = 0.2  # seconds
LET_FINISH = 8.0  # seconds a process gets to finish its request or task before it is killed
WORKER = (
    "celery",
    "-q",
    "-A",
    "config",
    "worker",
    "--loglevel=WARNING",
    "--without-gossip",
    "--without-mingle",
)


class Command(BaseCommand):
    help = "Run the web service, its three workers and the clock until Ctrl-C. When one ends, all end."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--host", default="127.0.0.1", help="address to listen on (default: this machine)"
        )
        parser.add_argument("--port", type=int, default=8000, help="port to listen on (default: 8000)")

    def handle(self, *args: Any, host: str, port: int, **options: Any) -> None:
        os.umask(0o077)  # records and keys are for their owner only
        with _only_one():
            _refuse_taken_port(host, port)
            _refuse_old_tables()
            _refuse_faults()
            _say_who_is_let_in(host)
            ended = Group(programs(host, port), _environment(host, port)).run((host, port))
        if ended:
            raise CommandError(f"{ended} ended by itself, so everything was ended; its lines above say why.")


def programs(host: str, port: int) -> dict[str, list[str]]:
    """Name and command of every process; each command is run by this Python."""
    alone = settings.CELERY_BROKER_URL.startswith("filesystem://")
    pool = ("--pool=solo",) if alone else ("--pool=prefork", "--concurrency=1")
    workers = "1" if connection.vendor == "sqlite" else "2"
    bind = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    web = ("gunicorn", "config.wsgi:application", "--bind", bind, "--workers", workers, "--threads", "8")
    clock = ("celery", "-q", "-A", "config", "beat", "--loglevel=WARNING")
    commands = {
        "web": (*web, "--worker-class", "gthread", "--no-control-socket", "--log-level", "warning"),
        "quick": (*WORKER, *pool, "--queues=quick", "--hostname=quick@%h"),
        "heavy": (*WORKER, *pool, "--queues=heavy", "--hostname=heavy@%h"),
        "long": (*WORKER, *pool, "--queues=long", "--hostname=long@%h"),
        "clock": (*clock, f"--schedule={settings.DATA_DIR / 'clock'}"),
    }
    return {name: [sys.executable, "-m", *command] for name, command in commands.items()}


class Group:
    """Processes that live and end together."""

    def __init__(self, commands: Mapping[str, list[str]], environment: Mapping[str, str]):
        self.commands, self.environment = commands, environment
        self.running: dict[str, subprocess.Popen[str]] = {}
        self.asked_to_stop = threading.Event()

    def run(self, address: tuple[str, int]) -> str | None:
        """Start all, wait, end all. The name of the process that ended by itself, or None when asked to stop."""
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: self.asked_to_stop.set())
        try:
            for name, command in self.commands.items():
                self._start(name, command)
            return self._wait(address)
        finally:
            self._end()

    def _start(self, name: str, command: list[str]) -> None:
        process = subprocess.Popen(
            command,
            cwd=settings.BASE_DIR,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            start_new_session=True,  # Ctrl-C reaches this process only, which ends the others in order
        )
        self.running[name] = process
        say("up", f"{name} is process {process.pid}")
        threading.Thread(target=_pass_on, args=(name, process), daemon=True).start()

    def _wait(self, address: tuple[str, int]) -> str | None:
        announced = False
        while not self.asked_to_stop.wait(LOOK_EVERY):
            for name, process in self.running.items():
                if process.poll() is not None:
                    say("up", f"{name} ended with exit code {process.returncode}")
                    return name
            if not announced and _answers(*address):
                say("up", f"ready: open {_url(*address)} (Ctrl-C ends everything)")
                announced = True
        return None

    def _end(self) -> None:
        say("up", "ending")
        deadline = time.monotonic() + LET_FINISH
        for process in self.running.values():
            process.terminate()
        for name, process in self.running.items():
            try:
                process.wait(max(0.0, deadline - time.monotonic()))
            except subprocess.TimeoutExpired:
                say("up", f"{name} did not end in {LET_FINISH:g} seconds: killed; its task is tried again")
            _kill_group(process)


def say(name: str, line: str) -> None:
    print(f"{name:5} | {line}", flush=True)


def _pass_on(name: str, process: "subprocess.Popen[str]") -> None:
    assert process.stdout is not None
    for line in process.stdout:
        say(name, line.rstrip("\n"))


def _kill_group(process: "subprocess.Popen[str]") -> None:
    """Whatever a process left behind, itself included."""
    try:
        os.killpg(process.pid, signal.SIGKILL)
    except (ProcessLookupError, PermissionError):  # nothing is left
        return
    process.wait()


def _environment(host: str, port: int) -> dict[str, str]:
    """A message passes through the temporary folder while it is read, so that folder is ours alone."""
    private = settings.DATA_DIR / "tmp"
    private.mkdir(mode=0o700, exist_ok=True)
    private.chmod(0o700)
    usual = {"PUBLIC_URL": _url(host, port).rstrip("/"), "DATA_DIR": str(settings.DATA_DIR)}
    ours = {"TMPDIR": str(private), "PYTHONUNBUFFERED": "1"}
    if os.getuid() == 0:
        say("up", "running as root: fine for a trial, but give the service a user of its own for real work")
        ours["PYTHONWARNINGS"] = "ignore:You're running the worker with superuser"  # just said
    return usual | os.environ | ours


@contextmanager
def _only_one() -> Iterator[None]:
    """Two clocks or two readers of one message folder would do work twice."""
    path = settings.DATA_DIR / "up.lock"
    with path.open("a+") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            file.seek(0)
            raise CommandError(
                f"The service already runs on {settings.DATA_DIR} (process {file.read().strip() or 'unknown'}). "
                "End that one first, or give this one its own folder: DATA_DIR=..."
            ) from error
        file.truncate(0)
        file.write(str(os.getpid()))
        file.flush()
        yield


def _refuse_taken_port(host: str, port: int) -> None:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        socket.create_server((host, port), family=family).close()
    except (OSError, OverflowError) as error:
        if getattr(error, "errno", None) == errno.EADDRINUSE:
            reason = f"Port {port} on {host} is taken by another program. Choose another: --port {port + 1}"
        else:
            reason = f"Cannot listen on {host} port {port}: {error}"
        raise CommandError(f"{reason}\nNothing was started.") from error


def _refuse_old_tables() -> None:
    executor = MigrationExecutor(connection)
    if executor.migration_plan(executor.loader.graph.leaf_nodes()):
        raise CommandError("The tables are not up to date: run manage.py migrate first. Nothing was started.")
    connection.close()


def _refuse_faults() -> None:
    """A migration that failed midway leaves triggers down on SQLite: then rows could be changed unseen."""
    found = conditions.faults()
    connection.close()
    if found:
        shown = "".join(f"\n  {sentence}" for sentence in found[:5])
        raise CommandError(
            f"Records would not be kept as written, so nothing was started ({len(found)} such):{shown}\n"
            "Run manage.py migrate, then manage.py verify."
        )


def _say_who_is_let_in(host: str) -> None:
    """A tablet asks for this machine by a name or number that the settings must know."""
    here = {"localhost", "127.0.0.1", "[::1]"}
    if host not in ("localhost", "127.0.0.1", "::1") and here.issuperset(settings.ALLOWED_HOSTS):
        say(
            "up",
            "other machines are answered 400 until ALLOWED_HOSTS=127.0.0.1,NAME gives the name they ask for",
        )


def _answers(host: str, port: int) -> bool:
    try:
        socket.create_connection((_reachable(host), port), timeout=LOOK_EVERY).close()
    except OSError:
        return False
    return True


def _reachable(host: str) -> str:
    return {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)


def _url(host: str, port: int) -> str:
    host = _reachable(host)
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"
