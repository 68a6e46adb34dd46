"""A trial on past checks: what a proposal would have flagged, and what it would have let pass."""

from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.api.refusals import Refusal, Unusable
from haccp import checks, trials
from haccp.checks import Subject
from haccp.limits import Result, Rule
from haccp.models import Check
from haccp.trial_questions import question
from ledger.models import Entry
from tests.conftest import NOON
from tests.haccp.conftest import water

pytestmark = pytest.mark.django_db

DAY = NOON.date()
TIGHTER = {"kind": "range", "quantity": "water activity", "unit": "C62", "upper": "0.50"}
WIDER = TIGHTER | {"upper": "0.70"}


@pytest.fixture
def measured(act: Any, batch: Any, point: Any, meter: Any) -> Any:
    """Record water activities of a batch of caramels, a minute apart from noon on."""

    def record(*values: str, point_code: str = "CP-AW-2") -> list[Check]:
        subject = Subject(point(point_code), batch=batch, instrument=meter)
        return [
            checks.record(act=act(at=NOON + timedelta(minutes=at)), subject=subject, said=water(value))
            for at, value in enumerate(values)
        ]

    return record


def run(establishment: Any, **proposal: Any) -> trials.Trial:
    return trials.run(establishment, trials.propose(quantity="water activity", **proposal), DAY, DAY)


def test_a_tighter_limit_tells_what_it_would_have_flagged(establishment, measured):
    _, high = measured("0.45", "0.55")
    (point,) = run(establishment, limit=TIGHTER).points
    assert (point.code, point.checks, point.would_flag, point.would_pass) == ("CP-AW-2", 2, 1, 0)
    assert [(each.check, each.was, each.would_be) for each in point.flagged] == [
        (high.pk, Result.WITHIN, Result.OUTSIDE)
    ]


def test_a_wider_limit_tells_what_it_would_have_let_pass(establishment, measured):
    (high,) = measured("0.68")
    (point,) = run(establishment, limit=WIDER).points
    assert (point.would_flag, point.would_pass, [each.check for each in point.passed]) == (0, 1, [high.pk])


def test_the_rules_of_the_day_still_tighten_a_proposal(establishment, measured, confirmed_rule):
    confirmed_rule(upper=Decimal("0.62"))
    measured("0.68")
    assert run(establishment, limit=WIDER).points[0].would_pass == 0


def unchanged(establishment: Any, days: int = 0) -> bool:
    """Whether a trial of the limit as it is gives every check the result it has."""
    proposal = trials.propose(quantity="water activity", limit=TIGHTER | {"upper": "0.65"})
    (tried,) = trials.run(establishment, proposal, DAY, DAY + timedelta(days=days)).points
    return all(was == now for was, now in tried.counts)


def test_the_day_of_a_rule_is_the_local_one_whatever_offset_the_check_was_sent_with(
    establishment, act, batch, point, meter, confirmed_rule
):
    """23:30 in universal time is half past midnight here, and the rule begins with that day."""
    confirmed_rule(upper=Decimal("0.62"), in_force_from=DAY + timedelta(days=1))
    late = datetime.combine(DAY, time(23, 30), UTC)
    subject = Subject(point("CP-AW-2"), batch=batch, instrument=meter)
    assert checks.record(act=act(at=late), subject=subject, said=water("0.64")).result == Result.OUTSIDE
    assert unchanged(establishment, days=1)


def test_a_rule_about_the_lot_of_a_check_on_a_batch_is_not_left_out(
    establishment, act, batch, point, meter, confirmed_rule, make_lot, products
):
    confirmed_rule(upper=Decimal("0.62"), material=products["LMD"])
    lot = make_lot(batch, material=products["LMD"])
    subject = Subject(point("CP-AW-2"), batch=batch, lot=lot, instrument=meter)
    assert checks.record(act=act(), subject=subject, said=water("0.64")).result == Result.OUTSIDE
    assert unchanged(establishment)


def test_a_rule_that_is_not_confirmed_can_be_tried(establishment, measured, make_rule):
    measured("0.45", "0.55")
    assert run(establishment, rule=make_rule(upper=Decimal("0.50"))).points[0].would_flag == 1


def test_a_guard_band_can_be_tried(establishment, measured, meter):
    meter.expanded_uncertainty = Decimal("0.02")
    meter.save()
    measured("0.62", "0.64")
    (point,) = run(establishment, guard="one-sided").points
    assert [(each.entered, each.would_be) for each in point.flagged] == [("0.64", Result.UNDECIDED)]


def test_corrected_checks_are_left_out(establishment, measured, act, batch, point, meter):
    (first,) = measured("0.55")
    correction = act(corrects=first.pk, reason="typed wrong")
    checks.record(
        act=correction, subject=Subject(point("CP-AW-2"), batch=batch, instrument=meter), said=water("0.45")
    )
    (tried,) = run(establishment, limit=TIGHTER).points
    assert (tried.checks, tried.would_flag) == (1, 0)


def test_checks_of_other_days_are_left_out(establishment, measured):
    measured("0.55")
    proposal = trials.propose(quantity="water activity", limit=TIGHTER)
    assert trials.run(establishment, proposal, DAY + timedelta(days=1), DAY + timedelta(days=1)).points == ()


def test_what_the_proposal_cannot_judge_is_counted_with_the_reason(establishment, measured):
    measured("0.55")
    cel = {"kind": "range", "quantity": "water activity", "unit": "CEL", "upper": "30"}
    (point,) = run(establishment, limit=cel).points
    assert sum(point.not_judged.values()) == 1
    assert point.checks == 1


def test_nothing_is_written(establishment, measured):
    measured("0.55")
    before = Entry.objects.count()
    run(establishment, limit=TIGHTER)
    assert Entry.objects.count() == before


def test_the_number_of_queries_does_not_grow_with_the_checks(establishment, measured):
    def asked() -> int:
        with CaptureQueriesContext(connection) as queries:
            run(establishment, limit=TIGHTER)
        return len(queries)

    measured("0.45")
    few = asked()
    measured("0.46", "0.47", "0.55")
    assert asked() == few


@pytest.mark.parametrize(
    ("proposal", "code"),
    [
        ({}, "nothing-to-try"),
        ({"guard": "wide"}, "unknown-name"),
        (
            {"limit": {"kind": "range", "quantity": "moisture", "unit": "P1", "upper": "3"}},
            "another-quantity",
        ),
        ({"limit": {"kind": "range", "quantity": "water activity"}}, "unknown-unit"),
        ({"limit": TIGHTER, "points": ("CP-NONE-1",)}, "unknown-point"),
    ],
)
def test_a_proposal_that_makes_no_sense_is_refused(establishment, proposal, code):
    with pytest.raises(Unusable) as refusal:
        run(establishment, **proposal)
    assert code in [refusal.value.code, *(reason.code for reason in refusal.value.reasons)]


@pytest.mark.parametrize(
    ("first", "last", "code"),
    [(DAY, DAY - timedelta(days=1), "ends-before-it-begins"), (date(2000, 1, 1), DAY, "period-too-long")],
)
def test_a_period_that_makes_no_sense_is_refused(establishment, first, last, code):
    with pytest.raises(Unusable) as refusal:
        trials.run(establishment, trials.propose(quantity="water activity", guard="off"), first, last)
    assert refusal.value.code == code


def test_the_same_over_http(api, measured):
    _, high = measured("0.45", "0.55")
    body = {"quantity": "water activity", "limit": TIGHTER, "first_day": str(DAY), "last_day": str(DAY)}
    answer = api.send("trials", body)
    assert answer.status_code == 200, answer.json()
    (point,) = answer.json()["points"]
    assert point["counts"] == [
        {"was": "within", "would_be": "outside", "checks": 1},
        {"was": "within", "would_be": "within", "checks": 1},
    ]
    assert point["flagged"][0]["check"] == str(high.pk)


def test_a_limit_that_cannot_be_read_is_named_over_http(api):
    body = {
        "quantity": "water activity",
        "limit": {"kind": "range"},
        "first_day": str(DAY),
        "last_day": str(DAY),
    }
    answer = api.send("trials", body)
    assert answer.status_code == 400
    assert "limit.unit" in [error["field"] for error in answer.json()["errors"]]


def test_the_same_by_command(establishment, measured, tmp_path):
    measured("0.45", "0.55")
    file = tmp_path / "limit.yaml"
    file.write_text("kind: range\nquantity: water activity\nunit: C62\nupper: '0.50'\n")
    told = StringIO()
    call_command("trial", establishment=establishment.pk, quantity="water activity", first_day=DAY, last_day=DAY,
                 limit=file, stdout=told)  # fmt: skip
    assert "CP-AW-2" in told.getvalue()
    assert "2 checks, 1 would have been flagged, 0 would have passed" in told.getvalue()


def test_the_command_names_a_rule_that_is_not_there(establishment):
    with pytest.raises(CommandError, match="no local rule LR-9"):
        call_command("trial", establishment=establishment.pk, quantity="water activity", first_day=DAY,
                     last_day=DAY, rule="LR-9")  # fmt: skip


# --- rules that are tried


COOLED = {
    "kind": "cooling",
    "quantity": "cream",
    "unit": "MIN",
    "temperature_unit": "CEL",
    "begins_at": "60",
    "windows": [{"to": "20", "upper": "20"}, {"to": "5", "upper": "60"}],
    "longest_gap_minutes": "20",
}
"""Of this test only: no limits to work by."""


@pytest.fixture
def cooling(document: dict[str, Any]) -> None:
    """CP-AW-2 asks how a cream cools instead."""
    point = next(each for each in document["control_points"] if each["code"] == "CP-AW-2")
    point["limits"] = [COOLED | {"source": {"provenance": "site"}}]


@pytest.fixture
def cooled(cooling: None, act: Any, batch: Any, point: Any, meter: Any) -> Check:
    """From 61 to 20 degrees Celsius in fifteen minutes, and to 4 in half an hour."""
    points = [
        {"at": f"2026-03-02T11:{at:02}:00+01:00", "value": value}
        for at, value in ((0, "61"), (15, "20"), (30, "4"))
    ]
    subject = Subject(point("CP-AW-2"), batch=batch, instrument=meter)
    made = checks.record(
        act=act(), subject=subject, said=[{"quantity": "cream", "unit": "CEL", "points": points}]
    )
    assert made.result == "within"
    return made


def window_rule(quantity: str = "cream, to 20", **values: Any) -> Rule:
    return Rule(
        **({"id": "R", "unit": "MIN", "citation": "Letter", "upper": Decimal(10)} | values), quantity=quantity
    )


def test_a_rule_about_one_window_of_a_cooling_can_be_tried(establishment, cooled):
    proposal = trials.propose(quantity="cream, to 20", rule=window_rule())
    (point,) = trials.run(establishment, proposal, DAY, DAY).points
    assert [each.check for each in point.flagged] == [cooled.pk]
    wider = trials.propose(quantity="cream, to 20", rule=window_rule(upper=Decimal(16)))
    assert trials.run(establishment, wider, DAY, DAY).points[0].would_flag == 0


def test_a_rule_that_says_of_no_window_is_refused_with_the_windows_there_are(establishment, cooled):
    proposal = trials.propose(quantity="cream", rule=window_rule("cream"))
    with pytest.raises(Unusable, match="make it about 'cream, to 20' or 'cream, to 5'") as refusal:
        trials.run(establishment, proposal, DAY, DAY)
    assert refusal.value.code == "binds-nothing"


def test_a_rule_in_a_unit_of_another_kind_is_refused(establishment, measured):
    measured("0.45")
    rule = Rule("R", "water activity", "CEL", "Letter", upper=Decimal(30))
    with pytest.raises(Unusable, match="does not compare with C62"):
        run(establishment, rule=rule)


def test_a_rule_about_what_is_seen_bounds_nothing(establishment, measured):
    proposal = trials.propose(
        quantity="blades, knives, mats and gloves",
        rule=Rule("R", "blades, knives, mats and gloves", "H87", "Letter", upper=Decimal(1)),
    )
    with pytest.raises(Unusable, match="no bounds that a rule could tighten"):
        trials.run(establishment, proposal, DAY, DAY)


def test_a_rule_that_only_informs_cannot_be_tried(make_rule):
    with pytest.raises(Unusable, match="bounds nothing") as refusal:
        trials.propose(quantity="water activity", rule=make_rule(effect="trigger"))
    assert refusal.value.code == "bounds-nothing"


def test_a_rule_for_moist_food_tried_on_dry_material_warns(establishment, measured, make_rule):
    measured("0.45")
    (dry,) = run(establishment, rule=make_rule(meant_for="moist", upper=Decimal("0.60"))).points
    assert len(dry.cautions) == 1
    assert "meant for moist" in dry.cautions[0]
    assert "SBC (water activity up to" in dry.cautions[0]
    (any_food,) = run(establishment, rule=make_rule(code="LR-2", upper=Decimal("0.60"))).points
    assert any_food.cautions == []


def test_a_rule_about_another_material_is_not_tried_on_this_one(establishment, measured, make_rule, products):
    measured("0.45")
    rule = make_rule(upper=Decimal("0.30"), material=products["LMD"])
    assert run(establishment, rule=rule).points[0].would_flag == 0
    other = make_rule(code="LR-2", upper=Decimal("0.30"), material=products["SBC"])
    assert run(establishment, rule=other).points[0].would_flag == 1


# --- the question


ASKED = {"quantity": "water activity", "limit": TIGHTER, "first_day": str(DAY), "last_day": str(DAY)}


def test_a_question_in_plain_words_is_the_trial(establishment, measured):
    measured("0.45", "0.55")
    asked = question(establishment, ASKED)
    assert (asked.first_day, asked.proposal.quantity) == (DAY, "water activity")
    assert asked.answer(establishment).points[0].would_flag == 1


def test_a_rule_is_named_by_its_id(establishment, measured, make_rule):
    measured("0.55")
    rule = make_rule(upper=Decimal("0.50"))
    said = {name: value for name, value in ASKED.items() if name != "limit"} | {"rule": str(rule.pk)}
    assert question(establishment, said).answer(establishment).points[0].would_flag == 1


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"quantity": ""}, "quantity"),
        ({"quantity": 5}, "quantity"),
        ({"first_day": "soon"}, "first_day"),
        ({"last_day": None}, "last_day"),
        ({"limit": "0.5"}, "limit"),
        ({"guard": 3}, "guard"),
        ({"points": "CP-AW-2"}, "points"),
        ({"points": ["X"] * 101}, "points"),
        ({"points": ["CP-NONE-1"]}, "points"),
        ({"first_day": "2000-01-01"}, "first_day"),
        ({"last_day": "2020-01-01"}, "last_day"),
        ({"limits": TIGHTER}, "limits"),
        ({"rule": "no id"}, "rule"),
        ({"rule": "0f8fad5b-d9cb-469f-a165-70867728950e"}, "rule"),
    ],
)
def test_a_question_that_makes_no_sense_names_where(establishment, plan_version, changes, field):
    with pytest.raises(Refusal) as refusal:
        question(establishment, ASKED | changes)
    assert field in [reason.field for reason in refusal.value.reasons]


def test_cautions_are_told_over_http(api, measured, make_rule):
    measured("0.45")
    rule = make_rule(meant_for="moist", upper=Decimal("0.60"))
    said = {name: value for name, value in ASKED.items() if name != "limit"} | {"rule": str(rule.pk)}
    answer = api.send("trials", said)
    assert answer.status_code == 200, answer.json()
    assert "meant for moist" in answer.json()["points"][0]["cautions"][0]
