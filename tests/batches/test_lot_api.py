"""Lots, movements and traces over HTTP: what is answered, and what bad input gets."""

import json
from urllib.parse import parse_qs, urlsplit

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches.flags import Flag
from batches.models import Lot, LotState, Movement
from ledger.models import Entry, Person
from tests.conftest import new_id, unknown_id

AT = "2026-03-02T12:00:00+01:00"


@pytest.fixture
def delivery(hazelnuts, supplier):
    return {
        "material": str(hazelnuts.pk),
        "supplier": str(supplier.pk),
        "supplier_code": "N-77",
        "quantity": "10",
        "unit": "KGM",
        "performed_at": AT,
    }


@pytest.fixture
def weighing(paste, batch):
    return {
        "lot": str(paste.uid),
        "batch": str(batch.uid),
        "quantity": "2.5",
        "unit": "KGM",
        "performed_at": AT,
    }


class Written:
    """Whether anything was written since ``start``: entries of the ledger, movements, lots."""

    def start(self):
        self.before = self.count()

    def check(self):
        assert self.count() == self.before

    def count(self):
        return Entry.objects.count(), Movement.objects.count(), Lot.objects.count()


@pytest.fixture
def nothing_is_written(db):
    return Written()


# -- deeds ------------------------------------------------------------------------------------------


def test_a_delivery_is_posted_and_its_lot_can_be_read(api, delivery):
    answer = api.send("movements/received", delivery)
    assert (answer.status_code, answer.data["what"], answer.data["effect"]) == (201, "received", 10_000_000)
    lot = api.ask(f"lots/{answer.data['lot']}").data
    assert (lot["code"], lot["status"], lot["supplier_code"]) == ("HAZ-26061-1", "awaiting", "N-77")
    assert lot["on_hand"] == {"quantity": "10.000", "unit": "KGM"}


def test_a_delivery_sent_again_answers_what_is_stored(api, delivery):
    body = delivery | {"id": new_id()}
    first, again = api.send("movements/received", body), api.send("movements/received", body)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.data == again.data


def test_use_is_flagged_in_words(api, weighing):
    answer = api.send("movements/used", weighing | {"quantity": "11"})
    assert answer.status_code == 201
    assert answer.data["flags"] == [
        {
            "code": "more-than-on-hand",
            "detail": "More was taken from the lot than the records say was there.",
        }
    ]


def test_every_kind_of_movement_can_be_posted(
    api, delivery, weighing, pillows, customer, supplier, batch, make_place, release
):
    def send(what, **body):
        answer = api.send(f"movements/{what}", {"performed_at": AT} | body)
        assert answer.status_code == 201, answer.data
        return answer.data["lot"]

    place = str(make_place().pk)
    send("used", **weighing, recipe_line=1)
    made = send("made", batch=str(batch.uid), material=str(pillows.pk), quantity="100", unit="H87")
    release(Lot.objects.get(uid=made))
    pieces = {"lot": made, "unit": "H87", "quantity": "10"}
    send("moved", **pieces, to_place=place)
    send("shipped", **pieces, customer=str(customer.pk), document="note 1")
    send("returned", **pieces, customer=str(customer.pk), to_place=place)
    send("sampled", **pieces)
    send("destroyed", **pieces)
    send("counted", **pieces | {"quantity": "79"})
    send("sent-back", lot=weighing["lot"], quantity="1", unit="KGM", supplier=str(supplier.pk))
    whats = {row["what"] for row in api.ask("movements").data["results"]}
    assert whats == set(Movement.objects.values_list("what", flat=True))
    assert len(whats) == 10


def test_a_movement_is_withdrawn_with_a_reason(api, weighing, paste):
    used = api.send("movements/used", weighing).data
    body = {"corrects": used["id"], "reason": "Weighed, but not used.", "performed_at": AT}
    answer = api.send("movements/withdrawn", body)
    assert (answer.status_code, answer.data["withdrawn"]) == (201, True)
    assert api.ask("movements", lot=str(paste.uid), standing="true").data["results"][0]["what"] == "received"


def test_a_correction_over_http(api, weighing, paste):
    used = api.send("movements/used", weighing).data
    body = weighing | {"quantity": "2.6", "corrects": used["id"], "reason": "misread"}
    assert api.send("movements/used", body).status_code == 201
    assert LotState.objects.get(lot=paste).on_hand == 7_400_000
    again = api.send("movements/used", body)
    assert (again.status_code, again.data["type"]) == (409, "/api/problems/already-corrected")


def test_a_shipment_that_may_not_be_names_every_reason(api, paste, customer, release, nothing_is_written):
    release(paste, status="held")
    nothing_is_written.start()
    body = {"lot": str(paste.uid), "customer": str(customer.pk), "quantity": "11", "unit": "KGM"}
    answer = api.send("movements/shipped", body | {"performed_at": AT})
    assert (answer.status_code, answer.data["type"]) == (409, "/api/problems/may-not-ship")
    assert [reason["code"] for reason in answer.data["reasons"]] == ["not-released", "more-than-on-hand"]
    nothing_is_written.check()
    told = api.send("movements/shipped", body | {"performed_at": AT, "already_happened": True})
    assert Flag.SHIPPED_NOT_RELEASED in [flag["code"] for flag in told.data["flags"]]


# -- many at once -----------------------------------------------------------------------------------


def test_each_of_many_answers_for_itself(api, weighing, delivery):
    known = weighing | {"id": new_id()}
    api.send("movements/used", known)
    items = [
        {"what": "received", "movement": delivery},
        {"what": "used", "movement": known},
        {"what": "used", "movement": weighing | {"quantity": "NaN"}},
        {"what": "used", "movement": weighing | {"lot": unknown_id()}},
        {"what": "used", "movement": known | {"quantity": "3"}},
        {"what": "used", "movement": {}},
        {"what": "counted", "movement": {k: v for k, v in weighing.items() if k != "batch"}},
    ]
    answer = api.send("movements/many", {"items": items})
    assert [each["status"] for each in answer.data["answers"]] == [201, 200, 400, 404, 409, 400, 201]
    assert answer.data["answers"][2]["problem"]["errors"][0]["field"] == "quantity"
    assert answer.data["answers"][1]["movement"]["id"] == known["id"]
    assert Movement.objects.filter(what="used").count() == 1


def test_many_is_at_most_two_hundred(api):
    answer = api.send("movements/many", {"items": [{"what": "used", "movement": {}}] * 201})
    assert answer.status_code == 400


# -- bad input --------------------------------------------------------------------------------------

BAD = {
    "NaN": ({"quantity": "NaN"}, 400, "not-a-number", "quantity"),
    "Infinity": ({"quantity": "Infinity"}, 400, "not-a-number", "quantity"),
    "1e309": ({"quantity": "1e309"}, 400, "not-a-number", "quantity"),
    "a truth value": ({"quantity": True}, 400, "not-text", "quantity"),
    "nothing": ({"quantity": ""}, 400, "number-missing", "quantity"),
    "negative": ({"quantity": "-1"}, 400, "negative", "quantity"),
    "zero": ({"quantity": "0"}, 400, "not-positive", "quantity"),
    "too many digits": ({"quantity": "1" * 16}, 400, "too-many-digits", "quantity"),
    "more than can be kept": ({"quantity": "9" * 15}, 400, "too-large", "quantity"),
    "quantity missing": ({"quantity": None}, 400, "invalid", "quantity"),
    "unit missing": ({"unit": None}, 400, "invalid", "unit"),
    "unit unknown": ({"unit": "STN"}, 400, "unknown-unit", "unit"),
    "unit that does not convert": ({"unit": "CEL"}, 400, "unknown-unit", "unit"),
    "mass in pieces": ({"unit": "H87"}, 400, "unit-does-not-convert", "unit"),
    "a volume without a density": ({"unit": "LTR"}, 400, "needs-density", "unit"),
    "lot unknown": ({"lot": unknown_id()}, 404, "not-found", "lot"),
    "lot no uuid": ({"lot": "7"}, 400, "invalid", "lot"),
    "batch unknown": ({"batch": unknown_id()}, 404, "not-found", "batch"),
    "part unknown": ({"part": unknown_id()}, 404, "not-found", "part"),
    "place unknown": ({"from_place": unknown_id()}, 404, "not-found", "from_place"),
    "line unknown": ({"recipe_line": 9}, 404, "not-found", "recipe_line"),
    "note too long": ({"note": "x" * 4001}, 400, "invalid", "note"),
    "U+0000": ({"note": "a\x00b"}, 400, "invalid", "note"),
    "half a surrogate pair": ({"note": "a\ud800b"}, 400, "invalid", "note"),
    "no offset": ({"performed_at": "2026-03-02T12:00:00"}, 400, "invalid", "performed_at"),
    "correction without a reason": ({"corrects": unknown_id()}, 400, "invalid", "reason"),
    "correction of nothing": ({"corrects": unknown_id(), "reason": "x"}, 404, "not-found", "corrects"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_names_the_field_and_writes_nothing(api, weighing, nothing_is_written, name):
    change, status, kind, field = BAD[name]
    body = {key: value for key, value in (weighing | change).items() if value is not None}
    nothing_is_written.start()
    raw = json.dumps(body)  # keeps half a pair as its escape
    answer = api.post(api.base + "movements/used", raw, content_type="application/json")
    assert (answer.status_code, answer.data["type"]) == (status, f"/api/problems/{kind}"), answer.data
    assert answer.data["errors"][0]["field"] == field
    nothing_is_written.check()


@pytest.mark.parametrize("text", ["1e309", "-1e309", "NaN", "Infinity"])
def test_numbers_that_are_none_are_refused_as_json_too(api, weighing, nothing_is_written, text):
    nothing_is_written.start()
    raw = json.dumps(weighing | {"quantity": "HERE"}).replace('"HERE"', text)
    answer = api.post(api.base + "movements/used", raw, content_type="application/json")
    assert answer.status_code == 400
    nothing_is_written.check()


@pytest.mark.parametrize(
    ("change", "status", "kind", "field"),
    [
        ({"supplier_code": "x" * 61}, 400, "unusable-value", "supplier_code"),
        ({"supplier_code": "a\x07b"}, 400, "invalid", "supplier_code"),
        ({"code": "haz 1"}, 400, "lot-code", "code"),
        ({"best_before": "2026-02-30"}, 400, "invalid", "best_before"),
        ({"document": "x" * 81}, 400, "invalid", "document"),
        ({"supplier": unknown_id()}, 404, "not-found", "supplier"),
        ({"material": unknown_id()}, 404, "not-found", "material"),
    ],
)
def test_a_bad_delivery_names_the_field_and_writes_nothing(
    api, delivery, nothing_is_written, change, status, kind, field
):
    nothing_is_written.start()
    answer = api.send("movements/received", delivery | change)
    assert (answer.status_code, answer.data["type"]) == (status, f"/api/problems/{kind}")
    assert answer.data["errors"][0]["field"] == field
    nothing_is_written.check()


def test_the_same_id_with_other_content_changes_nothing(api, delivery, nothing_is_written):
    body = delivery | {"id": new_id()}
    api.send("movements/received", body)
    nothing_is_written.start()
    answer = api.send("movements/received", body | {"supplier_code": "N-78"})
    assert (answer.status_code, answer.data["type"]) == (409, "/api/problems/same-id-other-content")
    nothing_is_written.check()


def test_another_establishments_lot_does_not_exist(client_of, elsewhere, weighing, paste):
    there = client_of(elsewhere_founder(elsewhere), elsewhere)
    assert there.ask(f"lots/{paste.uid}").status_code == 404
    assert there.ask(f"lots/{paste.uid}/forward").status_code == 404
    assert there.send("movements/used", weighing).status_code == 404
    assert there.ask("lots").data["results"] == []


def elsewhere_founder(elsewhere):
    return Person.objects.get(memberships__establishment=elsewhere, memberships__role="administrator")


# -- reading ----------------------------------------------------------------------------------------


def test_lots_are_found_by_material_status_suppliers_code_and_day(api, receive, release, sugar):
    first = receive(supplier_code="N-1").lot
    receive(material=sugar, supplier_code="N-2")
    release(first)
    for query in (
        {"material": str(first.material_id)},
        {"status": "released"},
        {"supplier_code": "N-1"},
        {"code": first.code},
    ):
        assert [lot["id"] for lot in api.ask("lots", **query).data["results"]] == [str(first.uid)], query
    assert len(api.ask("lots", day="2026-03-02").data["results"]) == 2
    assert api.ask("lots", day="2026-03-03").data["results"] == []


def test_a_filter_that_makes_no_sense_is_refused(api, establishment):
    for query in ({"status": "fine"}, {"day": "soon"}, {"material": "7"}):
        assert api.ask("lots", **query).status_code == 400


def test_lots_come_in_pages_by_key(api, receive):
    codes = [receive().lot.code for _ in range(5)]
    page, seen = api.ask("lots", limit=2).data, []
    while True:
        seen += [lot["code"] for lot in page["results"]]
        if page["next"] is None:
            break
        page = api.get(page["next"]).data
    assert seen == codes[::-1]


def test_lists_cost_the_same_for_one_as_for_twenty(api, receive):
    def cost(path):
        with CaptureQueriesContext(connection) as queries:
            assert api.ask(path).status_code == 200
        return len(queries)

    receive()
    alone = cost("lots"), cost("movements")
    for _ in range(19):
        receive()
    assert (cost("lots"), cost("movements")) == alone


def test_a_lot_tells_where_it_lies_and_what_was_decided(api, receive, release, make_place):
    place = make_place()
    lot = receive(to_place=place).lot
    release(lot)
    answer = api.ask(f"lots/{lot.uid}").data
    assert answer["places"] == [{"place": place.pk, "quantity": "10.000", "unit": "KGM"}]
    assert [decision["status"] for decision in answer["decisions"]] == ["released"]
    here = api.ask(f"storage-places/{place.pk}/stock").data
    assert [(row["code"], row["quantity"]) for row in here["lots"]] == [(lot.code, "10.000")]


def test_a_trace_over_http(api, weighing, pillows, batch, paste, customer, release):
    api.send("movements/used", weighing)
    body = {"batch": str(batch.uid), "material": str(pillows.pk), "quantity": "100", "unit": "H87"}
    made = api.send("movements/made", body | {"performed_at": AT}).data["lot"]
    release(Lot.objects.get(uid=made))
    body = {"lot": made, "customer": str(customer.pk), "quantity": "40", "unit": "H87", "performed_at": AT}
    api.send("movements/shipped", body)
    forward = api.ask(f"lots/{paste.uid}/forward").json()
    assert [(lot["id"], lot["share"], lot["on_hand"]) for lot in forward["lots"]] == [
        (str(paste.uid), 1.0, "7.500"),
        (made, 1.0, "60"),
    ]
    assert forward["steps"] == [
        {
            "source": str(paste.uid),
            "target": made,
            "batch": str(batch.uid),
            "unit": "KGM",
            "quantity": "2.500",
            "used": "2.500",
            "share": 1.0,
            "exact_share": None,
        }
    ]
    assert [(each["partner_name"], each["quantity"]) for each in forward["consignments"]] == [
        ("Nut Mill North", "10.000"),
        (customer.name, "40"),
    ]
    assert (forward["whereabouts"]["came"], forward["whereabouts"]["gap"]) == ("10.000", "0.000")
    back = api.ask(f"lots/{made}/back").json()
    assert back["whereabouts"] is None
    assert [lot["supplier_code"] for lot in back["lots"] if lot["supplier"]] == ["N-77"]


def test_a_trace_comes_in_pages_that_hold_every_lot_and_step_once(api, weighing, batch, paste, make_pillows):
    api.send("movements/used", weighing)
    made = [str(make_pillows(batch).lot.uid) for _ in range(3)]
    page, lots, steps = api.ask(f"lots/{paste.uid}/whole", limit=2).json(), [], []
    while True:
        assert page["size"] == {"lots": 4, "steps": 3, "depth": 1, "mixes": 0, "taken_as": 0}
        lots += [lot["id"] for lot in page["lots"]]
        steps += [step["target"] for step in page["steps"]]
        if page["next"] is None:
            break
        page = api.get(page["next"]).json()
    assert (lots, steps) == ([str(paste.uid), *made], made)


def test_a_cursor_of_another_trace_is_refused(api, weighing, batch, paste, make_pillows):
    api.send("movements/used", weighing)
    made = make_pillows(batch).lot
    following = api.ask(f"lots/{paste.uid}/forward", limit=1).json()["next"]
    cursor = parse_qs(urlsplit(following).query)["cursor"][0]
    answer = api.ask(f"lots/{made.uid}/back", cursor=cursor)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "cursor")


def test_a_trace_that_changed_between_two_pages_is_begun_again(api, weighing, batch, paste, make_pillows):
    api.send("movements/used", weighing)
    make_pillows(batch)
    first = api.ask(f"lots/{paste.uid}/forward", limit=1).json()
    assert api.get(first["next"]).status_code == 200
    make_pillows(batch)
    answer = api.get(first["next"])
    assert (answer.status_code, answer.json()["type"]) == (409, "/api/problems/trace-changed")
    assert "2 lots and 1 step" in answer.json()["detail"]
    assert "3 lots and 2 steps" in answer.json()["detail"]
    assert "Ask for its first page again" in answer.json()["detail"]


@pytest.mark.parametrize("way", ["back", "forward", "whole"])
def test_a_trace_of_a_lot_that_does_not_exist_is_not_found(api, way):
    assert api.ask(f"lots/{unknown_id()}/{way}").status_code == 404


def test_the_openapi_document_shows_how_each_deed_is_posted(api):
    paths = api.get("/api/v1/openapi.json?format=json").json()["paths"]
    posts = [path for path, operations in paths.items() if "/movements/" in path and "post" in operations]
    assert len(posts) == 12
    for path in posts:
        media = paths[path]["post"]["requestBody"]["content"]["application/json"]
        assert "examples" in media or path.endswith("many")


def test_a_correction_names_what_it_corrects(api, weighing):
    first = api.send("movements/used", weighing).data
    body = weighing | {"corrects": first["id"], "reason": "misread"}
    assert api.send("movements/used", body).json()["corrects"] == first["id"]
    assert api.ask("movements").json()["results"][0]["corrects"] == first["id"]
