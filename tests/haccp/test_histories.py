"""Histories of control points, read back through the API.

Outside check: the flow rates of the NIST/SEMATECH e-Handbook (6.3.2.2, individuals and moving range) and its EWMA
example, recorded here as checks; values and printed answers in science/tables/nist-spc.csv and nist-spc-answers.csv
(read). The same charts as pure computation: science/test_charts.py. The stirring is invented.
"""

from collections.abc import Callable
from datetime import datetime
from typing import Any
from xml.etree import ElementTree

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches.models import Batch
from haccp import checks, plans
from haccp.models import Check, ControlPoint, Deviation, Instrument, Plan, PlanVersion
from ledger import signatures
from tests.conftest import NOON, Client
from tests.haccp.conftest import HOUR, MINUTE, MORNING
from tests.haccp.science.tables import rows, series

CODE, ADDRESS = "CP-AW-2", "control-points/CP-AW-2/history"
STIRRED = {"kind": "range", "quantity": "stirring time", "unit": "MIN", "lower": "40", "upper": "60"}
COLOUR = {
    "kind": "observation",
    "quantity": "colour",
    "accepted": ["amber"],
    "outcomes": ["amber", "dark"],
    "reference": "our card of colours",
}
SITE = {"source": {"provenance": "site"}}
FLOW, SMOOTHED = series("imr_flow"), series("ewma")
STEADY = [50.0, 50.4, 49.8, 50.1, 49.7, 50.2, 49.9, 50.3, 50.0, 49.6, 50.1, 49.9]
SVG = "{http://www.w3.org/2000/svg}"


def printed(dataset: str, quantity: str) -> str:
    return next(
        row["published_answer"]
        for row in rows("nist-spc-answers")
        if row["dataset"] == dataset and row["quantity"].startswith(quantity)
    )


@pytest.fixture
def document(document: dict[str, Any]) -> dict[str, Any]:
    """The point that wants a water activity wants a time of stirring and a colour instead."""
    point = next(each for each in document["control_points"] if each["code"] == CODE)
    point["limits"] = [STIRRED | SITE, COLOUR | SITE]
    point["monitoring"]["instrument"] = "timer"
    return document


@pytest.fixture
def timer(make_instrument: Any) -> Instrument:
    return make_instrument(kind="timer", unit="MIN", expanded_uncertainty=None)


def reading(value: Any, colour: str = "amber", unit: str = "MIN") -> list[dict[str, str]]:
    stirred = {"quantity": "stirring time", "value": str(value), "unit": unit}
    return [stirred, {"quantity": "colour", "outcome": colour}]


@pytest.fixture
def record(act: Any, point: Any, timer: Instrument) -> Callable[..., list[Check]]:
    """One check a minute of a batch from ``at`` on, one for each value."""

    def do(batch: Batch, values: Any, at: datetime = MORNING, where: Any = None) -> list[Check]:
        subject = checks.Subject(where or point(CODE), batch=batch, instrument=timer)
        wanted = [
            checks.Wanted(act(at=at + count * MINUTE), subject, reading(value))
            for count, value in enumerate(values)
        ]
        answers = checks.record_many(wanted)
        assert all(isinstance(each, Check) for each in answers), answers
        return answers  # type: ignore[return-value]

    return do


def ask(api: Client, suffix: str = "", **query: Any) -> Any:
    return api.ask(ADDRESS + suffix, **({"quantity": "stirring time"} | query))


def told(api: Client, **query: Any) -> Any:
    answer = ask(api, **query)
    assert answer.status_code == 200, answer.content
    return answer.json()


def fields(answer: Any) -> set[str]:
    assert answer.status_code == 400, answer.content
    return {each["field"] for each in answer.json()["errors"]}


# -- the handbook's answers ---------------------------------------------------------------------------


def test_the_handbooks_flow_rates_come_back_with_the_handbooks_limits(api: Client, batch: Batch, record: Any):
    record(batch, FLOW)
    chart = told(api)["chart"]
    single, moving = chart["series"]
    assert [each["value"] for each in single["points"]] == FLOW
    assert single["centre"] == pytest.approx(float(printed("imr_flow", "mean")))
    assert single["points"][0]["upper"] == pytest.approx(float(printed("imr_flow", "UCL")), abs=5e-5)
    assert single["points"][0]["lower"] == pytest.approx(float(printed("imr_flow", "LCL")), abs=5e-5)
    assert moving["centre"] == pytest.approx(float(printed("imr_flow", "mean moving range")), abs=5e-5)
    assert (len(moving["points"]), chart["signals"]) == (len(FLOW) - 1, [])


def test_the_handbooks_averages_come_back_from_recorded_checks(api: Client, batch: Batch, record: Any):
    record(batch, SMOOTHED)
    chart = told(api, chart="ewma", target="50", sigma="2.0539", weight="0.3", width="3")["chart"]
    [line] = chart["series"]
    averages = [float(value) for value in printed("ewma", "EWMA 1..20").split()]
    assert [each["value"] for each in line["points"]] == pytest.approx(averages, abs=0.0051)
    assert line["points"][-1]["upper"] == pytest.approx(float(printed("ewma", "UCL")), abs=2e-4)
    assert line["points"][-1]["lower"] == pytest.approx(float(printed("ewma", "LCL")), abs=2e-4)
    assert (chart["signals"], chart["basis"]) == (
        [],
        "By what was given: sigma 2.0539, target 50, weight 0.3, width 3.",
    )


# -- what is read -------------------------------------------------------------------------------------


def test_a_reading_is_told_as_it_was_recorded(api: Client, batch: Batch, record: Any, timer: Any):
    [check] = record(batch, ["50.10"], at=NOON)
    [first] = told(api)["readings"]
    assert first == {
        "check": str(check.pk),
        "at": "2026-03-02T12:00:00+01:00",
        "batch": batch.code,
        "lot": "",
        "instrument": timer.code,
        "value": "50.1",
        "entered": "50.10",
        "entered_unit": "MIN",
        "result": "within",
        "must": "40 min or more and 60 min or less",
        "lower": {"value": "40", "inclusive": True, "source": "plan"},
        "upper": {"value": "60", "inclusive": True, "source": "plan"},
    }


def test_a_reading_in_another_unit_is_brought_to_the_limits(
    api: Client, act: Any, batch: Batch, point: Any, timer: Any
):
    subject = checks.Subject(point(CODE), batch=batch, instrument=timer)
    checks.record(act=act(), subject=subject, said=reading("3000", unit="SEC"))
    [first] = told(api)["readings"]
    assert (first["value"], first["entered"], first["entered_unit"]) == ("50", "3000", "SEC")


def test_readings_stand_in_the_order_of_the_work(api: Client, batch: Batch, record: Any):
    record(batch, ["51"], at=NOON)
    record(batch, ["50"], at=MORNING)
    assert [each["value"] for each in told(api)["readings"]] == ["50", "51"]


def test_a_corrected_reading_is_read_as_corrected_and_a_withdrawn_one_not_at_all(
    api: Client, act: Any, batch: Batch, record: Any, point: Any, timer: Any
):
    wrong, gone, _ = record(batch, ["50", "51", "52"])
    subject = checks.Subject(point(CODE), batch=batch, instrument=timer)
    checks.record(
        act=act(at=MORNING, corrects=wrong.pk, reason="Misread."), subject=subject, said=reading("53")
    )
    checks.withdraw(act=act(at=MORNING, corrects=gone.pk, reason="Another batch.", withdraws=True))
    assert [each["value"] for each in told(api)["readings"]] == ["53", "52"]


def test_what_is_no_plain_number_is_counted_apart(api: Client, batch: Batch, record: Any):
    record(batch, ["50", "<45", "51"])
    said = told(api)
    assert [each["value"] for each in said["readings"]] == ["50", "51"]
    assert [(each["why"], each["count"]) for each in said["apart"]] == [("below-detection", 1)]
    colour = told(api, quantity="colour")
    assert (colour["readings"], colour["unit"]) == ([], "")
    assert colour["apart"][0] == {
        "why": "no-number",
        "count": 3,
        "sentence": "3 readings said an outcome, a count or a course over time, not one number.",
    }
    assert "10 readings are needed, there are 0." in colour["chart"]["cannot"]


def test_a_history_goes_over_plan_versions_in_the_unit_of_the_newest(
    api: Client,
    act: Any,
    lead: Any,
    begin: Any,
    record: Any,
    plan: Plan,
    plan_version: Any,
    document: Any,
    timer: Any,
):
    record(begin(), ["50"])
    point = next(each for each in document["control_points"] if each["code"] == CODE)
    point["limits"][0] = (
        STIRRED | SITE | {"quantity": "Stirring  time", "unit": "SEC", "lower": "2700", "upper": "3300"}
    )
    plan.refresh_from_db()
    plans.redraft(act=act(lead), plan=plan, values={"draft": document})
    newer = plans.approve(act=act(lead, at=MORNING), plan=plan, proof=signatures.Proof(lead))
    batch = begin(at=MORNING + HOUR)
    checks.record(
        act=act(at=NOON),
        subject=checks.Subject(
            ControlPoint.objects.get(version=newer, code=CODE),
            batch=batch,
            instrument=timer,
        ),
        said=[
            {"quantity": "Stirring  time", "value": "3060", "unit": "SEC"},
            {"quantity": "colour", "outcome": "amber"},
        ],
    )
    said = told(api)
    assert (said["unit"], [each["value"] for each in said["readings"]]) == ("SEC", ["3000", "3060"])
    assert [each["lower"]["value"] for each in said["readings"]] == ["2400", "2700"]


# -- the period ---------------------------------------------------------------------------------------


def test_a_period_is_of_local_days(api: Client, begin: Any, record: Any):
    midnight = NOON + 12 * HOUR  # Tuesday begins here, while it is Monday in UTC
    record(begin(), ["50", "51"], at=midnight - MINUTE)
    days = {"from": "2026-03-03", "to": "2026-03-03"}
    assert [each["value"] for each in told(api, **days)["readings"]] == ["51"]
    assert [each["value"] for each in told(api, to="2026-03-02")["readings"]] == ["50"]


def test_a_period_may_be_the_last_checks(api: Client, batch: Batch, record: Any):
    record(batch, ["50", "51", "52"])
    said = told(api, last=2)
    assert [each["value"] for each in said["readings"]] == ["51", "52"]
    assert said["period"] == "The newest 2 checks; there are older ones"
    assert told(api, last=3)["period"] == "All checks"


def test_a_period_with_too_many_checks_is_refused_by_name(
    api: Client, batch: Batch, record: Any, monkeypatch: pytest.MonkeyPatch
):
    record(batch, ["50", "51", "52"])
    monkeypatch.setattr("haccp.histories.MOST", 2)
    assert fields(ask(api, **{"from": "2026-03-02"})) == {"from"}


# -- limits, signals, capability ----------------------------------------------------------------------


def test_too_few_readings_make_no_chart_and_no_number(api: Client, batch: Batch, record: Any):
    record(batch, STEADY[:9])
    chart = told(api)["chart"]
    assert chart["cannot"] == (
        "Individuals and moving range: cannot be computed. 10 readings are needed, there are 9. Go on recording."
    )
    assert (chart["series"], chart["sigma"], chart["capability"], chart["signals"]) == ([], None, None, [])


def test_readings_that_do_not_differ_make_no_chart(api: Client, batch: Batch, record: Any):
    record(batch, [50] * 12)
    assert "do not differ" in told(api)["chart"]["cannot"]


def test_a_signal_is_a_warning_and_opens_no_deviation(api: Client, batch: Batch, record: Any):
    found = record(batch, [*STEADY, 57])
    chart = told(api, baseline=12)["chart"]
    first = chart["signals"][0]
    assert (first["number"], first["series"], first["rule"]) == (1, "individuals", "WE1")
    assert (first["checks"], first["batch"]) == ([str(found[-1].pk)], batch.code)
    assert "not a deviation" in chart["warning"]
    assert "Tell the food-safety lead." in chart["next"]
    assert not Deviation.objects.exists()


def test_the_signal_of_a_moving_range_is_of_its_later_reading(api: Client, batch: Batch, record: Any):
    found = record(batch, [*STEADY, 57])
    moved = [each for each in told(api, baseline=12)["chart"]["signals"] if each["series"] == "moving range"]
    assert [(each["number"], each["checks"]) for each in moved] == [(1, [str(found[-1].pk)])]


def test_limits_follow_the_baseline_and_not_what_came_later(api: Client, batch: Batch, record: Any):
    record(batch, [*STEADY, 57, 57])
    chart = told(api, baseline=12)["chart"]
    assert chart["series"][0]["centre"] == pytest.approx(50)
    assert chart["basis"].startswith("Limits from the first 12 readings.")
    assert "no baseline was named" in told(api)["chart"]["basis"]


def test_a_baseline_may_be_local_days(api: Client, begin: Any, record: Any):
    batch = begin()
    record(batch, [45, 46])
    record(batch, STEADY, at=NOON + 24 * HOUR)
    chart = told(api, baseline_from="2026-03-03", baseline_to="2026-03-03")["chart"]
    assert chart["series"][0]["centre"] == pytest.approx(50)
    assert {each["number"] for each in chart["signals"]} >= {1, 2}
    assert chart["basis"].startswith("Limits from the 12 readings of the baseline, 2026-03-03 to 2026-03-03.")


def test_rules_may_be_nelsons(api: Client, batch: Batch, record: Any):
    record(batch, [*STEADY, 50.05, 50.1, 50.15, 50.2, 50.25, 50.3])
    assert {each["rule"] for each in told(api, baseline=12, rules="nelson")["chart"]["signals"]} == {"N3"}


def test_a_baseline_in_control_has_a_capability_with_its_interval(api: Client, batch: Batch, record: Any):
    record(batch, STEADY)
    chart = told(api)["chart"]
    cp, cpk = chart["capability"]["cp"], chart["capability"]["cpk"]
    assert cp["low"] < cp["value"] < cp["high"]
    assert cp["value"] == pytest.approx(20 / (6 * 0.236), rel=0.01)  # 40 to 60; s of the values by hand
    assert cpk["value"] == pytest.approx(cp["value"])  # the mean lies in the middle
    assert (
        "12 readings of the baseline against the bounds of the newest reading: 40 min or more"
        in chart["capable"]
    )
    wider = told(api, confidence="0.99")["chart"]["capability"]["cp"]
    assert wider["low"] < cp["low"]


def test_a_baseline_with_signals_has_no_capability_and_says_why(api: Client, batch: Batch, record: Any):
    record(batch, [*STEADY, 57])
    chart = told(api)["chart"]
    assert chart["capability"] is None
    assert "The baseline is not in control: look at its signals first (1" in chart["capable"]


# -- asking wrongly -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "named"),
    [
        ({"quantity": "pH"}, {"quantity"}),
        ({"chart": "pie"}, {"chart"}),
        ({"from": "2026-13-01"}, {"from"}),
        ({"from": "0001-01-01"}, {"from"}),
        ({"to": "9999-12-31"}, {"to"}),
        ({"from": "2026-03-03", "to": "2026-03-02"}, {"to"}),
        ({"last": "3", "to": "2026-03-02"}, {"last"}),
        ({"last": "0"}, {"last"}),
        ({"baseline": "9"}, {"baseline"}),
        ({"baseline": "12", "baseline_from": "2026-03-01"}, {"baseline"}),
        ({"baseline_from": "2026-03-03", "baseline_to": "2026-03-02"}, {"baseline_to"}),
        ({"confidence": "1"}, {"confidence"}),
        ({"target": "50"}, {"target"}),
        ({"chart": "xbar-r"}, {"subgroup_size"}),
        ({"chart": "ewma"}, {"target", "sigma", "weight", "width"}),
        ({"chart": "cusum", "target": "50", "slack": "1"}, {"decision"}),
        ({"chart": "ewma", "target": "50", "sigma": "0", "weight": "0.3", "width": "3"}, {"sigma"}),
        ({"chart": "ewma", "target": "50", "sigma": "1", "weight": "1.1", "width": "3"}, {"weight"}),
        ({"chart": "ewma", "target": "x", "sigma": "1", "weight": "0.3", "width": "3"}, {"target"}),
    ],
)
def test_a_parameter_that_cannot_be_used_is_named(
    api: Client, plan_version: PlanVersion, query: dict[str, str], named: set[str]
):
    assert fields(ask(api, **query)) == named


def test_a_quantity_must_be_named(api: Client, plan_version: PlanVersion):
    assert fields(api.ask(ADDRESS)) == {"quantity"}


@pytest.mark.parametrize("suffix", ["", ".svg"])
def test_a_control_point_that_is_not_here_is_not_found(
    client_of: Any, api: Client, plan_version: PlanVersion, elsewhere: Any, suffix: str
):
    founder = elsewhere.memberships.first().person
    asked = {"quantity": "stirring time"}
    assert client_of(founder, elsewhere).ask(ADDRESS + suffix, **asked).status_code == 404
    assert api.ask(f"control-points/CP-NO-1/history{suffix}", **asked).status_code == 404


def test_more_readings_cost_no_more_queries(api: Client, batch: Batch, record: Any):
    record(batch, STEADY)
    with CaptureQueriesContext(connection) as few:
        ask(api)
    record(batch, STEADY, at=NOON)
    with CaptureQueriesContext(connection) as many:
        assert len(told(api)["readings"]) == 24
    assert len(many) == len(few) <= 5


# -- the picture --------------------------------------------------------------------------------------


def picture(api: Client, **query: Any) -> ElementTree.Element:
    answer = ask(api, ".svg", **query)
    assert answer["Content-Type"] == "image/svg+xml; charset=utf-8"
    return ElementTree.fromstring(answer.content)


def written(root: ElementTree.Element) -> str:
    return " ".join(each.text or "" for each in root.iter(f"{SVG}text"))


def test_the_picture_has_a_mark_for_every_reading_and_a_diamond_for_every_signal(
    api: Client, batch: Batch, record: Any
):
    record(batch, [*STEADY, 57])
    root = picture(api, baseline=12)
    many = {tag: len(list(root.iter(f"{SVG}{tag}"))) for tag in ("circle", "polygon")}
    assert many == {"circle": 12 + 11, "polygon": 2}  # the last reading, and its range
    assert "1: 2026-03-02 08:12" in written(root)


def test_the_picture_says_limits_and_warning_to_readers_of_text(api: Client, batch: Batch, record: Any):
    record(batch, FLOW)
    root = picture(api)
    said = root.findtext(f"{SVG}desc") or ""
    assert root.findtext(f"{SVG}title") == "CP-AW-2 Water activity of the caramel: stirring time, min"
    assert "individuals: centre 50.81, limits 45.82 to 55.80." in said
    assert "It is not a deviation" in said


def test_the_picture_names_the_limits_of_the_plan_and_the_local_time(api: Client, batch: Batch, record: Any):
    record(batch, FLOW)
    said = written(picture(api))
    assert "plan: 60 or less" in said
    assert "plan: 40 or more" in said
    assert "local time (Europe/Berlin)" in said
    assert "2026-03-02" in said


def test_a_reading_outside_the_plan_has_a_square(api: Client, batch: Batch, record: Any):
    record(batch, [*STEADY, 61])
    squares = [each for each in picture(api).iter(f"{SVG}rect") if each.get("width") == "30"]
    assert len(squares) == 1


def test_the_picture_of_too_few_readings_says_so_in_words(api: Client, batch: Batch, record: Any):
    record(batch, STEADY[:2])
    root = picture(api)
    assert "10 readings are needed, there are 2." in written(root)
    assert not list(root.iter(f"{SVG}path"))
