"""The page that tells which parts are asked: for who works there, as of a day, in words."""

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from haccp.compliance import known, reliefs
from ledger import signatures
from ledger.models import Establishment, Person

pytestmark = pytest.mark.django_db


@pytest.fixture
def ask(establishment: Establishment, lead: Person) -> Any:
    def do(person: Person | None = lead, **query: str) -> Any:
        browser = Client()
        if person is not None:
            browser.force_login(person)
        return browser.get(f"/at/{establishment.pk}/required-parts", query)

    return do


@pytest.fixture
def relief(act: Any, lead: Person, proof: signatures.Proof, establishment: Establishment) -> Any:
    today = timezone.now().astimezone(establishment.zone).date()
    return reliefs.record(
        act=act(lead, at=timezone.now()),
        proof=proof,
        relief="eu-nature-and-size",
        basis="Two <b>people</b>.",
        evidence="A letter.",
        from_day=today,
        until_day=today + timedelta(days=9),
    )


def test_every_part_is_told_and_that_the_authority_decides(ask: Any) -> None:
    said = ask().content.decode()
    assert all(part.name in said for part in known.PARTS)
    assert "for the competent local authority to say" in said
    assert "Eased" not in said


def test_what_is_eased_says_by_whom_why_and_until_when(ask: Any, relief: Any) -> None:
    said = ask().content.decode()
    assert "◐ Eased" in said
    assert "Two &lt;b&gt;people&lt;/b&gt;." in said
    assert f"until {relief.until_day}, not included" in said
    assert "Ines Lead" in said


def test_another_day_is_another_answer(ask: Any, relief: Any) -> None:
    assert "◐ Eased" not in ask(on=relief.until_day.isoformat()).content.decode()


@pytest.mark.parametrize("word", ["yesterday", "2026-02-31", "02/03/2026"])
def test_what_is_no_day_is_told_with_how_to_write_one(ask: Any, word: str) -> None:
    answer = ask(on=word)
    assert answer.status_code == 400
    assert "Write it as year-month-day" in answer.content.decode()


def test_who_is_not_signed_in_is_asked_to(ask: Any) -> None:
    assert "next=" in ask(None).headers["Location"]


def test_a_stranger_finds_nothing(ask: Any, make_person: Any) -> None:
    assert ask(make_person("Nobody Here")).status_code == 404


def test_the_page_of_where_one_works_leads_there(lead: Person, establishment: Establishment) -> None:
    browser = Client()
    browser.force_login(lead)
    assert f"/at/{establishment.pk}/required-parts" in browser.get("/").content.decode()
