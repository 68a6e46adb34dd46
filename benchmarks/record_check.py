"""What recording one check within limits costs through the API, against bare psycopg committing the same row.

    DATABASE_URL=postgresql://... python benchmarks/record_check.py

In turn, three rounds: psycopg into a table with the same columns and indexes, gunicorn, psycopg into the table itself
(with its triggers and foreign keys). All with two processes of four threads on kept connections. Then the statements of
one request as libpq sends them, and where its time goes in one process.
"""

import argparse
import inspect
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any

import load
from stage import Stage, machine, scratch

ROUNDS = 3


def compare(stage: Stage, address: str, seconds: float) -> None:
    make, row, bare_table = (
        (lambda: stage.request(stage.path, stage.one())),
        load.stored_row(),
        load.make_bare_table(),
    )
    rounds = []
    with load.served() as port:
        load.ask(port, make, load.all_stored, 2)  # connections and caches are there from now on
        for _ in range(ROUNDS):
            bare = load.bare(address, bare_table, row, 1, seconds)
            rate, times = load.ask(port, make, load.all_stored, seconds)
            full = load.bare(address, "haccp_check", row, 1, seconds)
            rounds.append((rate, bare, full))
            print(
                f"  {rate:6.0f} checks/s (p50 {load.percentile(times, 0.5) * 1e3:.1f} ms, p95 "
                f"{load.percentile(times, 0.95) * 1e3:.1f} ms); bare psycopg {bare:6.0f}/s: {rate / bare:.1%}; "
                f"with triggers and foreign keys {full:6.0f}/s: {rate / full:.1%}",
                flush=True,
            )
    ratio = load.median(rate / bare for rate, bare, _ in rounds)
    print(
        f"median: {load.median(r for r, *_ in rounds):.0f} checks/s, {ratio:.1%} of bare psycopg, "
        f"{load.median(rate / full for rate, _, full in rounds):.1%} of psycopg into the table itself"
    )


# -- one process: statements, and where the time goes ---------------------------------------------------


def handler(path: str) -> Callable[[bytes, Stage], int]:
    """Asks the WSGI application itself, as gunicorn does."""
    import io

    from config.wsgi import application

    def ask(body: bytes, stage: Stage) -> int:
        status: list[int] = []
        environ = {
            "REQUEST_METHOD": "POST",
            "PATH_INFO": path,
            "SERVER_NAME": "127.0.0.1",
            "SERVER_PORT": "80",
            "SERVER_PROTOCOL": "HTTP/1.1",
            "HTTP_HOST": "127.0.0.1",
            "HTTP_AUTHORIZATION": stage.key,
            "CONTENT_TYPE": "application/json",
            "CONTENT_LENGTH": str(len(body)),
            "wsgi.input": io.BytesIO(body),
            "wsgi.url_scheme": "http",
            "QUERY_STRING": "",
        }
        answer = application(environ, lambda line, headers: status.append(int(line[:3])))
        b"".join(answer)
        answer.close()
        return status[0]

    return ask


def statements(ask: Callable[[bytes, Stage], int], stage: Stage, body: bytes) -> list[str]:
    """What libpq sends to the server for one request, told by libpq itself."""
    from django.db import connection

    with tempfile.TemporaryFile() as told:
        pgconn = connection.connection.pgconn
        pgconn.trace(told.fileno())
        assert ask(body, stage) in (200, 201)
        pgconn.untrace()
        told.seek(0)
        lines = [line.decode(errors="replace").split("\t") for line in told]
    sent = [line for line in lines if len(line) > 1 and line[1] == "F"]
    return [line[4] if len(line) > 4 else line[-1] for line in sent if line[3] in ("Parse", "Query")]


class Clock:
    """Time spent in named functions, each without what it calls of the others."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}
        self.inside: list[float] = []

    def watch(self, owner: Any, name: str, called: str) -> None:
        function = inspect.getattr_static(owner, name)
        of_class = isinstance(function, classmethod)
        function = function.__func__ if of_class else function

        @wraps(function)
        def timed(*args: Any, **kwargs: Any) -> Any:
            with self.of(called):
                return function(*args, **kwargs)

        setattr(owner, name, classmethod(timed) if of_class else timed)

    @contextmanager
    def of(self, called: str) -> Iterator[None]:
        began = time.perf_counter()
        self.inside.append(0.0)
        try:
            yield
        finally:
            whole = time.perf_counter() - began
            self.spent[called] = self.spent.get(called, 0.0) + whole - self.inside.pop()
            if self.inside:
                self.inside[-1] += whole


def where_time_goes(ask: Callable[[bytes, Stage], int], stage: Stage, count: int) -> None:
    from django.db import connection, connections
    from django.db.backends.base.base import BaseDatabaseWrapper

    from haccp import checks, judging, rules
    from haccp.api.checks import Checks, CheckSerializer
    from ledger.api.authentication import TokenAuthentication
    from ledger.api.scope import ScopedReference
    from ledger.models import Record

    clock = Clock()
    for owner, name, called in (
        (TokenAuthentication, "authenticate", "sign-in and roles: building the query, reading rows"),
        (CheckSerializer, "__init__", "reading the body: fields"),
        (CheckSerializer, "run_validation", "reading the body: fields"),
        (CheckSerializer, "to_representation", "writing the answer: fields"),
        (ScopedReference, "find", "batch and instrument: building the query, reading rows"),
        (rules, "rules_in_force", "local rules: building the query, reading rows"),
        (judging, "shape", "judging"),
        (judging, "judge", "judging"),
        (Record, "_complete", "field rules and digests"),
        (Record, "_insert_rows", "the insert: building it"),
        (checks, "record", "the transaction, besides"),
        (Checks, "dispatch", "REST framework, besides"),
        (type(connections["default"]), "is_usable", "the database: does the kept connection still answer"),
        (BaseDatabaseWrapper, "_commit", "the database: commit"),
        (BaseDatabaseWrapper, "connect", "the database: connecting"),
    ):
        clock.watch(owner, name, called)

    def on_the_wire(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        kind = "the insert" if sql.startswith("INSERT") else "reading"
        with clock.of(f"the database: {kind}"):
            return execute(sql, params, many, context)

    with connection.execute_wrapper(on_the_wire):
        for _ in range(count // 5):
            ask(stage.one(), stage)
        clock.spent.clear()
        for _ in range(count):
            with clock.of("Django and its middleware, besides"):
                assert ask(stage.one(), stage) == 201
    whole = sum(clock.spent.values())
    print(
        f"\nwhere {1e3 * whole / count:.2f} ms of one request go (one process, one at a time, clocks running):"
    )
    for called, spent in sorted(clock.spent.items(), key=lambda each: -each[1]):
        print(f"  {spent / whole:6.1%}  {1e6 * spent / count:6.0f} us  {called}")


def main() -> None:
    reader = argparse.ArgumentParser()
    reader.add_argument("--seconds", type=float, default=6, help="for each measurement")
    reader.add_argument("--profile", help="write a cProfile of 500 requests to this file")
    wanted = reader.parse_args()
    with scratch("postgresql") as address:
        stage = Stage.set_up()
        print(machine(), flush=True)
        ask = handler(stage.path)
        for _ in range(20):
            assert ask(stage.one(), stage) == 201
        sent = statements(ask, stage, stage.one())
        if wanted.profile:
            import cProfile

            with cProfile.Profile() as profile:
                for _ in range(500):
                    ask(stage.one(), stage)
            profile.dump_stats(wanted.profile)
        if wanted.seconds:
            compare(stage, address, wanted.seconds)
        print(f"\n{len(sent)} statements:")
        for statement in sent:
            print(f"  {statement.strip()[:110]}")
        where_time_goes(ask, stage, 500)


if __name__ == "__main__":
    main()
