"""What judging one reading takes of recording it: the pure judge against a whole post through the API.

    DATABASE_URL=postgresql://... python benchmarks/judge.py [--checks 300]

Three rounds in one process: checks posted through Django's test client (no network), then as many readings judged.
"""

import argparse
import statistics
import time
from decimal import Decimal

from stage import Stage, machine, scratch

ROUNDS = 3


def record(stage: Stage, checks: int) -> float:
    """Seconds for one check, posted and stored."""
    from django.test import Client

    client, bodies = Client(SERVER_NAME="127.0.0.1"), [stage.one() for _ in range(checks)]
    began = time.perf_counter()
    for body in bodies:
        answer = client.post(
            stage.path, body, content_type="application/json", headers={"Authorization": stage.key}
        )
        assert answer.status_code == 201, answer.content
    return (time.perf_counter() - began) / checks


def judge(checks: int) -> float:
    """Seconds for one reading, from its bounds in force to the sentence for whoever made it."""
    from haccp.limits import RangeLimit, in_force, judge
    from haccp.readings import Reading

    bounds = in_force(
        RangeLimit("water activity", "C62", upper=Decimal("0.60"), operating_upper=Decimal("0.55"))
    )
    reading = Reading("water activity", "0.42", Decimal("0.42"), "C62")
    began = time.perf_counter()
    for _ in range(checks):
        judge(reading, bounds)
    return (time.perf_counter() - began) / checks


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--checks", type=int, default=300)
    asked = parser.parse_args()
    with scratch("postgresql"):
        print(machine())
        stage = Stage.set_up()
        record(stage, 20)
        shares = []
        for _ in range(ROUNDS):
            whole, alone = record(stage, asked.checks), judge(asked.checks)
            shares.append(alone / whole)
            print(f"  recording {whole * 1e3:.2f} ms, judging {alone * 1e6:.0f} us: {alone / whole:.2%}")
        print(f"median: judging is {statistics.median(shares):.2%} of recording")


if __name__ == "__main__":
    main()
