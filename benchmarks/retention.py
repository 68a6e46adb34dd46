"""What it costs to ask what may leave, to archive it and to remove it, against a bare pass over the same rows; and the memory.

    DATABASE_URL=postgresql://... python benchmarks/retention.py [--records 100000] [--rounds 3]

Makes a scratch database, the demo's firm, and checks in one batch that has ended, sealed in parts of ten thousand. It is
asked for a day on which all of them may leave. Bare: every column of every kind of record, fetched with psycopg's own cursor
and thrown away. Each runs in a process of its own; told is the most that it held: run it with a tenth of the records too,
and compare. Archive: written, read back, verified, recorded. The removal runs once, at the end.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
from datetime import UTC, date, datetime
from pathlib import Path
from time import perf_counter, process_time
from typing import Any
from unittest.mock import patch

import verify
from stage import Stage, machine, scratch

DAY = date(2060, 1, 10)
CHUNK = 2000


# -- each in a process of its own -----------------------------------------------------------------------


def bare(_file: Path) -> int:
    import psycopg

    from ledger.models import record_classes

    rows = 0
    with psycopg.connect(os.environ["DATABASE_URL"]) as connection:
        for model in record_classes():
            with connection.cursor(name="bare") as cursor:
                cursor.execute(f"SELECT * FROM {model._meta.db_table}")
                while chunk := cursor.fetchmany(CHUNK):
                    rows += len(chunk)
    return rows


def report(_file: Path) -> int:
    from haccp.retention.summary import summary
    from ledger.models import Establishment
    from ledger.snapshots import one_snapshot

    with one_snapshot():
        return summary(Establishment.objects.get(), DAY).leaving


def archive(file: Path) -> int:
    from haccp.retention import archiving

    return archiving.archive(act=_act(), path=file).records


def remove(file: Path) -> int:
    from haccp.retention import leaving
    from ledger.signatures import Proof

    act = _act()
    return leaving.remove(act=act, proof=Proof(act.recorded_by), file=file, today=DAY).records


def _act() -> Any:
    from ledger.management.acting import act_of_planner
    from ledger.models import Establishment

    return act_of_planner(Establishment.objects.get(), "mara")


def child(what: str, file: Path) -> None:
    """Done on that day by the clock of this process."""
    import django

    django.setup()
    from django.utils import timezone

    at = datetime(DAY.year, DAY.month, DAY.day, 12, tzinfo=UTC)
    _act()  # reads the code
    with patch.object(timezone, "now", lambda: at):
        began, own = perf_counter(), process_time()
        done = {"bare": bare, "report": report, "archive": archive, "remove": remove}[what](file)
        seconds, own = perf_counter() - began, process_time() - own
    print(json.dumps({"records": done, "seconds": seconds, "own": own, "held": _most_held()}))


def _most_held() -> float:
    """In MB. Not of ``getrusage``, where a child begins with what its parent held."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


def measured(what: str, file: Path) -> dict[str, float]:
    ran = subprocess.run(
        [sys.executable, __file__, "--child", what, str(file)], capture_output=True, text=True, check=False
    )
    if ran.returncode:
        sys.exit(ran.stderr)
    told: dict[str, float] = json.loads(ran.stdout.splitlines()[-1])
    print(
        f"  {what}: {told['records']} records, {told['seconds']:.1f} s ({told['own']:.1f} s of own time), "
        f"{told['held']:.0f} MB held",
        flush=True,
    )
    return told


# -- a house whose checks may all leave -----------------------------------------------------------------


def house(records: int) -> None:
    from batches import runs
    from batches.models import Batch
    from ledger import seals

    verify.fill(Stage.set_up(), records)
    for batch in Batch.objects.filter(state__ended_at__isnull=True):
        runs.end(act=_act(), batch=batch)
        seals.seal(establishment=batch.establishment)


def compare(records: int, rounds: int) -> None:
    house(records)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "archive.zip"
        columns: dict[str, list[dict[str, float]]] = {"bare": [], "report": [], "archive": []}
        for _ in range(rounds):
            for what, found in columns.items():
                file.unlink(missing_ok=True)
                found.append(measured(what, file))
        gone = measured("remove", file)
    for what in ("report", "archive"):
        by_clock, by_own = (
            statistics.median(
                one[unit] / other[unit] for one, other in zip(columns[what], columns["bare"], strict=True)
            )
            for unit in ("seconds", "own")
        )
        held = statistics.median(each["held"] for each in columns[what])
        print(
            f"{records} checks, {what}: {by_clock:.1f} x a bare pass by the clock, {by_own:.1f} x by own time; "
            f"{held:.0f} MB held"
        )
    print(
        f"{records} checks, remove: {gone['records'] / gone['seconds']:.0f} records/s, {gone['held']:.0f} MB held"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--records", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.child:
        child(asked.child[0], Path(asked.child[1]))
        return
    with scratch("postgresql"):
        print(machine(), flush=True)
        compare(asked.records, asked.rounds)


if __name__ == "__main__":
    main()
