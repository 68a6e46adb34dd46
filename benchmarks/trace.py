"""What a trace costs: against memory, against the size of the house, with shares, bounded.

    DATABASE_URL=postgresql://... python benchmarks/trace.py [--movements 100000 1000000] [--regimes occasional heavy]

Makes a scratch database, grows a small maker in it (``grown``), and traces forward from suppliers' lots and back from
finished ones, each time to the bytes of the JSON answer. Every answer is compared with networkx on the same graph, and
its balance must close. Beside it in the same run, in turns: the compiled walk of rustworkx over the same graph, with
everything that is told of the lots, steps and consignments held in memory, written as JSON too; the bare walk without
shares; networkx. Figures are medians of three rounds over the same lots; read the ratios, not the milliseconds.
"""

import argparse
import gc
import os
import platform
import statistics
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from time import perf_counter
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
import django

django.setup()

import networkx as nx  # noqa: E402
import orjson  # noqa: E402
import rustworkx as rx  # noqa: E402
from django.db import connection  # noqa: E402
from django.test.utils import CaptureQueriesContext  # noqa: E402

from batches import edges, genealogy, traces  # noqa: E402
from batches.api.trace_json import as_json  # noqa: E402
from batches.models import Edge, Lot, MaterialKind  # noqa: E402
from batches.trace_questions import FromLots, TraceQuestion  # noqa: E402
from batches.trace_results import Direction, Trace  # noqa: E402
from batches.whereabouts import whereabouts  # noqa: E402
from benchmarks.grown import REGIMES, House  # noqa: E402

ROUNDS, TRACED = 3, 60
LEAST_SHARE = 1e-4
AT_MOST = {"occasional": 15, "heavy": 12}


def percentile(values: list[float], part: float) -> float:
    return sorted(values)[int(part * (len(values) - 1))]


def in_turns(subjects: dict[str, Callable[[Any], Any]], starts: list[Any]) -> dict[str, list[float]]:
    """Milliseconds of each subject for each start, taken one after the other; the median of the rounds.

    Each round begins with another subject: whatever comes after ``ours`` finds memory that was just given back.
    """
    rounds: dict[str, list[list[float]]] = {name: [] for name in subjects}
    order = list(subjects)
    for _ in range(ROUNDS):
        for name in subjects:
            rounds[name].append([])
        for start in starts:
            for name in order:
                began = perf_counter()
                subjects[name](start)
                rounds[name][-1].append((perf_counter() - began) * 1000)
        order = [*order[2:], *order[:2]]
    return {
        name: [statistics.median(each) for each in zip(*times, strict=True)] for name, times in rounds.items()
    }


class InMemory:
    """The limit: the graph compiled, and all that is told of what the traced lots reach, ready to be written."""

    def __init__(self, ways: list[tuple[int, int]], answers: dict[int, Trace], *, back: bool):
        self.graph, self.back = rx.PyDiGraph(), back
        keys = sorted({key for way in ways for key in way} | set(answers))
        self.graph.add_nodes_from(keys)
        self.place = {key: place for place, key in enumerate(keys)}
        self.graph.add_edges_from_no_data([(self.place[s], self.place[t]) for s, t in ways])
        self.lots, self.steps, self.consignments = {}, {}, {}
        for trace in answers.values():
            self._hold(trace)

    def _hold(self, trace: Trace) -> None:
        told = as_json(trace)
        place = {lot.uid: self.place[lot.key] for lot in trace.lots}
        for lot in told["lots"]:
            self.lots[place[lot["id"]]] = lot
            self.steps[place[lot["id"]]], self.consignments[place[lot["id"]]] = [], []
        for step in told["steps"]:
            self.steps[place[step["source" if self.back else "target"]]].append(step)
        for each in told["consignments"]:
            self.consignments[place[each["lot"]]].append(each)

    def answer(self, key: int) -> bytes:
        start = self.place[key]
        reach = rx.ancestors if self.back else rx.descendants
        found = [start, *reach(self.graph, start)]
        lots, steps, consignments = self.lots, self.steps, self.consignments
        return orjson.dumps(
            {
                "lots": [lots[each] for each in found],
                "steps": [step for each in found for step in steps[each]],
                "consignments": [one for each in found for one in consignments[each]],
            }
        )


def shares_and_reach(lot: Lot, *, back: bool) -> None:
    inward, onward, _refilled = edges.walked([lot.pk], back=back, forward=not back)
    ways = ((w[1], w[0], w[5]) for w in inward) if back else ((w[0], w[1], w[5]) for w in onward)
    genealogy.carry({lot.pk: 1.0}, ways)


def reach_only(lot: Lot, *, back: bool) -> None:
    """The same walk, and which lots it reached."""
    found = {link[0 if back else 1] for link in edges.reached([lot.pk], back=back)}
    found.add(lot.pk)


def measure(house: House, regime: str) -> Iterator[str]:
    """One line for each direction. Raises AssertionError where networkx finds something else or the balance is open."""
    ways = list(Edge.objects.order_by().values_list("source", "target"))
    graph = nx.DiGraph(ways)
    received = [lot for lot in Lot.objects.filter(batch=None).order_by("pk") if lot.pk in graph]
    finished = list(Lot.objects.filter(material__in=house.finished).order_by("pk"))
    for back, pool in ((False, received[: len(received) // 2]), (True, finished[len(finished) // 2 :])):
        starts = house.random.sample(pool, min(TRACED, len(pool)))
        trace = traces.back if back else traces.forward
        answers = {lot.pk: checked(lot, trace, graph, back=back) for lot in starts}
        held = InMemory(ways, answers, back=back)
        reach = nx.ancestors if back else nx.descendants
        gc.collect()
        gc.freeze()
        took = in_turns(
            {
                "ours": lambda lot, trace=trace: orjson.dumps(as_json(trace(lot))),
                "limit": lambda lot, held=held: held.answer(lot.pk),
                "shares": lambda lot, back=back: shares_and_reach(lot, back=back),
                "reach": lambda lot, back=back: reach_only(lot, back=back),
                "networkx": lambda lot, reach=reach: reach(graph, lot.pk),
            },
            starts,
        )
        yield line(f"{house.movements:9d} {regime:13s} {'back' if back else 'forward':7s}", took, answers)


def checked(lot: Lot, trace: Callable[[Lot], Trace], graph: nx.DiGraph, *, back: bool) -> Trace:
    with CaptureQueriesContext(connection) as queries:
        found = trace(lot)
    assert len(queries) <= 3, f"{len(queries)} statements"
    expected = (nx.ancestors if back else nx.descendants)(graph, lot.pk) | {lot.pk}
    assert {each.key for each in found.lots} == expected, f"networkx finds other lots from {lot}"
    if not back:
        where = whereabouts(found)
        assert where is not None
        assert abs(where.gap) <= 1e-9 * max(where.came, 1), f"{where.gap} mg of {where.came} are nowhere"
    return found


def line(what: str, took: dict[str, list[float]], answers: dict[int, Trace]) -> str:
    sizes = [len(each.lots) for each in answers.values()]
    p95 = {name: percentile(times, 0.95) for name, times in took.items()}
    return (
        f"{what}: {statistics.median(sizes):6.0f} lots (p95 {percentile(sizes, 0.95):.0f}), "
        f"p50 {statistics.median(took['ours']):7.2f} p95 {p95['ours']:7.2f} ms; p95 is {p95['ours'] / p95['limit']:5.1f} x "
        f"memory ({p95['limit']:.3f} ms), {p95['ours'] / p95['networkx']:5.1f} x networkx; "
        f"shares {p95['shares'] / p95['reach']:4.2f} x the bare reach"
    )


def measure_bounded(house: House) -> str:
    """A bounded view against the full one, of a few lots only: the full one takes long."""
    bought = Lot.objects.filter(batch=None).exclude(
        material__kind=MaterialKind.PACKAGING
    )  # counted, without a mass
    lots = list(bought.order_by("pk"))
    starts = house.random.sample(lots[len(lots) // 4 : len(lots) // 2], 5)

    def ask(lot: Lot, least: float | None) -> Trace:
        question = TraceQuestion(FromLots((lot.uid,)), Direction.FORWARD, least_share=least)
        return traces.trace(house.here, question)

    some = [ask(lot, LEAST_SHARE) for lot in starts]
    took = in_turns({"full": lambda lot: ask(lot, None), "some": lambda lot: ask(lot, LEAST_SHARE)}, starts)
    left = statistics.median(each.unfollowed.milligrams / each.lots[0].mass for each in some)
    lots_of = statistics.median(len(each.lots) for each in some)
    return (
        f"{house.movements:9d} never-emptied full p50 {statistics.median(took['full']):8.1f} ms; shares from {LEAST_SHARE} on: "
        f"{lots_of:.0f} lots in {statistics.median(took['some']):.1f} ms, "
        f"{statistics.median(took['full']) / statistics.median(took['some']):.0f} x faster; not followed {left:.1e} of the mass"
    )


def main() -> None:
    reader = argparse.ArgumentParser()
    reader.add_argument("--movements", type=int, nargs="+", default=[100_000])
    reader.add_argument("--regimes", nargs="+", default=list(REGIMES), choices=list(REGIMES))
    wanted = reader.parse_args()
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {connection.vendor}"
    )
    for regime in wanted.regimes:
        name = connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
        try:
            house = House(regime)
            for size in sorted(wanted.movements):
                house.grow(size)
                if regime == "never-emptied":
                    print(measure_bounded(house), flush=True)
                    continue
                for each in measure(house, regime):
                    print(each, flush=True)
        finally:
            connection.creation.destroy_test_db(name, verbosity=0)


if __name__ == "__main__":
    main()
