"""What each kind of control point must hold, and what one lacks.

Sources: CXC 1-1969 principles 3 to 6 (limits validated; monitoring; corrective action; verification); 21 CFR
117.140 (which parts go with which control; supply chain has its own, read), 117.160 (validation is not asked
of allergen, sanitation and supply-chain controls, nor of others with a written reason; on site within 90
calendar days of first production, from memory), 117.420 (approved suppliers and written receiving, read).
Action criteria, monitoring and correction of an OPRP: ISO 22000:2018, from memory. A CCP is spared nothing:
Codex asks all of it.
"""

import re
from collections.abc import Iterator, Mapping
from typing import Any

from batches.quantities import UNITS, Dimension
from config.api.refusals import Refusal
from haccp import limits
from haccp.plan_documents.never import never_gaps
from haccp.plan_documents.points import without_source
from haccp.plan_documents.spots import Gap, Spot, both, codes, fields, filled, lacking
from haccp.said import Said

FULL = ("limits", "monitoring", "correction", "corrective_action", "verification", "validation")
NEEDS = {"ccp": FULL, "oprp": FULL, "prp": ("routine",)}
SPARED = {
    "allergen": {"validation"},
    "sanitation": {"validation"},
    "supply-chain": {"limits", "monitoring", "correction", "validation", "routine"},
}
ALSO = {"supply-chain": ("supply",)}
REFERENCE_ASKED = Said(
    "a colour or texture is held against something of the site's own: say what (reference)."
)
_BY_EYE = re.compile(r"\b(colou?r|shade|texture)\b", re.IGNORECASE)
DECIDES = {"water activity": "sample_temperature", "moisture": "method"}
VALIDATED_WITHIN_DAYS = 90  # 21 CFR 117.160(b)(1), from memory; longer with a written justification


def control_gaps(plan: Spot) -> Iterator[Gap]:
    """What every control point of the plan lacks."""
    for spot, point in plan.entries("control_points"):
        yield from _named(spot, point)
        yield from _listed(spot, point)
        for part in needed(point.get("kind", ""), point.get("control", "")):
            yield from _PARTS[part](spot, point)
        yield from _usable_limits(spot, point)
        yield from never_gaps(spot, point)
        yield from _one_name_each(spot, point)


def needed(kind: str, control: str) -> tuple[str, ...]:
    """The parts a control point of this kind and control must hold."""
    spared = set() if kind == "ccp" else SPARED.get(control, set())
    return tuple(part for part in NEEDS.get(kind, ()) if part not in spared) + ALSO.get(control, ())


def _named(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    if missing := lacking(point, ["name", "kind", "control", "hazards"]):
        yield spot.gap(7, "control-point-incomplete", Said("say %(fields)s.", fields=fields(missing)))
    if "step" not in point and "materials" not in point:
        yield spot.gap(7, "control-point-nowhere", "name its step, or the materials it is about.")
    if point.get("control") == "supply-chain" and not point.get("materials"):
        yield spot.gap(7, "control-without-material", "name the supplier's materials.", "materials")


def _listed(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    """What it refers to is in the plan."""
    plan = spot.document
    if "step" in point and point["step"] not in codes(plan, "steps"):
        yield spot.gap(
            7, "step-unknown", Said("%(code)s is no step of this plan.", code=point["step"]), "step"
        )
    for name, listed in (
        ("hazards", codes(plan, "hazards")),
        ("materials", codes(plan, "materials")),
        ("products", set(plan.get("products", []))),
    ):
        if unknown := sorted(set(point.get(name, [])) - listed):
            yield spot.gap(
                7, f"{name}-unknown", Said("not in this plan: %(codes)s.", codes=", ".join(unknown)), name
            )


def _limits(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    if not point.get("limits"):
        what = Said("critical limit") if point["kind"] == "ccp" else Said("action criterion")
        yield spot.gap(8, "no-limit", Said("has no %(what)s.", what=what), "limits")


def _usable_limits(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    for number, limit in enumerate(point.get("limits", [])):
        here = spot.at("limits", number)
        try:
            limits.from_json(without_source(limit))
        except Refusal as refusal:
            for reason in refusal.reasons:
                yield here.gap(8, reason.code, reason.detail, *([reason.field] if reason.field else []))
        yield from sourced(here, limit, 8)
        for each in (limit, *limit.get("members", [])):
            yield from _no_heat_for_allergens(here, each, point)
            yield from _says_what_decides(here, each)


def _one_name_each(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    """Each limit of a control point has a reading of its own, found by the quantity's name; so have members."""
    names: set[str] = set()
    for number, limit in enumerate(point.get("limits", [])):
        mine = {str(each.get("quantity")) for each in limit.get("members", [limit])}
        if doubled := sorted(names & mine):
            sentence = Said(
                "another limit here has that name: %(names)s. Give each its own.", names=", ".join(doubled)
            )
            yield spot.at("limits", number).gap(8, "quantity-doubled", sentence, "quantity")
        names |= mine


def sourced(spot: Spot, part: Mapping[str, Any], step: int) -> Iterator[Gap]:
    """A number says where it comes from; one to be validated on site says that."""
    source = part.get("source", {})
    if "provenance" not in source:
        sentence = Said("say where it comes from: read, memory, computed, or site (to be validated on site).")
        yield spot.gap(step, "no-source", sentence, "source")
    elif source["provenance"] != "site" and not filled(source.get("citation")):
        yield spot.gap(step, "no-citation", "name the source.", "source", "citation")


def _no_heat_for_allergens(spot: Spot, limit: Mapping[str, Any], point: Mapping[str, Any]) -> Iterator[Gap]:
    """Heat does not in general destroy allergens (CXC 80, introduction, read)."""
    unit = UNITS.get(limit.get("unit", ""))
    hot = (unit is not None and unit.dimension is Dimension.TEMPERATURE) or "temperature_unit" in limit
    kinds = {hazard["code"]: hazard.get("kind") for hazard in spot.document.get("hazards", [])}
    if hot and any(kinds.get(code) == "allergen" for code in point.get("hazards", [])):
        yield spot.gap(8, "heat-for-an-allergen", "heat does not clear an allergen; control it another way.")


def _says_what_decides(spot: Spot, limit: Mapping[str, Any]) -> Iterator[Gap]:
    """Moisture depends on the method, water activity on the temperature of the sample (common practice, no source)."""
    if limit.get("kind") == "observation":
        if _BY_EYE.search(str(limit.get("quantity", ""))) and not filled(limit.get("reference")):
            yield spot.gap(8, "no-reference", REFERENCE_ASKED, "reference")
        return
    if limit.get("kind") != "range":
        return
    for word, asked in DECIDES.items():
        if word in str(limit.get("quantity", "")).casefold() and asked not in limit.get("asks", []):
            sentence = Said(
                "a reading of %(word)s must say its %(asked)s: asks: [%(field)s].",
                word=Said(word),
                asked=Said(asked.replace("_", " ")),
                field=asked,
            )
            yield spot.gap(8, "does-not-ask", sentence, "asks")


def _monitoring(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    monitoring = point.get("monitoring", {})
    if missing := lacking(monitoring, ["what", "how", "who"]):
        yield spot.gap(
            9, "monitoring-incomplete", Said("say %(fields)s.", fields=fields(missing)), "monitoring"
        )
    when = monitoring.get("when", {})
    if missing := lacking(when, ["per", "within_minutes"]):
        words = {
            "per": Said("what it is done for (per)"),
            "within_minutes": Said("how late counts as missed (within minutes)"),
        }
        sentence = Said("say %(fields)s.", fields=both([words[name] for name in missing]))
        yield spot.gap(9, "no-schedule", sentence, "monitoring", "when")
    if when:
        yield from sourced(spot.at("monitoring", "when"), when, 9)
    asked = [each for limit in point.get("limits", []) for each in (limit, *limit.get("members", []))]
    if any(_measured(limit) for limit in asked) and not filled(monitoring.get("instrument")):
        sentence = Said("a measured limit needs the kind of instrument it is read with.")
        yield spot.gap(9, "no-instrument", sentence, "monitoring", "instrument")


def _measured(limit: Mapping[str, Any]) -> bool:
    """Whether its reading is taken with an instrument; what is counted is not."""
    unit = UNITS.get(limit.get("unit", ""))
    return unit is not None and unit.dimension is not Dimension.PIECES


def _routine(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    if missing := lacking(point.get("monitoring", {}), ["how", "who"]):
        yield spot.gap(
            9,
            "routine-incomplete",
            Said("say %(fields)s it is done.", fields=both([Said(name) for name in missing])),
            "monitoring",
        )


def _correction(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    if not filled(point.get("correction")):
        yield spot.gap(10, "no-correction", "say what is done at once when it fails.", "correction")


def _corrective_action(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    if not filled(point.get("corrective_action")):
        sentence = Said(
            "say how the cause is found, what happens to the product, and how it will not come back."
        )
        yield spot.gap(10, "no-corrective-action", sentence, "corrective_action")


def _verification(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    entries = point.get("verification", [])
    if not entries:
        yield spot.gap(11, "no-verification", "say what is verified, by whom, how often.", "verification")
    for number, entry in enumerate(entries):
        if missing := lacking(entry, ["what", "who", "how_often"]):
            here = ("verification", number)
            yield spot.gap(
                11, "verification-incomplete", Said("say %(fields)s.", fields=fields(missing)), *here
            )


def _validation(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    """Evidence, or a day by which the site has it; but for a CCP a written reason may stand instead."""
    validation = point.get("validation", {})
    spared = point["kind"] != "ccp" and filled(validation.get("not_needed_because"))
    if filled(validation.get("evidence")) or spared:
        return
    days = validation.get("on_site_within_days")
    if days is None:
        sentence = Said(
            "give the evidence that the limit works, or within how many days the site will have it."
        )
        yield spot.gap(11, "no-validation", sentence, "validation")
    elif int(days) > VALIDATED_WITHIN_DAYS and not filled(validation.get("longer_because")):
        sentence = Said(
            "more than %(days)d days need a written reason (longer_because).", days=VALIDATED_WITHIN_DAYS
        )
        yield spot.gap(11, "validation-late", sentence, "validation")


def _supply(spot: Spot, point: Mapping[str, Any]) -> Iterator[Gap]:
    names = ["supplier_approval", "supplier_verification", "receipt_rule"]
    if missing := lacking(point.get("supply", {}), names):
        sentence = Said("a control by the supplier needs %(fields)s.", fields=fields(missing))
        yield spot.gap(9, "supply-incomplete", sentence, "supply")


_PARTS = {
    "limits": _limits,
    "monitoring": _monitoring,
    "routine": _routine,
    "correction": _correction,
    "corrective_action": _corrective_action,
    "verification": _verification,
    "validation": _validation,
    "supply": _supply,
}
