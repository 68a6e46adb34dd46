"""The four questions of the Codex example tree, and what follows from the answers.

Source: CXC 1-1969 (revised 2022), Annex IV. Questions 1 and 2 and the foot-note on changing the process were
read in a copy of the figure; questions 3 and 4 are from memory. The tree is a help, not a duty: a team may
decide by expert reasoning instead, and then writes the outcome and the reasoning down.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Any

QUESTIONS = {
    "q1": "Can good hygiene practice alone hold the hazard at an acceptable level at this step?",
    "q2": "Is there a control measure made for this hazard at this step?",
    "q3": "Will a later step prevent or remove the hazard, or bring it to an acceptable level?",
    "q4": "Can this step prevent or remove the hazard, or bring it to an acceptable level?",
}


class Outcome(StrEnum):
    """What the answers lead to, for one hazard at one step."""

    GOOD_PRACTICE = "good-practice"  # no CCP: hygiene holds it, some of it with greater attention
    LOOK_LATER = "look-at-later-steps"  # no CCP here: ask the questions again at the steps that follow
    LATER_STEP = "later-step"  # no CCP here: the later step that is named should be one
    CCP = "ccp"
    REDESIGN = "redesign"  # nothing controls it: change the step, the process or the product; analyse again
    BEFORE_RECEIPT = (
        "before-receipt"  # the supplier controls it: by expert reasoning, the tree has no such end
    )


OUTCOME_WORDS = {
    Outcome.GOOD_PRACTICE: "not a CCP: held by good hygiene practice",
    Outcome.LOOK_LATER: "not a CCP here: look at the later steps",
    Outcome.LATER_STEP: "not a CCP here: a later step controls it",
    Outcome.CCP: "a CCP",
    Outcome.REDESIGN: "nothing controls it: change step, process or product and analyse again",
    Outcome.BEFORE_RECEIPT: "controlled before receipt, by the supplier",
}

# (question, answer that ends the questions, what it ends in), in the order they are asked
_ENDS = (
    ("q1", True, Outcome.GOOD_PRACTICE),
    ("q2", False, Outcome.LOOK_LATER),
    ("q3", True, Outcome.LATER_STEP),
    ("q4", True, Outcome.CCP),
    ("q4", False, Outcome.REDESIGN),
)


def outcome_of(answers: Mapping[str, bool]) -> Outcome | None:
    """Follow the answers (``{"q1": False, ...}``) to their end; None where the next one is missing."""
    for question, ending, outcome in _ENDS:
        if question not in answers:
            return None
        if answers[question] is ending:
            return outcome
    return None


def questions_reached(answers: Mapping[str, bool]) -> tuple[str, ...]:
    """The questions that must be answered: all up to the one that ends them or is still open."""
    reached: list[str] = []
    for question, ending, _ in _ENDS:
        if question not in reached:
            reached.append(question)
        if answers.get(question, ending) is ending:
            break
    return tuple(reached)


def answers_in(decision: Mapping[str, Any]) -> dict[str, bool]:
    """The answers a ``decision`` of the document holds."""
    return {name: decision[name]["answer"] for name in QUESTIONS if "answer" in decision.get(name, {})}


def decided(decision: Mapping[str, Any]) -> Outcome | None:
    """The outcome: what a person reasoned out where reasoning is given, else what the answers lead to."""
    if decision.get("expert_reasoning", "").strip():
        return Outcome(decision["outcome"]) if "outcome" in decision else None
    return outcome_of(answers_in(decision))
