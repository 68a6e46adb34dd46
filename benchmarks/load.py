"""The two sides that are compared: requests to gunicorn, and bare psycopg, in the same shape. No Django here."""

import contextlib
import json
import multiprocessing
import socket
import statistics
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from stage import ROOT

from ledger.ids import uuid7

PROCESSES, THREADS = 2, 4


# -- the service --------------------------------------------------------------------------------------


@contextmanager
def served() -> Iterator[int]:
    """gunicorn with as many processes and threads as bare psycopg gets; its port."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "gunicorn", "config.wsgi:application", "--bind", f"127.0.0.1:{port}"]
    shape = ["--worker-class", "gthread", "--workers", str(PROCESSES), "--threads", str(THREADS)]
    quiet = ["--keep-alive", "60", "--log-level", "warning", "--no-control-socket"]
    server = subprocess.Popen([*command, *shape, *quiet], cwd=ROOT)
    try:
        _wait_for(port)
        yield port
    finally:
        server.terminate()
        server.wait(20)


def _wait_for(port: int) -> None:
    for _ in range(200):
        with contextlib.suppress(OSError), urllib.request.urlopen(f"http://127.0.0.1:{port}/api/health"):
            return
        time.sleep(0.1)
    raise SystemExit("gunicorn did not start")


def ask(port: int, make: Callable[[], bytes], accept: Callable[[bytes, bytes], None], seconds: float) -> Any:
    """Requests over as many kept-alive connections as the service has threads: (requests a second, times in s).

    ``make`` gives the next request; ``accept(status line, body)`` raises for an answer that is not the one wanted.
    """
    times: list[float] = []
    failed: list[BaseException] = []
    end = time.perf_counter() + seconds

    def one_connection() -> None:
        try:
            with socket.create_connection(("127.0.0.1", port)) as line:
                line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                while (began := time.perf_counter()) < end:
                    line.sendall(make())
                    accept(*_answer(line))
                    times.append(time.perf_counter() - began)
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=one_connection) for _ in range(PROCESSES * THREADS)]
    began = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if failed:
        raise failed[0]
    return len(times) / (time.perf_counter() - began), times


def _answer(line: socket.socket) -> tuple[bytes, bytes]:
    got = b""
    while b"\r\n\r\n" not in got:
        got += _more(line)
    head, _, body = got.partition(b"\r\n\r\n")
    length = next(
        int(each[15:]) for each in head.split(b"\r\n") if each.lower().startswith(b"content-length:")
    )
    while len(body) < length:
        body += _more(line)
    return head.split(b"\r\n", 1)[0], body


def _more(line: socket.socket) -> bytes:
    if got := line.recv(65536):
        return got
    raise ConnectionError("the service hung up")


def all_stored(status: bytes, body: bytes) -> None:
    """One check within limits was stored, or every one of many."""
    if b" 201 " in status:
        return
    answers = json.loads(body).get("answers") if b" 200 " in status else None
    if not answers or any(each["status"] != 201 for each in answers):
        raise AssertionError((status, body[:2000]))


# -- bare psycopg -------------------------------------------------------------------------------------


def bare(address: str, table: str, row: dict[str, Any], at_once: int, seconds: float) -> float:
    """Rows a second that psycopg commits: prepared statements, ``at_once`` rows each, every one its own commit."""
    spawn = multiprocessing.get_context("spawn")
    start, told = spawn.Barrier(PROCESSES + 1), spawn.Queue()
    said = (address, table, row, at_once, seconds, start, told)
    processes = [spawn.Process(target=_one_process, args=said) for _ in range(PROCESSES)]
    for process in processes:
        process.start()
    start.wait(60)
    rate = sum(told.get(timeout=seconds + 60) for _ in processes)
    for process in processes:
        process.join()
    return float(rate)


def _one_process(
    address: str, table: str, row: dict[str, Any], at_once: int, seconds: float, start: Any, told: Any
) -> None:
    import psycopg

    names = list(row)
    one = "(" + ", ".join(["%s"] * len(names)) + ")"
    statement = f"INSERT INTO {table} ({', '.join(names)}) VALUES {', '.join([one] * at_once)}"
    own = names.index("id")
    values = list(row.values())
    ready, counts = threading.Barrier(THREADS + 1), []

    def insert() -> None:
        with psycopg.connect(address, autocommit=True) as connection:
            cursor = connection.cursor()
            ready.wait()
            count, end = 0, time.perf_counter() + seconds
            while time.perf_counter() < end:
                said: list[Any] = []
                for _ in range(at_once):
                    said += values
                    said[own - len(names)] = uuid7()
                cursor.execute(statement, said, prepare=True)
                count += at_once
            counts.append(count)

    threads = [threading.Thread(target=insert) for _ in range(THREADS)]
    for thread in threads:
        thread.start()
    start.wait(60)
    ready.wait()
    began = time.perf_counter()
    for thread in threads:
        thread.join()
    told.put(sum(counts) / (time.perf_counter() - began))


def stored_row() -> dict[str, Any]:
    """The latest check as the columns of its row, JSON as text."""
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("SELECT * FROM haccp_check ORDER BY id DESC LIMIT 1")
        names = [column.name for column in cursor.description]
        row = dict(zip(names, cursor.fetchone(), strict=True))
    return {
        name: json.dumps(value) if isinstance(value, (list, dict)) else value for name, value in row.items()
    }


def make_bare_table() -> str:
    """A table with the columns, indexes and checks of checks; no foreign keys, no triggers."""
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("CREATE TABLE bare_check (LIKE haccp_check INCLUDING ALL)")
    return "bare_check"


def percentile(times: list[float], part: float) -> float:
    return sorted(times)[int(part * (len(times) - 1))]


def median(values: Any) -> float:
    return float(statistics.median(values))
