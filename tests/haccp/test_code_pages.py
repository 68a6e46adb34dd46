"""The pages at printed addresses: the lot for who works there, the printed label's own words for anybody else."""

import re
from typing import Any

import pytest
from django.test import Client

from batches import movements, own_addresses
from batches.models import Lot
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.conftest import PASSWORD
from tests.haccp.allergens.conftest import *  # noqa: F403 - what a supplier states

pytestmark = pytest.mark.django_db


@pytest.fixture
def lot(batch: Any, make_pillows: Any, pillows: Any) -> Lot:
    pillows.gtin = "09521234000013"
    pillows.save()
    made = make_pillows(batch).lot
    return Lot.objects.select_related("material", "establishment").get(pk=made.pk)


@pytest.fixture
def browser() -> Client:
    return Client(SERVER_NAME="localhost")


@pytest.fixture
def of_operator(browser: Client, operator: Any) -> Client:
    browser.force_login(operator, backend="django.contrib.auth.backends.ModelBackend")
    return browser


def path_of(lot: Lot) -> str:
    return own_addresses.of_lot(lot).removeprefix("http://127.0.0.1:8000")


def linked(lot: Lot) -> str:
    return f"/at/{lot.establishment_id}/01/{lot.material.gtin}/10/{lot.code}?15=260531"


@pytest.mark.parametrize("address", [path_of, linked])
def test_the_printed_address_shows_the_lot_to_who_works_there(of_operator, lot, address):
    answer = of_operator.get(address(lot))
    shown = answer.content.decode()
    assert answer.status_code == 200
    assert f"Lot {lot.code} of Hazelnut pillows" in shown
    assert "Use in a batch" in shown
    assert "On hand: 100 pieces" in shown


@pytest.mark.parametrize("address", [path_of, linked])
def test_a_stranger_learns_no_more_than_the_label_says(browser, lot, address, django_assert_num_queries):
    with django_assert_num_queries(1):  # the house, and no lot
        shown = browser.get(address(lot)).content.decode()
    assert "Lindenhof Sweets" in shown
    assert lot.code in shown
    assert "Hazelnut pillows" not in shown
    assert "awaiting" not in shown


def test_a_stranger_sees_the_same_whether_there_is_such_a_lot(browser, lot):
    there = browser.get(path_of(lot)).content.decode()
    gone = browser.get(path_of(lot).replace(lot.code, "NOBODY-1")).content.decode()
    assert gone.replace("NOBODY-1", lot.code) == there


def test_what_cannot_be_a_lot_code_is_not_shown_to_a_stranger(browser, lot):
    shown = browser.get(path_of(lot).replace(lot.code, "Call%200900%20123")).content.decode()
    assert "0900" not in shown.split("next=")[0]


def test_a_stranger_who_signs_in_is_led_to_the_lot(browser, lot, operator):
    asked = {"sign_in_name": operator.sign_in_name, "password": PASSWORD, "next": path_of(lot)}
    answer = browser.post("/sign-in", asked, follow=True)
    assert f"Lot {lot.code} of Hazelnut pillows" in answer.content.decode()


def test_somebody_of_another_house_is_a_stranger(browser, lot, make_person, make_establishment):
    other = make_person("Rita Other")
    make_establishment(other, name="The Other House")
    browser.force_login(other, backend="django.contrib.auth.backends.ModelBackend")
    shown = browser.get(path_of(lot)).content.decode()
    assert "do not work at this house" in shown
    assert "Hazelnut pillows" not in shown


def test_a_house_there_is_not_is_not_found(browser, of_operator, lot):
    assert browser.get(path_of(lot).replace(str(lot.establishment_id), str(lot.uid))).status_code == 404


def test_an_address_that_names_nothing_says_so(of_operator, lot):
    answer = of_operator.get(path_of(lot).replace(lot.code, "NOBODY-1"))
    assert answer.status_code == 404
    assert "there is no such lot here" in answer.content.decode()


def test_a_code_is_typed_into_the_page(of_operator, lot):
    shown = of_operator.post(f"/at/{lot.establishment_id}/scan", {"text": lot.code.lower()}).content.decode()
    assert f"Lot {lot.code} of Hazelnut pillows" in shown
    assert of_operator.get(f"/at/{lot.establishment_id}/scan").status_code == 200


def test_the_page_tells_what_the_lot_contains_and_what_nobody_stated(of_operator, receive, hazelnuts, state):
    lot = receive(supplier_code="N-9").lot
    state(hazelnuts, "milk", "may-contain:egg", lot=lot)  # a word that came after the lot
    shown = of_operator.post(f"/at/{lot.establishment_id}/scan", {"text": lot.code}).content.decode()
    assert re.search(r"<dt>Contains</dt><dd>[^<]*milk", shown, re.IGNORECASE)
    assert re.search(r"<dt>May contain</dt><dd>[^<]*egg", shown, re.IGNORECASE)
    unknown = re.search(r"<dt>Unknown, nobody stated it</dt><dd>([^<]*)", shown)
    assert unknown
    assert "peanut" in unknown[1].lower()
    assert "unknown, never absent" in shown


def test_the_page_of_a_withdrawn_lot_tells_no_allergens(of_operator, lot, act):
    movements.withdraw(act=act(corrects=lot.birth_id, reason="Never made.", withdraws=True))
    shown = of_operator.get(path_of(lot)).content.decode()
    assert "What you may do with it" in shown
    assert "Allergens, by the records" not in shown


def test_the_page_says_where_each_allowed_deed_is_written_down(of_operator, lot):
    shown = of_operator.get(path_of(lot)).content.decode()
    here = f"POST /api/v1/establishments/{lot.establishment_id}"
    for where in ("/deviations", "/movements/counted", "/movements/moved"):
        assert f"{here}{where}<" in shown
    assert f"{here}/movements/used" not in shown  # it awaits a decision
    assert "over the API, with a key of one&#x27;s own" in shown or "with a key of one's own" in shown


def test_a_broken_barcode_is_told_on_the_page_and_what_was_typed_stays(of_operator, lot):
    answer = of_operator.post(f"/at/{lot.establishment_id}/scan", {"text": "(01)09521234000014"})
    assert answer.status_code == 400
    shown = answer.content.decode()
    assert "the last digit is 4, but the others ask for 3" in shown
    assert 'value="(01)09521234000014"' in shown


def test_the_scan_page_is_for_who_works_there(browser, lot, make_person):
    address = f"/at/{lot.establishment_id}/scan"
    assert browser.get(address).headers["Location"].startswith("/sign-in")
    browser.force_login(make_person("Rita Other"), backend="django.contrib.auth.backends.ModelBackend")
    assert browser.get(address).status_code == 404


def test_a_typed_code_that_nothing_bears_is_no_missing_page(of_operator, lot):
    answer = of_operator.post(f"/at/{lot.establishment_id}/scan", {"text": "NOBODY-1"})
    assert answer.status_code == 200
    assert "No lot here bears the code NOBODY-1" in answer.content.decode()


def test_markup_in_a_code_is_text(of_operator, lot):
    shown = of_operator.post(
        f"/at/{lot.establishment_id}/scan", {"text": "<script>x</script>"}
    ).content.decode()
    assert "<script>" not in shown


@pytest.mark.parametrize("front", ["X.%00", "X.A%00B", "%00.A", "X.A%1DB"])
def test_an_address_with_control_characters_in_it_names_nothing(of_operator, lot, front):
    answer = of_operator.get(f"/at/{lot.establishment_id}/class/{front}")
    assert answer.status_code == 404
    assert "names no lot" in answer.content.decode()


def test_a_code_with_control_characters_in_it_is_refused_on_the_page(of_operator, lot):
    answer = of_operator.post(f"/at/{lot.establishment_id}/scan", {"text": "A\x00B"})
    assert answer.status_code == 400
    assert "Character 2: U+0000 is no character of a barcode" in answer.content.decode()


def test_a_label_of_a_material_with_a_slash_in_its_code_leads_to_its_lot(of_operator, lot):
    lot.material.code = "PIL/200"
    lot.material.save()
    answer = of_operator.get(path_of(lot))
    assert f"Lot {lot.code} of Hazelnut pillows" in answer.content.decode()
    assert "The label names product" not in answer.content.decode()
