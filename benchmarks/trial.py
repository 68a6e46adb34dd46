"""How quickly a trial judges past checks again, against reading the same rows and doing nothing with them.

    DATABASE_URL=postgresql://... python benchmarks/trial.py [--checks 100000]

Three rounds: all rows of the checks read through the same query, then a trial of a tighter limit on them.
"""

import argparse
import statistics
import time
from datetime import UTC, datetime, timedelta

from stage import Stage, machine, scratch
from verify import fill

ROUNDS = 3


def compare() -> None:
    from haccp import trials
    from ledger.models import Establishment
    from reports.demo.house import HOUSE

    here = Establishment.objects.get(pk=HOUSE)
    limit = {"kind": "range", "quantity": "water activity", "unit": "C62", "upper": "0.40"}
    proposal = trials.propose(quantity="water activity", limit=limit)
    last = datetime.now(UTC).date() + timedelta(days=1)
    first = last - timedelta(days=3)
    ratios = []
    for _ in range(ROUNDS):
        house = trials._House(here, proposal, last)
        began = time.perf_counter()
        rows = sum(1 for _ in trials._rows(here, house, first, last))
        read = time.perf_counter() - began
        began = time.perf_counter()
        trial = trials.run(here, proposal, first, last)
        took = time.perf_counter() - began
        assert sum(point.checks for point in trial.points) == rows
        ratios.append(took / read)
        print(f"  trial {took:.2f} s, reading {rows} rows {read:.2f} s: {took / read:.2f} x", flush=True)
    print(f"median: {statistics.median(ratios):.2f} x the reading of the rows")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--checks", type=int, default=100_000)
    asked = parser.parse_args()
    with scratch("postgresql"):
        print(machine())
        fill(Stage.set_up(), asked.checks)
        compare()


if __name__ == "__main__":
    main()
