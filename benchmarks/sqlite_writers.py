"""Eight processes record checks on one SQLite file at once: is anything lost, and how long does each wait?

    python benchmarks/sqlite_writers.py [--each 100]

Every process asks the WSGI application itself, in a process of its own. Afterwards every check that was answered 201
must be there once, with its line in the ledger and in the queue of the unsealed.
"""

import argparse
import json
import os
import subprocess
import sys
import time

import load
from record_check import ROUNDS, handler
from stage import Stage, machine, scratch

WRITERS = 8


def main() -> None:
    reader = argparse.ArgumentParser()
    reader.add_argument("--each", type=int, default=40, help="checks that each process records in a round")
    reader.add_argument("--as-writer", help=argparse.SUPPRESS)
    wanted = reader.parse_args()
    if wanted.as_writer:
        write(Stage(**json.loads(wanted.as_writer)), wanted.each)
        return
    with scratch("sqlite"):
        stage = Stage.set_up()
        print(machine(), flush=True)
        rounds = [together(stage, writers, wanted.each) for _ in range(ROUNDS) for writers in (1, WRITERS)]
        alone, eight = (load.median(rate for rate, _ in rounds[place::2]) for place in (0, 1))
        waited = load.median(wait for _, wait in rounds[1::2])
        print(
            f"median: {eight:.0f} checks/s from {WRITERS} processes, p95 {waited * 1e3:.0f} ms; one alone {alone:.0f}/s"
        )


def together(stage: Stage, writers: int, each: int) -> tuple[float, float]:
    """Checks a second and p95 in s; raises AssertionError if one is lost."""
    from haccp.models import Check
    from ledger.models import Entry, Unsealed

    said = json.dumps(vars(stage))
    command = [sys.executable, __file__, "--each", str(each), "--as-writer", said]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    processes = [subprocess.Popen(command, env=os.environ, **pipes) for _ in range(writers)]  # type: ignore[call-overload]
    for process in processes:
        assert process.stdout.readline() == "ready\n"
    began = time.perf_counter()
    for process in processes:
        process.stdin.write("go\n")
        process.stdin.flush()
    told = [json.loads(process.stdout.readline()) for process in processes]
    took = time.perf_counter() - began
    for process in processes:
        process.communicate()
    ids = [each for one in told for each in one["ids"]]
    failed = [status for one in told for status in one["failed"]]
    times = [each for one in told for each in one["times"]]
    for kind, name in ((Check, "pk"), (Entry, "pk"), (Unsealed, "entry")):
        there = sum(
            kind.objects.filter(**{f"{name}__in": ids[n : n + 500]}).count() for n in range(0, len(ids), 500)
        )
        assert there == len(set(ids)), f"{len(ids) - there} of {kind.__name__} lost"
    print(
        f"  {writers} writing: {len(ids)} recorded, all there, {len(failed)} refused {sorted(set(failed))}; "
        f"{len(ids) / took:6.0f} checks/s, p50 {load.percentile(times, 0.5) * 1e3:.0f} ms, "
        f"p95 {load.percentile(times, 0.95) * 1e3:.0f} ms, longest {max(times) * 1e3:.0f} ms",
        flush=True,
    )
    assert not failed
    return len(ids) / took, load.percentile(times, 0.95)


def write(stage: Stage, count: int) -> None:
    """One of the processes: waits for a line, records ``count`` checks, tells what became of them."""
    import django

    django.setup()
    ask = handler(stage.path)
    ask(stage.one(), stage)
    print("ready", flush=True)
    sys.stdin.readline()
    ids, failed, times = [], [], []
    for _ in range(count):
        body = stage.one()
        began = time.perf_counter()
        status = ask(body, stage)
        times.append(time.perf_counter() - began)
        if status == 201:
            ids.append(json.loads(body)["id"])
        else:
            failed.append(status)
    print(json.dumps({"ids": ids, "failed": failed, "times": times}), flush=True)


if __name__ == "__main__":
    main()
