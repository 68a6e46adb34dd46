"""A decision asks who decides on the day it is dated and today; a fact is taken whoever keys it later."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from django.utils import timezone

from batches import recipes
from batches.models import RecipeVersion
from config.api.refusals import NotAllowed, RuleBroken
from haccp import deviations, gates, plans, rules
from haccp.models import Closing, Disposition, Release
from ledger import signatures
from ledger.models import Entry, Membership, Person, Signature
from tests.conftest import NOON

pytestmark = pytest.mark.django_db
TODAY = timezone.now().date()
ROLES = {
    "lost since": {"from_day": date(2020, 1, 1), "until_day": TODAY - timedelta(days=2)},
    "not had yet": {"from_day": NOON.date() + timedelta(days=1), "until_day": None},
}


@pytest.fixture(params=ROLES)
def days(request: Any, lead: Person) -> Callable[[], None]:
    """Makes the lead one who leads on one of the two days only."""
    return lambda: Membership.objects.filter(person=lead).update(**ROLES[request.param])  # type: ignore[func-returns-value]


def test_no_recipe_is_approved(days: Any, act: Any, lead: Person, proof: Any, caramel_recipe: RecipeVersion):
    days()
    with pytest.raises(NotAllowed):
        recipes.approve(act=act(lead), recipe=caramel_recipe.recipe, proof=proof)
    assert RecipeVersion.objects.count() == 1


def test_no_plan_is_approved(days: Any, act: Any, lead: Person, proof: Any, plan: Any):
    days()
    with pytest.raises(RuleBroken) as refusal:
        plans.approve(act=act(lead), plan=plan, proof=proof)
    assert [reason.code for reason in refusal.value.reasons] == ["not-food-safety-lead"]


def test_no_rule_is_confirmed(days: Any, act: Any, lead: Person, proof: Any, make_rule: Any):
    rule = make_rule()
    days()
    with pytest.raises(NotAllowed):
        rules.confirm(act=act(lead), rule=rule, proof=proof)
    rule.refresh_from_db()
    assert rule.confirmed_by is None


def test_no_confirmed_rule_is_ended(days: Any, act: Any, lead: Person, confirmed_rule: Any):
    rule = confirmed_rule()
    days()
    with pytest.raises(NotAllowed):
        rules.alter(act=act(lead), rule=rule, values={"in_force_until": TODAY})


def test_no_lot_is_released(days: Any, act: Any, lead: Person, proof: Any, receive: Any):
    lot = receive()
    days()
    with pytest.raises(NotAllowed):
        gates.release(act=act(lead), lot=lot, proof=proof)
    assert not Release.objects.exists()


def test_no_lot_of_a_case_is_decided(days: Any, act: Any, lead: Person, receive: Any):
    case, lot = deviations.report(act=act(), title="A torn bag.", hold=None), receive()
    days()
    with pytest.raises(NotAllowed):
        deviations.dispose(act=act(lead), deviation=case, lot=lot, decision="release", because="Seen.")
    assert not Disposition.objects.exists()


def test_no_case_is_closed(days: Any, act: Any, lead: Person, proof: Any):
    case = deviations.report(act=act(), title="A torn bag.", hold=None)
    days()
    with pytest.raises(NotAllowed):
        deviations.close(act=act(lead), deviation=case, proof=proof)
    assert not Closing.objects.exists()


def test_nothing_is_signed(days: Any, act: Any, lead: Person, proof: Any):
    case = deviations.report(act=act(), title="A torn bag.", hold=None)
    days()
    with pytest.raises(NotAllowed):
        signatures.sign(act=act(lead), proof=proof, target=Entry.objects.get(pk=case.pk), meaning="recorded")
    assert not Signature.objects.exists()


def test_a_check_of_a_former_operator_is_keyed_by_another(
    act: Any, lead: Person, operator: Person, batch: Any, measure: Any
):
    Membership.objects.filter(person=operator).update(until_day=TODAY - timedelta(days=2))
    check = measure(batch, said_act=act(operator, recorded_by=lead))
    assert (check.performed_by, check.recorded_by) == (operator, lead)
