"""A new maker's first step: one command, and the founder can sign in and lead."""

import io
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from ledger import people
from ledger.models import Change, Establishment, Membership, Person
from tests.conftest import PASSWORD

pytestmark = pytest.mark.django_db
SAID = {
    "name": "Lindenhof Sweets",
    "address": "Mill Lane 4, Musterstadt",
    "country": "DE",
    "time_zone": "Europe/Berlin",
    "sign_in_name": "ines",
    "founder": "Ines Lead",
    "initials": "IL",
}


@pytest.fixture
def establish(monkeypatch: pytest.MonkeyPatch, settings: Any, tmp_path: Path) -> Any:
    settings.SIGNING_KEYS = tmp_path
    monkeypatch.setenv("FOUNDER_PASSWORD", PASSWORD)

    def do(**said: Any) -> str:
        told = io.StringIO()
        call_command("establish", stdout=told, **(SAID | said))
        return told.getvalue()

    return do


def test_the_founder_leads_and_administers(establish: Any) -> None:
    establish()
    assert sorted(Membership.objects.values_list("role", flat=True)) == ["administrator", "food-safety-lead"]


def test_the_founder_can_sign_in(establish: Any) -> None:
    establish()
    assert Person.objects.get(sign_in_name="ines").check_password(PASSWORD)


def test_it_says_what_comes_next(establish: Any) -> None:
    assert "Next: sign in" in establish()


def test_a_known_person_keeps_their_password(establish: Any) -> None:
    establish()
    establish(name="Second House", founder="", initials="")
    assert Membership.objects.values("establishment").distinct().count() == 2


@pytest.mark.parametrize(
    "wrong",
    [
        {"country": "Germany"},
        {"time_zone": "Mars/Olympus"},
        {"altitude_m": 9000},
        {"sign_in_name": "Ines Lead"},
        {"name": ""},
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(establish: Any, wrong: dict[str, Any]) -> None:
    with pytest.raises(CommandError, match="Nothing was set up"):
        establish(**wrong)
    assert not Establishment.objects.exists()
    assert not Person.objects.exists()


def test_a_weak_password_is_refused(establish: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FOUNDER_PASSWORD", "password")
    with pytest.raises(CommandError, match="Nothing was set up"):
        establish()


def test_the_founder_it_makes_stands_in_a_record(establish: Any) -> None:
    establish()
    founder = Person.objects.get(sign_in_name="ines")
    change = Change.objects.get(subject_kind="ledger.person")
    assert (change.subject_id, change.performed_by, change.before) == (founder.pk, founder, {})
    assert (change.after["name"], "password" in change.after) == ("Ines Lead", False)


def test_a_founder_who_is_known_is_not_made_again(establish: Any) -> None:
    establish()
    establish(name="Second House", founder="", initials="")
    assert Change.objects.filter(subject_kind="ledger.person").count() == 1


@pytest.mark.parametrize("known", [True, False])
def test_the_service_itself_founds_nothing(establish: Any, known: bool) -> None:
    if known:
        people.service_person()
    with pytest.raises(CommandError, match="Nothing was set up"):
        establish(sign_in_name="the-service")
    assert not Establishment.objects.exists()
