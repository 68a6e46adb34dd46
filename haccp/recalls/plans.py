"""The recall plan: approved whole by signature, superseded by the next; what its letters say, and when it was last tried."""

from collections.abc import Iterable, Mapping, Sequence
from types import SimpleNamespace
from typing import Any

from django.template.loader import get_template

from batches.locks import lock_material
from config.api.refusals import RuleBroken, Unusable
from haccp.models import Outside, PlanStep, Recall, RecallPlan
from haccp.recalls.deciding import sign
from haccp.recalls.noticing import LANGUAGES
from ledger import people as persons
from ledger import signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Establishment, Role

OPEN = "[…]"
"""Stands in a letter for what only a recall can say."""


@deed
def approve(
    *,
    act: Act,
    proof: signatures.Proof,
    people: Sequence[Mapping[str, str]],
    steps: Sequence[Mapping[str, str]],
    outside: Sequence[Mapping[str, str]],
    public_notice: str,
) -> RecallPlan:
    """A food-safety lead approves the plan, signed; from then on it holds. Raises Unusable, RuleBroken, NotAllowed.

    ``people``: each {"role", "name"} and perhaps "telephone", which is kept private.
    """
    lock_material(act.establishment)
    plan = RecallPlan.new(
        act,
        people=[{"role": each["role"], "name": each["name"]} for each in people],
        telephones={each["role"]: each["telephone"] for each in people if each.get("telephone")},
        steps=[{name: each[name] for name in ("step", "role", "how")} for each in steps],
        outside=[{name: each[name] for name in ("what", "name", "reached_by")} for each in outside],
        public_notice=public_notice.strip(),
    )
    plan.answer_if_repeated()
    persons.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "approves the recall plan")
    _refuse_incomplete(plan)
    last = in_force(act.establishment)
    plan.number = 1 if last is None else last.number + 1
    plan.insert()
    sign(act, proof, plan, meaning="approved")
    return plan


def in_force(here: Establishment) -> RecallPlan | None:
    return RecallPlan.objects.filter(establishment=here).order_by("number").last()


def _refuse_incomplete(plan: RecallPlan) -> None:
    if plan.corrects_id is not None:
        raise RuleBroken(
            "A recall plan is superseded, not corrected: approve a new one.",
            code="not-corrected",
            field="corrects",
        )
    roles = [each["role"] for each in plan.people]
    if doubled := _doubled(roles):
        raise Unusable(
            f"Two people have the role {doubled}: say whose it is.", code="doubled", field="people"
        )
    if doubled := _doubled(each["step"] for each in plan.steps):
        raise Unusable(f"The step {doubled} stands there twice.", code="doubled", field="steps")
    told = {each["step"] for each in plan.steps}
    if missing := [step for step in PlanStep.values if step not in told]:
        raise Unusable(f"These steps are missing: {', '.join(missing)}.", code="missing", field="steps")
    for place, each in enumerate(plan.steps):
        if each["role"] not in roles:
            raise Unusable(f"Nobody has the role {each['role']}.", code="nobody", field=f"steps.{place}.role")
    if not any(each["what"] == Outside.AUTHORITY for each in plan.outside):
        raise Unusable("Name the authority and how it is reached.", code="missing", field="outside")


def _doubled(names: Iterable[str]) -> str | None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            return name
        seen.add(name)
    return None


def last_exercise(here: Establishment) -> Recall | None:
    """The trace exercise that was decided on last and has ended."""
    rows = Recall.objects.filter(establishment=here, is_exercise=True, end__isnull=False)
    return rows.select_related("end").order_by("performed_at", "id").last()


def letters(here: Establishment) -> list[tuple[str, str, str]]:
    """By language what a consignee and the public would read, with what only a recall can say left open."""
    return [
        (language, _wording(here, language, public=False), _wording(here, language, public=True))
        for language in LANGUAGES
    ]


def _wording(here: Establishment, language: str, *, public: bool) -> str:
    lot: dict[str, Any] = {
        "material": OPEN,
        "code": OPEN,
        "best_before": OPEN,
        "shipped": OPEN,
        "unit": "KGM",
    }
    context = {
        "recall": SimpleNamespace(code=OPEN, is_exercise=False),
        "why": OPEN,
        "house": here,
        "house_address": ", ".join(here.address.split("\n")),
        "partner": None if public else SimpleNamespace(name=OPEN),
        "urgent": True,
        "to_consumers": True,
        "got": [lot | {"documents": [], "sent_back": "0"}],
        "lots": [lot],
    }
    return get_template(f"haccp/recalls/notice.{language}.txt").render(context).strip()
