"""Five wrong passwords wait five minutes: for this person at this address, at the sign-in and when signing alike."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
import time_machine
from axes.models import AccessAttempt
from django.test import Client as Browser

from ledger.models import Entry, Establishment, Person, Signature
from tests.conftest import NOON, PASSWORD, Client
from tests.scene import rows_kept

pytestmark = pytest.mark.django_db
BEGIN = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)
WRONG = "not-this-one"
HERE, THERE = "203.0.113.7", "203.0.113.8"  # RFC 5737, addresses for documentation; from memory
LIMIT, MINUTES = 5, 5  # a site setting, no source


@pytest.fixture
def clock() -> Iterator[Any]:
    with time_machine.travel(BEGIN, tick=False) as clock:
        yield clock


@pytest.fixture
def target(establishment: Establishment, operator: Person, lead: Person) -> str:
    return str(Entry.objects.filter(establishment=establishment)[0].pk)


def sign(client: Client, target: str, password: str = PASSWORD, address: str = HERE) -> Any:
    body = {
        "performed_at": NOON.isoformat(),
        "target": target,
        "meaning": "recorded",
        "password": password,
    }
    return client.send("signatures", body, REMOTE_ADDR=address)


def sign_in(person: Person, password: str = PASSWORD, address: str = HERE) -> Any:
    """Over the page, in a new browser."""
    body = {"sign_in_name": person.sign_in_name, "password": password}
    return Browser(SERVER_NAME="localhost").post("/sign-in", body, REMOTE_ADDR=address)


def get_key(person: Person, establishment: Establishment, password: str = PASSWORD) -> Any:
    body = {
        "sign_in_name": person.sign_in_name,
        "password": password,
        "establishment": str(establishment.pk),
        "label": "tablet",
    }
    return Browser(SERVER_NAME="localhost").post(
        "/api/v1/keys", body, content_type="application/json", REMOTE_ADDR=HERE
    )


# -- when signing -----------------------------------------------------------------------------------


def test_the_right_password_signs(api: Client, target: str, clock: Any) -> None:
    assert sign(api, target).status_code == 201


def test_a_wrong_password_signs_nothing_and_says_so(api: Client, target: str, clock: Any) -> None:
    before = rows_kept()
    answer = sign(api, target, WRONG)
    assert (answer.status_code, answer.json()["type"]) == (403, "/api/problems/wrong-password")
    assert answer["Content-Type"] == "application/problem+json"
    assert [error["field"] for error in answer.json()["errors"]] == ["password"]
    assert rows_kept() == before


def test_the_fifth_wrong_one_is_told_to_wait(api: Client, target: str, clock: Any) -> None:
    before = rows_kept()
    codes = [sign(api, target, WRONG).status_code for _ in range(LIMIT)]
    assert codes == [403, 403, 403, 403, 429]
    assert rows_kept() == before


def test_while_waiting_the_right_password_signs_nothing(api: Client, target: str, clock: Any) -> None:
    locked_by_signing(api, target)
    answer = sign(api, target)
    assert (answer.status_code, answer.json()["type"]) == (429, "/api/problems/too-many-tries")
    assert answer["Content-Type"] == "application/problem+json"
    assert answer["Retry-After"] == str(MINUTES * 60)
    assert "Wait five minutes" in answer.json()["detail"]
    assert not Signature.objects.exists()


def locked_by_signing(api: Client, target: str) -> None:
    for _ in range(LIMIT):
        sign(api, target, WRONG)


def test_it_is_over_after_five_minutes(api: Client, target: str, clock: Any) -> None:
    locked_by_signing(api, target)
    clock.shift(MINUTES * 60 - 1)
    assert sign(api, target).status_code == 429
    clock.shift(2)
    assert sign(api, target).status_code == 201


def test_trying_while_locked_does_not_make_it_longer(api: Client, target: str, clock: Any) -> None:
    locked_by_signing(api, target)
    for _ in range(4):
        clock.shift(60)
        assert sign(api, target, WRONG).status_code == 429
    clock.shift(61)
    assert sign(api, target).status_code == 201


def test_another_person_at_the_same_address_signs(
    api: Client, lead_api: Client, target: str, clock: Any
) -> None:
    locked_by_signing(api, target)
    assert sign(lead_api, target).status_code == 201


def test_the_same_person_at_another_address_signs(api: Client, target: str, clock: Any) -> None:
    locked_by_signing(api, target)
    assert sign(api, target, address=THERE).status_code == 201


def test_a_right_one_forgets_the_wrong_ones_before(api: Client, target: str, clock: Any) -> None:
    for _ in range(3):
        for _ in range(LIMIT - 1):
            assert sign(api, target, WRONG).status_code == 403
        assert sign(api, target).status_code == 201


def test_what_needs_no_password_goes_on_while_locked(api: Client, target: str, clock: Any) -> None:
    locked_by_signing(api, target)
    assert api.ask(f"records/{target}").status_code == 200


# -- one count for every way in ---------------------------------------------------------------------


def test_wrong_ones_when_signing_count_at_the_sign_in(
    api: Client, target: str, operator: Person, establishment: Establishment, clock: Any
) -> None:
    locked_by_signing(api, target)
    assert sign_in(operator).status_code == 429
    assert get_key(operator, establishment).status_code == 429


def test_wrong_ones_at_the_sign_in_count_when_signing(
    api: Client, target: str, operator: Person, clock: Any
) -> None:
    for _ in range(LIMIT):
        sign_in(operator, WRONG)
    assert sign(api, target).status_code == 429


def test_another_device_of_the_same_address_does_not_start_anew(api: Client, target: str, clock: Any) -> None:
    for number in range(LIMIT):
        api.defaults["HTTP_USER_AGENT"] = f"tablet {number}"
        answer = sign(api, target, WRONG)
    assert answer.status_code == 429


# -- at the page ------------------------------------------------------------------------------------


def test_the_page_says_to_wait_and_for_how_long(operator: Person, clock: Any) -> None:
    codes = [sign_in(operator, WRONG).status_code for _ in range(LIMIT)]
    answer = sign_in(operator)
    assert codes == [403, 403, 403, 403, 429]
    assert (answer.status_code, answer["Retry-After"]) == (429, str(MINUTES * 60))
    assert "Wait five minutes" in answer.content.decode()
    assert "sessionid" not in answer.cookies


def test_at_the_page_too_it_is_over_after_five_minutes(operator: Person, clock: Any) -> None:
    for _ in range(LIMIT):
        sign_in(operator, WRONG)
    clock.shift(MINUTES * 60 + 1)
    assert sign_in(operator).status_code == 302


def test_at_the_page_too_others_are_not_locked(operator: Person, lead: Person, clock: Any) -> None:
    for _ in range(LIMIT):
        sign_in(operator, WRONG)
    assert sign_in(lead).status_code == 302
    assert sign_in(operator, address=THERE).status_code == 302


def test_nothing_that_was_typed_as_a_password_is_kept(operator: Person, clock: Any) -> None:
    sign_in(operator, WRONG)
    noted = AccessAttempt.objects.get()
    assert noted.username == operator.sign_in_name
    assert WRONG not in str(vars(noted))


# -- for a key --------------------------------------------------------------------------------------


def test_for_a_key_a_wrong_password_answers_401_and_the_fifth_429(
    operator: Person, establishment: Establishment, clock: Any
) -> None:
    before = rows_kept()
    answers = [get_key(operator, establishment, WRONG) for _ in range(LIMIT)]
    assert [answer.status_code for answer in answers] == [401, 401, 401, 401, 429]
    assert answers[0].json()["type"] == "/api/problems/not-signed-in"
    assert answers[-1].json()["type"] == "/api/problems/too-many-tries"
    assert answers[-1]["Retry-After"] == str(MINUTES * 60)
    assert rows_kept() == before


def test_who_is_not_active_gets_no_key_and_no_session(
    operator: Person, establishment: Establishment, clock: Any
) -> None:
    Person.objects.filter(pk=operator.pk).update(is_active=False)
    assert get_key(operator, establishment).status_code == 401
    assert sign_in(operator).status_code == 403
