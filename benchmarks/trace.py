"""What a trace costs, and whether it grows with the answer or with the house.

    DATABASE_URL=postgresql://... python benchmarks/trace.py [--movements 100000]

Makes a scratch database, plays a small maker's days as bare rows at a tenth of the size and then at the full size, rebuilds
edges and states from those rows, and traces: forward from suppliers' lots, back from finished lots. Every answer is
compared with networkx on the same graph; the time of networkx in memory is the limit it is measured against. Figures
are medians of three rounds over the same lots in one run; read the ratios, not the milliseconds.
"""

import argparse
import gc
import os
import platform
import random
import statistics
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import perf_counter
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
import django

django.setup()

import networkx as nx  # noqa: E402
from django.db import connection, transaction  # noqa: E402
from django.test.utils import CaptureQueriesContext  # noqa: E402

from batches import edges, lots, traces  # noqa: E402
from batches.models import (  # noqa: E402
    Batch,
    Edge,
    Lot,
    Material,
    Movement,
    Recipe,
    RecipeVersion,
    TradingPartner,
)
from ledger import establishments  # noqa: E402
from ledger.acts import Act, Moment  # noqa: E402
from ledger.ids import uuid7  # noqa: E402
from ledger.models import Entry, Establishment, Person  # noqa: E402

BEGIN = datetime(2026, 1, 5, 7, tzinfo=UTC)
USES_OF_A_DELIVERY = 60
BOUGHT_IN = 40
ROUNDS, TRACED = 3, 60


class House:
    """A maker whose days are written as rows, a few thousand movements at a time."""

    def __init__(self) -> None:
        founder = Person.objects.create_user("bench", password=None, name="Bench", initials="B")
        self.here: Establishment = establishments.open_establishment(
            founder=founder, name="Bench", address="-", country="DE", time_zone="Europe/Berlin"
        )
        self.act = Act(self.here, founder, Moment.of(BEGIN), founder)
        self.random = random.Random(7)
        self.materials = [self._material(number) for number in range(BOUGHT_IN + 4)]
        self.supplier = TradingPartner.objects.create(
            establishment=self.here, code="S", name="Supplier", is_supplier=True
        )
        self.customers = [
            TradingPartner.objects.create(
                establishment=self.here, code=f"C{n}", name=f"Shop {n}", is_customer=True
            )
            for n in range(100)
        ]
        recipe = Recipe.objects.create(
            establishment=self.here, code="R", name="R", material=self.materials[-1]
        )
        self.version = RecipeVersion.new(
            self.act, recipe=recipe, material=recipe.material, number=1, document={"lines": []}
        ).insert()
        self.deliveries: dict[int, tuple[Lot, int]] = {}
        self.rework: list[Lot] = []
        self.count = self.minutes = 0
        self._open()

    def _material(self, number: int) -> Material:
        return Material.objects.create(
            establishment=self.here, code=f"M{number}", name=f"M{number}", short_name="M", kind="ingredient"
        )

    def _open(self) -> None:
        self.entries: list[Entry] = []
        self.batches: list[Batch] = []
        self.lots: list[Lot] = []
        self.movements: list[Movement] = []

    def grow(self, movements: int) -> None:
        """Play days until there are so many movements, then rebuild what follows from them."""
        while self.count < movements:
            self._day()
            if len(self.movements) > 3000:
                self._flush()
        self._flush()
        edges.rebuild(self.here)
        lots.rebuild(self.here)
        if connection.vendor == "postgresql":  # as its own housekeeping would; SQLite never does it unasked
            with connection.cursor() as cursor:
                cursor.execute("ANALYZE")

    @transaction.atomic
    def _flush(self) -> None:
        Entry.objects.bulk_create(self.entries, batch_size=500)
        Batch.objects.bulk_create(self.batches, batch_size=500)
        for each in self.lots:
            each.batch = each.batch  # takes over the key it got just now
        Lot.objects.bulk_create(self.lots, batch_size=500)
        for each in self.movements:
            each.lot, each.batch = each.lot, each.batch
        Movement.objects.bulk_create(self.movements, batch_size=200)
        self._open()

    def _day(self) -> None:
        """One syrup, two fillings of it (some with rework), one finished batch of two lots, four shipments."""
        syrup = self._batch([self._bought(n) for n in range(8)], BOUGHT_IN, 1)[0]
        fillings = []
        for number in range(2):
            rework = (
                [self.random.choice(self.rework[-30:])] if self.rework and self.random.random() < 0.3 else []
            )
            used = [syrup, *rework, *(self._bought(n) for n in self.random.sample(range(8, 28), 10))]
            filling, left_over = self._batch(used, BOUGHT_IN + 1 + number, 2)
            fillings.append(filling)
            self.rework.append(left_over)
        used = [*fillings, *(self._bought(n) for n in range(28, 40))]
        for finished in self._batch(used, BOUGHT_IN + 3, 2):
            for _ in range(2):
                self._move("shipped", finished, partner=self.random.choice(self.customers))

    def _bought(self, material: int) -> Lot:
        lot, left = self.deliveries.get(material, (None, 0))
        if not left:
            lot, left = self._lot(material, None), self.random.randint(20, 2 * USES_OF_A_DELIVERY)
            self._move("received", lot, partner=self.supplier)
        self.deliveries[material] = (lot, left - 1)
        return lot

    def _batch(self, used: list[Lot], material: int, outputs: int) -> list[Lot]:
        batch = Batch(
            establishment=self.here,
            code=f"B{self.count}",
            recipe_version=self.version,
            plan_version_id=self.version.pk,
            permission_id=self._entry(),
            birth_id=self._entry(),
        )
        self.batches.append(batch)
        for lot in used:
            self._move("used", lot, batch=batch)
        made = [self._lot(material, batch) for _ in range(outputs)]
        for lot in made:
            self._move("made", lot, batch=batch)
        return made

    def _entry(self) -> Any:
        entry = Entry(id=uuid7(), kind="bench", establishment=self.here, digest="0" * 64)
        self.entries.append(entry)
        return entry.pk

    def _lot(self, material: int, batch: Batch | None) -> Lot:
        birth = self._entry()
        self.lots.append(
            Lot(
                uid=birth,
                establishment=self.here,
                code=f"L{self.count}-{len(self.lots)}",
                material=self.materials[material],
                batch=batch,
                day=(BEGIN + timedelta(minutes=self.minutes)).date(),
                birth_id=birth,
            )
        )
        return self.lots[-1]

    def _move(self, what: str, lot: Lot, **values: Any) -> None:
        self.count, self.minutes = self.count + 1, self.minutes + 5
        quantity = self.random.randint(100_000, 5_000_000)
        sign = 1 if what in ("received", "made") else -1
        movement = Movement.new(
            self.act,
            what=what,
            lot=lot,
            quantity=quantity,
            effect=sign * quantity,
            mass=quantity,
            entered="1",
            unit="MGM",
            **values,
        )
        movement.performed_at = movement.recorded_at = BEGIN + timedelta(minutes=self.minutes)
        movement.form, movement.digest, movement.request_digest = 1, "0" * 64, "0" * 64
        self.movements.append(movement)


def percentile(values: list[float], part: float) -> float:
    return sorted(values)[int(part * (len(values) - 1))]


def timed(function: Callable[[Any], Any], starts: list[Any]) -> list[float]:
    """Milliseconds for each start: the median of the rounds."""
    rounds = []
    for _ in range(ROUNDS):
        times = []
        for start in starts:
            began = perf_counter()
            function(start)
            times.append((perf_counter() - began) * 1000)
        rounds.append(times)
    return [statistics.median(each) for each in zip(*rounds, strict=True)]


def measure(house: House) -> Iterator[str]:
    """One line for each direction. Raises AssertionError where networkx finds something else."""
    graph = nx.DiGraph(list(Edge.objects.values_list("source", "target")))
    count = Movement.objects.count()
    received = [lot for lot in Lot.objects.filter(batch=None) if lot.pk in graph]
    finished = list(Lot.objects.filter(material=house.materials[-1]))
    for name, pool, trace, reach in (
        ("forward", received[: len(received) // 2], traces.forward, nx.descendants),
        ("back", finished[len(finished) // 2 :], traces.back, nx.ancestors),
    ):
        starts = house.random.sample(pool, min(TRACED, len(pool)))
        sizes = []
        for lot in starts:
            with CaptureQueriesContext(connection) as queries:
                found = trace(lot)
            assert len(queries) == 2, f"{len(queries)} statements"
            expected = reach(graph, lot.pk) | {lot.pk}
            reached = set(
                Lot.objects.filter(uid__in=[each.uid for each in found.lots]).values_list("pk", flat=True)
            )
            assert reached == expected, f"{name} from {lot}: networkx finds other lots"
            sizes.append(len(expected))
        ours = timed(trace, starts)
        limit = timed(lambda lot, reach=reach: reach(graph, lot.pk), starts)
        per_lot = statistics.median(1000 * took / size for took, size in zip(ours, sizes, strict=True))
        yield (
            f"{count:8d} movements, {name:7s}: {statistics.median(sizes):6.0f} lots reached, "
            f"p50 {statistics.median(ours):7.2f} ms, p95 {percentile(ours, 0.95):7.2f} ms, "
            f"{per_lot:6.1f} us a lot reached, {sum(ours) / sum(limit):5.1f} x networkx in memory"
        )


def main() -> None:
    reader = argparse.ArgumentParser()
    reader.add_argument("--movements", type=int, default=100_000)
    wanted = reader.parse_args().movements
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {connection.vendor}"
    )
    name = connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        house = House()
        for size in (wanted // 10, wanted):
            house.grow(size)
            gc.freeze()  # what the house keeps in memory is not to be gone through meanwhile
            for line in measure(house):
                print(line, flush=True)
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)


if __name__ == "__main__":
    main()
