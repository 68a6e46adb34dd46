"""EPCIS events: held against the standard's own schema, its context, and the reference generator of event hashes."""

import hashlib
import json
from functools import cache
from pathlib import Path
from uuid import uuid4

import pytest
from jsonschema import Draft7Validator, FormatChecker
from pyld import jsonld

from batches import own_addresses, shipping, storing, using
from batches.movements import withdraw
from config.api.refusals import Unusable
from ledger.gs1_keys import check_gtin
from reports.exchange import events
from reports.exchange.events import Moved, Told, Wrong
from reports.exchange.identifying import Identifiers
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.batches.conftest import HOUR, MORNING
from tests.conftest import NOON, unknown_id

SCHEMA = Path(__file__).parent / "epcis" / "EPCISDocument.schema.json"
SCHEMA_HASH = "70b7ecb60eb605c6edd230761557763e4d470333510d28619291476de635bf20"
CBV = "https://ref.gs1.org/cbv/"
IDS = Identifiers("https://sweets.example/at/x", "p-1")
OURS = Identifiers("https://sweets.example/at/x", "p-1", "9520123456788", ("952012",))


@cache
def schema() -> Draft7Validator:
    text = SCHEMA.read_bytes()
    assert hashlib.sha256(text).hexdigest() == SCHEMA_HASH
    return Draft7Validator(json.loads(text), format_checker=FormatChecker())


def faults(document):
    """What the published schema has against a document."""
    return [error.message[:200] for error in schema().iter_errors(document)]


def document_of(*found, ids=IDS):
    before, after = events.document(ids, "2026-03-02T12:00:00.000Z")
    return json.loads(before + ",".join(map(json.dumps, found)) + after)


def moved(what="shipped", **values):
    usual = {
        "uid": str(uuid4()),
        "what": what,
        "at": "2026-03-02T11:00:00.000Z",
        "offset": "+01:00",
        "lot": "260302-PIL/1",
        "product": "PIL",
        "gtin": "",
        "made_here": True,
        "rework": False,
        "base": 12_500_000,
        "counted": False,
        "brings": what in ("received", "made"),
        "supplier_lot": "N-77" if what == "received" else "",
        "best_before": "2026-06-01" if what in ("received", "made") else "",
        "batch": "B-PIL-1" if what in ("used", "made") else "",
        "to_place": "",
        "partner": "SHOP" if what in ("shipped", "returned", "received", "sent-back") else "",
        "partner_gln": "",
        "document": "note 88",
    }
    return Moved(**(usual | values))


def of(what, ids=IDS, **values):
    return events.of_movement(ids, moved(what, **values))


KINDS = (*events.STEPS, "used", "made")


# -- the standard's own schema --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "broken", [{"bizStep": "cooking"}, {"eventTime": "2026-03-02T11:00:00"}, {"action": "SEEN"}]
)
def test_the_schema_really_looks_at_words_and_times(broken):
    (event,) = of("shipped")
    assert faults(document_of(event)) == []
    assert faults(document_of(event | broken)) != []


def test_the_schema_really_looks_at_addresses():
    (event,) = of("shipped")
    event["quantityList"] = [{"epcClass": "LOT 1"}]
    assert faults(document_of(event)) != []


@pytest.mark.parametrize("what", KINDS)
def test_every_kind_of_movement_is_an_event_of_the_standard(what):
    for wrong in (None, Wrong("2026-03-03T11:00:00.000Z"), Wrong("2026-03-03T11:00:00.000Z", str(uuid4()))):
        assert faults(document_of(*of(what, wrong=wrong))) == []


def test_what_is_told_of_whole_lots_is_an_event_of_the_standard():
    lots = [IDS.lot("PIL", "1"), IDS.lot("PIL", "2")]
    for step, disposition in (*events.DECIDED.values(), ("packing", ""), ("holding", "recalled")):
        about = Told(
            str(uuid4()), "2026-03-02T11:00:00.000Z", "-09:30", lots, step, disposition, {"set": ["recalled"]}
        )
        assert faults(document_of(events.told(IDS, about))) == []


# -- JSON-LD --------------------------------------------------------------------------------------------


def offline(url, options=None):
    """The published context as the hash generator's package ships it; nothing is fetched."""
    from epcis_event_hash_generator.file_document_loader import file_document_loader

    assert url == events.CONTEXT
    return file_document_loader()(url)


def test_words_expand_to_the_vocabulary_by_the_published_context():
    """JSON-LD 1.1 expansion by pyld: no field is dropped, each word is an address of the Core Business Vocabulary."""
    receipt = of("received", supplier_lot="N 77")
    (expanded,) = jsonld.expand(document_of(*receipt), {"documentLoader": offline})
    named, came = expanded["https://ref.gs1.org/epcis/epcisBody"][0]["https://ref.gs1.org/epcis/eventList"]
    assert came["https://ref.gs1.org/epcis/bizStep"] == [{"@id": f"{CBV}BizStep-receiving"}]
    assert named["https://ref.gs1.org/epcis/disposition"] == [{"@id": f"{CBV}Disp-active"}]
    ilmd = named["https://ref.gs1.org/epcis/ilmd"][0]
    assert ilmd["urn:epcglobal:cbv:mda:lotNumber"] == [{"@value": "260302-PIL/1"}]
    assert ilmd["https://sweets.example/at/x/ns/supplierLot"] == [{"@value": "N 77"}]


# -- hashes ---------------------------------------------------------------------------------------------


def hashes(document):
    """By the reference package, epcis-event-hash-generator."""
    from epcis_event_hash_generator import hash_generator, json_to_py

    found = json_to_py.event_list_from_epcis_document_json(document)
    return hash_generator.epcis_hashes_from_events(found)


def test_an_error_declaration_leaves_the_event_as_it_was_by_its_reference_hash():
    """The hash covers everything but the event's id and the declaration, so both have the same."""
    first = moved("shipped")
    again = Moved(**(vars(first) | {"wrong": Wrong("2026-03-03T11:00:00.000Z", str(uuid4()))}))
    (before,), (after,) = events.of_movement(IDS, first), events.of_movement(IDS, again)
    assert before["eventID"] == after["eventID"]
    one, two = (hashes(document_of(each)) for each in (before, after))
    assert one == two
    assert one[0].startswith("ni:///sha-256;")
    assert one != hashes(document_of(*of("shipped", base=1_000_000)))


# -- identifiers ----------------------------------------------------------------------------------------


def test_a_lot_made_here_under_a_gtin_of_the_house_is_named_by_gs1_digital_link():
    """Canonical form with the lot in it: GS1 Digital Link, read in the standards body's own software."""
    gtin = check_gtin("9520123456788")
    assert OURS.lot("PIL", "L/7", gtin=gtin, made_here=True) == f"https://id.gs1.org/01/{gtin}/10/L%2F7"
    own = "https://sweets.example/at/x/class/PIL.L%2F7"
    assert OURS.lot("PIL", "L/7", gtin=gtin) == own
    assert OURS.lot("PIL", "L/7", gtin=gtin, made_here=True, rework=True) == own
    assert OURS.lot("PIL", "L/7", gtin=check_gtin("4012345123456"), made_here=True) == own
    assert IDS.lot("PIL", "L/7", gtin=gtin, made_here=True) == own


def test_a_wrong_check_digit_is_no_gtin():
    with pytest.raises(Unusable):
        check_gtin("9520123456789")


def test_an_own_address_of_a_lot_is_the_one_on_its_label(establishment, paste):
    from batches.own_addresses import of_lot, read_lot
    from reports.exchange.event_reading import identifiers

    address = identifiers(establishment).lot(paste.material.code, paste.code)
    assert address == of_lot(paste)
    assert read_lot(address).lot == paste.code


# -- amounts, times, corrections ------------------------------------------------------------------------


def test_amounts_are_kilograms_or_pieces_without_a_unit_and_never_bear_an_exponent():
    assert of("shipped")[0]["quantityList"][0] | {"epcClass": ""} == {
        "epcClass": "",
        "quantity": 12.5,
        "uom": "KGM",
    }
    assert of("shipped", base=7, counted=True)[0]["quantityList"][0]["quantity"] == 7
    assert "uom" not in of("shipped", base=7, counted=True)[0]["quantityList"][0]
    assert "e-" not in json.dumps(of("destroyed", base=1)[0]["quantityList"])


def test_a_record_that_never_happened_names_no_corrective_event():
    """EPCIS 2.0: did_not_occur goes with no corrective ids (read)."""
    said = of("shipped", wrong=Wrong("2026-03-03T11:00:00.000Z"))[0]["errorDeclaration"]
    assert said == {"declarationTime": "2026-03-03T11:00:00.000Z", "reason": "did_not_occur"}


def test_a_corrected_receipt_names_the_right_lot_event_in_its_place():
    first, second = str(uuid4()), str(uuid4())
    old, _ = of("received", uid=first, wrong=Wrong("2026-03-03T11:00:00.000Z", second))
    new, _ = of("received", uid=second)
    assert old["errorDeclaration"]["correctiveEventIDs"] == [new["eventID"]]


# -- from records ---------------------------------------------------------------------------------------


def read(answer):
    assert answer.status_code == 200, answer.content
    found = json.loads(b"".join(answer.streaming_content))
    assert faults(found) == []
    return found["epcisBody"]["eventList"]


def told(found):
    return [(each["type"], each.get("bizStep"), each.get("disposition")) for each in found]


@pytest.fixture
def day(act, paste, batch, make_pillows, release, customer):
    using.use(act=act(at=MORNING + HOUR), batch=batch, lot=paste, quantity="6", unit="KGM")
    lot = make_pillows(batch, act(at=MORNING + 2 * HOUR)).lot
    release(lot, at=NOON)
    shipping.ship(
        act=act(at=NOON + HOUR), lot=lot, customer=customer, quantity="10", unit="H87", document="note 88"
    )
    shipping.take_back(act=act(at=NOON + 2 * HOUR), lot=lot, customer=customer, quantity="2", unit="H87")
    storing.destroy(act=act(at=NOON + 3 * HOUR), lot=lot, quantity="2", unit="H87")
    return lot


def test_a_day_comes_as_events_in_the_order_of_work(api, paste, day):
    found = read(api.ask("events.jsonld"))
    assert told(found) == [
        ("ObjectEvent", "commissioning", "active"),
        ("ObjectEvent", "receiving", None),
        ("TransformationEvent", "creating_class_instance", None),
        ("TransformationEvent", "creating_class_instance", "active"),
        ("ObjectEvent", "shipping", "in_transit"),
        ("ObjectEvent", "receiving", "returned"),
        ("ObjectEvent", "destroying", "destroyed"),
        ("ObjectEvent", "inspecting", "conformant"),
        ("ObjectEvent", "inspecting", "conformant"),
    ]
    used, made = found[2], found[3]
    assert used["transformationID"] == made["transformationID"]
    assert used["inputQuantityList"][0]["quantity"] == 6
    assert made["outputQuantityList"][0]["quantity"] == 100
    assert found[1]["eventID"] == f"urn:uuid:{paste.uid}"
    assert (found[1]["eventTime"], found[1]["eventTimeZoneOffset"]) == ("2026-03-02T07:00:00.000Z", "+01:00")


def test_events_of_one_paper_are_what_went_with_it(api, day):
    (event,) = read(api.ask("events.jsonld", document="note 88"))
    assert event["bizStep"] == "shipping"
    assert event["bizTransactionList"][0]["bizTransaction"].endswith("/bt/note%2088")


def test_a_house_with_a_prefix_names_what_it_made_by_digital_link_and_what_came_by_its_own_address(
    api, establishment, paste, day, pillows
):
    gtin = check_gtin("9520123456788")
    for row, values in ((establishment, {"gs1_prefixes": ["952012"]}), (pillows, {"gtin": gtin})):
        for name, value in values.items():
            setattr(row, name, value)
        row.save()
    found = read(api.ask("traces/events.jsonld", lot=str(paste.uid), direction="forward"))
    lists = ("quantityList", "inputQuantityList", "outputQuantityList")
    named = {each["epcClass"] for event in found for name in lists for each in event.get(name, ())}
    assert named == {
        f"https://id.gs1.org/01/{gtin}/10/{day.code}",
        own_addresses.of_lot(paste),
    }


def test_a_trace_comes_as_events_of_what_it_reached(api, paste, day, receive):
    receive()
    found = read(api.ask("traces/events.jsonld", lot=str(day.uid), direction="back"))
    assert len(found) == 9
    assert read(api.ask("events.jsonld")) != found


def test_a_withdrawn_movement_comes_with_an_error_declaration(api, act, day):
    sent = day.movements.get(what="shipped")
    withdraw(act=act(corrects=sent.pk, reason="another pallet", withdraws=True))
    (event,) = [each for each in read(api.ask("events.jsonld")) if each.get("bizStep") == "shipping"]
    assert event["errorDeclaration"]["reason"] == "did_not_occur"
    assert event["eventID"] == f"urn:uuid:{sent.pk}"


def test_a_corrected_receipt_tells_both_as_they_were_written(api, act, receive, make_partner):
    first = receive()
    other = make_partner("Other Mill", is_supplier=True)
    second = receive(
        act(at=MORNING, corrects=first.pk, reason="wrong mill"), supplier=other, supplier_code="O-1"
    )
    found = read(api.ask("events.jsonld"))
    named = {each["eventID"]: each["ilmd"]["own:supplierLot"] for each in found if "ilmd" in each}
    assert sorted(named.values()) == ["N-77", "O-1"]
    (wrong,) = [each for each in found if each["eventID"] == f"urn:uuid:{first.pk}"]
    assert wrong["errorDeclaration"]["correctiveEventIDs"] == [f"urn:uuid:{second.pk}"]


def test_a_held_lot_is_told_as_held(api, paste, release):
    release(paste, status="held", at=NOON)
    assert told(read(api.ask("events.jsonld", lot=str(paste.uid))))[-1] == (
        "ObjectEvent",
        "holding",
        "non_sellable_other",
    )


def test_nothing_of_people_recipes_or_private_contacts_is_in_events(api, day, customer, operator):
    customer.contact = customer.email = "private@example.org"
    customer.save()
    text = json.dumps(read(api.ask("events.jsonld")))
    assert "private@" not in text
    assert str(operator.pk) not in text
    assert operator.name not in text


@pytest.mark.parametrize(
    ("path", "asked", "status"),
    [
        ("events.jsonld", {"lot": unknown_id()}, 404),
        ("traces/events.jsonld", {"direction": "back"}, 400),
        ("traces/events.jsonld", {"direction": "back", "lot": unknown_id()}, 404),
    ],
)
def test_what_makes_no_sense_is_refused(api, path, asked, status):
    assert api.ask(path, **asked).status_code == status
