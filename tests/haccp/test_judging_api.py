"""Judging over HTTP: checks, deviations and the gates, and how many statements a check costs."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches.models import Batch, LotState
from haccp.api.checks import KeptReference
from haccp.models import Check, Deviation, Hold
from ledger.models import Person
from tests.conftest import NOON, PASSWORD, Client, new_id
from tests.haccp.conftest import HOUR, MINUTE, MORNING, SAMPLE

WHEN = NOON.isoformat()
POSTGRESQL = connection.vendor == "postgresql"


@pytest.fixture(autouse=True)
def _nothing_kept() -> Iterator[None]:
    """What one process keeps of written-once rows must not outlive a test's database."""
    KeptReference._rows.clear()
    yield
    KeptReference._rows.clear()


@pytest.fixture
def body(batch: Batch, point: Any, meter: Any) -> Callable[..., dict[str, Any]]:
    """A check of the water activity of a batch of caramels, at noon."""

    def make(value: str = "0.52", **values: Any) -> dict[str, Any]:
        reading = {"quantity": "water activity", "value": value, "unit": "C62", **SAMPLE}
        return {
            "performed_at": WHEN,
            "control_point": str(point("CP-AW-2").pk),
            "batch": str(batch.uid),
            "instrument": str(meter.pk),
            "readings": [reading],
        } | values

    return make


# --- checks


def test_a_check_is_judged_in_the_same_answer(api: Client, body: Any):
    answer = api.send("checks", body("0.70"))
    said = answer.json()
    assert (answer.status_code, said["result"]) == (201, "outside")
    assert said["readings"][0]["value"] == "0.70"
    assert "Stop, keep what it touched apart" in said["sentences"][0]
    assert Deviation.objects.get().subject == Check.objects.get().pk


def test_a_reading_says_the_temperature_of_the_sample_and_its_unit(api: Client, body: Any):
    reading = body()["readings"][0] | {"sample_temperature": "70", "sample_temperature_unit": "FAH"}
    answer = api.send("checks", body(readings=[reading]))
    assert answer.json()["readings"] == [reading]


def test_a_number_is_kept_digit_for_digit(api: Client, body: Any):
    raw = __import__("json").dumps(body()).replace('"0.52"', "0.520")
    answer = api.post(api.base + "checks", raw, content_type="application/json")
    assert answer.json()["readings"][0]["value"] == "0.520"


def test_a_repeated_check_answers_200(api: Client, body: Any):
    said = body("0.7", id=new_id())
    first, again = api.send("checks", said), api.send("checks", said)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json() == again.json()


def test_a_check_may_be_entered_for_another_member(api: Client, body: Any, lead: Person, operator: Person):
    said = api.send("checks", body(performed_by=str(lead.pk))).json()
    assert (said["performed_by"], said["recorded_by"]) == (str(lead.pk), str(operator.pk))


def test_checks_are_listed_newest_first_and_narrowed(api: Client, body: Any, begin: Any, measure: Any):
    first = api.send("checks", body()).json()["id"]
    other = measure(begin())
    assert [each["id"] for each in api.ask("checks").json()["results"]] == [str(other.pk), first]
    narrowed = api.ask("checks", batch=body()["batch"]).json()["results"]
    assert [each["id"] for each in narrowed] == [first]


def test_a_check_is_corrected_with_a_reason(api: Client, body: Any):
    first = api.send("checks", body()).json()["id"]
    assert api.send("checks", body("0.53", corrects=first)).status_code == 400
    assert api.send("checks", body("0.53", corrects=first, reason="Misread.")).status_code == 201


def test_a_check_is_withdrawn_and_due_again(api: Client, body: Any, batch: Batch):
    gone = api.send("checks", body()).json()["id"]
    assert due(api, batch, "CP-AW-2")["state"] == "made"
    said = {"id": new_id(), "performed_at": WHEN, "corrects": gone, "reason": "It was another batch."}
    answer = api.send("checks/withdrawn", said)
    assert (answer.status_code, answer.json()["withdrawn"], answer.json()["corrects"]) == (201, True, gone)
    assert due(api, batch, "CP-AW-2")["state"] == "waiting"
    assert api.send("checks/withdrawn", said).status_code == 200


def due(api: Client, batch: Batch, code: str) -> dict[str, Any]:
    found = api.ask(f"batches/{batch.uid}/due").json()
    return next(each for each in found if each["code"] == code)


def test_a_received_lot_is_checked_by_its_own(
    receipt_document: Any, api: Client, plan_version: Any, receive: Any, nuts: Any, point: Any
):
    lot = receive(material=nuts)
    said = {
        "performed_at": WHEN,
        "control_point": str(point("CP-NUT-1").pk),
        "lot": str(lot.uid),
        "readings": [{"quantity": "bags", "outcome": "torn"}],
    }
    assert api.send("checks", said).json()["result"] == "outside"
    assert LotState.objects.get(lot=lot).status == "held"


# --- many at once


def test_each_of_many_checks_answers_for_itself(api: Client, body: Any):
    same = new_id()
    items = [
        body(id=same),
        body("0.7"),
        body("NaN"),
        body(batch=new_id()),
        body(performed_at="yesterday"),
        body(id=same),
    ]
    answers = api.send("checks/many", {"items": items}).json()["answers"]
    assert [each["status"] for each in answers] == [201, 201, 400, 404, 400, 200]
    assert answers[2]["problem"]["errors"][0]["field"] == "readings.0.value"
    assert Check.objects.count() == 2


def test_more_than_the_most_items_are_refused(api: Client, body: Any):
    assert api.send("checks/many", {"items": [body()] * 201}).status_code == 400
    assert not Check.objects.exists()


# --- how many statements


def warm(api: Client, body: Any) -> None:
    """The process has seen the control point before, as it has after the first check of its life."""
    assert api.send("checks", body()).status_code == 201


@pytest.mark.django_db(transaction=True)
def test_a_check_within_limits_costs_at_most_eight_statements(api: Client, body: Any):
    """Counted by Django as it sends them, BEGIN and COMMIT included: here no test transaction stands around it.

    Token with person and roles, batch, instrument, BEGIN, rules, insert, COMMIT; SQLite looks for the id first.
    On a connection kept from an earlier request one more asks whether it still answers.
    """
    warm(api, body)
    said = body()
    with CaptureQueriesContext(connection) as seen:
        answer = api.send("checks", said)
    assert answer.json()["result"] == "within"
    statements = [each["sql"] for each in seen.captured_queries]
    assert len([sql for sql in statements if sql.startswith(("BEGIN", "COMMIT"))]) == 2
    assert len(statements) + 1 <= 8 + (not POSTGRESQL), statements


@pytest.mark.django_db(transaction=True)
def test_a_check_of_a_part_costs_no_more(api: Client, body: Any, batch: Batch, open_part: Any):
    said = body(part=str(open_part(batch, 1).pk))
    api.send("checks", said)
    with CaptureQueriesContext(connection) as seen:
        assert api.send("checks", said).status_code == 201
    assert len(seen) + 1 <= 8 + (not POSTGRESQL)


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(not POSTGRESQL, reason="SQLite has no wire")
def test_what_goes_over_the_wire_is_at_most_eight_statements(api: Client, body: Any, tmp_path: Any):
    """Counted by libpq itself (PQtrace), with the question whether a kept connection still answers."""
    warm(api, body)
    connection.close_at = None  # a long run would otherwise outlive it, and what is traced would be closed
    wire, said = connection.connection.pgconn, body()
    connection.close_if_unusable_or_obsolete()  # as a new request does on a kept connection
    with open(tmp_path / "trace", "w") as trace:
        wire.trace(trace.fileno())
        answer = api.send("checks", said)
        wire.untrace()
    lines = [line for line in (tmp_path / "trace").read_text().splitlines() if "\tF\t" in line]
    sent = [line for line in lines if "\tQuery\t" in line or "\tExecute\t" in line]
    assert answer.json()["result"] == "within"
    assert any("SELECT 1" in line for line in sent)
    assert any("COMMIT" in line for line in sent)
    assert len(sent) <= 8, sent


@pytest.mark.django_db(transaction=True)
def test_many_checks_cost_the_same_number_of_statements_as_few(api: Client, body: Any):
    warm(api, body)
    counts = []
    for number in (5, 50):
        items = [body(f"0.5{index:02}") for index in range(number)]
        with CaptureQueriesContext(connection) as seen:
            answers = api.send("checks/many", {"items": items}).json()["answers"]
        assert {each["status"] for each in answers} == {201}
        counts.append(len(seen))
    assert counts[0] == counts[1]


# --- deviations and the gates


def test_a_deviation_is_answered_decided_and_closed(
    api: Client, lead_api: Client, batch: Batch, make_lot: Any
):
    lot = make_lot(batch)
    said = {
        "performed_at": WHEN,
        "title": "A corner is missing.",
        "hold": {"kind": "batch", "subject": str(batch.uid)},
    }
    case = api.send("deviations", said).json()
    path = f"deviations/{case['id']}"
    assert lead_api.ask(path).json()["lots_to_decide"] == [str(lot.uid)]
    for question in ("put-right", "cause", "prevention"):
        assert (
            api.send(f"{path}/answers", {"performed_at": WHEN, "question": question, "text": "x"}).status_code
            == 201
        )
    decision = {"performed_at": WHEN, "lot": str(lot.uid), "decision": "release", "because": "Found whole."}
    assert lead_api.send(f"{path}/dispositions", decision).status_code == 201
    assert lead_api.send(f"{path}/closing", {"performed_at": WHEN, "password": PASSWORD}).status_code == 201
    whole = lead_api.ask(path).json()
    assert (whole["closed"], whole["lots_to_decide"], len(whole["answers"])) == (True, [], 3)


def test_open_and_closed_deviations_are_told_apart(api: Client, act: Any, settle: Any):
    from haccp import deviations

    closed, still = (deviations.report(act=act(), title=title) for title in ("One", "Two"))
    settle(closed)
    assert [each["id"] for each in api.ask("deviations", open="true").json()["results"]] == [str(still.pk)]
    assert [each["id"] for each in api.ask("deviations", open="false").json()["results"]] == [str(closed.pk)]
    assert api.ask("deviations", open="perhaps").status_code == 400


def test_a_further_hold_that_is_repeated_is_one_hold(api: Client, act: Any, batch: Batch):
    from haccp import deviations

    case = deviations.report(act=act(), title="One")
    said = {"id": new_id(), "performed_at": WHEN, "hold": {"kind": "batch", "subject": str(batch.uid)}}
    codes = [api.send(f"deviations/{case.pk}/holds", said).status_code for _ in range(2)]
    assert (codes, Hold.objects.count()) == ([201, 200], 1)


def test_a_batch_begins_and_its_lot_is_released(
    api: Client,
    lead_api: Client,
    caramel_recipe: Any,
    plan_version: Any,
    make_lot: Any,
    end: Any,
    check_all: Any,
):
    said = {
        "performed_at": MORNING.isoformat(),
        "recipe_version": str(caramel_recipe.pk),
        "quantity": "6",
        "unit": "KGM",
    }
    answer = api.send("batches", said)
    assert (answer.status_code, answer.json()["warnings"]) == (201, [])
    batch = Batch.objects.get(uid=answer.json()["id"])
    lot = make_lot(batch, at=MORNING + 50 * MINUTE)
    end(batch, at=MORNING + HOUR)
    check_all(batch)
    release = lead_api.send(f"lots/{lot.uid}/releases", {"performed_at": WHEN, "password": PASSWORD})
    assert release.status_code == 201
    assert len(release.json()["basis"]["checks"]) == 9


def test_a_batch_that_runs_already_is_taken(api: Client, caramel_recipe: Any):
    said = {
        "performed_at": MORNING.isoformat(),
        "recipe_version": str(caramel_recipe.pk),
        "quantity": "6",
        "unit": "KGM",
        "already_happened": True,
    }
    answer = api.send("batches", said)
    assert (answer.status_code, answer.json()["warnings"][0]["code"]) == (201, "no-plan")
    assert Deviation.objects.get().what == "emergency-start"


def test_a_minor_slip_is_noted(api: Client):
    said = {"performed_at": WHEN, "what": "Lid off", "done": "Put on", "no_impact_because": "Empty tub"}
    assert api.send("corrections", said).status_code == 201
