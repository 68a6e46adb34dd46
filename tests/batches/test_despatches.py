"""A supplier's despatch is read whole or not at all, proposes nothing twice, and moves nothing before somebody confirms it."""

import io
import json
import zipfile
from datetime import date

import openpyxl
import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from batches.despatches import events, proposing, tables
from batches.models import Lot, Movement, ProposalAnswer, ProposedReceipt
from batches.movements import withdraw
from config.api.refusals import RuleBroken, Unusable
from tests.batches.conftest import MORNING
from tests.conftest import new_id

HEAD = "document,item,gtin,lot,quantity,unit,best_before\n"
CSV = HEAD + "D-1,HAZ,,N-77,25,kg,2026-09-01\nD-1,,4012345123456,S-1,1000 g,,\n"
GTIN = "04012345123456"
"""Example of the GS1 Digital Link standard's LGTIN, read in the reference notes: urn:epc:class:lgtin:4012345.012345.998877."""


def shipping(**changes):
    event = {
        "type": "ObjectEvent",
        "eventID": "urn:uuid:2f1c6a3e-7c1b-4d44-9a55-0f2f3c7d1e10",
        "action": "OBSERVE",
        "bizStep": "shipping",
        "disposition": "in_transit",
        "eventTime": "2026-03-01T16:00:00.000Z",
        "eventTimeZoneOffset": "+01:00",
        "quantityList": [
            {"epcClass": f"https://id.gs1.org/01/{GTIN}/10/998877", "quantity": 12.5, "uom": "KGM"},
            {"epcClass": "https://mill.example/at/x/class/HAZ.N%2F77", "quantity": 40},
        ],
        "bizTransactionList": [{"type": "desadv", "bizTransaction": "https://mill.example/at/x/bt/D%20901"}],
    }
    return event | changes


def document(*found, **changes):
    frame = {
        "@context": ["https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"],
        "type": "EPCISDocument",
        "schemaVersion": "2.0",
        "creationDate": "2026-03-01T17:00:00.000Z",
        "epcisBody": {"eventList": list(found)},
    }
    return json.dumps(frame | changes)


@pytest.fixture
def post(api, supplier):
    def do(text, media_type="text/csv", name="note.csv", **query):
        asked = {"supplier": str(supplier.pk), "name": name} | query
        address = api.base + "proposed-receipts?" + "&".join(f"{key}={value}" for key, value in asked.items())
        data = text.encode() if isinstance(text, str) else text
        return api.generic("POST", address, data, content_type=media_type)

    return do


def refused(answer, status=400):
    """By place, the code of each reason; nothing was kept."""
    assert answer.status_code == status, answer.content
    assert not ProposedReceipt.objects.exists()
    return {each["field"]: each["code"] for each in answer.json()["reasons"]}


def events_of(post, *found, **changes):
    return post(document(*found, **changes), "application/ld+json", "note.jsonld")


# -- reading ------------------------------------------------------------------------------------------


def test_a_table_proposes_each_line_and_moves_nothing(post, hazelnuts):
    hazelnuts.code = "HAZ"
    hazelnuts.save()
    answer = post(CSV)
    assert answer.status_code == 201, answer.content
    first, second = answer.json()["new"]
    assert first["read"] == {
        "document": "D-1",
        "item": "HAZ",
        "lot": "N-77",
        "quantity": "25",
        "unit": "KGM",
        "best_before": "2026-09-01",
    }
    assert second["read"]["gtin"] == GTIN
    assert (first["state"], first["material"], second["material"]) == ("awaiting", str(hazelnuts.pk), None)
    assert first["spot"] == "line 2"
    assert not Movement.objects.exists()


def test_events_of_shipping_propose_each_lot_with_every_digit(post):
    made = shipping(
        bizStep="creating_class_instance",
        type="TransformationEvent",
        quantityList=[],
        outputQuantityList=[{"epcClass": "https://mill.example/at/x/class/HAZ.N%2F77"}],
        ilmd={"cbvmda:bestBeforeDate": "2026-09-30"},
    )
    answer = events_of(post, made, shipping(bizStep="https://ref.gs1.org/cbv/BizStep-shipping"))
    assert answer.status_code == 201, answer.content
    first, second = (each["read"] for each in answer.json()["new"])
    assert first == {
        "gtin": GTIN,
        "lot": "998877",
        "quantity": "12.5",
        "unit": "KGM",
        "document": "D 901",
        "despatched_at": "2026-03-01T16:00:00.000Z",
    }
    assert (second["item"], second["lot"], second["unit"]) == ("HAZ", "N/77", "H87")
    assert second["best_before"] == "2026-09-30"
    assert [each["place"] for each in answer.json()["passed_over"]] == ["/epcisBody/eventList/0"]


def test_a_class_as_urn_is_the_same_lot_as_its_web_address():
    """urn:epc:class:lgtin:4012345.012345.998877 = https://id.gs1.org/01/04012345123456/10/998877 (reference notes, read)."""
    urn = dict(events._lot("urn:epc:class:lgtin:4012345.012345.998877"))
    assert (
        urn == dict(events._lot(f"https://id.gs1.org/01/{GTIN}/10/998877")) == {"gtin": GTIN, "lot": "998877"}
    )


def test_what_this_service_sends_it_can_read(act, api, post, paste, customer, release):
    from batches import shipping as leaving

    leaving.ship(act=act(), lot=paste, customer=customer, quantity="2.5", unit="KGM", document="note 88")
    sent = b"".join(api.ask("events.jsonld", document="note 88").streaming_content)
    (line,) = post(sent, "application/ld+json", "events.jsonld").json()["new"]
    assert line["read"]["lot"] == paste.code
    assert (line["read"]["quantity"], line["read"]["document"]) == ("2.5", "note 88")


# -- bad input ----------------------------------------------------------------------------------------


def test_every_fault_of_a_table_is_told_with_line_and_column(post):
    text = HEAD + "D-1,HAZ,4012345123457,N-77,25,kg,\nD-1,,,N-78,many,,31/12/2026\n,HAZ,,N-79,2,kg,\n"
    assert refused(post(text)) == {
        "note.csv:2.gtin": "wrong-check-digit",
        "note.csv:3.quantity": "not-a-number",
        "note.csv:3.best_before": "not-a-day",
        "note.csv:3.item": "missing",
        "note.csv:4.document": "missing",
    }


def test_a_line_that_stands_twice_is_asked_back(post):
    line = "D-1,HAZ,,N-77,25,kg,\n"
    assert refused(post(HEAD + line + line)) == {"line 3": "line-twice"}


@pytest.mark.parametrize(
    ("changes", "place", "code"),
    [
        ({"eventTime": "2026-03-01T16:00:00"}, "/eventTime", "not-a-time"),
        ({"eventTimeZoneOffset": "Z"}, "/eventTimeZoneOffset", "not-an-offset"),
        ({"eventTimeZoneOffset": None}, "/eventTimeZoneOffset", "not-an-offset"),
        ({"type": "MovingEvent"}, "/type", "unknown-type"),
        ({"action": "SEEN"}, "/action", "unknown-word"),
        ({"quantityList": []}, "/quantityList", "no-lots"),
        ({"quantityList": ["x"]}, "/quantityList/0", "no-class"),
        (
            {"sourceList": [{"source": "https://id.gs1.org/417/9520123456780"}]},
            "/sourceList/0/source",
            "wrong-check-digit",
        ),
    ],
)
def test_a_fault_of_an_event_is_told_with_its_pointer(post, changes, place, code):
    assert refused(events_of(post, shipping(**changes))) == {f"/epcisBody/eventList/0{place}": code}


@pytest.mark.parametrize(
    ("changes", "place", "code"),
    [
        ({"epcClass": "https://id.gs1.org/01/04012345123457/10/1"}, "epcClass", "wrong-check-digit"),
        ({"epcClass": "LOT 1"}, "epcClass", "unknown-class"),
        ({"epcClass": "https://[/class/A.B"}, "epcClass", "not-an-address"),
        ({"quantity": -5}, "quantity", "not-positive"),
        ({"quantity": None}, "quantity", "number-missing"),
        ({"quantity": 1e30}, "quantity", "not-a-number"),
        ({"uom": "XXX"}, "uom", "unknown-unit"),
    ],
)
def test_a_fault_of_a_quantity_is_told_with_its_pointer(post, changes, place, code):
    good = shipping()["quantityList"][0]
    answer = events_of(post, shipping(quantityList=[good | changes]))
    assert refused(answer) == {f"/epcisBody/eventList/0/quantityList/0/{place}": code}


def test_one_bad_event_keeps_the_good_ones_out_too(post):
    refused(events_of(post, shipping(), shipping(eventID="urn:x:2", eventTime="now")))


def test_what_declares_an_error_is_no_despatch(post):
    declared = shipping(errorDeclaration={"declarationTime": "2026-03-02T08:00:00.000Z"})
    found = refused(events_of(post, declared))
    assert found == {"/epcisBody/eventList/0/errorDeclaration": "declared-wrong"}


def test_a_despatch_of_another_sender_is_refused(post, supplier):
    supplier.gln = "9520123456788"
    supplier.save()
    source = [{"type": "possessing_party", "source": "https://id.gs1.org/417/4012345000009"}]
    found = refused(events_of(post, shipping(sourceList=source)))
    assert found == {"/epcisBody/eventList/0/sourceList/0/source": "other-sender"}


@pytest.mark.parametrize(
    "text",
    [
        "{",
        '{"type": NaN}',
        '{"a": 1, "a": 2}',
        "[" * 5000,
        '{"type": "EPCISDocument"}',
        "[]",
        "",
        "a,b\n1,2\n",
        "\x00",
        "PK\x03\x04",
    ],
)
def test_what_is_no_despatch_is_refused(post, text):
    answer = post(text, "application/ld+json", "note")
    assert answer.status_code == 400, answer.content
    assert not ProposedReceipt.objects.exists()


def test_malformed_json_is_told_with_line_and_column(post):
    answer = post('{"type":\n "EPCISDocument",,}', "application/ld+json")
    assert "line 2 column 18" in answer.json()["detail"]


def test_a_large_file_is_refused_before_it_is_read(api, supplier):
    class Never(io.RawIOBase):
        def readable(self):
            return True

        def readinto(self, buffer):
            raise AssertionError("read")

    address = f"{api.base}proposed-receipts?supplier={supplier.pk}"
    for media_type in ("text/csv", "multipart/form-data; boundary=x"):
        extra = {"CONTENT_LENGTH": str(50_000_000), "wsgi.input": Never(), "CONTENT_TYPE": media_type}
        answer = api.generic("POST", address, b"x", content_type=media_type, **extra)
        assert answer.status_code == 413, answer.content


def workbook(*rows):
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def test_a_workbook_is_read_and_a_formula_in_it_asked_back(post):
    head = ["document", "item", "lot", "quantity", "unit"]
    assert refused(post(workbook(head, ["D-1", "HAZ", "N-1", "=1+1", "kg"]), WORKBOOK, "a.xlsx")) == {
        "a.xlsx:2.quantity": "formula"
    }
    answer = post(workbook(head, ["D-1", "HAZ", "N-1", 12.5, "kg"]), WORKBOOK, "a.xlsx")
    assert answer.json()["new"][0]["read"]["quantity"] == "12.5"


def test_a_workbook_that_unpacks_to_very_much_is_refused(post):
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 60_000_000)
    assert refused(post(file.getvalue(), WORKBOOK, "bomb.xlsx")) == {"bomb.xlsx": "unpacks-too-large"}


# -- the same again -----------------------------------------------------------------------------------


def test_the_same_despatch_twice_doubles_nothing(post):
    first, second = post(CSV), post(CSV, name="again.csv")
    assert (first.status_code, second.status_code) == (201, 200)
    assert second.json()["new"] == []
    assert second.json()["known"] == first.json()["new"]
    assert ProposedReceipt.objects.count() == 2


def test_a_line_that_says_something_else_now_is_refused_with_the_one_that_stands(post):
    known = post(CSV).json()["new"][0]
    answer = post(CSV.replace("N-77,25", "N-77,26") + "D-2,HAZ,,N-90,1,kg,\n")
    assert answer.status_code == 409
    assert answer.json()["reasons"][0]["ids"] == [known["id"]]
    assert ProposedReceipt.objects.count() == 2


def test_further_lines_in_a_file_are_new(post):
    post(CSV)
    answer = post(CSV + "D-2,HAZ,,N-90,1,kg,\n").json()
    assert (len(answer["new"]), len(answer["known"])) == (1, 2)


def test_the_database_takes_a_line_once(post):
    post(CSV)
    row = ProposedReceipt.objects.first()
    row.pk = new_id()
    with pytest.raises(IntegrityError), transaction.atomic():
        row.save(force_insert=True)


# -- answering ----------------------------------------------------------------------------------------


@pytest.fixture
def proposal(post):
    return ProposedReceipt.objects.get(pk=post(CSV).json()["new"][0]["id"])


def test_confirming_records_a_receipt_as_it_was_proposed(api, proposal, hazelnuts, supplier):
    body = {"performed_at": MORNING.isoformat(), "material": str(hazelnuts.pk), "id": new_id()}
    answer = api.send(f"proposed-receipts/{proposal.pk}/confirmed", body)
    assert answer.status_code == 201, answer.content
    assert (answer.json()["state"], answer.json()["receipt"]) == ("confirmed", body["id"])
    lot = Lot.objects.select_related("state").get(uid=body["id"])
    assert (lot.state.supplier_code, lot.state.on_hand, lot.state.status) == ("N-77", 25_000_000, "awaiting")
    assert (lot.state.best_before, lot.state.supplier) == (date(2026, 9, 1), supplier)
    assert Movement.objects.get().document == "D-1"


def test_whoever_confirms_says_what_really_came(api, proposal, sugar):
    body = {"performed_at": MORNING.isoformat(), "material": str(sugar.pk), "quantity": "24.5", "unit": "KGM"}
    assert api.send(f"proposed-receipts/{proposal.pk}/confirmed", body).status_code == 201
    movement = Movement.objects.select_related("lot").get()
    assert (movement.quantity, movement.lot.material_id) == (24_500_000, sugar.pk)
    proposal.refresh_from_db()
    assert proposal.said["read"]["quantity"] == "25"


def test_the_same_answer_again_is_the_same_receipt(api, proposal, hazelnuts):
    body = {"performed_at": MORNING.isoformat(), "material": str(hazelnuts.pk), "id": new_id()}
    codes = [api.send(f"proposed-receipts/{proposal.pk}/confirmed", body).status_code for _ in range(2)]
    assert codes == [201, 200]
    assert (Movement.objects.count(), ProposalAnswer.objects.count()) == (1, 1)


def test_a_second_receipt_of_one_proposal_is_refused_and_none_is_kept(act, proposal, hazelnuts):
    proposing.confirm(act=act(), proposal=proposal, material=hazelnuts)
    with pytest.raises(RuleBroken):
        proposing.confirm(act=act(), proposal=proposal, material=hazelnuts)
    with pytest.raises(RuleBroken):
        proposing.decline(act=act(), proposal=proposal, because="twice")
    assert Movement.objects.count() == 1


def test_without_a_material_it_is_asked_for(act, proposal):
    with pytest.raises(Unusable) as refusal:
        proposing.confirm(act=act(), proposal=proposal)
    assert refusal.value.code == "which-material"
    assert not Movement.objects.exists()


def test_declining_says_why_and_goods_that_come_after_all_can_be_confirmed(act, api, proposal, hazelnuts):
    with pytest.raises(Unusable):
        proposing.decline(act=act(), proposal=proposal, because=" ")
    proposing.decline(act=act(), proposal=proposal, because="Never came.")
    shown = api.ask(f"proposed-receipts/{proposal.pk}").json()
    assert (shown["state"], shown["declined_because"]) == ("declined", "Never came.")
    proposing.confirm(act=act(), proposal=proposal, material=hazelnuts)
    assert api.ask(f"proposed-receipts/{proposal.pk}").json()["state"] == "confirmed"


def test_a_receipt_that_is_withdrawn_leaves_its_proposal_awaiting(act, api, proposal, hazelnuts):
    receipt = proposing.confirm(act=act(), proposal=proposal, material=hazelnuts).receipt
    withdraw(act=act(corrects=receipt.pk, reason="another pallet", withdraws=True))
    assert proposing.states([proposal])[proposal.pk].state == "awaiting"
    states = {
        each["id"]: each["state"] for each in api.ask("proposed-receipts", state="awaiting").json()["results"]
    }
    assert states[str(proposal.pk)] == "awaiting"
    assert proposing.confirm(act=act(), proposal=proposal, material=hazelnuts).number == 2


def test_the_list_tells_what_awaits_an_answer_in_few_statements(act, api, proposal, hazelnuts, post):
    proposing.confirm(act=act(), proposal=proposal, material=hazelnuts)
    post(HEAD + "D-8,HAZ,,N-1,1,kg,\n")

    def asked():
        with CaptureQueriesContext(connection) as queries:
            found = api.ask("proposed-receipts", state="awaiting").json()["results"]
        return len(queries), len(found)

    few, one = asked()
    assert one == 2
    assert [
        len(api.ask("proposed-receipts", state=each).json()["results"]) for each in ("confirmed", "declined")
    ] == [1, 0]
    post(HEAD + "".join(f"D-9,HAZ,,N-{n},1,kg,\n" for n in range(10)))
    assert asked() == (few, 12)


def test_the_columns_are_told():
    assert [line.split(":")[0].split(" ")[0] for line in tables.told()] == list(tables.COLUMNS.known)
