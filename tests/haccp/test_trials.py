"""A trial on past checks: what a proposal would have flagged, and what it would have let pass."""

from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from config.api.refusals import Unusable
from haccp import checks, trials
from haccp.checks import Subject
from haccp.limits import Result
from haccp.models import Check
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
