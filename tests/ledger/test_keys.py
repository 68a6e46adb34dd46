"""Keys of programs: hidden at rest, for one person at one establishment, until they end; a refused one writes nothing."""

import hashlib
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.db import IntegrityError, transaction
from django.utils import timezone

from config.api.refusals import Unknown, Unusable
from ledger import people
from ledger.acts import Act
from ledger.models import Entry, Establishment, Membership, Person, Token
from tests.conftest import NOON, PASSWORD, Client
from tests.scene import rows_kept

pytestmark = pytest.mark.django_db
NEW_KEY = {"label": "stove tablet", "days": 7, "password": PASSWORD}


@pytest.fixture
def key(act: Callable[..., Act], operator: Person) -> str:
    return people.give_token(act=act(), person=operator, label="test", days=30)[1]


def token() -> Token:
    return Token.objects.get(label="test")


def write(client: Client) -> Any:
    """What the operator may do with a good key: sign something."""
    target = Entry.objects.order_by("id").values_list("pk", flat=True)[0]
    body = {"performed_at": NOON.isoformat(), "meaning": "recorded", "password": PASSWORD}
    return client.send("signatures", body | {"target": str(target)})


@pytest.fixture
def refused(establishment: Establishment, key: str) -> Callable[..., None]:
    """The key that opened a moment ago does not any more, and what was asked with it is not done."""

    def look(code: int, kind: str, client: Client | None = None) -> None:
        client = client or Client(establishment, key)
        before = rows_kept()
        for answer in (write(client), client.ask("people")):
            assert (answer.status_code, answer.json()["type"]) == (code, f"/api/problems/{kind}")
            assert answer["Content-Type"] == "application/problem+json"
            if code == 401:
                assert answer["WWW-Authenticate"] == "Bearer"
        assert rows_kept() == before

    return look


def test_a_good_key_writes(establishment: Establishment, key: str) -> None:
    assert write(Client(establishment, key)).status_code == 201


# -- at rest ----------------------------------------------------------------------------------------


def test_only_the_hash_of_a_key_is_kept(key: str) -> None:
    kept = token()
    assert kept.key_hash == hashlib.sha256(key.encode()).hexdigest()
    assert key not in str(vars(kept))


def test_a_key_is_256_bits_and_no_two_are_the_same(act: Callable[..., Act], operator: Person) -> None:
    made = {people.give_token(act=act(), person=operator, label="x", days=1)[1] for _ in range(20)}
    assert len(made) == 20
    assert {len(each) for each in made} == {43}  # 32 bytes in base64 without padding (RFC 4648, from memory)


def test_it_is_shown_once(api: Client) -> None:
    made = api.send("keys", NEW_KEY).json()
    assert len(made["key"]) == 43
    assert made["key"] not in api.ask("keys").content.decode()


def test_the_hash_of_a_key_is_no_key(establishment: Establishment, refused: Any, key: str) -> None:
    refused(401, "not-signed-in", Client(establishment, token().key_hash))


def test_the_database_keeps_each_key_once(key: str, establishment: Establishment, operator: Person) -> None:
    kept = token()
    with pytest.raises(IntegrityError, match="key_hash"), transaction.atomic():
        Token.objects.create(
            establishment=establishment,
            person=operator,
            label="again",
            key_hash=kept.key_hash,
            made_at=kept.made_at,
            ends_at=kept.ends_at,
        )


def test_the_database_refuses_a_key_that_ends_before_it_begins(key: str) -> None:
    kept = token()
    with pytest.raises(IntegrityError, match="token_ends_after_it_begins"), transaction.atomic():
        Token.objects.filter(pk=kept.pk).update(ends_at=kept.made_at)


# -- when it does not open --------------------------------------------------------------------------


def test_an_unknown_key(refused: Any, establishment: Establishment) -> None:
    refused(401, "not-signed-in", Client(establishment, "A" * 43))


@pytest.mark.parametrize("header", ["Bearer", "Bearer a b", "Basic b21hcjp4", "Bearer \xff\xfe", ""])
def test_a_header_that_names_no_key(header: str, refused: Any, establishment: Establishment) -> None:
    client = Client(establishment, "")
    client.defaults["HTTP_AUTHORIZATION"] = header
    refused(401, "not-signed-in", client)


def test_a_key_that_has_ended(key: str, refused: Any, establishment: Establishment) -> None:
    ends = token().ends_at
    with time_machine.travel(ends - timedelta(seconds=1), tick=False):
        assert Client(establishment, key).ask("people").status_code == 200
    with time_machine.travel(ends, tick=False):
        refused(401, "not-signed-in")


def test_a_key_that_was_revoked(api: Client, refused: Any, key: str) -> None:
    assert api.send(f"keys/{token_of(key).pk}/revoke").status_code == 200
    refused(401, "not-signed-in")


def token_of(key: str) -> Token:
    return Token.objects.get(key_hash=people.hash_of(key))


def test_a_key_of_somebody_who_is_not_active(refused: Any, operator: Person) -> None:
    Person.objects.filter(pk=operator.pk).update(is_active=False)
    refused(401, "not-signed-in")


def test_a_key_of_somebody_whose_role_has_ended(refused: Any, operator: Person) -> None:
    Membership.objects.filter(person=operator).update(until_day=date(2026, 1, 1))
    refused(404, "not-found")


def test_a_key_of_somebody_whose_role_has_not_begun(refused: Any, operator: Person) -> None:
    Membership.objects.filter(person=operator).update(from_day=date(2999, 1, 1))
    refused(404, "not-found")


def test_a_key_of_another_establishment(
    refused: Any, key: str, elsewhere: Establishment, establishment: Establishment
) -> None:
    refused(404, "not-found", Client(elsewhere, key))


def test_a_key_opens_one_establishment_even_for_who_belongs_to_both(
    refused: Any, key: str, elsewhere: Establishment, operator: Person
) -> None:
    Membership.objects.create(
        establishment=elsewhere, person=operator, role="operator", from_day=date(2020, 1, 1)
    )
    refused(404, "not-found", Client(elsewhere, key))


def test_roles_elsewhere_do_not_count_here(
    key: str, elsewhere: Establishment, operator: Person, establishment: Establishment
) -> None:
    Membership.objects.create(
        establishment=elsewhere, person=operator, role="administrator", from_day=date(2020, 1, 1)
    )
    person = {"sign_in_name": "nell", "name": "Nell", "initials": "N", "password": PASSWORD}
    body = person | {"role": "operator", "from_day": "2026-01-01"}
    assert Client(establishment, key).send("people", body).status_code == 403


# -- making and ending one --------------------------------------------------------------------------


def test_a_key_ends_as_many_days_later_as_was_asked(api: Client) -> None:
    with time_machine.travel(datetime.now(UTC), tick=False):
        made = api.send("keys", NEW_KEY).json()
        assert datetime.fromisoformat(made["ends_at"]) == timezone.now() + timedelta(days=7)


@pytest.mark.parametrize("days", [0, 367])
def test_a_key_without_an_end_is_not_given(
    days: int, act: Callable[..., Act], operator: Person, api: Client
) -> None:
    with pytest.raises(Unusable):
        people.give_token(act=act(), person=operator, label="x", days=days)
    answer = api.send("keys", NEW_KEY | {"days": days})
    assert [error["field"] for error in answer.json()["errors"]] == ["days"]


def test_a_key_does_not_prolong_itself_without_the_password(api: Client) -> None:
    before = rows_kept()
    answer = api.send("keys", NEW_KEY | {"password": "not-this-one"})
    assert (answer.status_code, answer.json()["type"]) == (403, "/api/problems/wrong-password")
    assert rows_kept() == before


def test_a_stranger_gets_no_key(act: Callable[..., Act], make_person: Callable[..., Person]) -> None:
    with pytest.raises(Unknown):
        people.give_token(act=act(), person=make_person("Stranger"), label="x", days=1)


def test_ended_twice_is_ended_once(api: Client, key: str) -> None:
    first = api.send(f"keys/{token_of(key).pk}/revoke").json()["revoked_at"]
    assert api.send(f"keys/{token_of(key).pk}/revoke").json()["revoked_at"] == first


def test_an_operator_ends_nobody_elses_key(api: Client, lead_api: Client, lead: Person) -> None:
    others = Token.objects.get(person=lead)
    assert api.send(f"keys/{others.pk}/revoke").status_code == 404
    assert lead_api.ask("people").status_code == 200


def test_an_administrator_ends_anybodys_key(lead_api: Client, key: str, refused: Any) -> None:
    assert lead_api.send(f"keys/{token_of(key).pk}/revoke").status_code == 200
    refused(401, "not-signed-in")


def test_each_sees_their_own_keys_and_the_administrator_all(api: Client, lead_api: Client) -> None:
    assert len(api.ask("keys").json()["results"]) == 1
    assert len(lead_api.ask("keys").json()["results"]) == 2
