"""People and their roles over the API: what is asked twice is there once, and the answer says which it is."""

from typing import Any

import pytest

from ledger.models import Membership, Person
from tests.conftest import PASSWORD, Client, new_id

pytestmark = pytest.mark.django_db
TODAY = "2026-03-02"


@pytest.fixture
def new_person() -> dict[str, Any]:
    return {
        "id": new_id(),
        "sign_in_name": "nina.new",
        "name": "Nina New",
        "initials": "NN",
        "password": PASSWORD,
        "role": "operator",
        "from_day": TODAY,
    }


def test_a_person_asked_for_twice_is_there_once(lead_api: Client, new_person: dict[str, Any]) -> None:
    answers = [lead_api.send("people", new_person) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [201, 200]
    assert answers[0].json() == answers[1].json()
    assert Membership.objects.filter(person__sign_in_name="nina.new").count() == 1


def test_a_person_under_the_id_of_another_is_refused(lead_api: Client, new_person: dict[str, Any]) -> None:
    lead_api.send("people", new_person)
    answer = lead_api.send("people", new_person | {"sign_in_name": "nora.new"})
    assert (answer.status_code, answer.json()["type"]) == (409, "/api/problems/same-id-other-content")


def test_a_role_given_twice_is_held_once(lead_api: Client, operator: Person) -> None:
    asked = {"id": new_id(), "person": str(operator.pk), "role": "supervisor", "from_day": TODAY}
    assert [lead_api.send("roles", asked).status_code for _ in range(2)] == [201, 200]
    assert Membership.objects.filter(person=operator, role="supervisor").count() == 1
