"""Every gap of a plan against the twelve Codex steps. A draft may have gaps; an approved version has none.

Sources: CXC 1-1969 (2020, revised 2022); 21 CFR 117.126 (contents of a plan, read), 117.130 (hazard analysis
written whatever its result, read), 117.139 (recall plan, read), 117.170 (reanalysis, in a secondary text).
The stricter set is asked for everywhere; what a small firm may be spared is for its authority to say.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from haccp.plan_documents.control_needs import control_gaps, sourced
from haccp.plan_documents.decisions import QUESTIONS, Outcome, answers_in, decided, questions_reached
from haccp.plan_documents.schema import errors
from haccp.plan_documents.spots import Gap, Spot, both, codes, filled, lacking, later_steps
from haccp.said import Said

_PRODUCT = (
    "composition",
    "allergens",
    "characteristics",
    "processing",
    "packaging",
    "storage_and_life",
    "distribution",
)
_RECALL = ("owner", "tell_customers", "tell_the_public", "effectiveness_checks", "disposal")  # 117.139(b)
_CODED = ("materials", "steps", "hazards", "control_points")


def gaps(document: Mapping[str, Any]) -> list[Gap]:
    """Every gap at once, in the order of the Codex steps; shape errors come alone, as step 0."""
    misshapen = [Gap(error.code, error.detail, error.field) for error in errors(document)]
    if misshapen:
        return misshapen
    found = [gap for look in _LOOKS for gap in look(Spot(document))]
    return sorted(found, key=lambda gap: gap.codex_step)


def _team(plan: Spot) -> Iterator[Gap]:
    if lacking(plan.document, ["title", "scope"]):
        yield plan.gap(1, "no-scope", "give the plan a title and say where it begins and ends.", "scope")
    if not plan.document.get("team"):
        yield plan.gap(1, "no-team", "name the people who made the plan.", "team")
    for member, part in plan.entries("team"):
        if missing := lacking(part, ["person", "role", "competence"]):
            yield member.gap(1, "team-member-incomplete", Said("say %(fields)s.", fields=_and(missing)))


def _product(plan: Spot) -> Iterator[Gap]:
    if not plan.document.get("products"):
        yield plan.gap(2, "no-products", "name the products the plan covers, by material code.", "products")
    if missing := lacking(plan.document.get("product_description", {}), _PRODUCT):
        yield plan.gap(
            2,
            "product-not-described",
            Said("describe %(fields)s.", fields=_and(missing)),
            "product_description",
        )


def _use(plan: Spot) -> Iterator[Gap]:
    if missing := lacking(plan.document.get("intended_use", {}), ["use", "consumers", "unintended_use"]):
        yield plan.gap(
            3,
            "use-not-described",
            Said("write down %(fields)s that can be foreseen.", fields=_and(missing)),
            "intended_use",
        )


def _flow(plan: Spot) -> Iterator[Gap]:
    steps = plan.document.get("steps", [])
    if not steps:
        yield plan.gap(4, "no-steps", "draw the flow: write down its steps.", "steps")
    known, products = codes(plan.document, "steps"), set(plan.document.get("products", []))
    entered = {target for step in steps for target in step.get("to", [])}
    for spot, step in plan.entries("steps"):
        if not filled(step.get("name")):
            yield spot.gap(4, "step-unnamed", "say what is done at this step.")
        if unknown := sorted(set(step.get("to", [])) - known):
            yield spot.gap(
                4,
                "step-unknown",
                Said("flows to %(codes)s: no step of this plan.", codes=both(unknown)),
                "to",
            )
        if len(steps) > 1 and not step.get("to") and step["code"] not in entered:
            yield spot.gap(4, "step-apart", "nothing flows to it or from it.")
        if unknown := sorted(set(step.get("products", [])) - products):
            yield spot.gap(
                4,
                "product-unknown",
                Said("%(codes)s: not a product of this plan.", codes=both(unknown)),
                "products",
            )


def _repeated_codes(plan: Spot) -> Iterator[Gap]:
    for name in _CODED:
        count = Counter(entry["code"] for entry in plan.document.get(name, []))
        if twice := [code for code, times in count.items() if times > 1]:
            yield plan.gap(
                12, "code-used-twice", Said("%(codes)s stands more than once.", codes=both(twice)), name
            )


def _confirmed(plan: Spot) -> Iterator[Gap]:
    confirmation = plan.document.get("flow_confirmation", {})
    if missing := lacking(confirmation, ["confirmed_by", "confirmed_on", "how"]):
        yield plan.gap(
            5,
            "flow-not-confirmed",
            Said("walk the flow where the work is done and write down %(fields)s.", fields=_and(missing)),
            "flow_confirmation",
        )


def _considered(plan: Spot) -> Iterator[Gap]:
    """Hazards are looked for at every step and in every material; that is written whatever was found."""
    hazards = plan.document.get("hazards", [])
    if not hazards:
        yield plan.gap(6, "no-hazards", "list the hazards, whatever the analysis found.", "hazards")
    for name, entry_name in (("steps", "step"), ("materials", "material")):
        looked_at = {hazard.get(entry_name) for hazard in hazards}
        for spot, entry in plan.entries(name):
            if entry["code"] not in looked_at and not filled(entry.get("no_hazard_because")):
                yield spot.gap(6, "hazards-not-considered", "list its hazards, or write why there is none.")
    if missing := lacking(plan.document.get("scales", {}), ["likelihood", "severity"]):
        yield plan.gap(
            6, "no-scale", Said("say what the values of %(fields)s mean.", fields=_and(missing)), "scales"
        )


def _hazards(plan: Spot) -> Iterator[Gap]:
    for spot, hazard in plan.entries("hazards"):
        if missing := lacking(hazard, ["hazard", "kind", "likelihood", "severity", "significant", "reasons"]):
            yield spot.gap(6, "hazard-incomplete", Said("say %(fields)s.", fields=_and(missing)))
        yield from _hazard_place(spot, hazard)
        for name in ("likelihood", "severity"):
            scale = plan.document.get("scales", {}).get(name, {})
            if scale and name in hazard and hazard[name] not in scale:
                yield spot.gap(
                    6,
                    "not-on-the-scale",
                    Said("%(value)s is not on the scale.", value=repr(hazard[name])),
                    name,
                )
        if hazard.get("significant"):
            yield from _significant(spot, hazard)


def _hazard_place(spot: Spot, hazard: Mapping[str, Any]) -> Iterator[Gap]:
    if "step" not in hazard and "material" not in hazard:
        yield spot.gap(6, "hazard-nowhere", "name the step or the material it comes with.")
    for name, listed in (("step", "steps"), ("material", "materials")):
        if name in hazard and hazard[name] not in codes(spot.document, listed):
            yield spot.gap(
                6,
                f"{name}-unknown",
                Said("%(code)s is no %(kind)s of this plan.", code=hazard[name], kind=Said(name)),
                name,
            )


def _significant(spot: Spot, hazard: Mapping[str, Any]) -> Iterator[Gap]:
    """A significant hazard has sources, measures, a decision, and a control where the decision says."""
    if missing := lacking(hazard, ["sources", "measures"]):
        yield spot.gap(
            6, "hazard-without-grounds", Said("is significant: give %(fields)s.", fields=_and(missing))
        )
    decision = hazard.get("decision", {})
    yield from _decision(spot.at("decision"), decision)
    outcome = decided(decision)
    if outcome is Outcome.REDESIGN:
        yield spot.gap(
            7,
            "redesign",
            "is significant and nothing controls it: change the step, the process or the product, and do the "
            "analysis again.",
            "decision",
        )
    elif outcome is not None:
        yield from _control(spot, hazard, outcome)


def _decision(spot: Spot, decision: Mapping[str, Any]) -> Iterator[Gap]:
    if filled(decision.get("expert_reasoning")):
        if "outcome" not in decision:
            yield spot.gap(7, "no-outcome", "expert reasoning needs its outcome.", "outcome")
        return
    answers = answers_in(decision)
    for question in questions_reached(answers):
        if question not in answers:
            yield spot.gap(
                7,
                "question-open",
                Said("not answered: %(question)s", question=Said(QUESTIONS[question])),
                question,
            )
        elif not filled(decision[question].get("because")):
            yield spot.gap(7, "answer-without-reason", "give the reason for the answer.", question)
    outcome = decided(decision)
    if outcome and decision.get("outcome", outcome) != outcome:
        said = decision["outcome"]
        yield spot.gap(
            7,
            "outcome-differs",
            Said("the answers lead to %(outcome)s, not to %(said)s.", outcome=outcome, said=said),
            "outcome",
        )


def _control(spot: Spot, hazard: Mapping[str, Any], outcome: Outcome) -> Iterator[Gap]:
    """The control the outcome speaks of must exist, at the place it speaks of."""
    points = [
        point
        for point in spot.document.get("control_points", [])
        if hazard["code"] in point.get("hazards", [])
    ]
    here, later = hazard.get("step"), later_steps(spot.document, hazard.get("step"))
    named = hazard["decision"].get("later_step")
    if outcome is Outcome.CCP:
        held = any(p.get("kind") == "ccp" and here in (None, p.get("step")) for p in points)
        wanted = Said("a control point of kind ccp at this step")
    elif outcome is Outcome.GOOD_PRACTICE:
        held, wanted = bool(points), Said("an oprp or a prp")
    elif outcome is Outcome.BEFORE_RECEIPT:
        held = any(p.get("control") == "supply-chain" for p in points)
        wanted = Said("a control point of control supply-chain")
    elif outcome is Outcome.LATER_STEP:
        held = named in later and any(p.get("kind") == "ccp" and p.get("step") == named for p in points)
        wanted = Said("later_step to name a step that follows, with a control point of kind ccp there")
    else:
        held = any(p.get("step") in later for p in points)
        wanted = Said("a control point at a step that follows")
    if not held:
        yield spot.gap(
            7,
            "hazard-without-control",
            Said("is significant and needs %(wanted)s that lists it.", wanted=wanted),
        )


def _critical(plan: Spot) -> Iterator[Gap]:
    """A plan without a CCP is valid with written reasons."""
    points = plan.document.get("control_points", [])
    if filled(plan.document.get("no_ccp_because")):
        if any(point.get("kind") == "ccp" for point in points):
            yield plan.gap(7, "ccp-and-none", "there is a CCP: strike these reasons.", "no_ccp_because")
    elif not any(point.get("kind") == "ccp" for point in points):
        yield plan.gap(7, "no-ccp", "there is no CCP: write down why none is needed.", "no_ccp_because")
        if not points:
            for step, what in ((8, "limit"), (9, "monitoring"), (10, "corrective action")):
                yield plan.gap(
                    step,
                    f"no-{what.replace(' ', '-')}",
                    Said("no %(what)s yet.", what=Said(what)),
                    "control_points",
                )
    for spot, entry in plan.entries("not_critical"):
        if missing := lacking(entry, ["what", "because"]):
            yield spot.gap(7, "not-critical-incomplete", Said("say %(fields)s.", fields=_and(missing)))


def _recall(plan: Spot) -> Iterator[Gap]:
    significant = any(hazard.get("significant") for hazard in plan.document.get("hazards", []))
    missing = lacking(plan.document.get("recall_plan", {}), _RECALL)
    if missing and (significant or not plan.document.get("hazards")):
        yield plan.gap(
            10, "no-recall-plan", Said("a recall plan needs %(fields)s.", fields=_and(missing)), "recall_plan"
        )


def _verified(plan: Spot) -> Iterator[Gap]:
    if not plan.document.get("verification"):
        sentence = Said("say how the plan is verified: what, who, how often.")
        yield plan.gap(11, "no-verification", sentence, "verification")
    for spot, entry in plan.entries("verification"):
        if missing := lacking(entry, ["what", "who", "how_often"]):
            yield spot.gap(11, "verification-incomplete", Said("say %(fields)s.", fields=_and(missing)))
    if missing := lacking(plan.document.get("reanalysis", {}), ["at_least_every", "source", "triggers"]):
        yield plan.gap(
            11,
            "no-reanalysis",
            Said("analysis done again: say %(fields)s.", fields=_and(missing)),
            "reanalysis",
        )


def _records(plan: Spot) -> Iterator[Gap]:
    if missing := lacking(plan.document.get("records", {}), ["kept", "retention"]):
        yield plan.gap(
            12,
            "no-records",
            Said("say %(fields)s: which records, for how long.", fields=_and(missing)),
            "records",
        )
    review = plan.document.get("records", {}).get("review", {})
    if "within_working_days" in review:
        yield from sourced(plan.at("records", "review"), review, 12)


def _and(names: list[str]) -> Said:
    return both([Said(name.replace("_", " ")) for name in names])


_LOOKS: tuple[Callable[[Spot], Iterator[Gap]], ...] = (
    _team,
    _product,
    _use,
    _flow,
    _repeated_codes,
    _confirmed,
    _considered,
    _hazards,
    _critical,
    control_gaps,
    _recall,
    _verified,
    _records,
)
