"""What bad input gets over HTTP, and the rows the database itself refuses."""

from collections.abc import Callable
from typing import Any

import pytest

from batches.models import Batch, Lot
from haccp import deviations
from haccp.deviations import Touched
from haccp.models import (
    Deviation,
    Instrument,
)
from ledger import people
from ledger.models import Entry, Establishment, Person
from tests.conftest import NOON, PASSWORD, Client, new_id, unknown_id
from tests.haccp.conftest import SAMPLE

WHEN = NOON.isoformat()


def problem(answer: Any) -> tuple[int, str, set[str]]:
    """Status, type and fields of a problem answer."""
    assert answer["Content-Type"].startswith("application/problem+json"), answer.content
    said = answer.json()
    fields = {each["field"] for each in said.get("errors", [])}
    return answer.status_code, said["type"].rsplit("/", 1)[1], fields


def written() -> int:
    return Entry.objects.count()


@pytest.fixture
def foreign(elsewhere: Establishment) -> Instrument:
    return Instrument.objects.create(
        establishment=elsewhere, code="I", name="Theirs", kind="water activity meter", unit="C62"
    )


@pytest.fixture
def body(batch: Batch, point: Any, meter: Any) -> Callable[..., dict[str, Any]]:
    def make(reading: dict[str, Any] | None = None, **values: Any) -> dict[str, Any]:
        usual = {"quantity": "water activity", "value": "0.52", "unit": "C62", **SAMPLE} | (reading or {})
        said = {
            "performed_at": WHEN,
            "control_point": str(point("CP-AW-2").pk),
            "batch": str(batch.uid),
            "instrument": str(meter.pk),
            "readings": [{name: value for name, value in usual.items() if value is not None}],
        }
        return said | values

    return make


# --- checks: what is read

VALUE, UNIT = "readings.0.value", "readings.0.unit"
READINGS: list[Any] = [
    ({"value": "NaN"}, "not-a-number", VALUE),
    ({"value": "Infinity"}, "not-a-number", VALUE),
    ({"value": "-inf"}, "not-a-number", VALUE),
    ({"value": "1e309"}, "not-a-number", VALUE),
    ({"value": "0,5"}, "not-a-number", VALUE),
    ({"value": "half"}, "not-a-number", VALUE),
    ({"value": "9" * 200}, "invalid", VALUE),
    ({"value": True}, "invalid", VALUE),
    ({"value": {"a": 1}}, "invalid", VALUE),
    ({"value": None}, "one-way-to-say-it", VALUE),
    ({"value": "0.5", "outcome": "amber"}, "one-way-to-say-it", VALUE),
    ({"value": None, "unit": None, "outcome": "amber"}, "value-missing", VALUE),
    ({"unit": None}, "missing", UNIT),
    ({"unit": "XYZ"}, "unknown-unit", UNIT),
    ({"unit": "CEL"}, "unit-does-not-convert", UNIT),  # does not convert
    ({"unit": "c62"}, "unknown-unit", UNIT),
    ({"quantity": "colour"}, "readings", "readings.0.quantity"),
    ({"quantity": ""}, "invalid", "readings.0.quantity"),
    ({"method": "x" * 121}, "invalid", "readings.0.method"),
    ({"method": "a\x07b"}, "invalid", "readings.0.method"),
    (
        {"sample_temperature": "NaN", "sample_temperature_unit": "CEL"},
        "not-a-number",
        "readings.0.sample_temperature",
    ),
    (
        {"sample_temperature": "20", "sample_temperature_unit": "MIN"},
        "unit-does-not-convert",
        "readings.0.sample_temperature_unit",
    ),
]


@pytest.mark.parametrize(("reading", "kind", "field"), READINGS)
def test_a_reading_that_cannot_be_used_is_refused(
    api: Client, body: Any, reading: dict[str, Any], kind: str, field: str
):
    before = written()
    found = problem(api.send("checks", body(reading)))
    assert (found[0], found[1], field in found[2]) == (400, kind, True), found
    assert written() == before


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "1e309"])
def test_a_bare_number_that_is_none_is_refused(api: Client, body: Any, value: str):
    import json

    before, raw = written(), json.dumps(body()).replace('"0.52"', value)
    answer = api.post(api.base + "checks", raw, content_type="application/json")
    assert problem(answer)[0] == 400
    assert written() == before


def test_a_unit_that_does_not_convert_says_so(api: Client, body: Any):
    status, kind, fields = problem(api.send("checks", body({"unit": "CEL"})))
    assert (status, kind, fields) == (400, "unit-does-not-convert", {UNIT})


# --- checks: what they are made on

BODIES: list[Any] = [
    ({"control_point": unknown_id()}, 404, "not-found", "control_point"),
    ({"batch": unknown_id()}, 404, "not-found", "batch"),
    ({"part": unknown_id()}, 404, "not-found", "part"),
    ({"lot": unknown_id()}, 404, "not-found", "lot"),
    ({"instrument": unknown_id()}, 404, "not-found", "instrument"),
    ({"performed_by": unknown_id()}, 404, "not-found", "performed_by"),
    ({"corrects": unknown_id(), "reason": "x"}, 404, "not-found", "corrects"),
    ({"control_point": "CP-AW-2"}, 400, "invalid", "control_point"),
    ({"control_point": None}, 400, "invalid", "control_point"),
    ({"batch": None}, 400, "missing", "batch"),
    ({"instrument": None}, 400, "missing", "instrument"),
    ({"readings": []}, 400, "readings", "readings"),
    ({"readings": {}}, 400, "invalid", "readings"),
    ({"readings": ["0.5"]}, 400, "invalid", "readings.0"),
    ({"performed_at": "2026-03-02T12:00:00"}, 400, "invalid", "performed_at"),
    ({"performed_at": "soon"}, 400, "invalid", "performed_at"),
    ({"performed_at": "2026-03-02T06:59:00+01:00"}, 409, "outside-the-run", "performed_at"),
    ({"occasion": "x" * 41}, 400, "invalid", "occasion"),
    ({"note": "x" * 4001}, 400, "invalid", "note"),
    ({"place": "a\x00b"}, 400, "invalid", "place"),
    ({"id": "7"}, 400, "invalid", "id"),
]


@pytest.mark.parametrize(("values", "status", "kind", "field"), BODIES)
def test_a_check_that_cannot_be_is_refused(
    api: Client, body: Any, values: dict[str, Any], status: int, kind: str, field: str
):
    before = written()
    found = problem(api.send("checks", body(**values)))
    assert (found[0], found[1], field in found[2]) == (status, kind, True), found
    assert written() == before


def test_what_belongs_to_another_establishment_does_not_exist(
    api: Client, body: Any, foreign: Instrument, elsewhere: Establishment
):
    before = written()
    answer = api.send("checks", body(instrument=str(foreign.pk)))
    assert problem(answer) == (404, "not-found", {"instrument"})
    stranger = people.members(elsewhere).get()
    assert problem(api.send("checks", body(performed_by=str(stranger.pk)))) == (
        404,
        "not-found",
        {"performed_by"},
    )
    assert written() == before


def test_a_control_point_of_another_plan_version_is_refused(
    api: Client, body: Any, act: Any, lead: Person, plan: Any, proof: Any
):
    from tests.haccp.test_checks import redrafted

    body()
    newer = redrafted(act, lead, plan, proof).control_points.get(code="CP-AW-2")
    before = written()
    found = problem(api.send("checks", body(control_point=str(newer.pk))))
    assert found == (409, "other-plan-version", {"control_point"})
    assert written() == before


def test_a_kept_control_point_is_not_answered_to_another_establishment(
    api: Client, body: Any, client_of: Any, elsewhere: Establishment
):
    assert api.send("checks", body()).status_code == 201
    stranger = people.members(elsewhere).get()
    answer = client_of(stranger, elsewhere).send("checks", body())
    assert problem(answer) == (404, "not-found", {"control_point"})


def test_the_same_id_with_other_content_is_refused(api: Client, body: Any):
    key = new_id()
    api.send("checks", body(id=key))
    before = written()
    for other in (
        body({"value": "0.53"}, id=key),
        body({"value": "0.9"}, id=key),
        body({"value": "x"}, id=key),
    ):
        assert problem(api.send("checks", other))[:2] in (
            (409, "same-id-other-content"),
            (400, "unusable-value"),
        )
    assert problem(api.send("checks", body({"value": "0.53"}, id=key))) == (
        409,
        "same-id-other-content",
        {"id"},
    )
    assert written() == before


def test_a_record_is_corrected_once(api: Client, body: Any):
    first = api.send("checks", body()).json()["id"]
    api.send("checks", body({"value": "0.53"}, corrects=first, reason="Misread."))
    before = written()
    again = api.send("checks", body({"value": "0.54"}, corrects=first, reason="Misread."))
    assert problem(again) == (409, "already-corrected", {"corrects"})
    gone = api.send("checks/withdrawn", {"performed_at": WHEN, "corrects": first, "reason": "x"})
    assert problem(gone) == (409, "already-corrected", {"corrects"})
    assert written() == before


def test_a_withdrawal_names_a_check_and_a_reason(api: Client, body: Any):
    first = api.send("checks", body()).json()["id"]
    before = written()
    said = {"performed_at": WHEN, "corrects": first, "reason": "x"}
    assert problem(api.send("checks/withdrawn", said | {"corrects": unknown_id()})) == (
        404,
        "not-found",
        {"corrects"},
    )
    assert problem(api.send("checks/withdrawn", said | {"reason": ""})) == (400, "invalid", {"reason"})
    assert problem(api.send("checks/withdrawn", {"performed_at": WHEN, "reason": "x"})) == (
        400,
        "invalid",
        {"corrects"},
    )
    assert written() == before


# --- deviations and gates


@pytest.fixture
def case(act: Any, batch: Batch, make_lot: Any) -> Deviation:
    make_lot(batch)
    return deviations.report(act=act(), title="x", hold=Touched("batch", batch.uid))


DEVIATIONS: list[Any] = [
    ({"title": ""}, 400, "title"),
    ({"title": "x" * 301}, 400, "title"),
    ({"title": None}, 400, "title"),
    ({"hold": {"kind": "moon", "subject": unknown_id()}}, 400, "hold.kind"),
    ({"hold": {"kind": "lot", "subject": "7"}}, 400, "hold.subject"),
    ({"hold": {"kind": "lot", "subject": unknown_id()}}, 404, "hold.subject"),
    ({"hold": {"kind": "area", "subject": unknown_id()}}, 404, "hold.subject"),
    ({"hold": {"kind": "instrument", "subject": unknown_id()}}, 404, "hold.subject"),
]


@pytest.mark.parametrize(("values", "status", "field"), DEVIATIONS)
def test_a_report_that_cannot_be_is_refused(api: Client, values: Any, status: int, field: str):
    before = written()
    found = problem(api.send("deviations", {"performed_at": WHEN, "title": "x"} | values))
    assert (found[0], field in found[2]) == (status, True), found
    assert written() == before


def test_what_another_establishment_has_is_not_held(api: Client, foreign: Instrument):
    before = written()
    said = {"performed_at": WHEN, "title": "x", "hold": {"kind": "instrument", "subject": str(foreign.pk)}}
    assert problem(api.send("deviations", said)) == (404, "not-found", {"hold.subject"})
    assert written() == before


def test_a_wrong_password_closes_nothing(lead_api: Client, case: Deviation, act: Any, lead: Person):
    before = written()
    answer = lead_api.send(f"deviations/{case.pk}/closing", {"performed_at": WHEN, "password": "guess"})
    assert problem(answer) == (403, "wrong-password", {"password"})
    assert written() == before


def test_closing_too_early_lists_every_reason(lead_api: Client, case: Deviation):
    before = written()
    answer = lead_api.send(f"deviations/{case.pk}/closing", {"performed_at": WHEN, "password": PASSWORD})
    assert problem(answer)[:2] == (409, "not-closable")
    assert len(answer.json()["reasons"]) == 4
    assert all(reason["ids"] for reason in answer.json()["reasons"])
    assert written() == before


def test_an_operator_decides_and_closes_nothing(api: Client, case: Deviation):
    before, lot = written(), Lot.objects.get()
    said = {"performed_at": WHEN, "lot": str(lot.uid), "decision": "release", "because": "x"}
    assert problem(api.send(f"deviations/{case.pk}/dispositions", said))[0] == 403
    assert (
        problem(api.send(f"deviations/{case.pk}/closing", {"performed_at": WHEN, "password": PASSWORD}))[0]
        == 403
    )
    assert written() == before


def test_a_lot_that_is_not_here_is_not_decided(lead_api: Client, case: Deviation):
    before = written()
    said = {"performed_at": WHEN, "lot": unknown_id(), "decision": "release", "because": "x"}
    path = f"deviations/{case.pk}/dispositions"
    assert problem(lead_api.send(path, said)) == (404, "not-found", {"lot"})
    assert problem(lead_api.send(path, said | {"decision": "eat"}))[0] in (400, 404)
    assert written() == before


def test_a_question_that_is_none_is_refused(api: Client, case: Deviation):
    before = written()
    said = {"performed_at": WHEN, "question": "who", "text": "x"}
    assert problem(api.send(f"deviations/{case.pk}/answers", said)) == (400, "invalid", {"question"})
    assert problem(api.send(f"deviations/{case.pk}/answers", said | {"question": "cause", "text": " "})) == (
        400,
        "invalid",
        {"text"},
    )
    assert written() == before


@pytest.mark.parametrize("path", ["", "/holds", "/answers", "/dispositions", "/closing"])
def test_another_establishments_deviation_does_not_exist(
    case: Deviation, client_of: Any, elsewhere: Establishment, path: str
):
    stranger = client_of(people.members(elsewhere).get(), elsewhere)
    assert problem(stranger.ask(f"deviations/{case.pk}{path}"))[0] == 404


def test_a_held_lot_is_not_released(lead_api: Client, case: Deviation):
    before, lot = written(), Lot.objects.get()
    answer = lead_api.send(f"lots/{lot.uid}/releases", {"performed_at": WHEN, "password": PASSWORD})
    assert problem(answer)[:2] == (409, "may-not-release")
    codes = {reason["code"] for reason in answer.json()["reasons"]}
    assert {"open-deviation", "batch-running"} <= codes
    assert all(reason["ids"] and reason["detail"] for reason in answer.json()["reasons"])
    assert written() == before


def test_a_wrong_password_releases_nothing(lead_api: Client, receive: Any):
    lot = receive()
    before = written()
    answer = lead_api.send(f"lots/{lot.uid}/releases", {"performed_at": WHEN, "password": "guess"})
    assert problem(answer) == (403, "wrong-password", {"password"})
    assert written() == before


def test_nobody_releases_in_anothers_name(lead_api: Client, operator: Person, receive: Any):
    lot = receive()
    before = written()
    said = {"performed_at": WHEN, "password": PASSWORD, "performed_by": str(operator.pk)}
    assert problem(lead_api.send(f"lots/{lot.uid}/releases", said))[0] in (403, 409)
    assert written() == before


def test_another_establishments_lot_is_not_released(receive: Any, client_of: Any, elsewhere: Establishment):
    lot = receive()
    stranger = client_of(people.members(elsewhere).get(), elsewhere)
    answer = stranger.send(f"lots/{lot.uid}/releases", {"performed_at": WHEN, "password": PASSWORD})
    assert problem(answer)[0] == 404


STARTS: list[Any] = [
    ({"recipe_version": unknown_id()}, 404, "recipe_version"),
    ({"equipment": [unknown_id()]}, 404, "equipment"),
    ({"quantity": "NaN"}, 400, "quantity"),
    ({"quantity": "-6"}, 400, "quantity"),
    ({"quantity": "0"}, 400, "quantity"),
    ({"quantity": "1e309"}, 400, "quantity"),
    ({"unit": "XYZ"}, 400, "unit"),
    ({"unit": "MIN"}, 400, "unit"),
    ({"unit": ""}, 400, "unit"),
    ({"already_happened": "perhaps"}, 400, "already_happened"),
]


@pytest.mark.parametrize(("values", "status", "field"), STARTS)
def test_a_start_that_cannot_be_is_refused(
    api: Client, caramel_recipe: Any, plan_version: Any, values: Any, status: int, field: str
):
    before = written()
    said = {"performed_at": WHEN, "recipe_version": str(caramel_recipe.pk), "quantity": "6", "unit": "KGM"}
    found = problem(api.send("batches", said | values))
    assert found[0] == status, found
    assert any(each.startswith(field) for each in found[2]), found
    assert written() == before
    assert not Batch.objects.exists()


def test_a_start_without_a_plan_is_refused(api: Client, caramel_recipe: Any):
    before = written()
    said = {"performed_at": WHEN, "recipe_version": str(caramel_recipe.pk), "quantity": "6", "unit": "KGM"}
    answer = api.send("batches", said)
    assert problem(answer)[:2] == (409, "may-not-start")
    (reason,) = answer.json()["reasons"]
    assert (reason["code"], reason["ids"]) == ("no-plan", [str(caramel_recipe.material_id)])
    assert written() == before
