"""Verifying instruments over HTTP: recorded, looked up, and the checks in doubt beside what they come to."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches.models import Batch
from haccp.api.checks import KeptReference
from haccp.models import Deviation, Instrument, InstrumentVerification
from tests.conftest import NOON, Client, new_id
from tests.haccp.conftest import SAMPLE

POSTGRESQL = connection.vendor == "postgresql"
EARLY, LATE = NOON.replace(hour=7).isoformat(), NOON.replace(hour=18).isoformat()


@pytest.fixture(autouse=True)
def _nothing_kept() -> Iterator[None]:
    """What one process keeps of written-once rows must not outlive a test's database."""
    KeptReference._rows.clear()
    yield
    KeptReference._rows.clear()


@pytest.fixture
def body(meter: Instrument) -> Callable[..., dict[str, Any]]:
    """The meter over saturated sodium chloride in the morning: good, unless said otherwise."""

    def make(found: str = "0.751", **values: Any) -> dict[str, Any]:
        return {
            "performed_at": EARLY,
            "instrument": str(meter.pk),
            "method": "saturated-salt",
            "standard": "Salt jar 2",
            "unit": "C62",
            "salt": "NaCl",
            "temperature": "25",
            "as_found": found,
            "tolerance": "0.005",
            "covers_lower": "0.4",
            "covers_upper": "0.8",
        } | values

    return make


@pytest.fixture
def check(batch: Batch, point: Any, meter: Instrument) -> Callable[..., dict[str, Any]]:
    def make(value: str = "0.64") -> dict[str, Any]:
        return {
            "performed_at": NOON.isoformat(),
            "control_point": str(point("CP-AW-2").pk),
            "batch": str(batch.uid),
            "instrument": str(meter.pk),
            "readings": [{"quantity": "water activity", "value": value, "unit": "C62", **SAMPLE}],
        }

    return make


def test_a_verification_is_judged_in_the_same_answer(api: Client, body: Any):
    answer = api.send("instrument-verifications", body())
    said = answer.json()
    assert answer.status_code == 201
    assert (said["result"], said["error"], said["reference"]["value"]) == ("pass", "-0.0019", "0.7529")
    assert (said["as_found"], said["as_left"]) == ("0.751", "")


def test_a_repeated_verification_answers_200(api: Client, body: Any):
    said = body("0.73", id=new_id())
    first, again = (api.send("instrument-verifications", said) for _ in range(2))
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json() == again.json()


def test_a_number_that_is_none_names_its_field(api: Client, body: Any):
    answer = api.send("instrument-verifications", body("warm"))
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "as_found")
    assert not InstrumentVerification.objects.exists()


def test_verifications_are_listed_by_instrument(api: Client, body: Any, make_instrument: Any):
    other = make_instrument(unit="C62", range_lower=None, range_upper=None)
    api.send("instrument-verifications", body())
    mine = api.send("instrument-verifications", body(instrument=str(other.pk))).json()["id"]
    listed = api.ask("instrument-verifications", instrument=str(other.pk)).json()["results"]
    assert [each["id"] for each in listed] == [mine]


def test_the_checks_in_doubt_stand_beside_what_they_come_to(
    api: Client, body: Any, check: Any, make_lot: Any, batch: Batch
):
    """0.64 shown 0.0229 too low was 0.6629, above 0.65 (arithmetic)."""
    lot = make_lot(batch)
    made = api.send("checks", check()).json()
    failed = api.send("instrument-verifications", body("0.73", performed_at=LATE)).json()
    listed = api.ask(f"instrument-verifications/{failed['id']}/checks").json()["results"]
    case = api.ask(f"deviations/{Deviation.objects.get().pk}").json()
    assert failed["doubted"] == [made["id"]]
    assert (listed, case["in_doubt_count"]) == (case["in_doubt"], 1)
    (doubted,) = case["in_doubt"]
    assert (doubted["check"], doubted["lots"]) == (made["id"], [str(lot.uid)])
    assert (doubted["result"], doubted["now"], doubted["readings"][0]["error"]) == (
        "within",
        "outside",
        "-0.0229",
    )
    assert case["lots_to_decide"] == [str(lot.uid)]
    assert api.ask("checks").json()["results"] == [made]


def test_another_deviation_has_nothing_in_doubt(api: Client, check: Any):
    api.send("checks", check("0.7"))
    case = api.ask(f"deviations/{Deviation.objects.get().pk}").json()
    assert (case["in_doubt"], case["in_doubt_count"]) == ([], 0)


def test_a_verification_is_withdrawn_and_its_case_stays(api: Client, body: Any):
    gone = api.send("instrument-verifications", body("0.73")).json()["id"]
    said = {"id": new_id(), "performed_at": LATE, "corrects": gone, "reason": "Wrong jar."}
    answer = api.send("instrument-verifications/withdrawn", said)
    assert (answer.status_code, answer.json()["withdrawn"]) == (201, True)
    assert api.send("instrument-verifications/withdrawn", said).status_code == 200
    assert api.ask("deviations", open=True).json()["results"][0]["what"] == "instrument"
    assert api.ask(f"instrument-verifications/{answer.json()['id']}/checks").json()["results"] == []


def test_one_verification_is_shown(api: Client, body: Any):
    made = api.send("instrument-verifications", body()).json()
    assert api.ask(f"instrument-verifications/{made['id']}").json() == made
    assert api.ask(f"instrument-verifications/{new_id()}").status_code == 404
    assert api.ask(f"instrument-verifications/{new_id()}/checks").status_code == 404


def test_the_state_of_an_instrument_is_told_at_a_time(api: Client, body: Any, meter: Instrument):
    api.send("instrument-verifications", body())
    path = f"instruments/{meter.pk}/state"
    now, before = api.ask(path).json(), api.ask(path, at="2026-03-01T12:00:00+01:00").json()
    assert (now["state"], before["state"]) == ("verified", "never-verified")
    assert (now["speaking"][0]["lower"], now["speaking"][0]["upper"]) == ("0.4", "0.8")
    assert api.ask(path, at="yesterday").status_code == 400


def test_what_is_due_is_listed(api: Client, lead_api: Client, body: Any, meter: Instrument):
    assert api.ask("instruments/due").json() == []
    changed = lead_api.change(f"instruments/{meter.pk}", {"verify_every_days": 7}, meter.version)
    assert changed.json()["verify_every_days"] == 7
    assert [each["state"] for each in api.ask("instruments/due").json()] == ["never-verified"]
    api.send("instrument-verifications", body())
    assert [each["state"] for each in api.ask("instruments/due").json()] == ["overdue"]
    assert api.ask("instruments/due", within_days=-1).status_code == 400


@pytest.mark.django_db(transaction=True)
def test_a_check_with_a_verified_instrument_costs_no_more_statements(api: Client, body: Any, check: Any):
    assert api.send("instrument-verifications", body()).json()["result"] == "pass"
    assert api.send("checks", check()).json()["flags"] == []
    said = check()
    with CaptureQueriesContext(connection) as seen:
        answer = api.send("checks", said)
    assert (answer.json()["result"], answer.json()["flags"]) == ("within", [])
    statements = [each["sql"] for each in seen.captured_queries]
    assert len(statements) + 1 <= 8 + (not POSTGRESQL), statements
