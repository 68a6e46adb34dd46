"""An inspector reads while an entrance stands and is open, and nothing before, after, or once it is revoked."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.test import Client as Browser

from config.api.refusals import NotAllowed, RuleBroken, Unusable
from ledger import entrances, people
from ledger.models import Entrance, Establishment, Look, Membership, Person, Role
from tests.conftest import NOON, PASSWORD, Client

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
OPENED = {
    "authority": "County food inspection",
    "because": "Yearly inspection.",
    "opens_at": NOON - HOUR,
    "closes_at": NOON + HOUR,
    "first_day": date(2026, 1, 1),
    "last_day": date(2026, 2, 28),
}
SAID = {
    "performed_at": NOON.isoformat(),
    "authority": "County food inspection",
    "because": "Yearly inspection.",
    "opens_at": (NOON - HOUR).isoformat(),
    "closes_at": (NOON + HOUR).isoformat(),
    "first_day": "2026-01-01",
}
NEWCOMER = {"sign_in_name": "ivo", "name": "Ivo Visit", "initials": "IV", "password": PASSWORD}


@pytest.fixture(autouse=True)
def _at_noon(time_machine: Any, establishment: Establishment) -> None:
    time_machine.move_to(NOON, tick=False)


@pytest.fixture
def let_in(act: Callable[..., Any], lead: Person, inspector: Person) -> Callable[..., Entrance]:
    def do(by: Person | None = None, **values: Any) -> Entrance:
        return entrances.let_in(act=act(by=by or lead), **({"person": inspector} | OPENED | values))

    return do


@pytest.fixture
def revoke(act: Callable[..., Any], lead: Person) -> Callable[[Entrance], Entrance]:
    def do(entrance: Entrance, by: Person | None = None) -> Entrance:
        return entrances.revoke(act=act(by=by or lead, corrects=entrance.pk, reason="Over.", withdraws=True))

    return do


@pytest.fixture
def reader(client_of: Callable[..., Client], inspector: Person) -> Client:
    return client_of(inspector)


# -- the deed ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", ["administrator", "food-safety-lead"])
def test_an_administrator_or_a_lead_lets_an_inspector_in(
    let_in: Any, act: Any, lead: Person, establishment: Establishment, role: str
) -> None:
    Membership.objects.filter(person=lead).exclude(role=role).delete()
    assert let_in().last_day == date(2026, 2, 28)


def test_nobody_else_does(let_in: Any, operator: Person) -> None:
    with pytest.raises(NotAllowed, match="lets an inspector in"):
        let_in(by=operator)
    assert not Entrance.objects.exists()


def test_nobody_else_revokes(let_in: Any, revoke: Any, operator: Person) -> None:
    opened = let_in()
    with pytest.raises(NotAllowed, match="revokes an entrance"):
        revoke(opened, by=operator)
    assert Entrance.objects.standing().exists()


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"closes_at": NOON - HOUR}, "closes_at"),
        ({"closes_at": NOON + timedelta(days=367)}, "closes_at"),
        ({"last_day": date(2025, 12, 31)}, "last_day"),
        ({"first_day": date(1066, 1, 1)}, "first_day"),
    ],
)
def test_times_that_cannot_be_are_refused(let_in: Any, wrong: dict[str, Any], field: str) -> None:
    with pytest.raises(Unusable) as refused:
        let_in(**wrong)
    assert [reason.field for reason in refused.value.reasons] == [field]


def test_who_works_here_needs_no_entrance(let_in: Any, operator: Person) -> None:
    with pytest.raises(RuleBroken, match="reads all of it anyway"):
        let_in(person=operator)


def test_who_is_no_inspector_here_is_not_let_in(let_in: Any, inspector: Person) -> None:
    Membership.objects.filter(person=inspector).update(until_day=NOON.date())
    with pytest.raises(RuleBroken, match="no role as inspector"):
        let_in()


def test_two_entrances_are_not_open_at_once(let_in: Any) -> None:
    let_in()
    with pytest.raises(RuleBroken, match="has an entrance from"):
        let_in(opens_at=NOON, closes_at=NOON + 2 * HOUR)


def test_one_may_open_when_another_closes(let_in: Any) -> None:
    let_in()
    assert let_in(opens_at=NOON + HOUR, closes_at=NOON + 2 * HOUR)


def test_a_revoked_one_is_in_nobodys_way(let_in: Any, revoke: Any) -> None:
    revoke(let_in())
    assert let_in()


def test_an_entrance_is_not_corrected(act: Any, let_in: Any, lead: Person, inspector: Person) -> None:
    opened = let_in()
    with pytest.raises(RuleBroken, match="Revoke it, and open another"):
        entrances.let_in(act=act(by=lead, corrects=opened.pk, reason="Longer."), person=inspector, **OPENED)


def test_a_newcomer_comes_with_one_role_and_one_entrance(act: Any, lead: Person) -> None:
    made = entrances.let_in_somebody_new(act=act(by=lead), who={**NEWCOMER, "email": ""}, **OPENED)
    assert [row.role for row in made.person.memberships.all()] == [Role.INSPECTOR]


def test_a_newcomer_sent_twice_comes_once(act: Any, lead: Person) -> None:
    one = replace(act(by=lead), id=Entrance._meta.pk.get_default())
    made = [entrances.let_in_somebody_new(act=one, who={**NEWCOMER, "email": ""}, **OPENED) for _ in range(2)]
    assert (made[0].pk, Person.objects.filter(sign_in_name="ivo").count()) == (made[1].pk, 1)


def test_an_operator_brings_no_newcomer(act: Any, operator: Person) -> None:
    with pytest.raises(NotAllowed):
        entrances.let_in_somebody_new(act=act(), who={**NEWCOMER, "email": ""}, **OPENED)
    assert not Person.objects.filter(sign_in_name="ivo").exists()


def test_an_entrance_without_a_last_day_goes_up_to_today(let_in: Any) -> None:
    assert entrances.days_of(let_in(last_day=None)) == entrances.Days(date(2026, 1, 1), NOON.date())


def test_days_that_begin_tomorrow_open_nothing_yet(let_in: Any) -> None:
    opened = let_in(first_day=NOON.date() + timedelta(days=1), last_day=None)
    assert entrances.days_of(opened) is None


# -- when it is open --------------------------------------------------------------------------------


def refused(answer: Any) -> tuple[int, str, str]:
    body = answer.json()
    return answer.status_code, body["type"], body["detail"]


def test_without_an_entrance_every_answer_is_403_and_says_whom_to_ask(reader: Client) -> None:
    code, kind, detail = refused(reader.ask("documents"))
    assert (code, kind) == (403, "/api/problems/no-open-entrance")
    assert "Ask a food-safety lead or an administrator of Lindenhof Sweets" in detail


def test_with_an_open_one_the_documents_are_listed(reader: Client, let_in: Any) -> None:
    let_in()
    assert reader.ask("documents").status_code == 200


def test_before_it_opens_it_says_when(reader: Client, let_in: Any) -> None:
    let_in(opens_at=NOON + HOUR, closes_at=NOON + 2 * HOUR)
    assert "opens on 2026-03-02 13:00+01:00" in refused(reader.ask("documents"))[2]


def test_at_the_moment_it_closes_it_is_shut(reader: Client, let_in: Any, time_machine: Any) -> None:
    let_in()
    time_machine.move_to(NOON + HOUR - timedelta(seconds=1), tick=False)
    assert reader.ask("documents").status_code == 200
    time_machine.move_to(NOON + HOUR, tick=False)
    assert "ended on 2026-03-02 13:00+01:00" in refused(reader.ask("documents"))[2]


def test_a_revoked_one_is_shut_at_once_for_a_key(reader: Client, let_in: Any, revoke: Any) -> None:
    opened = let_in()
    assert reader.ask("documents").status_code == 200
    revoke(opened)
    code, _, detail = refused(reader.ask("documents"))
    assert (code, "was revoked on 2026-03-02 12:00+01:00" in detail) == (403, True)


def test_no_key_is_given_without_an_open_entrance(inspector: Person, establishment: Establishment) -> None:
    body = {"sign_in_name": inspector.sign_in_name, "password": PASSWORD, "label": "x", "days": 1}
    answer = Browser().post(
        "/api/v1/keys", body | {"establishment": str(establishment.pk)}, content_type="application/json"
    )
    assert refused(answer)[:2] == (403, "/api/problems/no-open-entrance")


def test_who_works_here_too_is_not_narrowed(
    client_of: Any, act: Any, lead: Person, inspector: Person
) -> None:
    people.give_role(act=act(by=lead), person=inspector, role="operator", from_day=NOON.date())
    assert client_of(inspector).ask("batches").status_code == 200


def test_an_entrance_opens_nothing_of_the_work_itself(reader: Client, let_in: Any) -> None:
    let_in()
    assert refused(reader.ask("batches"))[:2] == (403, "/api/problems/not-for-inspectors")


def test_an_entrance_here_opens_nothing_elsewhere(
    reader: Client, let_in: Any, elsewhere: Establishment
) -> None:
    let_in()
    assert reader.get(f"/api/v1/establishments/{elsewhere.pk}/documents").status_code == 404


# -- over HTTP --------------------------------------------------------------------------------------


def test_it_is_opened_and_revoked_over_http(lead_api: Client, reader: Client, inspector: Person) -> None:
    opened = lead_api.send("entrances", SAID | {"person": str(inspector.pk)})
    assert (opened.status_code, reader.ask("documents").status_code) == (201, 200)
    said = {"performed_at": NOON.isoformat(), "corrects": opened.json()["id"], "reason": "Over."}
    assert lead_api.send("entrances/revoked", said).status_code == 201
    assert reader.ask("documents").status_code == 403


def test_a_newcomer_signs_in_with_the_first_password(lead_api: Client, establishment: Establishment) -> None:
    assert lead_api.send("entrances", SAID | {"newcomer": NEWCOMER}).status_code == 201
    body = {"sign_in_name": "ivo", "password": PASSWORD, "label": "laptop", "days": 1}
    key = Browser().post(
        "/api/v1/keys", body | {"establishment": str(establishment.pk)}, content_type="application/json"
    )
    assert Client(establishment, key.json()["key"]).ask("documents").status_code == 200


@pytest.mark.parametrize("both", [{}, {"newcomer": NEWCOMER, "person": "x"}])
def test_either_a_person_or_a_newcomer(lead_api: Client, inspector: Person, both: dict[str, Any]) -> None:
    said = {**SAID, **both, **({"person": str(inspector.pk)} if "person" in both else {})}
    answer = lead_api.send("entrances", said)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "person")


def test_a_person_of_another_house_is_not_found(lead_api: Client, elsewhere: Establishment) -> None:
    stranger = Membership.objects.filter(establishment=elsewhere)[0].person_id
    assert lead_api.send("entrances", SAID | {"person": str(stranger)}).status_code == 404


def test_an_operator_reads_the_entrances_and_opens_none(api: Client, inspector: Person) -> None:
    assert api.ask("entrances").status_code == 200
    assert api.send("entrances", SAID | {"person": str(inspector.pk)}).status_code == 403


# -- looks ------------------------------------------------------------------------------------------


def test_every_answer_is_noted_with_when_what_and_from_where(
    reader: Client, let_in: Any, lead_api: Client, inspector: Person
) -> None:
    opened = let_in()
    reader.ask("documents")
    (look,) = lead_api.ask("looks").json()["results"]
    assert look | {"id": ""} == {
        "id": "",
        "at": "2026-03-02T12:00:00+01:00",
        "entrance": str(opened.pk),
        "person": str(inspector.pk),
        "name": "Petra Inspect",
        "authority": "County food inspection",
        "what": "documents",
        "subject": None,
        "document": None,
        "document_kind": "",
        "answered": 200,
        "address": "127.0.0.1",
    }


def test_a_refused_look_is_noted_as_refused(reader: Client, let_in: Any) -> None:
    let_in()
    reader.ask("batches")
    assert list(Look.objects.values_list("what", "answered")) == [("batches", 403)]


def test_nothing_is_shown_where_the_look_cannot_be_kept(
    reader: Client, let_in: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    let_in()
    monkeypatch.setattr(Look.objects, "create", lambda **_: (_ for _ in ()).throw(IntegrityError("full")))
    reader.raise_request_exception = False
    answer = reader.ask("documents")
    assert (answer.status_code, b"results" in answer.content) == (500, False)


def test_who_works_here_leaves_no_looks(api: Client) -> None:
    api.ask("documents")
    assert not Look.objects.exists()


def test_an_inspector_does_not_read_the_looks(reader: Client, let_in: Any) -> None:
    let_in()
    assert reader.ask("looks").status_code == 403


def test_looks_are_listed_newest_first_and_by_entrance(
    reader: Client, let_in: Any, revoke: Any, lead_api: Client
) -> None:
    first = let_in()
    reader.ask("documents")
    revoke(first)
    second = let_in()
    reader.ask("seals")
    assert [each["what"] for each in lead_api.ask("looks").json()["results"]] == ["seals", "documents"]
    only = lead_api.ask("looks", entrance=str(second.pk)).json()["results"]
    assert [each["what"] for each in only] == ["seals"]


def test_a_look_stays_as_it_was_noted(reader: Client, let_in: Any) -> None:
    let_in()
    reader.ask("documents")
    with pytest.raises(IntegrityError, match="kept as written"), transaction.atomic():
        Look.objects.update(what="nothing")


def test_an_open_entrance_costs_two_statements_more(
    reader: Client, let_in: Any, api: Client, django_assert_num_queries: Any
) -> None:
    """That finds the entrance, and that notes the look."""
    let_in()
    for client in (api, reader):
        client.ask("seals")
    with django_assert_num_queries(2):
        api.ask("seals")
    with django_assert_num_queries(4):
        reader.ask("seals")
