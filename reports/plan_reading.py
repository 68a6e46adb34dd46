"""A plan document as rows for its paper: what each part says, in the active language. Pure; a draft may lack anything."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from haccp.plan_documents import QUESTIONS, Outcome, decided
from haccp.plan_documents.decisions import questions_reached
from reports import flow_picture, plan_words
from reports.flow_picture import FlowStep, FlowWords

Said = tuple[tuple[str, str], ...]
"""What a part says: (what it is called, the text)."""


@dataclass(frozen=True)
class Source:
    """Where a number comes from. ``on_site``: it is to be validated where the work is done."""

    words: str
    on_site: bool


@dataclass(frozen=True)
class Verification:
    what: str
    who: str
    how_often: str


@dataclass(frozen=True)
class Member:
    person: str
    role: str
    competence: str


@dataclass(frozen=True)
class Step:
    """``to`` and ``returns_to``: codes of the steps that follow, and of those it leads back to."""

    code: str
    name: str
    to: tuple[str, ...]
    returns_to: tuple[str, ...]
    products: tuple[str, ...]
    equipment: tuple[str, ...]
    points: tuple[str, ...]
    notes: str


@dataclass(frozen=True)
class Answer:
    """``answer``: None where the question is open."""

    question: str
    answer: bool | None
    because: str


@dataclass(frozen=True)
class HazardLine:
    """``likely`` and ``severe``: the value and what it means on the plan's own scale."""

    code: str
    hazard: str
    kind: str
    likely: str
    severe: str
    significant: bool | None
    reasons: str
    sources: tuple[str, ...]
    measures: tuple[str, ...]
    answers: tuple[Answer, ...]
    reasoning: str
    outcome: str
    later_step: str
    points: tuple[str, ...]


@dataclass(frozen=True)
class Place:
    """A material or a step with its hazards, or why it has none."""

    is_material: bool
    code: str
    name: str
    hazards: tuple[HazardLine, ...]
    none_because: str


@dataclass(frozen=True)
class NotCritical:
    what: str
    step: str
    because: str


def source(said: Mapping[str, Any]) -> Source | None:
    """None where the plan does not say."""
    if "provenance" not in said:
        return None
    citation, provenance = said.get("citation", ""), said["provenance"]
    if provenance == "site":
        return Source(citation, on_site=True)
    return Source(": ".join(filter(None, (str(plan_words.PROVENANCE[provenance]), citation))), on_site=False)


def verifications(said: Iterable[Mapping[str, Any]]) -> tuple[Verification, ...]:
    return tuple(Verification(*_texts(each, "what", "who", "how_often")) for each in said)


def team(document: Mapping[str, Any]) -> tuple[Member, ...]:
    return tuple(Member(*_texts(each, "person", "role", "competence")) for each in document.get("team", ()))


def not_critical(document: Mapping[str, Any]) -> tuple[NotCritical, ...]:
    found = document.get("not_critical", ())
    return tuple(NotCritical(*_texts(each, "what", "step", "because")) for each in found)


def _texts(part: Mapping[str, Any], *names: str) -> Iterator[str]:
    return (str(part.get(name, "")) for name in names)


# -- the flow --------------------------------------------------------------------------------------------


def steps(document: Mapping[str, Any]) -> tuple[Step, ...]:
    """Every step, with what follows apart from what it leads back to."""
    found = document.get("steps", [])
    back = {(found[a]["code"], found[b]["code"]) for a, b in flow_picture.returning(flow(document))}
    return tuple(_step(document, each, back) for each in found)


def _step(document: Mapping[str, Any], step: Mapping[str, Any], back: set[tuple[str, str]]) -> Step:
    code, to = step["code"], step.get("to", ())
    return Step(
        code=code,
        name=step.get("name", ""),
        to=tuple(each for each in to if (code, each) not in back),
        returns_to=tuple(each for each in to if (code, each) in back),
        products=tuple(step.get("products", ())),
        equipment=tuple(step.get("equipment", ())),
        points=tuple(point["code"] for point in _points_at(document, code)),
        notes=step.get("notes", ""),
    )


def _points_at(document: Mapping[str, Any], step: str) -> list[Mapping[str, Any]]:
    return [point for point in document.get("control_points", ()) if point.get("step") == step]


def flow(document: Mapping[str, Any]) -> list[FlowStep]:
    """The steps as they are drawn; what a step names that is none is left out here (it is a gap of the draft)."""
    found = document.get("steps", [])
    numbers: dict[str, int] = {}
    for number, step in enumerate(found):
        numbers.setdefault(step["code"], number)
    return [
        FlowStep(
            code=step["code"],
            name=step.get("name", ""),
            to=tuple(dict.fromkeys(numbers[each] for each in step.get("to", ()) if each in numbers)),
            marks=_marks(_points_at(document, step["code"])),
            critical=any(point.get("kind") == "ccp" for point in _points_at(document, step["code"])),
        )
        for step in found
    ]


def _marks(points: Iterable[Mapping[str, Any]]) -> str:
    """Critical control points by their code, the others by how many of their kind."""
    kinds = [str(point.get("kind", "?")) for point in points]
    critical = [point["code"] for point in points if point.get("kind") == "ccp"]
    others = [f"{kinds.count(kind)} {_(kind.upper())}" for kind in ("oprp", "prp") if kind in kinds]
    return ", ".join([*critical, *others])


def picture(document: Mapping[str, Any], words: FlowWords) -> str:
    """The flow as SVG; empty where the plan has no steps yet."""
    drawn = flow(document)
    return flow_picture.svg(drawn, words) if drawn else ""


# -- hazards ---------------------------------------------------------------------------------------------


def places(document: Mapping[str, Any]) -> tuple[Place, ...]:
    """Materials, then steps, each with its hazards in the plan's order; last what names neither."""
    listed = [(True, each) for each in document.get("materials", ())]
    listed += [(False, each) for each in document.get("steps", ())]
    found = [_place(document, entry, is_material=is_material) for is_material, entry in listed]
    told = {hazard.code for place in found for hazard in place.hazards}
    lost = tuple(_hazard(document, each) for each in document.get("hazards", ()) if each["code"] not in told)
    return (*found, *([Place(False, "", "", lost, "")] if lost else []))


def _place(document: Mapping[str, Any], entry: Mapping[str, Any], *, is_material: bool) -> Place:
    name = "material" if is_material else "step"
    here = [each for each in document.get("hazards", ()) if each.get(name) == entry["code"]]
    if not is_material:  # one that names both stands at its material
        materials = {each["code"] for each in document.get("materials", ())}
        here = [each for each in here if each.get("material") not in materials]
    hazards = tuple(_hazard(document, each) for each in here)
    return Place(
        is_material, entry["code"], entry.get("name", ""), hazards, entry.get("no_hazard_because", "")
    )


def _hazard(document: Mapping[str, Any], said: Mapping[str, Any]) -> HazardLine:
    decision = said.get("decision", {})
    points = document.get("control_points", ())
    found = decided(decision)
    return HazardLine(
        code=said["code"],
        hazard=said.get("hazard", ""),
        kind=str(plan_words.HAZARD_KINDS[said["kind"]]) if "kind" in said else "",
        likely=_on_scale(document, "likelihood", said),
        severe=_on_scale(document, "severity", said),
        significant=said.get("significant"),
        reasons=said.get("reasons", ""),
        sources=tuple(said.get("sources", ())),
        measures=tuple(said.get("measures", ())),
        answers=tuple(_answers(decision)) if said.get("significant") or decision else (),
        reasoning=decision.get("expert_reasoning", ""),
        outcome="" if found is None else plan_words.outcome(Outcome(found)),
        later_step=decision.get("later_step", ""),
        points=tuple(each["code"] for each in points if said["code"] in each.get("hazards", ())),
    )


def _on_scale(document: Mapping[str, Any], scale: str, said: Mapping[str, Any]) -> str:
    value = said.get(scale, "")
    means = document.get("scales", {}).get(scale, {}).get(value, "")
    return f"{value} ({means})" if means else value


def _answers(decision: Mapping[str, Any]) -> Iterator[Answer]:
    """The questions as far as they were reached; none where a person reasoned instead."""
    given = {name: decision[name] for name in QUESTIONS if name in decision}
    reasoned = bool(decision.get("expert_reasoning", "").strip())
    reached = () if reasoned else questions_reached(_said_answers(given))
    for name in dict.fromkeys([*reached, *given]):
        said = given.get(name, {})
        yield Answer(plan_words.question(name), said.get("answer"), said.get("because", ""))


def _said_answers(given: Mapping[str, Any]) -> dict[str, bool]:
    return {name: each["answer"] for name, each in given.items() if "answer" in each}
