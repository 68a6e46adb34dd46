"""What recording 50 checks in one request costs, against psycopg committing 50 of the same rows in one statement.

    DATABASE_URL=postgresql://... python benchmarks/record_checks_in_bulk.py

In turn, three rounds, as in ``record_check.py``. Then the statements for 10, 50 and 200 checks in one request.
"""

import argparse

import load
from record_check import ROUNDS, handler, statements
from stage import Stage, machine, scratch

AT_ONCE = 50


def main() -> None:
    reader = argparse.ArgumentParser()
    reader.add_argument("--seconds", type=float, default=6, help="for each measurement")
    seconds = reader.parse_args().seconds
    with scratch("postgresql") as address:
        stage = Stage.set_up()
        print(machine(), flush=True)
        ask = handler(f"{stage.path}/many")
        for size in (10, 50, 200):
            bodies = [stage.many(size) for _ in range(2)]
            assert ask(bodies[0], stage) == 200
            print(f"{size:4d} checks in one request: {len(statements(ask, stage, bodies[1]))} statements")
        compare(stage, address, seconds)


def compare(stage: Stage, address: str, seconds: float) -> None:
    row, bare_table, rounds = load.stored_row(), load.make_bare_table(), []

    def make() -> bytes:
        return stage.request(f"{stage.path}/many", stage.many(AT_ONCE))

    with load.served() as port:
        load.ask(port, make, load.all_stored, 2)
        for _ in range(ROUNDS):
            bare = load.bare(address, bare_table, row, AT_ONCE, seconds)
            requests, times = load.ask(port, make, load.all_stored, seconds)
            full = load.bare(address, "haccp_check", row, AT_ONCE, seconds)
            rate = requests * AT_ONCE
            rounds.append((rate, bare, full))
            print(
                f"  {rate:6.0f} checks/s (request p50 {load.percentile(times, 0.5) * 1e3:.0f} ms); "
                f"bare psycopg {bare:6.0f}/s: {rate / bare:.1%}; "
                f"with triggers and foreign keys {full:6.0f}/s: {rate / full:.1%}",
                flush=True,
            )
    print(
        f"median: {load.median(rate for rate, *_ in rounds):.0f} checks/s, "
        f"{load.median(rate / bare for rate, bare, _ in rounds):.1%} of bare psycopg, "
        f"{load.median(rate / full for rate, _, full in rounds):.1%} of psycopg into the table itself"
    )


if __name__ == "__main__":
    main()
