"""The recall plan: approved whole by signature, superseded by the next; private telephones hidden in its digest."""

import pytest

from config.api.refusals import Unusable
from haccp.api.recall_plans import PLAN
from haccp.models import RecallPlan
from haccp.recalls import deciding, plans
from ledger.models import Signature
from tests.conftest import PASSWORD

pytestmark = pytest.mark.django_db


@pytest.fixture
def approve(act, lead, proof):
    def do(**values):
        return plans.approve(act=act(lead), proof=proof, **(PLAN | values))

    return do


def test_an_approved_plan_holds_until_the_next(approve, establishment):
    first = approve()
    assert plans.in_force(establishment) == first
    second = approve(public_notice="On the door.")
    assert (first.number, second.number) == (1, 2)
    assert plans.in_force(establishment) == second


def test_approving_is_signed(approve, lead):
    plan = approve()
    (signature,) = Signature.objects.filter(target=plan.pk)
    assert (signature.meaning, signature.performed_by, signature.target_digest) == (
        "approved",
        lead,
        plan.digest,
    )


def test_telephones_are_hidden_in_what_is_digested(approve):
    plan = approve()
    assert plan.telephones == {"recall lead": "+00 1"}
    assert "+00 1" not in str(plan.content())


def test_each_of_the_four_steps_has_somebody(approve):
    """21 CFR 117.139(b) (read): tell consignees, tell the public, check effectiveness, dispose; each with whose task it is."""
    wrong = {
        "missing": {"steps": PLAN["steps"][:3]},
        "doubled": {"steps": [*PLAN["steps"], PLAN["steps"][0]]},
        "nobody": {"steps": [*PLAN["steps"][:3], PLAN["steps"][3] | {"role": "the moon"}]},
    }
    for code, values in wrong.items():
        with pytest.raises(Unusable) as refused:
            approve(**values)
        assert refused.value.code == code
    assert not RecallPlan.objects.exists()


def test_the_authority_is_named(approve):
    with pytest.raises(Unusable) as refused:
        approve(outside=PLAN["outside"][1:])
    assert refused.value.reasons[0].field == "outside"


def test_a_role_is_one_persons(approve):
    with pytest.raises(Unusable) as refused:
        approve(people=[*PLAN["people"], PLAN["people"][0]])
    assert (refused.value.code, refused.value.reasons[0].field) == ("doubled", "people")


def test_it_was_exercised_when_an_exercise_ended(decide, establishment, act, lead, proof):
    decide()
    exercise = decide(is_exercise=True)
    assert plans.last_exercise(establishment) is None
    deciding.end(act=act(lead), proof=proof, recall=exercise, because="All was found.")
    assert plans.last_exercise(establishment) == exercise


def test_letters_leave_open_what_only_a_recall_can_say(establishment):
    told = {language: (to_shops, public) for language, to_shops, public in plans.letters(establishment)}
    assert set(told) == {"en", "es"}
    for to_shops, public in told.values():
        assert plans.OPEN in to_shops
        assert establishment.name in public
    assert "Su respuesta" not in told["es"][0]


def test_a_plan_over_http(lead_api, api):
    said = {"performed_at": "2026-03-02T09:30:00+01:00", "password": PASSWORD, **PLAN}
    assert api.send("recall-plans", said).status_code == 403
    made = lead_api.send("recall-plans", said)
    assert made.status_code == 201, made.json()
    assert (made.json()["number"], made.json()["people"][0]) == (
        1,
        {"role": "recall lead", "name": "Ada Example"},
    )
    assert api.ask("recall-plans").json()["results"][0]["telephones"] == {"recall lead": "+00 1"}
