"""The control points of a plan as rows for its paper: limits as they bind on a day, monitoring, and what follows."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from uuid import UUID

from django.utils.translation import gettext as _

from batches.models import Material
from config.api.refusals import Refusal
from haccp import limits, rules
from haccp.models import LocalRule
from haccp.plan_documents import ControlPointSpec, control_points
from reports import limit_words, plan_reading, plan_words
from reports.plan_reading import Said, Source, Verification


@dataclass(frozen=True)
class LimitLine:
    """``must``: as it binds that day; ``set_by``: the plan, or the local rule that is tighter. ``informs``: local rules
    for the quantity that bind nothing."""

    quantity: str
    must: str
    operating: str
    set_by: tuple[str, ...]
    informs: tuple[str, ...]
    held_against: str
    asks: tuple[str, ...]
    source: Source | None


@dataclass(frozen=True)
class Validation:
    """``due``: on site by then, counted from ``first_batch``; None where neither is known."""

    evidence: str
    within_days: int | None
    longer_because: str
    not_needed_because: str
    first_batch: date | None
    due: date | None


@dataclass(frozen=True)
class ControlLine:
    """``critical``: it is a CCP."""

    code: str
    name: str
    critical: bool
    kind: str
    control: str
    step: str
    products: tuple[str, ...]
    materials: tuple[str, ...]
    hazards: tuple[str, ...]
    limits_are: str
    limits: tuple[LimitLine, ...]
    guard: str
    monitoring: Said
    how_often: str
    how_often_source: Source | None
    supply: Said
    correction: str
    corrective_action: str
    verification: tuple[Verification, ...]
    validation: Validation
    notes: str


@dataclass(frozen=True)
class Local:
    """The local rules of a day, and the materials of the plan by code: what bounds of control points depend on."""

    confirmed: Sequence[LocalRule]
    materials: Mapping[str, Material]

    def about(self, spec: ControlPointSpec) -> set[UUID]:
        codes = (*spec.products, *spec.materials)
        return {self.materials[code].pk for code in codes if code in self.materials}

    def binding(self, spec: ControlPointSpec) -> list[limits.Rule]:
        return rules.binding(self.confirmed, self.about(spec))


def controls(document: Mapping[str, Any], local: Local, first_batch: date | None) -> tuple[ControlLine, ...]:
    """Every control point in the plan's order."""
    return tuple(_control(spec, local, first_batch) for spec in control_points(document))


def quantities(document: Mapping[str, Any]) -> set[str]:
    """What local rules may speak of: every quantity that a limit of the plan bounds."""
    read = [limit for spec in control_points(document) for limit, _source in _read(spec) if limit]
    return {part.quantity for limit in read for part in limits.bounded_parts(limit)}


def _control(spec: ControlPointSpec, local: Local, first_batch: date | None) -> ControlLine:
    said = spec.document
    monitoring = said.get("monitoring", {})
    when = monitoring.get("when", {})
    return ControlLine(
        code=spec.code,
        name=spec.name,
        critical=spec.kind == "ccp",
        kind=str(plan_words.CONTROL_KINDS.get(spec.kind, "")),
        control=str(plan_words.CONTROLS.get(spec.control, "")),
        step=spec.step,
        products=spec.products,
        materials=spec.materials,
        hazards=spec.hazards,
        limits_are=str(plan_words.LIMITS.get(spec.kind, plan_words.LIMITS["prp"])),
        limits=tuple(_limit_lines(spec, local.binding(spec))),
        guard=str(plan_words.GUARDS.get(said.get("guard", ""), "")),
        monitoring=plan_words.said(plan_words.MONITORING, monitoring),
        how_often=plan_words.how_often(when),
        how_often_source=plan_reading.source(when.get("source", {})),
        supply=plan_words.said(plan_words.SUPPLY, said.get("supply", {})),
        correction=said.get("correction", ""),
        corrective_action=said.get("corrective_action", ""),
        verification=plan_reading.verifications(said.get("verification", ())),
        validation=_validation(said.get("validation", {}), first_batch),
        notes=said.get("notes", ""),
    )


def _validation(said: Mapping[str, Any], first_batch: date | None) -> Validation:
    days = int(said["on_site_within_days"]) if "on_site_within_days" in said else None
    return Validation(
        evidence=said.get("evidence", ""),
        within_days=days,
        longer_because=said.get("longer_because", ""),
        not_needed_because=said.get("not_needed_because", ""),
        first_batch=first_batch if days else None,
        due=first_batch + timedelta(days=days) if days and first_batch else None,
    )


# -- limits ----------------------------------------------------------------------------------------------


def _read(spec: ControlPointSpec) -> Iterator[tuple[limits.Limit | None, Mapping[str, Any]]]:
    """Each limit with what the document says of it; None where it cannot be read, as may be in a draft."""
    for bare, said in zip(spec.limits, spec.document.get("limits", ()), strict=True):
        try:
            yield limits.from_json(bare), said
        except Refusal:
            yield None, said


def _limit_lines(spec: ControlPointSpec, binding: Sequence[limits.Rule]) -> Iterator[LimitLine]:
    for limit, said in _read(spec):
        source = plan_reading.source(said.get("source", {}))
        if limit is None:
            yield _unreadable(said, source)
            continue
        for member in limits.members(limit):
            name = member.quantity if member is limit else f"{limit.quantity} / {member.quantity}"
            yield _limit_line(name, member, limits.in_force(member, binding), source)


def _limit_line(
    name: str, limit: limits.OneLimit, bounds: limits.InForce, source: Source | None
) -> LimitLine:
    return LimitLine(
        quantity=name,
        must=limit_words.must(bounds),
        operating=limit_words.operating(limit),
        set_by=limit_words.set_by(bounds),
        informs=tuple(limit_words.citation(each.source) for each in bounds.triggers),
        held_against=getattr(limit, "reference", ""),
        asks=tuple(str(plan_words.ASKS[each]) for each in getattr(limit, "asks", ())),
        source=source,
    )


def _unreadable(said: Mapping[str, Any], source: Source | None) -> LimitLine:
    told = _("cannot be read as a limit yet: %s") % plan_words.told(said)
    return LimitLine(said.get("quantity", ""), told, "", (), (), "", (), source)
