"""What a relief eases in a plan: gaps that no longer stand before its approval, never of a critical control. Pure."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from typing import Any

from haccp.compliance.known import eased_gaps
from haccp.plan_documents import Gap

NEVER_LESSER = frozenset({"allergen", "supply-chain"})


def lesser(point: Mapping[str, Any], document: Mapping[str, Any]) -> bool:
    """Whether a control point is neither critical nor about an allergen or a supplier; what is not said counts against it."""
    kinds = {each["code"]: each.get("kind") for each in document.get("hazards", [])}
    about = [kinds.get(code) for code in point.get("hazards", [])]
    control = point.get("control")
    known = bool(about) and None not in about and control is not None
    return known and point.get("kind") == "oprp" and control not in NEVER_LESSER and "allergen" not in about


def with_easing(gaps: Iterable[Gap], document: Mapping[str, Any], reliefs: Collection[str]) -> list[Gap]:
    """The same gaps, each with the relief that eases it, if one of these does."""
    by = eased_gaps(reliefs)
    return [
        replace(gap, eased_by=by[gap.code]) if gap.code in by and _may_be(gap, document) else gap
        for gap in gaps
    ]


def _may_be(gap: Gap, document: Mapping[str, Any]) -> bool:
    """Of a control point only where it is a lesser one."""
    name, *rest = gap.field.split(".")
    if name != "control_points" or not rest:
        return True
    return lesser(document["control_points"][int(rest[0])], document)
