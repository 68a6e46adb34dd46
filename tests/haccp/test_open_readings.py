"""What a reading leaves open is never judged within, and what it settles is not left open.

Gaps, readings that begin or end too late, "less than", typing errors; with and without a guard band. No number here is
a limit to work by.
"""

from decimal import Decimal
from itertools import pairwise
from math import log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp import instruments
from haccp.limits import OneLimit, Rule, decide, from_json, in_force, judge, looser_than
from haccp.models import Instrument
from haccp.readings import Reading, read
from tests.haccp.test_judges import (
    COOL,
    COUNT,
    HOT,
    OUTSIDE,
    RESIDUE,
    SWAB,
    UNDECIDED,
    WITHIN,
    F,
    followed,
    judged,
)

HALF = Decimal("0.5")
SLOW = COOL | {"longest_gap_minutes": "400"}


# --- both bounds


BETWEEN = HOT | {"lower": "2", "upper": "3"}


def test_a_gap_that_reaches_over_both_bounds_leaves_the_result_open():
    """1 min counted and a gap of 10: nought to eleven are beyond both ends, and two and a half is not."""
    assert judged(BETWEEN, followed((0, 60), (1, 80), (2, 60), (12, 60))).result is UNDECIDED


def test_less_than_reaches_over_both_bounds_too():
    limit = {"kind": "range", "quantity": "x", "unit": "59", "lower": "1", "upper": "3"}
    assert judged(limit, read({"quantity": "x", "value": "< 5", "unit": "59"})).result is UNDECIDED


def test_an_uncertainty_wider_than_what_is_allowed_leaves_the_result_open():
    limit = {"kind": "range", "quantity": "x", "unit": "CEL", "lower": "2", "upper": "3"}
    reading = read({"quantity": "x", "value": "1.9", "unit": "CEL"})
    assert judged(limit, reading, uncertainty=Decimal(2), guard="two-sided").result is UNDECIDED


def test_bounds_that_leave_nothing_are_never_left_open():
    rule = Rule(id="r", quantity="core", unit="MIN", citation="Town order 7", upper=Decimal(1))
    bounds = in_force(from_json(HOT), [rule])
    assert judge(followed((0, 60), (1, 80), (2, 60), (12, 60)), bounds).result is OUTSIDE


# --- time


def test_gap_and_uncertainty_together_leave_open_what_either_alone_does_not():
    """2.125 min counted, a gap of 0.9: at most 3.025. Half a degree hotter it is 3.044 (computed)."""
    limit = BETWEEN | {"lower": "1", "upper": "3.03", "longest_gap_minutes": "0.85"}
    times = [(0, 60), (0.5, 80), (0.75, 80), (1, 80), (1.25, 80), (1.5, 80), (1.75, 80), (2, 80), (2.25, 80)]
    reading = followed(*times, (2.5, 60), (3.4, 60))
    assert judged(limit, reading).result is WITHIN
    assert judged(limit, reading, uncertainty=HALF, guard="one-sided").result is UNDECIDED


@pytest.mark.parametrize("points", [[(0, 60), (1, 80), (2, 80)], [(0, 80), (1, 80), (2, 60)]])
def test_a_most_is_open_while_the_readings_begin_or_end_in_what_counts(points):
    limit = HOT | {"upper": "3"}
    del limit["lower"]
    judgement = judged(limit, followed(*points))
    assert judgement.result is UNDECIDED
    assert "how long in all is not known" in judgement.sentence


def test_time_is_not_rounded_over_its_bound():
    limit = HOT | {"unit": "HUR", "lower": "1", "longest_gap_minutes": "100"}
    assert judged(limit, followed((0, 70), (59.99999, 70))).result is OUTSIDE
    assert judged(limit, followed((0, 70), (60, 70))).result is WITHIN


@given(st.integers(-40, 400), st.sampled_from(["at_or_above", "at_or_below"]))
def test_a_course_in_fahrenheit_that_keeps_the_very_degree_counts(ninths, side):
    """t/degF = 1.8 t/degC + 32 (NIST SP 811 appendix B.8, read in a copy)."""
    celsius = Decimal(ninths * 5)
    limit = HOT | {"temperature": f"{celsius}", "side": side}
    fahrenheit = float(celsius * 9 / 5 + 32)
    assert judged(limit, followed((0, fahrenheit), (2, fahrenheit), unit="FAH")).result is WITHIN


# --- heat


def test_far_readings_on_a_steep_rise_count_no_more_than_the_straight_line():
    """60 to 121.1 degC in 4 min, z 10: F = z/(r ln 10) (1 - 10^-6.11) = 0.2843 min (computed); the trapezoid rule would
    count 2."""
    closed = 10 / (61.1 / 4 * log(10)) * (1 - 10**-6.11)
    judgement = judged(F | {"lower": "1"}, followed((0, 60), (4, 121.1)))
    assert judgement.result is OUTSIDE
    assert float(judgement.margin + 1) == pytest.approx(closed, rel=1e-5)


@given(st.lists(st.floats(0, 200), min_size=2, max_size=20))
def test_heat_along_the_line_is_never_more_than_the_trapezoid(values):
    from haccp.science.courses import course, heat

    made = course([60.0 * at for at in range(len(values))], values, "CEL")
    power = [10 ** ((each - 121.1) / 10) for each in values]
    trapezoid = sum(60 * (a + b) / 2 for a, b in pairwise(power))
    along = heat(made, 121.1, 10.0, longest=60.0)
    assert along <= trapezoid * (1 + 1e-9)
    assert along >= 60 * sum(min(a, b) for a, b in pairwise(power)) * (1 - 1e-9)


def test_exactly_enough_heat_is_enough():
    assert judged(F, followed((0, 121.1), (2, 121.1), (4, 121.1))).result is WITHIN


@pytest.mark.parametrize("typed", [1215.0, 99999999.0])
def test_a_reading_typed_without_its_point_is_refused_and_does_not_pass_as_heat(typed):
    with pytest.raises(Unusable) as refusal:
        judged(F, followed((0, 60), (1, typed), (2, 60)))
    assert (refusal.value.code, refusal.value.reasons[0].field) == ("cannot-be-computed", "points")


def test_a_course_beyond_the_range_of_its_instrument_is_seen():
    probe = Instrument(unit="CEL", range_lower=Decimal(-20), range_upper=Decimal(200))
    assert instruments.outside_range(probe, followed((0, 60), (1, 715), (2, 60)))
    assert instruments.outside_range(probe, followed((0, -30), (1, 60)))
    assert not instruments.outside_range(probe, followed((0, 32), (1, 392), unit="FAH"))


# --- cooling


def test_a_first_reading_at_the_very_start_of_the_count_settles_it():
    assert judged(SLOW, followed((0, 57), (60, 21), (300, 5))).result is WITHIN


def test_the_count_begins_at_the_first_fall_also_where_it_was_warmed_again():
    points = [(0, 60), (10, 50), (20, 60), (30, 57), (149, 21), (200, 4)]
    assert judged(SLOW, followed(*points)).result is OUTSIDE  # 21 degC 146 min after 3 min, 119 after 30


def test_a_gap_around_the_first_fall_leaves_the_time_open_both_ways():
    """It fell below 57 somewhere between 0 and 90 min: 21 degC was reached 70 to 160 min after that."""
    points = [(0, 60), (90, 50), (120, 40), (160, 21), (170, 4)]
    assert judged(COOL, followed(*points)).result is UNDECIDED


def test_a_gap_before_the_first_fall_may_hide_an_earlier_one():
    points = [(0, 60), (90, 60), (91, 56), (140, 21), (150, 5)]
    assert judged(SLOW, followed(*points)).result is WITHIN
    assert judged(COOL, followed(*points)).windows[0].result is UNDECIDED


def test_a_gap_between_leaves_nothing_open_but_is_told():
    points = [(0, 58), (1, 56), (10, 50), (80, 30), (100, 21), (200, 5), (201, 4)]
    judgement = judged(COOL, followed(*points))
    assert judgement.windows[0].result is WITHIN
    assert "Readings are missing: 4200 s after 600 s" in judgement.windows[0].warning


def test_a_product_that_may_not_have_come_down_is_not_within_under_a_guard():
    reading = followed((0, 60), (1, 56), (60, 21), (200, 5))
    assert judged(SLOW, reading).result is WITHIN
    assert judged(SLOW, reading, uncertainty=HALF, guard="one-sided").result is UNDECIDED


def test_a_start_that_may_have_been_below_is_not_within_under_a_guard():
    reading = followed((0, 57.2), (1, 56), (60, 15), (200, 3), (210, 2))
    assert judged(SLOW, reading).result is WITHIN
    assert judged(SLOW, reading, uncertainty=HALF, guard="one-sided").result is UNDECIDED


def test_five_degrees_in_fahrenheit_are_reached_at_41():
    assert judged(SLOW, followed((0, 140), (5, 130), (60, 69.8), (200, 41), unit="FAH")).result is WITHIN


@given(st.lists(st.floats(-5, 80), min_size=2, max_size=12), st.floats(0, 3))
def test_a_guard_never_lets_in_what_a_course_without_it_does_not_show(values, uncertainty):
    reading = followed(*((10 * at, value) for at, value in enumerate(values)))
    known = Decimal(repr(round(uncertainty, 3)))
    for limit in (HOT | GAP, HOT | GAP | {"upper": "30"}, COOL):
        guarded = judged(limit, reading, uncertainty=known, guard="one-sided").result
        assert guarded is not WITHIN or judged(limit, reading).result is WITHIN


GAP = {"longest_gap_minutes": "15"}


def test_a_rule_on_the_cooling_that_names_no_window_is_not_lost():
    rule = Rule(id="r", quantity="Core", unit="HUR", citation="Town order 7", upper=Decimal(1))
    bounds = in_force(from_json(SLOW), [rule])
    assert "Town order 7" in judge(followed((0, 58), (60, 21), (300, 5)), bounds).warning
    assert [each.code for each in looser_than(from_json(SLOW), [rule])] == ["no-window"]


# --- less than


def degrees(value: str, **bounds: str):
    limit = {"kind": "range", "quantity": "core", "unit": "CEL"} | bounds
    return judged(limit, read({"quantity": "core", "value": value, "unit": "CEL"})).result


def test_less_than_a_lower_bound_is_outside():
    assert degrees("< 70", lower="70") is OUTSIDE
    assert degrees("< 70.1", lower="70") is UNDECIDED


def test_degrees_do_not_end_at_nought():
    assert degrees("< 4", lower="-5", upper="4") is UNDECIDED


@pytest.mark.parametrize("value", ["< 0", "<0.0", "< -1", "<< 1", "<"])
def test_less_than_nothing_is_refused(value):
    with pytest.raises(Unusable):
        read({"quantity": "x", "value": value, "unit": "59"})


def test_a_residue_below_nought_is_refused():
    with pytest.raises(Unusable) as refusal:
        judged(RESIDUE, read({"quantity": "hazelnut protein", "value": "-5", "unit": "59"}))
    assert refusal.value.code == "negative"


def test_a_swab_below_detection_is_brought_to_the_food_at_the_limit_of_detection():
    """< 5 ug/100 cm2 on 0.8 m2 into the first 2 kg: less than 0.2 mg/kg (computed)."""
    reading = read({"quantity": "hazelnut protein", "value": "< 5", "unit": "MC"})
    assert judged(RESIDUE | SWAB, reading).margin == Decimal("0.8")
    assert judged(RESIDUE | SWAB | {"upper": "0.1"}, reading).result is UNDECIDED


# --- documents


@pytest.mark.parametrize(
    ("limit", "name", "value"),
    [
        (F, "upper", "9"),
        (F, "lower_inclusive", False),
        (RESIDUE, "lower", "1"),
        (COOL, "upper", "6"),
        (COUNT, "upper", "1"),
        (COOL | {"windows": [{"to": "21", "upper": "2", "upper_inclusive": False}]}, None, None),
    ],
)
def test_a_bound_that_a_kind_does_not_have_is_refused_and_not_lost(limit, name, value):
    with pytest.raises(Unusable) as refusal:
        from_json(limit | ({name: value} if name else {}))
    assert {each.code for each in refusal.value.reasons} == {"unknown-name"}


def test_a_table_says_at_which_temperature_the_time_counts():
    must = judged(HOT, followed((0, 70), (2, 70))).as_json()["must"]
    assert must == "time at or above 70 °C (core): 2 min or more"


KINDS = [HOT, HOT | {"upper": "30"}, F, COOL]


@given(
    st.sampled_from(KINDS),
    st.lists(st.tuples(st.integers(1, 200), st.floats(-5, 160)), min_size=2, max_size=12),
    st.sampled_from(["off", "one-sided", "two-sided"]),
    st.sampled_from([None, Decimal("0.9")]),
)
def test_deciding_many_comes_to_what_judging_one_does(said, steps, guard, known):
    limit = from_json(said)
    assert isinstance(limit, OneLimit)
    at, points = 0, []
    for step, value in steps:
        at += step
        points.append((at, value))
    reading: Reading = followed(*points)
    options = {"uncertainty": known, "guard": guard}
    judgement = judge(reading, in_force(limit), **options)
    assert decide(reading, in_force(limit), **options) is judgement.result
    assert "Infinity" not in judgement.sentence
    assert "Infinity" not in str(judgement.as_json())
