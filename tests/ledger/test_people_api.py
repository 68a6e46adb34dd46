"""People and their roles over the API: what is asked twice is there once, and the answer says which it is."""

from datetime import date
from typing import Any

import pytest

from ledger import people
from ledger.models import Change, Establishment, Membership, Person, Token
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


# -- what of a repeat is compared -----------------------------------------------------------------------


@pytest.mark.parametrize("other", [{"role": "supervisor"}, {"from_day": "2026-03-03"}])
def test_a_repeat_with_another_first_role_is_refused(
    lead_api: Client, new_person: dict[str, Any], other: dict[str, str]
) -> None:
    lead_api.send("people", new_person)
    answer = lead_api.send("people", new_person | other)
    assert (answer.status_code, answer.json()["type"]) == (409, "/api/problems/same-id-other-content")
    assert Membership.objects.get(person__sign_in_name="nina.new").role == "operator"


def test_a_repeat_is_known_after_a_later_role(lead_api: Client, new_person: dict[str, Any]) -> None:
    lead_api.send("people", new_person)
    lead_api.send("roles", {"person": new_person["id"], "role": "supervisor", "from_day": TODAY})
    assert lead_api.send("people", new_person).status_code == 200


def test_a_repeat_tells_nothing_of_the_password_and_sets_none(
    lead_api: Client, new_person: dict[str, Any]
) -> None:
    lead_api.send("people", new_person)
    assert lead_api.send("people", new_person | {"password": "another-kettle-12"}).status_code == 200
    assert Person.objects.get(sign_in_name="nina.new").check_password(PASSWORD)


# -- the last administrator -----------------------------------------------------------------------------


def _administers(person: Person) -> Membership:
    return Membership.objects.get(person=person, role="administrator")


@pytest.mark.parametrize("days", [{"until_day": "2099-01-01"}, {"from_day": "2099-01-01"}])
def test_the_last_administrator_stays_one(lead_api: Client, lead: Person, days: dict[str, str]) -> None:
    answer = lead_api.change(f"roles/{_administers(lead).pk}", days, version=1)
    assert (answer.status_code, answer.json()["type"]) == (409, "/api/problems/last-administrator")
    assert "Ines Lead is the last administrator" in answer.json()["detail"]
    assert _administers(lead).version == 1


def test_an_administrator_ends_when_another_goes_on(lead_api: Client, lead: Person, operator: Person) -> None:
    lead_api.send("roles", {"person": str(operator.pk), "role": "administrator", "from_day": TODAY})
    answer = lead_api.change(f"roles/{_administers(lead).pk}", {"until_day": "2099-01-01"}, version=1)
    assert answer.status_code == 200


@pytest.mark.parametrize("other", [{"until_day": "2099-01-01"}, {"from_day": "2099-01-01"}])
def test_an_administrator_whose_days_end_or_have_not_begun_is_none_who_goes_on(
    lead_api: Client, lead: Person, operator: Person, other: dict[str, str]
) -> None:
    given = {"person": str(operator.pk), "role": "administrator", "from_day": TODAY}
    lead_api.send("roles", given | other)
    answer = lead_api.change(f"roles/{_administers(lead).pk}", {"until_day": "2099-01-01"}, version=1)
    assert answer.status_code == 409


# -- making inactive ------------------------------------------------------------------------------------


def _make_inactive(asking: Client, person: Person) -> Any:
    return asking.send(f"people/{person.pk}/inactive", {"note": "Left the firm."})


def test_who_is_made_inactive_signs_in_no_more_and_a_record_says_so(
    lead_api: Client, operator: Person, establishment: Establishment
) -> None:
    answer = _make_inactive(lead_api, operator)
    assert (answer.status_code, answer.json()["is_active"]) == (200, False)
    change = Change.objects.get(subject_id=operator.pk, establishment=establishment)
    assert (change.before, change.after) == ({"is_active": True}, {"is_active": False})
    assert change.note == "Left the firm."


def test_the_keys_of_who_is_made_inactive_end(api: Client, lead_api: Client, operator: Person) -> None:
    assert api.ask("people").status_code == 200
    _make_inactive(lead_api, operator)
    assert api.ask("people").status_code == 401
    assert not Token.objects.filter(person=operator, revoked_at__isnull=True).exists()


def test_the_sessions_of_who_is_made_inactive_end_for_good(
    lead_api: Client, operator: Person, client: Any
) -> None:
    client.force_login(operator, backend="django.contrib.auth.backends.ModelBackend")
    assert client.get("/").status_code == 200
    _make_inactive(lead_api, operator)
    Person.objects.filter(pk=operator.pk).update(is_active=True)  # as if they came back
    assert client.get("/").status_code == 302


@pytest.mark.parametrize("said", [{}, {"note": ""}])
def test_nobody_is_made_inactive_without_saying_why(
    lead_api: Client, operator: Person, said: dict[str, str]
) -> None:
    answer = lead_api.send(f"people/{operator.pk}/inactive", said)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "note")
    assert Person.objects.get(pk=operator.pk).is_active


def test_made_inactive_twice_is_made_inactive_once(lead_api: Client, operator: Person) -> None:
    assert [_make_inactive(lead_api, operator).status_code for _ in range(2)] == [200, 200]
    assert Change.objects.filter(subject_id=operator.pk).count() == 1


def test_an_operator_makes_nobody_inactive(api: Client, lead: Person) -> None:
    assert _make_inactive(api, lead).status_code == 403
    assert Person.objects.get(pk=lead.pk).is_active


def test_the_last_administrator_is_not_made_inactive(lead_api: Client, lead: Person) -> None:
    answer = _make_inactive(lead_api, lead)
    assert (answer.status_code, answer.json()["type"]) == (409, "/api/problems/last-administrator")


# -- making active again --------------------------------------------------------------------------------

ANOTHER = "sugar-cools-slowly-8"


def _make_active(asking: Client, person: Person, **said: str) -> Any:
    usual = {"note": "Came back.", "password": PASSWORD, "new_password": ANOTHER}
    return asking.send(f"people/{person.pk}/active", usual | said)


@pytest.fixture
def gone(lead_api: Client, api: Client, operator: Person) -> Person:
    assert api.ask("people").status_code == 200
    _make_inactive(lead_api, operator)
    return operator


def test_who_is_made_active_again_has_a_new_password_and_their_roles_and_a_record_says_so(
    lead_api: Client, api: Client, gone: Person
) -> None:
    answer = _make_active(lead_api, gone)
    assert (answer.status_code, answer.json()["is_active"], answer.json()["roles"]) == (
        200,
        True,
        ["operator"],
    )
    back = Person.objects.get(pk=gone.pk)
    assert [back.check_password(each) for each in (PASSWORD, ANOTHER)] == [False, True]
    change = Change.objects.filter(subject_id=gone.pk).latest("recorded_at")
    assert (change.before, change.after, change.note) == (
        {"is_active": False},
        {"is_active": True},
        "Came back.",
    )
    assert api.ask("people").status_code == 401  # the key of before stays ended


def test_made_active_twice_is_made_active_once_and_the_first_password_stays(
    lead_api: Client, gone: Person
) -> None:
    _make_active(lead_api, gone)
    assert _make_active(lead_api, gone, new_password="sugar-burns-quickly-9").status_code == 200
    assert Person.objects.get(pk=gone.pk).check_password(ANOTHER)
    assert Change.objects.filter(subject_id=gone.pk).count() == 2


@pytest.mark.parametrize(
    ("said", "status", "field"),
    [
        ({"note": ""}, 400, "note"),
        ({"new_password": "short"}, 400, "new_password"),
        ({"password": "a wrong one"}, 403, "password"),
    ],
)
def test_a_way_back_that_cannot_be_names_the_field_and_writes_nothing(
    lead_api: Client, gone: Person, said: dict[str, str], status: int, field: str
) -> None:
    answer = _make_active(lead_api, gone, **said)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (status, field)
    assert not Person.objects.get(pk=gone.pk).is_active
    assert Change.objects.filter(subject_id=gone.pk).count() == 1


def test_an_operator_makes_nobody_active(client_of: Any, make_person: Any, act: Any, gone: Person) -> None:
    other = make_person("Olga Stove")
    people.give_role(act=act(by=gone), person=other, role="operator", from_day=date(2020, 1, 1))
    assert _make_active(client_of(other), gone).status_code == 403
    assert not Person.objects.get(pk=gone.pk).is_active


def test_who_ever_worked_elsewhere_is_not_given_a_password_from_here(
    lead_api: Client, gone: Person, elsewhere: Establishment
) -> None:
    """Else who administers one place could set the password of somebody who belongs to another."""
    Membership.objects.create(
        establishment=elsewhere, person=gone, role="operator", from_day="2020-01-01", until_day="2021-01-01"
    )
    answer = _make_active(lead_api, gone)
    assert (answer.status_code, "ever had a role" in answer.json()["detail"]) == (403, True)
    assert not Person.objects.get(pk=gone.pk).is_active


def test_who_administers_every_place_makes_active_and_each_keeps_a_record(
    lead_api: Client, lead: Person, gone: Person, elsewhere: Establishment
) -> None:
    for person, role in ((gone, "operator"), (lead, "administrator")):
        Membership.objects.create(establishment=elsewhere, person=person, role=role, from_day="2020-01-01")
    assert _make_active(lead_api, gone).status_code == 200
    change = Change.objects.get(subject_id=gone.pk, establishment=elsewhere)
    assert (change.after, change.note) == ({"is_active": True}, "Came back.")


@pytest.fixture
def works_elsewhere(elsewhere: Establishment, operator: Person) -> Membership:
    return Membership.objects.create(
        establishment=elsewhere, person=operator, role="operator", from_day="2020-01-01"
    )


def test_who_also_works_elsewhere_is_not_made_inactive_from_here(
    lead_api: Client, operator: Person, works_elsewhere: Membership
) -> None:
    answer = _make_inactive(lead_api, operator)
    assert (answer.status_code, "End their roles here" in answer.json()["detail"]) == (403, True)
    assert Person.objects.get(pk=operator.pk).is_active


def test_who_administers_every_place_makes_inactive_and_each_keeps_a_record(
    lead_api: Client, lead: Person, operator: Person, works_elsewhere: Membership
) -> None:
    place = works_elsewhere.establishment
    Membership.objects.create(establishment=place, person=lead, role="administrator", from_day="2020-01-01")
    assert _make_inactive(lead_api, operator).status_code == 200
    assert Change.objects.filter(subject_id=operator.pk).count() == 2
    assert Change.objects.filter(subject_id=operator.pk, establishment=place).count() == 1


def test_who_worked_elsewhere_once_is_made_inactive_from_here(
    lead_api: Client, operator: Person, works_elsewhere: Membership
) -> None:
    Membership.objects.filter(pk=works_elsewhere.pk).update(until_day="2021-01-01")
    assert _make_inactive(lead_api, operator).status_code == 200
