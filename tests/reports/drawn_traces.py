"""Traces made up without a database: a graph of lots, and where each stands as seen from where it began."""

from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

from hypothesis import strategies as st

from batches.trace_results import Contact, Direction, Side, Size, Step, Trace, TracedLot

KILOGRAM = 1_000_000


def uid(number: int) -> UUID:
    return UUID(int=number + 1)


def lot(number: int, side: Side, **values: Any) -> TracedLot:
    usual: dict[str, Any] = {
        "key": number + 1,
        "uid": uid(number),
        "code": f"L-{number}",
        "material": UUID(int=1),
        "material_name": "Hazelnut pillows",
        "dimension": "mass",
        "kind": "finished-product",
        "is_rework": False,
        "day": date(2026, 3, 2),
        "best_before": None,
        "batch": UUID(int=10_000 + number),
        "batch_code": f"B-{number}",
        "supplier": None,
        "supplier_name": "",
        "supplier_code": "",
        "status": "released",
        "side": side,
        "generation": 0,
        "on_hand": 2 * KILOGRAM,
        "made": 5 * KILOGRAM,
        "mass": 5 * KILOGRAM,
        "shipped": 3 * KILOGRAM,
        "starts": 1,
    }
    empty: dict[str, Any] = dict.fromkeys(TracedLot._fields)
    amounts = dict.fromkeys(
        ("received", "used", "returned", "sent_back", "sampled", "destroyed", "unexplained"), 0
    )
    return TracedLot(**(empty | amounts | usual | values))


def step(source: int, target: int, share: float = 0.5) -> Step:
    batch = UUID(int=10_000 + target)
    return Step(uid(source), uid(target), batch, "mass", KILOGRAM, KILOGRAM, share, None)


def contact(left_by: int, batch: int) -> Contact:
    at = datetime(2026, 3, 2, 9, tzinfo=UTC)
    left, touched = UUID(int=10_000 + left_by), UUID(int=10_000 + batch)
    return Contact(
        UUID(int=5), "T-1", "Table", left, f"B-{left_by}", at, at, touched, f"B-{batch}", at, ("almond",)
    )


def trace(
    lots: list[TracedLot], steps: list[Step], direction: Direction = Direction.FORWARD, **values: Any
) -> Trace:
    usual: dict[str, Any] = {
        "batches": (),
        "consignments": (),
        "in_process": (),
        "contacts": (),
        "loop": False,
        "in_loop": 0,
        "unfollowed": None,
        "following": None,
    }
    starts = tuple(each.uid for each in lots if each.side == Side.START)
    size = Size(len(lots), len(steps), 0)
    return Trace(direction, starts, tuple(lots), tuple(steps), size=size, **(usual | values))


@st.composite
def traces(draw: Any) -> Trace:
    """Of any shape, circles too: a walk never finds some of them, and they must be shown all the same."""
    count = draw(st.integers(1, 16))
    sides = [Side.START, *(draw(st.sampled_from(list(Side))) for _ in range(count - 1))]
    touched = [number for number, side in enumerate(sides) if side == Side.CONTACT]
    contacts = tuple(contact(draw(st.integers(0, count - 1)), number) for number in touched)
    of = {number: place for place, number in enumerate(touched)}
    lots = [lot(number, side, contact=of.get(number)) for number, side in enumerate(sides)]
    places = st.integers(0, count - 1)
    pairs = draw(st.sets(st.tuples(places, places).filter(lambda pair: pair[0] != pair[1]), max_size=40))
    way = draw(st.sampled_from(list(Direction)))
    return trace(lots, [step(*pair) for pair in sorted(pairs)], way, contacts=contacts)
