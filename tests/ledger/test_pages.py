"""Signing in over pages: a session, one's places, and a wrong password that says so."""

import pytest
from django.test import Client

from ledger.models import Establishment, Person
from tests.conftest import PASSWORD

pytestmark = pytest.mark.django_db


@pytest.fixture
def browser(establishment: Establishment) -> Client:
    return Client(SERVER_NAME="localhost")


def test_a_stranger_is_led_to_the_sign_in(browser: Client) -> None:
    assert browser.get("/").headers.get("Location", "").startswith("/sign-in")


def test_pages_of_no_house_bear_the_name_of_the_service_and_the_menu_says_where_it_leads(
    browser: Client, lead: Person
) -> None:
    assert '<p class="where">Confectionery records</p>' in browser.get("/sign-in").content.decode()
    browser.force_login(lead, backend="django.contrib.auth.backends.ModelBackend")
    page = browser.get("/").content.decode()
    assert 'aria-current="page">Where you work</a>' in page
    assert "Today" not in page


def test_the_right_password_opens_the_page_with_ones_places(browser: Client, lead: Person) -> None:
    answer = browser.post("/sign-in", {"sign_in_name": lead.sign_in_name, "password": PASSWORD}, follow=True)
    assert "Lindenhof Sweets" in answer.content.decode()


def test_a_wrong_password_says_so_and_opens_nothing(browser: Client, lead: Person) -> None:
    answer = browser.post("/sign-in", {"sign_in_name": lead.sign_in_name, "password": "not-this-one"})
    assert answer.status_code in (401, 403)
    assert browser.get("/").status_code == 302


def test_signing_out_ends_the_session(browser: Client, lead: Person) -> None:
    browser.force_login(lead, backend="django.contrib.auth.backends.ModelBackend")
    browser.post("/sign-out")
    assert browser.get("/").status_code == 302
