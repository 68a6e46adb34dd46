"""A hazard plan as rows for spreadsheets and programs: each hazard, each limit of a control point, each step."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from reports import tables
from reports.tables import Table, text

if TYPE_CHECKING:
    from reports.hazard_plan import HazardPlan
    from reports.plan_controls import ControlLine

HAZARDS = (
    "code",
    "hazard",
    "kind",
    "likely",
    "severe",
    "significant",
    "reasons",
    "sources",
    "measures",
    "reasoning",
    "outcome",
    "later_step",
    "points",
)
POINTS = ("code", "name", "critical", "kind", "control", "step", "products", "materials", "hazards")
LIMITS = ("quantity", "must", "operating", "set_by", "informs", "held_against", "asks")
AFTER = ("how_often", "correction", "corrective_action")
STEPS = ("code", "name", "to", "returns_to", "products", "equipment", "points", "notes")


def tables_of(plan: "HazardPlan") -> tuple[Table, ...]:
    hazards = [
        (place.code, place.name, *(text(getattr(each, head)) for head in HAZARDS))
        for place in plan.places
        for each in place.hazards
    ]
    points = [row for point in plan.controls for row in _limits(point)]
    return (
        Table("hazards", ("place", "place_name", *HAZARDS), hazards),
        Table("control points", (*POINTS, *LIMITS, "source", "monitoring", *AFTER), points),
        tables.of_lines("steps", plan.steps, STEPS),
    )


def _limits(point: "ControlLine") -> Iterator[tuple[str, ...]]:
    """A row a limit; a point without one has a row too."""
    first = tuple(text(getattr(point, head)) for head in POINTS)
    last = (
        "; ".join(f"{name}: {said}" for name, said in point.monitoring),
        *(text(getattr(point, head)) for head in AFTER),
    )
    for each in point.limits:
        source = "" if each.source is None else each.source.words
        yield (*first, *(text(getattr(each, head)) for head in LIMITS), source, *last)
    if not point.limits:
        yield (*first, *("" for _head in LIMITS), "", *last)
