"""What it costs to derive the allergens in lots, against the bare trace and against reading the movements.

    DATABASE_URL=postgresql://... python benchmarks/content.py [--movements 100000] [--lots 5000] [--traced 20]
        [--regime occasional] [--cleaned-every 1]

Makes a scratch database with a maker's years (``grown.py``), states allergens of every bought food, and asks: one
finished lot by its genealogy, and with what was on the same equipment, against the bare back trace of the same lots
(limit: 2 x); the last finished lots in one pass, against reading as many movements once (limit: 5 x); lots held against
their labels, against deriving what is in them; what a use told late may reach, against the bare trace forward. What is
contained is compared with plain sets over networkx. The sides take turns; medians of three rounds in one run; read the
ratios.
"""

import argparse
import gc
import os
import platform
import statistics
import sys
from collections.abc import Callable, Iterator, Sequence
from datetime import date
from functools import partial
from itertools import chain
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
from batches.models import Edge, Lot, MaterialKind, Movement  # noqa: E402
from benchmarks.grown import REGIMES, House  # noqa: E402
from haccp import late_allergens  # noqa: E402
from haccp.allergens import content, lists, onward, statements  # noqa: E402
from haccp.labels import comparing, packing  # noqa: E402
from haccp.models import Moment as PackingMoment  # noqa: E402
from haccp.models import Packed, PackingCheck  # noqa: E402

ROUNDS = 3
A_YEAR = 100_000  # movements
LABELLED = 1_000  # lots in one call
LOTS_AGO = (4, 60, 600)
CODES = ("milk", "hazelnut", "almond", "wheat", "soybean", "sesame", "egg")


def state_allergens(house: House) -> dict[Any, str]:
    """Every third bought material contains one allergen and is free of the others; by material."""
    known = lists.vocabulary(house.here)
    contains: dict[Any, str] = {}
    for number, material in enumerate(house.bought):
        if material.kind == MaterialKind.PACKAGING:
            continue
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
            document_day=date(2015, 1, 1),
            in_force_from=date(2015, 1, 1),
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


def percentile(values: list[float], part: float) -> float:
    return sorted(values)[int(part * (len(values) - 1))]


def in_turn(sides: dict[str, Callable[[Any], Any]], starts: Sequence[Any]) -> dict[str, list[float]]:
    """Milliseconds of each side for each start: the medians of rounds in which the sides take turns."""
    rounds: dict[str, list[list[float]]] = {name: [[] for _ in starts] for name in sides}
    for _ in range(ROUNDS):
        for place, start in enumerate(starts):
            for name, side in sides.items():
                began = perf_counter()
                side(start)
                rounds[name][place].append((perf_counter() - began) * 1000)
    return {name: [statistics.median(each) for each in took] for name, took in rounds.items()}


def of_one(house: House, starts: Sequence[Lot]) -> Iterator[str]:
    def derive(lot: Lot, *, contact: bool) -> None:
        dict(content.of_lots(house.here, [lot], contact=contact)[lot.pk].contains)  # with every path

    sides: dict[str, Callable[[Any], Any]] = {
        "bare back trace": traces.back,
        "content": partial(derive, contact=False),
        "content with contact": partial(derive, contact=True),
    }
    took = in_turn(sides, starts)
    bare = took["bare back trace"]
    for name, side in sides.items():
        with CaptureQueriesContext(connection) as queries:
            side(starts[0])
        yield (
            f"one lot, {name:20s}: p50 {statistics.median(took[name]):8.2f} ms, p95 {percentile(took[name], 0.95):8.2f} ms, "
            f"{len(queries):3d} statements; p50 {statistics.median(took[name]) / statistics.median(bare):6.2f} x, "
            f"p95 {percentile(took[name], 0.95) / percentile(bare, 0.95):6.2f} x the bare back trace"
        )


def of_many(house: House, lots: list[Lot]) -> Iterator[str]:
    def read(_: Any) -> None:
        for _row in Movement.objects.filter(establishment=house.here).order_by("-id")[:A_YEAR].iterator(5000):
            pass

    def derive(_: Any, *, contact: bool) -> None:
        content.of_lots(house.here, lots, contact=contact)

    sides: dict[str, Callable[[Any], Any]] = {
        "reading a year's movements": read,
        "content": partial(derive, contact=False),
        "content with contact": partial(derive, contact=True),
    }
    took = {name: each[0] for name, each in in_turn(sides, [None]).items()}
    read_in = took["reading a year's movements"]
    for name, each in took.items():
        yield f"{len(lots)} lots in one pass, {name:26s}: {each:7.0f} ms, {each / read_in:5.2f} x"


def of_labels(house: House, lots: list[Lot]) -> Iterator[str]:
    """Lots with a packing check each, held against their labels."""
    for lot in lots:
        PackingCheck.new(
            house.act.with_new_id(),
            batch=lot.batch,
            lot=lot,
            label_version=None,
            seen="bench",
            moment=PackingMoment.START,
            counts={},
            result=Packed.GOOD,
            findings=[],
        ).insert()
    on = lots[-1].day
    sides: dict[str, Callable[[Any], Any]] = {
        "content with contact": lambda some: content.of_lots(house.here, some),
        "packing checks": packing.seen_on_many,
        "compared with labels": lambda some: comparing.compared(house.here, some, on),
    }
    for count in (len(lots) // 10, len(lots)):
        took = {name: each[0] for name, each in in_turn(sides, [lots[-count:]]).items()}
        derived = took["content with contact"]
        for name, each in took.items():
            yield f"{count} lots, {name:22s}: {each:7.0f} ms, {each / count:6.2f} ms a lot, {each / derived:5.2f} x the content"


def of_late(house: House, finished: Sequence[Lot]) -> Iterator[str]:
    """A use told late of a batch so many finished lots ago: the lots that would be looked at again, and held if wrong."""
    sides: dict[str, Callable[[Any], Any]] = {
        "bare forward trace": traces.forward,
        "what it may reach": lambda lot: onward.reached_from(house.here, [lot.pk], [lot.batch_id]),
        "what is to be held": lambda lot: late_allergens.no_longer_right(
            house.here, late_allergens.Late([lot.pk], [lot.batch_id])
        ),
    }
    for ago in LOTS_AGO:
        lot = finished[-ago]
        reached = len(onward.reached_from(house.here, [lot.pk], [lot.batch_id or 0]))
        for name, each in in_turn(sides, [lot]).items():
            yield f"one late use {ago} finished lots ago, {reached} lots reached, {name:18s}: {each[0]:7.1f} ms"


def main() -> None:
    reader = argparse.ArgumentParser()
    reader.add_argument("--movements", type=int, default=100_000)
    reader.add_argument("--lots", type=int, default=5_000)
    reader.add_argument("--traced", type=int, default=20)
    reader.add_argument("--regime", choices=REGIMES, default="occasional")
    reader.add_argument("--cleaned-every", type=int, default=1, help="days; 0: never")
    asked = reader.parse_args()
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {connection.vendor}, load "
        f"{os.getloadavg()[0]:.1f}, medians of {ROUNDS}; {asked.regime} rework, cleaned every {asked.cleaned_every} days"
    )
    name = connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        house = House(asked.regime, cleaned_every=asked.cleaned_every)
        contains = state_allergens(house)
        began = perf_counter()
        house.grow(asked.movements)
        gc.freeze()
        finished = list(
            Lot.objects.filter(material__in=house.finished).select_related("material", "batch").order_by("pk")
        )
        print(
            f"{house.movements} movements, {len(finished)} finished lots, {perf_counter() - began:.0f} s",
            flush=True,
        )
        check(house, finished[-50:], contains)
        starts = house.random.sample(finished[len(finished) // 2 :], asked.traced)
        for line in chain(
            of_one(house, starts),
            of_many(house, finished[-asked.lots :]),
            of_late(house, finished),
            of_labels(house, finished[-LABELLED:]),
        ):
            print(line, flush=True)
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)


if __name__ == "__main__":
    main()
