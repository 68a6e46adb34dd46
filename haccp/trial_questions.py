"""A trial on past checks as it is asked for, in plain JSON: read in one place for the answer at once and the document."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from config.api.refusals import Reason, Unknown, Unusable
from haccp import trials
from haccp.limits import GUARDS
from haccp.models import LocalRule
from haccp.trials import Proposal
from ledger.models import Establishment

NAMES = ("quantity", "limit", "rule", "guard", "points", "first_day", "last_day")
MOST_POINTS = 100


@dataclass(frozen=True)
class Question:
    """What is tried, and on which local days, both included."""

    proposal: Proposal
    first_day: date
    last_day: date

    def answer(self, establishment: Establishment) -> trials.Trial:
        return trials.run(establishment, self.proposal, self.first_day, self.last_day)


def question(establishment: Establishment, said: Mapping[str, Any]) -> Question:
    """What ``said`` asks, if it can be answered here.

    ``quantity``, ``first_day`` and ``last_day`` as text; ``limit`` as in a plan's document, ``rule`` the id of a local
    rule, ``guard``, and ``points``, a list of codes, where they are tried. Raises Unusable with every reason that can
    be told at once, and Unknown: also for a period that is too long and for a point there is not.
    """
    reasons = list(_wrong(said))
    if reasons:
        raise Unusable("This cannot be tried.", reasons=reasons)
    first, last = (date.fromisoformat(said[name]) for name in ("first_day", "last_day"))
    proposal = trials.propose(
        quantity=said["quantity"],
        limit=said.get("limit"),
        rule=_rule(establishment, said.get("rule")),
        guard=said.get("guard"),
        points=tuple(said.get("points") or ()),
    )
    trials.refuse_period(first, last)
    trials.points_asked(establishment, proposal)
    return Question(proposal, first, last)


def _wrong(said: Mapping[str, Any]) -> Iterator[Reason]:
    for name in sorted(set(map(str, said)) - set(NAMES)):
        yield Reason("unknown-name", f"A trial has no {name[:40]!a}.", name[:40])
    quantity = said.get("quantity")
    if not isinstance(quantity, str) or not quantity.strip():
        yield Reason("missing", "Say which quantity, as the plan's limits name it.", "quantity")
    for name in ("first_day", "last_day"):
        if not _is_day(said.get(name)):
            yield Reason("not-a-day", "Give the day as in 2026-03-02.", name)
    if not isinstance(said.get("limit"), Mapping | None):
        yield Reason("shape", "A limit is an object, as in a plan.", "limit")
    if not isinstance(said.get("guard"), str | None):
        yield Reason("unknown-name", f"A guard is one of: {', '.join(GUARDS)}.", "guard")
    points = said.get("points") or []
    of_codes = isinstance(points, list) and all(isinstance(each, str) for each in points)
    if not of_codes or len(points) > MOST_POINTS:
        yield Reason("shape", f"Points are a list of at most {MOST_POINTS} codes.", "points")


def _is_day(value: Any) -> bool:
    try:
        return bool(date.fromisoformat(value))
    except (TypeError, ValueError):
        return False


def _rule(establishment: Establishment, key: Any) -> LocalRule | None:
    if key is None:
        return None
    try:
        found = LocalRule.objects.filter(establishment=establishment, pk=UUID(str(key))).first()
    except ValueError:
        found = None
    if found is None:
        raise Unknown("There is no such local rule here.", field="rule")
    return found
