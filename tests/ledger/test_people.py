"""People: who sets whose password, from when until when a role counts, and when a qualification has lapsed."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any

import pytest
import time_machine
from django.db import IntegrityError, transaction

from config.api.constraints import broken_constraint
from config.api.refusals import NotAllowed, RuleBroken, Unknown, Unusable
from ledger import people
from ledger.acts import Act, Moment
from ledger.ids import uuid7
from ledger.models import Change, Establishment, Membership, Person, Qualification, Role
from ledger.models.people import THE_SERVICE
from tests.conftest import NOON, PASSWORD, Client
from tests.scene import rows_kept

pytestmark = pytest.mark.django_db
NEW = "a-pan-for-every-nut-9"


def fresh(person: Person) -> Person:
    return Person.objects.get(pk=person.pk)


def lead_of(establishment: Establishment) -> Person:
    return Person.objects.get(memberships__establishment=establishment, memberships__role="administrator")


def at(establishment: Establishment, by: Person) -> Act:
    return Act(establishment=establishment, performed_by=by, performed=Moment.of(NOON), recorded_by=by)


def set_password(client: Client, person: Person, password: str = PASSWORD, new: str = NEW) -> Any:
    return client.send(f"people/{person.pk}/password", {"password": password, "new_password": new})


# -- passwords --------------------------------------------------------------------------------------


def test_people_set_their_own_password(api: Client, operator: Person) -> None:
    assert set_password(api, operator).status_code == 204
    assert fresh(operator).check_password(NEW)


def test_an_administrator_sets_that_of_somebody_who_belongs_only_here(
    lead_api: Client, operator: Person
) -> None:
    assert set_password(lead_api, operator).status_code == 204
    assert fresh(operator).check_password(NEW)


def test_that_it_was_set_is_a_record_without_the_password(
    lead_api: Client, operator: Person, lead: Person
) -> None:
    set_password(lead_api, operator)
    made = Change.objects.latest("recorded_at", "id")
    assert (made.subject_id, made.recorded_by, made.after) == (operator.pk, lead, {"password": "set anew"})


BELONGINGS = {
    "now": {"from_day": date(2020, 1, 1)},
    "some time later": {"from_day": date(2099, 1, 1)},
    "some time ago": {"from_day": date(2020, 1, 1), "until_day": date(2020, 2, 1)},
}


@pytest.mark.parametrize("when", BELONGINGS)
def test_nobody_else_sets_it_for_somebody_who_also_belongs_elsewhere(
    when: str, lead_api: Client, operator: Person, elsewhere: Establishment
) -> None:
    there = at(elsewhere, lead_of(elsewhere))
    people.give_role(act=there, person=operator, role=Role.OPERATOR, **BELONGINGS[when])
    before = rows_kept()
    answer = set_password(lead_api, operator)
    assert (answer.status_code, answer.json()["type"]) == (403, "/api/problems/not-allowed")
    assert "belongs elsewhere" in answer.json()["detail"]
    assert rows_kept() == before
    assert fresh(operator).check_password(PASSWORD)


def test_who_belongs_elsewhere_too_sets_their_own(
    api: Client, operator: Person, elsewhere: Establishment
) -> None:
    there = at(elsewhere, lead_of(elsewhere))
    people.give_role(act=there, person=operator, role=Role.OPERATOR, from_day=date(2020, 1, 1))
    assert set_password(api, operator).status_code == 204


def test_an_operator_does_not_learn_whose_password_could_be_set(api: Client, lead: Person) -> None:
    assert set_password(api, lead).status_code == 404
    assert fresh(lead).check_password(PASSWORD)


def test_the_domain_asks_for_an_administrator_too(
    act: Callable[..., Act], operator: Person, inspector: Person
) -> None:
    with pytest.raises(NotAllowed, match="administrator"):
        people.change_password(act=act(operator), person=inspector, password=NEW)


def test_an_administrator_whose_role_has_ended_sets_nobodys_password(
    act: Callable[..., Act], lead: Person, operator: Person
) -> None:
    Membership.objects.filter(person=lead, role=Role.ADMINISTRATOR).update(until_day=date(2026, 1, 1))
    with pytest.raises(NotAllowed, match="administrator"):
        people.change_password(act=act(lead), person=operator, password=NEW)


def test_a_key_alone_sets_no_password(lead_api: Client, operator: Person) -> None:
    answer = set_password(lead_api, operator, password="not-this-one")
    assert (answer.status_code, answer.json()["type"]) == (403, "/api/problems/wrong-password")
    assert fresh(operator).check_password(PASSWORD)


# Too short, in the list of common ones, the sign-in name, the name.
@pytest.mark.parametrize("weak", ["short-1", "basketball", "kettle-hand-1", "omar.stove"])
def test_a_weak_password_is_refused_and_the_old_one_stays(weak: str, api: Client, operator: Person) -> None:
    Person.objects.filter(pk=operator.pk).update(sign_in_name="kettle-hand")
    answer = set_password(api, operator, new=weak)
    assert answer.status_code == 400
    assert [error["field"] for error in answer.json()["errors"]] == ["new_password"]
    assert fresh(operator).check_password(PASSWORD)


# -- people -----------------------------------------------------------------------------------------

NELL = {"sign_in_name": "nell", "name": "Nell Newcomer", "initials": "NN", "password": PASSWORD}
FIRST_ROLE = {"role": "operator", "from_day": "2026-01-01"}


def test_a_new_person_comes_with_a_first_role(lead_api: Client) -> None:
    answer = lead_api.send("people", NELL | FIRST_ROLE)
    assert answer.status_code == 201, answer.json()
    assert answer.json()["roles"] == ["operator"]
    assert "password" not in answer.json()


def test_added_twice_with_one_id_it_is_one_person(lead_api: Client) -> None:
    body = NELL | FIRST_ROLE | {"id": str(uuid7())}
    assert [lead_api.send("people", body).status_code for _ in range(2)] == [201, 200]
    assert Membership.objects.filter(person__sign_in_name="nell").count() == 1


@pytest.mark.parametrize("name", ["nell", THE_SERVICE])
def test_a_sign_in_name_is_given_once(name: str, lead_api: Client) -> None:
    lead_api.send("people", NELL | FIRST_ROLE)
    before = rows_kept()
    answer = lead_api.send("people", NELL | FIRST_ROLE | {"sign_in_name": name})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "sign_in_name")
    assert rows_kept() == before


def test_only_an_administrator_adds_people(api: Client) -> None:
    assert api.send("people", NELL | FIRST_ROLE).status_code == 403


def test_the_service_is_never_active() -> None:
    service = people.service_person()
    assert not service.has_usable_password()
    with pytest.raises(IntegrityError, match="the_service_does_not_sign_in"), transaction.atomic():
        Person.objects.filter(pk=service.pk).update(is_active=True)


# -- roles ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("day", "has_it"),
    [("2026-02-28", False), ("2026-03-01", True), ("2026-03-31", True), ("2026-04-01", False)],
)
def test_a_role_counts_from_its_first_day_until_the_day_it_ends(
    day: str, has_it: bool, act: Callable[..., Act], operator: Person, lead: Person, client_of: Any
) -> None:
    Membership.objects.filter(person=operator).delete()
    days = {"from_day": date(2026, 3, 1), "until_day": date(2026, 4, 1)}
    role = people.give_role(act=act(lead), person=operator, role=Role.OPERATOR, **days)
    on = date.fromisoformat(day)
    assert (Role.OPERATOR in people.roles_of(operator, role.establishment, on)) is has_it
    with time_machine.travel(datetime(on.year, on.month, on.day, 12, tzinfo=UTC), tick=False):
        assert (client_of(operator).ask("people").status_code == 200) is has_it


def test_the_day_is_the_establishments_not_that_of_utc(
    act: Callable[..., Act], operator: Person, client_of: Any
) -> None:
    # Berlin is an hour ahead of UTC in March (IANA time zone database).
    Membership.objects.filter(person=operator).update(from_day=date(2026, 3, 1))
    with time_machine.travel(datetime(2026, 2, 28, 22, 59, tzinfo=UTC), tick=False):
        assert client_of(operator).ask("people").status_code == 404
    with time_machine.travel(datetime(2026, 2, 28, 23, 0, tzinfo=UTC), tick=False):
        assert client_of(operator).ask("people").status_code == 200


def test_a_role_is_given_once(act: Callable[..., Act], operator: Person, lead: Person) -> None:
    with pytest.raises(RuleBroken, match="already"):
        people.give_role(act=act(lead), person=operator, role=Role.OPERATOR, from_day=date(2026, 1, 1))


@pytest.mark.parametrize(
    ("wrong", "field"),
    [({"role": "owner"}, "role"), ({"until_day": date(2026, 1, 1)}, "until_day")],
)
def test_a_role_that_cannot_be_is_refused(
    wrong: dict[str, Any], field: str, act: Callable[..., Act], operator: Person, lead: Person
) -> None:
    told = {"role": Role.SUPERVISOR, "from_day": date(2026, 1, 1)} | wrong
    with pytest.raises(Unusable) as refusal:
        people.give_role(act=act(lead), person=operator, **told)
    assert refusal.value.reasons[0].field == field


ROLE_ROWS = {
    "membership_once_a_role": {"role": Role.OPERATOR},
    "membership_role_is_known": {"role": "owner"},
    "membership_ends_after_it_begins": {"role": Role.SUPERVISOR, "until_day": date(2026, 1, 1)},
}


@pytest.mark.parametrize("rule", ROLE_ROWS)
def test_the_database_refuses_a_role_that_cannot_be(
    rule: str, establishment: Establishment, operator: Person
) -> None:
    row = {"establishment": establishment, "person": operator, "from_day": date(2026, 1, 1)}
    with pytest.raises(IntegrityError) as refusal, transaction.atomic():
        Membership.objects.create(**(row | ROLE_ROWS[rule]))
    assert broken_constraint(refusal.value) == rule


# -- qualifications ---------------------------------------------------------------------------------

COURSE: dict[str, Any] = {
    "title": "Course",
    "covers_plans": True,
    "evidence": "Certificate 9/26",
    "issued_by": "Training house",
    "valid_from": date(2026, 3, 1),
    "valid_until": date(2026, 4, 1),
}


@pytest.fixture
def qualify(act: Callable[..., Act], lead: Person, operator: Person) -> Callable[..., Qualification]:
    def do(**other: Any) -> Qualification:
        said = act(lead, **other.pop("said", {}))
        return people.qualify(act=said, **({"person": operator} | COURSE | other))

    return do


@pytest.mark.parametrize(
    ("day", "holds"),
    [("2026-02-28", False), ("2026-03-01", True), ("2026-03-31", True), ("2026-04-01", False)],
)
def test_a_qualification_holds_from_its_first_day_and_has_lapsed_on_its_last(
    day: str, holds: bool, qualify: Any, operator: Person, establishment: Establishment
) -> None:
    qualify()
    assert people.may_approve_plans(operator, establishment, date.fromisoformat(day)) is holds


def test_without_an_end_it_holds(qualify: Any, operator: Person, establishment: Establishment) -> None:
    qualify(valid_until=None)
    assert people.may_approve_plans(operator, establishment, date(2099, 1, 1))


def test_one_that_does_not_cover_plans_approves_none(
    qualify: Any, operator: Person, establishment: Establishment
) -> None:
    qualify(covers_plans=False)
    assert not people.may_approve_plans(operator, establishment, date(2026, 3, 2))


def test_only_what_stands_counts(qualify: Any, operator: Person, establishment: Establishment) -> None:
    first = qualify()
    qualify(covers_plans=False, said={"corrects": first.pk, "reason": "It was the short course."})
    assert not people.may_approve_plans(operator, establishment, date(2026, 3, 2))


def test_it_counts_only_where_it_was_noted(qualify: Any, operator: Person, elsewhere: Establishment) -> None:
    qualify()
    assert not people.may_approve_plans(operator, elsewhere, date(2026, 3, 2))


def test_a_stranger_is_not_qualified_here(qualify: Any, make_person: Callable[..., Person]) -> None:
    with pytest.raises(Unknown):
        qualify(person=make_person("Stranger"))


def test_a_qualification_that_ends_before_it_begins_is_refused(qualify: Any) -> None:
    with pytest.raises(Unusable) as refusal:
        qualify(valid_until=date(2026, 3, 1))
    assert refusal.value.reasons[0].field == "valid_until"


@pytest.mark.parametrize(
    ("rule", "wrong"),
    [
        ("qualification_ends_after_it_begins", {"valid_until": date(2026, 3, 1)}),
        ("qualification_has_evidence", {"evidence": ""}),
    ],
)
def test_the_database_refuses_a_qualification_that_cannot_be(
    rule: str, wrong: dict[str, Any], qualify: Any
) -> None:
    made = qualify()
    made.pk = uuid7()
    for name, value in wrong.items():
        setattr(made, name, value)
    with pytest.raises(IntegrityError, match=rule), transaction.atomic():
        Qualification._insert_rows([made])
