"""The scan: what a code is, where that is, what may be done with it; broken codes are refused with their place."""

from datetime import date
from typing import Any

import pytest

from batches import movements, own_addresses, receiving, storing
from batches.models import Lot
from haccp import deviations, scanning
from haccp.deviations import Touched
from ledger import establishments
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.batches.conftest import HOUR, MORNING, NOON

pytestmark = pytest.mark.django_db
GTIN = "09521234000013"  # prefix 952 is kept for demonstrations (prefix table of the parser library, read)
NUTS_GTIN = "09521234000020"


@pytest.fixture(autouse=True)
def _on_that_day(time_machine: Any) -> None:
    time_machine.move_to(NOON + HOUR)


@pytest.fixture
def scan(api: Any) -> Any:
    def do(text: str, by: Any = None, **change: Any) -> Any:
        return (by or api).send("scan", {"text": text} | change)

    return do


@pytest.fixture
def boxed(pillows: Any) -> Any:
    """Pillows bear a GTIN."""
    pillows.gtin = GTIN
    pillows.save()
    return pillows


@pytest.fixture
def made(boxed: Any, make_batch: Any, make_pillows: Any, make_place: Any) -> Lot:
    """A hundred pillows on a shelf."""
    lot = make_pillows(make_batch(), to_place=make_place("Shelf")).lot
    return Lot.objects.select_related("state", "material", "establishment").get(pk=lot.pk)


def only(answer: Any) -> dict[str, Any]:
    assert answer.status_code == 200, answer.content
    (found,) = answer.json()["candidates"]
    return found


def may(found: dict[str, Any]) -> dict[str, bool]:
    return {each["deed"]: each["may"] for each in found["lot"]["doings"]}


# -- what it is ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["{code}", " {small}\r\n", "]Q1{code}", "{address}", "]Q1{address}", "http://old.example/at/{house}/class/x.{code}"],
)  # fmt: skip
def test_our_own_lot_is_found_by_its_code_and_its_address(scan, made, text):
    said = {"code": made.code, "small": made.code.lower(), "house": made.establishment_id}
    found = only(scan(text.format(**said, address=own_addresses.of_lot(made))))
    assert (found["kind"], found["id"]) == ("lot", str(made.uid))


@pytest.mark.parametrize(
    "text",
    ["]C101{gtin}10{lot}", "]d201{gtin}15260531\x1d10{lot}", "(01){gtin}(10){lot}", "01{gtin}10{lot}", "]Q1https://id.gs1.org/01/{gtin}/10/{lot}"],
)  # fmt: skip
def test_our_own_lot_is_found_by_gtin_and_code_however_they_come(scan, made, text):
    found = only(scan(text.format(gtin=GTIN, lot=made.code)))
    assert (found["id"], found["by"]) == (str(made.uid), "GTIN and our own lot code")
    assert found["said"].startswith(f"Lot {made.code} of Hazelnut pillows, made 2026-03-02")


def test_a_suppliers_barcode_finds_every_delivery_that_bears_its_lot(scan, receive, hazelnuts):
    hazelnuts.gtin = NUTS_GTIN
    hazelnuts.save()
    lots = {str(receive(supplier_code="N-77").lot.uid) for _ in range(3)}
    receive(supplier_code="n-77")
    found = scan(f"]C101{NUTS_GTIN}10N-77").json()["candidates"]
    assert {each["id"] for each in found} == lots
    assert {each["by"] for each in found} == {"GTIN and the supplier's lot code"}


def test_a_gtin_that_was_not_noted_is_told_and_the_lot_code_still_looked_up(scan, receive):
    lot = receive(supplier_code="N-77").lot
    answer = scan(f"]C101{NUTS_GTIN}10N-77")
    assert only(answer)["id"] == str(lot.uid)
    assert answer.json()["told"] == [f"No material here bears GTIN {NUTS_GTIN}."]


def test_a_code_of_ours_that_is_a_suppliers_too_lists_both(scan, made, receive):
    other = receive(supplier_code=made.code).lot
    found = scan(made.code).json()["candidates"]
    assert {(each["id"], each["by"]) for each in found} == {
        (str(made.uid), "our own lot code"),
        (str(other.uid), "the supplier's lot code"),
    }


def test_a_gtin_alone_lists_the_product_and_its_lots_on_hand(scan, made, make_batch, make_pillows, act):
    gone = make_pillows(make_batch()).lot
    storing.destroy(act=act(), lot=gone, quantity="100", unit="H87")
    found = scan(f"]E0{GTIN[1:]}").json()["candidates"]
    assert [(each["kind"], each["id"]) for each in found] == [
        ("product", str(made.material_id)),
        ("lot", str(made.uid)),
    ]


def test_a_delivery_that_was_not_received_is_told_so(scan, boxed):
    answer = scan(f"]C101{GTIN}10N-1").json()
    assert [each["kind"] for each in answer["candidates"]] == ["product"]
    assert "record its receipt" in answer["told"][0]


@pytest.mark.parametrize("text", ["]E02012345678903", "]C10102012345678903"])
def test_a_number_of_one_shop_only_is_told_to_be_that(scan, establishment, text):
    answer = scan(text).json()
    assert answer["candidates"] == []
    assert "within one shop or country only" in answer["told"][0]


def test_a_code_that_nothing_bears_is_no_error(scan, establishment):
    answer = scan("NOBODY-1").json()
    assert (answer["candidates"], answer["left_out"]) == ([], 0)
    assert answer["told"] == ["No lot here bears the code NOBODY-1. If it is a delivery, record its receipt."]


def test_the_code_of_a_batch_is_told_to_be_one_with_the_lots_it_made(scan, made, make_batch):
    answer = scan(made.batch.code.lower()).json()
    assert answer["told"] == [
        f"A batch bears the code {made.batch.code}. It made the lots: {made.code}. Scan or type one of them."
    ]
    young = make_batch()
    assert scan(young.code).json()["told"] == [f"A batch bears the code {young.code}. It made no lot yet."]


def test_a_location_number_names_a_partner_or_the_house(scan, supplier, act, establishment):
    supplier.gln = "4012345000054"
    supplier.save()
    establishments.change_profile(act=act(), values={"gln": "9521234000006"})
    assert only(scan("]C14144012345000054"))["said"] == "Nut Mill North, a trading partner."
    assert only(scan("https://id.gs1.org/417/9521234000006"))["kind"] == "establishment"


def test_an_address_of_another_establishments_lot_says_nothing_of_it(scan, made, elsewhere):
    foreign = own_addresses.of_lot(made).replace(str(made.establishment_id), str(elsewhere.pk))
    answer = scan(foreign).json()
    assert answer["candidates"] == []
    assert answer["told"] == ["This is the address of a lot of another establishment."]


def test_a_date_that_differs_from_the_records_is_told(scan, made):
    assert made.state.best_before == date(2026, 5, 31)
    found = only(scan(f"]C101{GTIN}1526053010{made.code}"))
    assert found["differs"] == ["The barcode says best before 2026-05-30, the records say 2026-05-31."]
    assert only(scan(f"]C101{GTIN}1526053110{made.code}"))["differs"] == []


def test_a_label_that_names_another_product_is_told(scan, made):
    address = own_addresses.of_lot(made)
    made.material.code = "NEW"
    made.material.save()
    assert "which is NEW now" in only(scan(address))["differs"][0]


# -- where it is, and what may be done -------------------------------------------------------------------


def test_it_says_where_the_lot_lies_and_how_much(scan, made):
    lot = only(scan(made.code))["lot"]
    assert lot["on_hand"] == {"quantity": "100", "unit": "H87"}
    assert [(each["quantity"], each["name"].split(" ", 1)[1]) for each in lot["lying"]] == [("100", "Shelf")]


def test_what_awaits_a_decision_is_neither_used_nor_shipped(scan, made, lead_api):
    assert may(only(scan(made.code))) == {
        "use": False,
        "ship": False,
        "release": False,
        "count": True,
        "move": True,
        "sample": True,
        "destroy": True,
        "report": True,
    }
    assert may(only(scan(made.code, by=lead_api)))["release"]


def test_what_is_released_may_be_used_and_shipped(scan, made, release):
    release(made)
    doings = may(only(scan(made.code)))
    assert doings["use"]
    assert doings["ship"]
    assert not doings["release"]


def test_what_is_held_says_by_what(scan, made, act, lead_api):
    case = deviations.report(act=act(), title="A blade lost its tip.", hold=Touched("lot", made.uid))
    found = only(scan(made.code, by=lead_api))
    assert found["lot"]["held_by"] == [{"deviation": str(case.pk), "title": "A blade lost its tip."}]
    reasons = {each["deed"]: each["because"] for each in found["lot"]["doings"]}
    assert "it is held" in reasons["use"]
    assert reasons["release"] == "No: what holds it is decided and closed first."


def test_what_an_open_case_holds_is_not_destroyed_before_a_lead_decided_so(scan, made, act, lead):
    case = deviations.report(act=act(), title="The supplier recalls it.", hold=Touched("lot", made.uid))

    def destroy() -> dict[str, Any]:
        (said,) = (each for each in only(scan(made.code))["lot"]["doings"] if each["deed"] == "destroy")
        return said

    assert not destroy()["may"]
    assert destroy()["because"].startswith("No: the lead decides first")
    deviations.dispose(
        act=act(lead), deviation=case, lot=made, decision="destroy", because="Agreed with the supplier."
    )
    assert destroy()["may"]


def test_what_is_past_its_date_says_so(scan, made, release, time_machine, client_of, operator):
    release(made)
    time_machine.move_to(date(2026, 6, 2))
    found = only(scan(made.code, by=client_of(operator)))
    assert found["lot"]["expired"]
    assert "PAST ITS DATE" in found["said"]
    assert not may(found)["use"]


def test_a_withdrawn_lot_is_still_told(scan, made, act):
    movements.withdraw(act=act(corrects=made.birth_id, reason="Never made.", withdraws=True))
    assert may(only(scan(made.code))) == {"read": True, "report": True}


def test_several_candidates_take_no_more_statements_than_one(scan, receive, django_assert_max_num_queries):
    receive(supplier_code="N-77")
    with django_assert_max_num_queries(10) as one:
        scan("N-77")
    for _ in range(6):
        receive(supplier_code="N-77")
    with django_assert_max_num_queries(len(one)):
        assert len(scan("N-77").json()["candidates"]) == 7


def test_no_candidate_is_left_out_without_a_word(scan, receive, monkeypatch):
    monkeypatch.setattr(scanning, "MOST", 2)
    for _ in range(3):
        receive(supplier_code="N-77")
    answer = scan("N-77").json()
    assert (len(answer["candidates"]), answer["left_out"]) == (2, 1)


# -- bad input ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "code"),
    [
        (f"]C101{GTIN[:-1]}910A", "wrong-check-digit"),
        (f"01{GTIN}15260230", "impossible-date"),
        (f"]d201{GTIN}05A", "unknown-identifier"),
        (f"(01){GTIN}(05)A", "unknown-identifier"),
        ("]k1A", "unknown-symbology"),
        ("  ", "empty"),
    ],
)
def test_a_broken_barcode_is_refused_with_its_place(scan, made, text, code):
    answer = scan(text)
    assert answer.status_code == 400
    (error,) = answer.json()["errors"]
    assert (error["field"], error["code"]) == ("text", code)


def test_a_lot_code_that_begins_like_a_broken_barcode_is_found_all_the_same(scan, act, hazelnuts, supplier):
    odd = f"01{GTIN}15260230"
    lot = receiving.receive(
        act=act(at=MORNING),
        material=hazelnuts,
        supplier=supplier,
        quantity="1",
        unit="KGM",
        supplier_code=odd,
    ).lot
    assert only(scan(odd))["id"] == str(lot.uid)


@pytest.mark.parametrize(
    "body", [{}, {"text": None}, {"text": "a\x00"}, {"text": "a\x07b"}, {"code": "A"}, {"text": "A" * 9000}]
)
def test_a_body_that_is_no_scan_is_refused(api, establishment, body):
    assert api.send("scan", body).status_code == 400


def test_an_address_with_control_characters_in_its_lot_names_none(scan, made):
    answer = scan(f"http://old.example/at/{made.establishment_id}/class/X.{made.code}%00")
    assert (answer.status_code, answer.json()["candidates"]) == (200, [])
