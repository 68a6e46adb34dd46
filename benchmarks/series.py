"""A logger's readings, a million at one a second: reading the file and judging it, and keeping it packed.

    DATABASE_URL=postgresql://... python benchmarks/series.py [--vendor sqlite] [--readings 1000000]

Three rounds of each pair. Judged (CSV read strictly, degrees Fahrenheit converted, a range, the time at a temperature
and F) against numpy.loadtxt of the same file, which only makes floats of it. Kept packed against one row a reading
(series, at, value, with a key): PostgreSQL by COPY and by a plain select, SQLite by executemany and by a plain select,
both ways to and from the same numpy arrays. The most memory is that of a process that does nothing but judge.
"""

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from stage import machine, scratch

ROUNDS = 3
GAP = {"longest_gap_minutes": "5"}
CORE = {"quantity": "core", "temperature_unit": "CEL", **GAP}
LIMITS: list[dict[str, Any]] = [
    {"kind": "range", "quantity": "core", "unit": "CEL", "lower": "15", "upper": "95"},
    {
        "kind": "time_at_temperature",
        "unit": "MIN",
        "temperature": "61",
        "side": "at_or_above",
        "lower": "2",
        **CORE,
    },
    {
        "kind": "lethality",
        "unit": "MIN",
        "reference_temperature": "70",
        "z": "7.5",
        "lower": "2",
        "organism": "invented for this",
        "food": "invented for this",
        "food_kind": "other moist food",
        "product_kind": "other moist food",
        "data_source": "invented for this",
        "validation": "invented for this",
        "studied_from": "55",
        "studied_to": "80",
        **CORE,
    },
]
"""No limits to work by."""


def write(path: Path, count: int) -> None:
    """A kettle that warms and cools again and again, in tenths of a degree Fahrenheit."""
    drift = np.random.default_rng(7).normal(0, 0.3, count)
    values = 140 + 60 * np.sin(np.arange(count) / 5000) + drift
    rows = (f"{second},{value:.1f}\n" for second, value in enumerate(values.tolist()))
    path.write_text("seconds,value\n" + "".join(rows))


def read(path: Path) -> Any:
    from datetime import UTC, datetime

    from haccp.logger import files
    from ledger.acts import Moment

    with path.open("rb") as file:
        return files.read(file, second_zero=Moment.of(datetime(2026, 3, 2, 8, tzinfo=UTC)))


def judge(path: Path) -> list[str]:
    """The file to judgements, as ``haccp.judging`` does it."""
    from haccp import limits
    from haccp.readings import Reading
    from haccp.science import courses

    found = read(path)
    reading = Reading("core", course=courses.course(found.seconds, found.values, "FAH"))
    return [limits.judge(reading, limits.in_force(limits.from_json(limit))).result.value for limit in LIMITS]


def seconds(work: Callable[[], Any]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def medians(pairs: list[tuple[float, float]]) -> tuple[float, float, float]:
    """The two medians, and that of the ratio of each round."""
    one, other = (statistics.median(column) for column in zip(*pairs, strict=True))
    return one, other, statistics.median(a / b for a, b in pairs)


def reading_and_judging(path: Path) -> None:
    pairs = [
        (seconds(lambda: judge(path)), seconds(lambda: np.loadtxt(path, delimiter=",", skiprows=1)))
        for _ in range(ROUNDS)
    ]
    ours, theirs, ratio = medians(pairs)
    print(f"judged {ours:.2f} s, loadtxt {theirs:.2f} s: {ratio:.2f} x", flush=True)
    alone = subprocess.run(
        [sys.executable, __file__, "--judge-only", str(path)], capture_output=True, text=True, check=True
    )
    print(f"  {alone.stdout.strip()}", flush=True)


# -- kept -----------------------------------------------------------------------------------------------


def house() -> Any:
    """An establishment, and what is done there now."""
    from django.utils import timezone

    from ledger import establishments
    from ledger.acts import Act, Moment
    from ledger.models import Person

    founder = Person.objects.create_user(
        "stove", password="long-enough-for-a-scratch-1", name="Ines Stove", initials="IS"
    )
    here = establishments.open_establishment(
        founder=founder, name="Scratch", address="Mill Lane 4", country="DE", time_zone="Europe/Berlin"
    )
    return Act(here, founder, Moment.of(timezone.now()), founder)


def keep_packed(act: Any, readings: Any) -> Any:
    """The whole deed: packed, recorded, entered in the ledger, committed."""
    from haccp import series

    return series._keep(act=act, readings=readings, unit="FAH", instrument=None, as_entered=False)


def rows_of(readings: Any) -> Any:
    return zip(readings.at.tolist(), readings.values.tolist(), strict=True)


def keep_rows(number: int, readings: Any) -> None:
    from django.db import connection, transaction

    with transaction.atomic(), connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy("COPY rows_kept (series, at, value) FROM STDIN") as copy:
                for at, value in rows_of(readings):
                    copy.write_row((number, at, value))
        else:
            rows = ((number, at, value) for at, value in rows_of(readings))
            cursor.executemany("INSERT INTO rows_kept (series, at, value) VALUES (%s, %s, %s)", rows)


def fetch_rows(number: int) -> Any:
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("SELECT at, value FROM rows_kept WHERE series = %s ORDER BY at", [number])
        found = cursor.fetchall()
    return np.array([at for at, _ in found]), np.array([value for _, value in found])


def storing(readings: Any) -> None:
    from django.db import connection

    from haccp import series

    with connection.cursor() as cursor:
        cursor.execute(
            "CREATE TABLE rows_kept (series integer, at bigint, value double precision, PRIMARY KEY (series, at))"
        )
    act, writes, reads = house(), [], []
    for number in range(ROUNDS):
        made: list[Any] = []
        packed = seconds(lambda made=made: made.append(keep_packed(act, readings)))  # type: ignore[misc]
        writes.append((seconds(lambda number=number: keep_rows(number, readings)), packed))  # type: ignore[misc]
        unpacked = seconds(lambda made=made: series.readings(made[0]).values)  # type: ignore[misc]
        reads.append((seconds(lambda number=number: fetch_rows(number)), unpacked))  # type: ignore[misc]
    for what, pairs in (("written", writes), ("read", reads)):
        theirs, ours, ratio = medians(pairs)
        print(f"{what}: rows {theirs:.2f} s, packed {ours:.3f} s: {ratio:.0f} x as quick", flush=True)
    size = sum(len(data) for data in made[0].blocks.values_list("data", flat=True))
    print(f"  packed {size / len(readings):.2f} bytes a reading", flush=True)


def judge_only(path: Path) -> None:
    import django

    django.setup()
    results = judge(path)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{', '.join(results)}; most memory {most:.0f} MiB, Django and numpy included")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--vendor", choices=["postgresql", "sqlite"], default="postgresql")
    parser.add_argument("--judge-only", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.judge_only:
        judge_only(asked.judge_only)
        return
    with scratch(asked.vendor), tempfile.TemporaryDirectory() as folder:
        print(machine())
        path = Path(folder) / "kettle.csv"
        write(path, asked.readings)
        reading_and_judging(path)
        storing(read(path))


if __name__ == "__main__":
    main()
