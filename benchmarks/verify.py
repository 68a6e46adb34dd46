"""How quickly ``manage.py verify`` tests records, against a bare cursor that only fetches the same rows.

    DATABASE_URL=postgresql://... python benchmarks/verify.py [--records 200000]

Three rounds: all columns of the same table fetched with psycopg's own cursor, then the whole of ``verify`` (triggers,
digests, entries, seals, projections). The records are checks with a reading, sealed in parts of ten thousand.
"""

import argparse
import statistics
import time
from typing import Any

from stage import Stage, machine, scratch

ROUNDS = 3
AT_ONCE = 2000
A_SEAL = 10_000
CHUNK = 2000


def fill(stage: Stage, wanted: int) -> None:
    """Checks like the one a client posts, each with an id and a digest of its own."""
    from copy import copy

    from django.db import connection, transaction
    from django.test import Client

    from haccp.models import Check
    from ledger import seals
    from ledger.ids import uuid7
    from ledger.models import Establishment

    answer = Client(SERVER_NAME="127.0.0.1").post(
        stage.path, stage.one(), content_type="application/json", headers={"Authorization": stage.key}
    )
    assert answer.status_code == 201, answer.content
    first: Any = Check.objects.select_related("batch", "control_point").get(pk=answer.json()["id"])
    here = Establishment.objects.get(pk=first.establishment_id)
    for start in range(0, wanted, AT_ONCE):
        made = []
        for _ in range(min(AT_ONCE, wanted - start)):
            one = copy(first)
            one.pk = uuid7()
            made.append(one)
        with transaction.atomic():
            Check.insert_many(made)
        if (start + AT_ONCE) % A_SEAL == 0:
            seals.seal(establishment=here)
    seals.seal(establishment=here)
    with connection.cursor() as cursor:
        cursor.execute(
            "VACUUM ANALYZE"
        )  # as PostgreSQL does by itself soon after; filled at once, it had no time to


def bare(address: str) -> tuple[int, float]:
    """Rows of the table, fetched and thrown away: (rows, seconds)."""
    import psycopg

    with psycopg.connect(address) as connection, connection.cursor(name="bare") as cursor:
        began, rows = time.perf_counter(), 0
        cursor.execute("SELECT * FROM haccp_check")
        while chunk := cursor.fetchmany(CHUNK):
            rows += len(chunk)
        return rows, time.perf_counter() - began


def compare(address: str) -> None:
    from ledger import verification

    rounds = []
    for _ in range(ROUNDS):
        rows, seconds = bare(address)
        own = time.process_time()
        report = verification.verify()
        own = time.process_time() - own
        assert report.whole, report.findings[:3]
        rounds.append((report.records / report.seconds, rows / seconds, report.records / own))
        print(
            f"  verify {rounds[-1][0]:7.0f} records/s ({report.records} records, {report.seals} seals, "
            f"{report.seconds:.1f} s, of which {own:.1f} s in this process); bare cursor {rounds[-1][1]:7.0f} rows/s",
            flush=True,
        )
    speed, fetched, alone = (statistics.median(column) for column in zip(*rounds, strict=True))
    ratio = statistics.median(one / other for one, other, _ in rounds)
    print(
        f"median: {speed:.0f} records/s, {ratio:.0%} of a bare cursor ({fetched:.0f} rows/s); "
        f"{alone:.0f} records for each second of this process's own time"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--records", type=int, default=200_000)
    asked = parser.parse_args()
    with scratch("postgresql") as address:
        print(machine())
        fill(Stage.set_up(), asked.records)
        compare(address)


if __name__ == "__main__":
    main()
