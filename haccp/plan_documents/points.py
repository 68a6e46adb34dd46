"""The control points of a plan document as plain values, ready to be kept with an approved version."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Schedule:
    """When a check is due.

    ``per``: batch, part, receipt, changeover, shift or day. ``at``: start, change, break, end of it; start
    and end can be foreseen, a change and a break happen. ``every_minutes``: between start and end.
    ``within_minutes``: how long after it fell due a check counts as missed. Neither ``at`` nor
    ``every_minutes``: once, at any time. ``break_steps``: how breaks and stops are called on the batch sheet.
    ``shifts``: when shifts begin, HH:MM by the local clock. What the service cannot tell from that, people do.
    """

    per: str
    at: tuple[str, ...] = ()
    every_minutes: int | None = None
    within_minutes: int | None = None
    break_steps: tuple[str, ...] = ()
    shifts: tuple[str, ...] = ()


@dataclass(frozen=True)
class ControlPointSpec:
    """One control point. ``products``: material codes it applies to. ``limits``: JSON for ``haccp.limits``.

    ``document``: its part of the plan's document, ``products`` filled in; ``control_point`` reads it back.
    """

    code: str
    name: str
    kind: str
    control: str
    step: str
    products: tuple[str, ...]
    materials: tuple[str, ...]
    hazards: tuple[str, ...]
    limits: tuple[dict[str, Any], ...]
    schedule: Schedule | None
    instrument: str
    document: dict[str, Any]

    @property
    def is_at_receipt(self) -> bool:
        """Whether it is checked when a delivery comes, and not on a batch."""
        return bool(self.limits) and self.schedule is not None and self.schedule.per == "receipt"


def control_points(document: Mapping[str, Any]) -> tuple[ControlPointSpec, ...]:
    """Every control point of a document without gaps, in its order.

    A control point that names no products applies to those of its step; a step that names none, to all.
    """
    at_step = {step["code"]: step.get("products") for step in document.get("steps", [])}
    every = document.get("products", [])
    return tuple(
        control_point(
            part | {"products": part.get("products") or at_step.get(part.get("step", "")) or list(every)}
        )
        for part in document.get("control_points", [])
    )


def control_point(part: Mapping[str, Any]) -> ControlPointSpec:
    """One control point from its part of a document, as it stands in an approved version."""
    monitoring = part.get("monitoring", {})
    return ControlPointSpec(
        code=part["code"],
        name=part.get("name", ""),
        kind=part.get("kind", ""),
        control=part.get("control", ""),
        step=part.get("step", ""),
        products=tuple(part.get("products", ())),
        materials=tuple(part.get("materials", ())),
        hazards=tuple(part.get("hazards", ())),
        limits=tuple(without_source(limit) for limit in part.get("limits", ())),
        schedule=_schedule(monitoring.get("when", {})),
        instrument=monitoring.get("instrument", ""),
        document=dict(part),
    )


def without_source(limit: Mapping[str, Any]) -> dict[str, Any]:
    """A limit as ``haccp.limits`` reads it: where its numbers come from stays in the document."""
    bare = {name: value for name, value in limit.items() if name != "source"}
    if isinstance(bare.get("members"), list):
        bare["members"] = [without_source(each) for each in bare["members"]]
    return bare


def _schedule(when: Mapping[str, Any]) -> Schedule | None:
    if "per" not in when:
        return None
    return Schedule(
        when["per"],
        tuple(when.get("at", ())),
        _minutes(when, "every_minutes"),
        _minutes(when, "within_minutes"),
        tuple(when.get("break_steps", ())),
        tuple(when.get("shifts", ())),
    )


def _minutes(when: Mapping[str, Any], name: str) -> int | None:
    return int(when[name]) if name in when else None


WEEK = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
USUALLY_WORKED = WEEK[:5]  # where a plan names none: common practice, no source


def review_term(document: Mapping[str, Any]) -> tuple[int, frozenset[int]] | None:
    """Within how many working days records are reviewed, and the weekdays worked (Monday is 0); None: not said."""
    said = document.get("records", {}).get("review", {})
    if "within_working_days" not in said:
        return None
    worked = said.get("working_days", USUALLY_WORKED)
    return int(said["within_working_days"]), frozenset(WEEK.index(day) for day in worked)
