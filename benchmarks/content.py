"""What it costs to derive the allergens in lots, against the bare trace and against reading the movements.

    DATABASE_URL=postgresql://... python benchmarks/content.py [--movements 100000] [--lots 5000]

Makes a scratch database, plays a small maker's days as bare rows (as ``trace.py`` does), states allergens of every bought
material, and asks: one finished lot by its genealogy, against the bare back trace of the same lots (limit: 2 x); the last
finished lots in one pass, against reading the movements once (limit: 5 x). Every content is compared with plain sets over
networkx. Medians of three rounds in one run; read the ratios, not the milliseconds.
"""

import argparse
import gc
import os
import platform
import statistics
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from time import perf_counter
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
import django

django.setup()

import networkx as nx  # noqa: E402
from django.db import connection  # noqa: E402
from django.test.utils import CaptureQueriesContext  # noqa: E402

from batches import traces  # noqa: E402
from batches.models import Edge, Lot, Movement  # noqa: E402
from benchmarks.trace import BOUGHT_IN, ROUNDS, TRACED, House, percentile, timed  # noqa: E402
from haccp.allergens import content, lists, statements  # noqa: E402

CODES = ("milk", "hazelnut", "almond", "wheat", "soybean", "sesame", "egg")


def state_allergens(house: House) -> dict[Any, str]:
    """Every third bought material contains one allergen and is free of the others; by material."""
    known = lists.vocabulary(house.here)
    contains: dict[Any, str] = {}
    for number, material in enumerate(house.materials[:BOUGHT_IN]):
        code = CODES[number % len(CODES)] if number % 3 == 0 else ""
        says = [
            {"allergen": each, "says": "free-of", "because": "bench"}
            for each in sorted(known.members - {code})
        ]
        if code:
            contains[material.pk] = code
            says.append({"allergen": code, "says": "contains"})
        statements.record(
            act=house.act.with_new_id(),
            material=material,
            says=says,
            document="bench",
            document_day=date(2026, 1, 1),
            in_force_from=date(2026, 1, 1),
        )
    return contains


def check(house: House, lots: list[Lot], contains: dict[Any, str]) -> None:
    """Raises AssertionError where plain sets over networkx say something else."""
    graph = nx.DiGraph(list(Edge.objects.values_list("source", "target")))
    materials = dict(Lot.objects.values_list("pk", "material"))
    found = content.of_lots(house.here, lots, contact=False)
    for lot in lots:
        whole = nx.ancestors(graph, lot.pk) | {lot.pk}
        wanted = {contains[materials[key]] for key in whole if materials[key] in contains}
        assert set(found[lot.pk].contains) == wanted, f"{lot}: {set(found[lot.pk].contains)} for {wanted}"
        assert not found[lot.pk].unknown


def of_one(house: House, finished: list[Lot]) -> Iterator[str]:
    starts = house.random.sample(finished[len(finished) // 2 :], min(TRACED, len(finished) // 2))

    def derive(lot: Lot) -> None:
        dict(content.of_lots(house.here, [lot], contact=False)[lot.pk].contains)  # with every path

    with CaptureQueriesContext(connection) as queries:
        derive(starts[0])
    bare, ours = timed(traces.back, starts), timed(derive, starts)
    yield (
        f"one lot: p50 {statistics.median(ours):7.2f} ms, p95 {percentile(ours, 0.95):7.2f} ms, {len(queries)} "
        f"statements, {sum(ours) / sum(bare):4.2f} x the bare back trace ({statistics.median(bare):.2f} ms)"
    )


def of_many(house: House, lots: list[Lot]) -> Iterator[str]:
    def read(_: Any) -> None:
        for _row in Movement.objects.filter(establishment=house.here).iterator(chunk_size=5000):
            pass

    def derive(_: Any) -> None:
        content.of_lots(house.here, lots, contact=False)

    def with_paths(_: Any) -> None:
        for each in content.of_lots(house.here, lots, contact=False).values():
            dict(each.contains)

    took = {each.__name__: timed(each, [None])[0] for each in (read, derive, with_paths)}
    yield (
        f"{len(lots)} lots in one pass: {took['derive']:7.0f} ms, {took['derive'] / took['read']:4.2f} x reading the "
        f"movements ({took['read']:.0f} ms); with every path {took['with_paths']:.0f} ms"
    )


def main() -> None:
    reader = argparse.ArgumentParser()
    reader.add_argument("--movements", type=int, default=100_000)
    reader.add_argument("--lots", type=int, default=5_000)
    asked = reader.parse_args()
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {connection.vendor}, "
        f"medians of {ROUNDS}"
    )
    name = connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        house = House()
        contains = state_allergens(house)
        began = perf_counter()
        house.grow(asked.movements)
        gc.freeze()
        finished = list(Lot.objects.filter(material=house.materials[-1]).order_by("pk"))
        print(
            f"{Movement.objects.count()} movements, {len(finished)} finished lots, {perf_counter() - began:.0f} s"
        )
        check(house, finished[-50:], contains)
        for line in (*of_one(house, finished), *of_many(house, finished[-asked.lots :])):
            print(line, flush=True)
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)


if __name__ == "__main__":
    main()
