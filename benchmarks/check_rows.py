"""What it costs to fetch checks over the API, against fetching the same rows and writing them as JSON.

    DATABASE_URL=postgresql://... python benchmarks/check_rows.py [--rounds 9]   # without it: SQLite

Makes a scratch database with the demo's firm and some thousand checks. In turns, medians: the whole request for 1,000 checks
in this process (sign-in, roles, page, JSON); and a bare cursor that fetches the same columns of the same rows, with ``orjson``
over them. Times are this process's own, since others may work beside it, with the clock's behind them. Read the ratios.
"""

import argparse
import os
import statistics
from collections.abc import Callable
from datetime import timedelta
from time import perf_counter, process_time
from typing import Any

import orjson
from papers import fill, first_check
from stage import Stage, machine, scratch

ROWS = 1000


def over_the_api(stage: Stage) -> Callable[[], bytes]:
    from django.test import Client

    client = Client(SERVER_NAME="127.0.0.1")

    def do() -> bytes:
        answer = client.get(f"{stage.path}?limit={ROWS}", headers={"Authorization": stage.key})
        assert answer.status_code == 200, answer.content
        return answer.content

    return do


def bare() -> Callable[[], bytes]:
    """The statement of the page itself, so that the rows and columns are the same; JSON columns come as the driver reads them."""
    from django.db import connection

    from haccp.api import check_rows
    from haccp.models import Check

    page = check_rows.columns(Check.objects.order_by("-recorded_at", "-id"))[: ROWS + 1]
    sql, params = page.query.sql_with_params()

    def do() -> bytes:
        with connection.cursor() as cursor:
            cursor.execute(sql, params)
            names = [column.name if hasattr(column, "name") else column[0] for column in cursor.description]
            return orjson.dumps([dict(zip(names, row, strict=True)) for row in cursor.fetchall()])

    return do


def timed(do: Callable[[], Any]) -> tuple[float, float]:
    clock, own = perf_counter(), process_time()
    do()
    return process_time() - own, perf_counter() - clock


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=int, default=9)
    asked = parser.parse_args()
    with scratch("postgresql" if os.environ.get("DATABASE_URL", "").startswith("postgres") else "sqlite"):
        print(machine())
        stage = Stage.set_up(timedelta(days=2))
        fill(first_check(stage), 2 * ROWS, timedelta(minutes=1))
        ours, alone = over_the_api(stage), bare()
        assert len(orjson.loads(ours())["results"]) == ROWS
        alone()
        times = [(timed(alone), timed(ours)) for _ in range(asked.rounds)]
        for name, place in (("own time", 0), ("clock", 1)):
            bare_s = statistics.median(each[0][place] for each in times)
            ours_s = statistics.median(each[1][place] for each in times)
            ratio = statistics.median(each[1][place] / each[0][place] for each in times)
            print(f"{name}: {1000 * ours_s:.1f} ms, bare {1000 * bare_s:.1f} ms: {ratio:.2f} x")


if __name__ == "__main__":
    main()
