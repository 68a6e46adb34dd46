"""Judges of a course, a residue, a count, and of several limits together. No number here is a limit to work by.

Worked values: linear ramp in closed form and 2 min at 70 with z = 7.5 (computed, see each); cooling 57 -> 21 within 2 h
and -> 5 within 6 h in all (FDA Food Code 3-501.14, as read in copies; for moist food only).
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from math import log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches.quantities import UnitDoesNotConvert
from config.api.refusals import Unusable
from haccp.limits import Result, Rule, from_json, in_force, judge, looser_than, members
from haccp.readings import Reading, read
from haccp.science.courses import course

WITHIN, OUTSIDE, UNDECIDED = Result.WITHIN, Result.OUTSIDE, Result.UNDECIDED
GAP = {"longest_gap_minutes": "5"}
HOT = {
    "kind": "time_at_temperature",
    "quantity": "core",
    "unit": "MIN",
    "temperature": "70",
    "temperature_unit": "CEL",
    "side": "at_or_above",
    "lower": "2",
    **GAP,
}
F = {
    "kind": "lethality",
    "quantity": "core",
    "unit": "MIN",
    "reference_temperature": "121.1",
    "z": "10",
    "temperature_unit": "CEL",
    "lower": "4",
    "organism": "a test organism",
    "food": "a test food",
    "food_kind": "other moist food",
    "product_kind": "other moist food",
    "data_source": "invented for this test",
    "validation": "invented for this test",
    "studied_from": "55",
    "studied_to": "130",
    **GAP,
}
COOL = {
    "kind": "cooling",
    "quantity": "core",
    "unit": "HUR",
    "temperature_unit": "CEL",
    "begins_at": "57",
    "windows": [{"to": "21", "upper": "2"}, {"to": "5", "upper": "6"}],
    "longest_gap_minutes": "60",
}
RESIDUE = {
    "kind": "residue",
    "quantity": "hazelnut protein",
    "unit": "59",
    "upper": "1",
    "allergen": "hazelnut",
    "protein_of": "protein of hazelnut",
}
SWAB = {"swab_square_cm": "100", "contact_square_cm": "8000", "first_product_kg": "2"}
COUNT = {"kind": "count", "quantity": "blades"}


def followed(*points: tuple[float, float], unit: str = "CEL") -> Reading:
    """A course from (minutes, degrees)."""
    minutes, values = zip(*points, strict=True)
    return Reading("core", unit=unit, course=course([each * 60 for each in minutes], list(values), unit))


def judged(limit: dict, reading: Reading, **options):
    return judge(reading, in_force(from_json(limit)), **options)


# --- time at a temperature


@pytest.mark.parametrize(
    ("points", "minutes", "expected"),
    [
        ([(0, 70), (2, 70)], "2", WITHIN),
        ([(0, 70), (1.999, 70)], "1.999", OUTSIDE),
        ([(0, 60), (1, 80), (2, 80), (3, 60)], "2", WITHIN),  # 0.5 rising + 1 + 0.5 falling
        ([(0, 69.9), (4, 69.9)], "0", OUTSIDE),
    ],
)
def test_the_time_at_a_temperature_is_counted_along_straight_lines(points, minutes, expected):
    judgement = judged(HOT, followed(*points))
    assert (judgement.result, judgement.margin) == (expected, Decimal(minutes) - 2)


def test_fahrenheit_counts_the_same():
    assert judged(HOT, followed((0, 158), (2, 158), unit="FAH")).result is WITHIN


@pytest.mark.parametrize("limit", [HOT, F, COOL])
@pytest.mark.parametrize("unit", ["MIN", "KGM", "C62", "59"])
def test_a_course_of_something_else_is_no_temperature(limit, unit):
    with pytest.raises(UnitDoesNotConvert):
        judged(limit, followed((0, 75), (3, 75), unit=unit))


def test_a_gap_counts_for_nothing_and_leaves_the_result_open():
    judgement = judged(HOT, followed((0, 75), (1, 75), (7, 75)))
    assert judgement.result is UNDECIDED
    assert "Readings are missing: 360 s after 60 s" in judgement.sentence


def test_a_gap_that_could_not_change_the_result_does_not_leave_it_open():
    assert judged(HOT, followed((0, 75), (3, 75), (9, 75))).result is WITHIN


def test_time_below_a_temperature_can_have_a_most():
    cold = HOT | {"side": "at_or_below", "temperature": "31", "upper": "3"}
    del cold["lower"]
    assert judged(cold, followed((0, 31.5), (1, 30.5), (2, 30), (3, 32))).result is WITHIN  # 0.5 + 1 + 0.5
    assert judged(cold, followed((0, 30), (4, 30))).result is OUTSIDE


def test_an_instrument_that_may_read_high_is_not_enough_under_a_guard():
    reading = followed((0, 70.3), (3, 70.3))
    assert judged(HOT, reading).result is WITHIN
    assert judged(HOT, reading, uncertainty=Decimal("0.5"), guard="one-sided").result is UNDECIDED


@given(values=st.lists(st.floats(0, 200), min_size=2, max_size=30), level=st.floats(10, 190))
def test_time_above_and_time_below_make_the_whole(values, level):
    from haccp.science.courses import time_at

    made = course([60.0 * at for at in range(len(values))], values, "CEL")
    above = time_at(made, level, above=True, longest=100)
    below = time_at(made, level, above=False, longest=100)
    at_the_level = 60.0 * sum(a == b == level for a, b in pairwise(values))
    assert above + below == pytest.approx(made.lasts + at_the_level, rel=1e-9)


# --- heat


def test_a_linear_ramp_comes_to_its_closed_form():
    """100 to 121.1 degC at 1 degC/min, z 10: F = z/(r ln 10) (10^0 - 10^-2.11) = 4.3092 min (computed)."""
    points = [(at / 60, 100 + at / 60) for at in range(1266 + 1)]
    closed = 10 / log(10) * (1 - 10**-2.11)
    figure = judged(F, followed(*points)).margin + 4
    assert float(figure) == pytest.approx(closed, rel=1e-4)
    assert float(figure) == pytest.approx(4.3092, abs=2e-4)


def test_two_minutes_at_70_with_z_7_5_are_43_09_at_60():
    """43.09 min (computed: 2 * 10^(10/7.5))."""
    limit = F | {"reference_temperature": "60", "z": "7.5", "lower": "43"}
    assert float(judged(limit, followed((0, 70), (2, 70))).margin) == pytest.approx(0.0886, abs=1e-3)


def test_decimal_reductions_are_f_over_d():
    """2 min at 70 degC in peanut butter, D70 31.23 min: 0.064 (figures read in an abstract)."""
    limit = F | {
        "unit": "C62", "reference_temperature": "70", "z": "44.5", "d_minutes": "31.23", "lower": "0.05",
    }  # fmt: skip
    assert float(judged(limit, followed((0, 70), (2, 70))).margin) == pytest.approx(0.014, abs=1e-3)


@pytest.mark.parametrize("name", ["z", "d_minutes"])
def test_z_and_d_are_above_nought(name):
    with pytest.raises(Unusable) as refusal:
        from_json(F | {"unit": "C62", "d_minutes": "1", name: "0"})
    assert ("not-positive", name) in [(each.code, each.field) for each in refusal.value.reasons]


@pytest.mark.parametrize("name", ["organism", "food", "data_source", "validation"])
def test_heat_says_of_what_its_numbers_speak_and_who_showed_it_here(name):
    with pytest.raises(Unusable) as refusal:
        from_json(F | {name: " "})
    assert [each.field for each in refusal.value.reasons] == [name]


@pytest.mark.parametrize(
    ("kinds", "code"),
    [
        ({"food_kind": "moist meat", "product_kind": "nut paste"}, "data-of-another-food"),
        ({"food_kind": "chocolate", "product_kind": "chocolate"}, "no-kill-step"),
        ({"food_kind": "sugar mass", "product_kind": "sugar mass"}, "no-kill-step"),
        ({"food_kind": "porridge"}, "unknown-name"),
    ],
)
def test_heat_is_not_counted_where_its_figures_say_nothing(kinds, code):
    """Chocolate: over 30 h at 71 degC for five logs of Salmonella (secondary text, read). Moist-meat rows: FSIS, read."""
    with pytest.raises(Unusable) as refusal:
        from_json(F | kinds)
    assert [each.code for each in refusal.value.reasons] == [code]


PASTE = F | {
    "unit": "C62", "reference_temperature": "70", "z": "44.5", "d_minutes": "31.23", "lower": "5",
    "food_kind": "nut paste", "product_kind": "nut paste", "studied_from": "60", "studied_to": "80",
}  # fmt: skip
"""Salmonella in flowing peanut butter, studied from 60 to 80 degC (abstract, read)."""


def test_a_nut_paste_in_a_warm_room_comes_to_no_reduction():
    """Ten days at 25 degC would come to 45 decimal reductions if z held down there; nobody studied it."""
    days = followed(*((float(minute), 25) for minute in range(0, 14_401, 5)))
    judgement = judged(PASTE, days)
    assert (judgement.result, judgement.margin) == (OUTSIDE, -5)


def test_heat_hotter_than_studied_counts_as_the_hottest_studied():
    """60 min at 80 degC are 60 / (31.23 * 10^(-10/44.5)) = 3.223 decimal reductions (computed), hotter no more."""
    for celsius in (80, 120):
        judgement = judged(PASTE | {"longest_gap_minutes": "60"}, followed((0, celsius), (60, celsius)))
        assert float(judgement.margin) + 5 == pytest.approx(3.223, abs=1e-3)
        assert ("hotter was not studied" in judgement.sentence) is (celsius == 120)


def test_a_rise_counts_from_where_it_was_studied():
    """50 to 70 degC in 4 min counts as 60 to 70 degC in 2 (closed form, computed)."""
    long = PASTE | {"unit": "MIN", "lower": "1"}
    rise, part = (
        judged(long, followed(*points)).margin for points in (((0, 50), (4, 70)), ((0, 60), (2, 70)))
    )
    assert float(rise) == pytest.approx(float(part), abs=1e-8)
    fall = judged(long, followed((0, 70), (4, 50))).margin
    assert float(fall) == pytest.approx(float(part), abs=1e-8)
    closed = 44.5 / (5 * log(10)) * (1 - 10 ** (-10 / 44.5))
    assert float(part) + 1 == pytest.approx(closed, abs=1e-6)


def test_heat_in_dry_food_is_always_told_to_promise_too_much():
    assert "overstates" in judged(PASTE, followed((0, 75), (5, 75))).warning
    assert "overstates" not in judged(F, followed((0, 75), (5, 75))).warning


@pytest.mark.parametrize("name", ["studied_from", "studied_to"])
def test_heat_says_at_which_temperatures_its_figures_were_found(name):
    with pytest.raises(Unusable) as refusal:
        from_json({key: value for key, value in F.items() if key != name})
    assert [each.field for each in refusal.value.reasons] == [name]
    with pytest.raises(Unusable) as refusal:
        from_json(F | {"studied_from": "80", "studied_to": "60"})
    assert [each.code for each in refusal.value.reasons] == ["bounds-crossed"]


def test_heat_during_a_gap_may_be_any():
    assert judged(F, followed((0, 121.1), (3, 121.1), (20, 121.1))).result is UNDECIDED


# --- cooling


def test_windows_count_from_the_same_moment():
    """21 degC after 1.9 h and 5 degC after 6.4 h: the second window is 6 h in all, not 6 h more."""
    points = [(0, 60), (6, 57), (120, 21), (390, 5), (400, 4)]
    judgement = judged(COOL | {"longest_gap_minutes": "400"}, followed(*points))
    assert [each.result for each in judgement.windows] == [WITHIN, OUTSIDE]
    assert judgement.result is OUTSIDE
    assert judgement.in_force.limit.windows[1].quantity in judgement.sentence


def test_four_hours_after_a_quick_start_are_still_six_in_all():
    """1 h to 21 degC and 5 more to 5 degC: within, though the second stage took more than four."""
    limit = COOL | {"longest_gap_minutes": "400"}
    judgement = judged(limit, followed((0, 57.6), (1, 57), (61, 21), (361, 5)))
    assert judgement.result is WITHIN
    assert judgement.windows[1].margin == pytest.approx(Decimal(0), abs=Decimal("0.001"))


def test_food_that_has_not_come_down_yet_is_open_until_its_time_is_over():
    limit = COOL | {"longest_gap_minutes": "400"}
    assert judged(limit, followed((0, 58), (1, 56), (60, 30))).result is UNDECIDED
    assert judged(limit, followed((0, 58), (1, 56), (130, 30))).result is OUTSIDE


def test_readings_that_begin_too_late_leave_the_time_before_them_open():
    judgement = judged(COOL | {"longest_gap_minutes": "400"}, followed((0, 50), (60, 20), (200, 4)))
    assert judgement.result is UNDECIDED
    assert "what was before is not known" in judgement.sentence


@pytest.mark.parametrize(
    ("limit", "broken", "unit"),
    [
        (COOL, -999, "CEL"),
        (HOT | {"side": "at_or_below"}, -300, "CEL"),
        ({"kind": "range", "quantity": "core", "unit": "CEL", "upper": "5"}, -999.9, "FAH"),
    ],
)
def test_what_a_logger_writes_of_a_broken_probe_cools_nothing(limit, broken, unit):
    with pytest.raises(Unusable) as refusal:
        judged(limit, followed((0, 60), (1, broken), (2, 59), unit=unit))
    assert (refusal.value.code, refusal.value.reasons[0].field) == ("no-such-value", "points.1")


def test_food_that_warms_again_is_told():
    points = [(0, 58), (1, 56), (60, 20), (70, 23), (100, 15), (200, 4)]
    assert "rose above 21 °C again" in judged(COOL, followed(*points)).warning


@pytest.mark.parametrize(
    ("windows", "field"),
    [
        ([{"to": "60", "upper": "2"}], "windows.0.to"),
        ([{"to": "21", "upper": "2"}, {"to": "21", "upper": "6"}], "windows.1.to"),
        ([{"to": "21", "upper": "2"}, {"to": "5", "upper": "2"}], "windows.1.upper"),
        ([{"to": "21", "upper": "0"}], "windows.0.upper"),
        ([], "windows"),
    ],
)
def test_windows_that_make_no_sense_are_refused(windows, field):
    with pytest.raises(Unusable) as refusal:
        from_json(COOL | {"windows": windows})
    assert field in [each.field for each in refusal.value.reasons]


# --- residue


def test_a_swab_is_brought_to_the_first_food_off_the_line():
    """5 ug/100 cm2 on 0.8 m2 into the first 2 kg = 0.2 mg/kg (computed)."""
    reading = Reading("hazelnut protein", entered="5", value=Decimal(5), unit="MC")
    judgement = judged(RESIDUE | SWAB, reading)
    assert (judgement.result, judgement.margin) == (WITHIN, Decimal("0.8"))


def test_a_swab_without_its_way_to_the_food_is_refused():
    with pytest.raises(Unusable) as refusal:
        judged(RESIDUE, Reading("hazelnut protein", entered="5", value=Decimal(5), unit="MC"))
    assert refusal.value.code == "no-way-from-a-swab"


@pytest.mark.parametrize(("entered", "expected"), [("< 0.5", WITHIN), ("<2.5", UNDECIDED), ("2.5", OUTSIDE)])
def test_below_detection_is_kept_as_such_and_judged_at_the_limit_of_detection(entered, expected):
    reading = read({"quantity": "hazelnut protein", "value": entered, "unit": "59"})
    assert reading.as_json()["value"] == entered
    assert judged(RESIDUE, reading).result is expected


def test_a_residue_of_nothing_says_what_the_method_can_find():
    with pytest.raises(Unusable, match="the least that it can find") as refusal:
        judged(RESIDUE, read({"quantity": "hazelnut protein", "value": "0", "unit": "59"}))
    assert refusal.value.code == "no-detection-limit"


def test_a_swab_needs_all_of_its_figures():
    with pytest.raises(Unusable) as refusal:
        from_json(RESIDUE | {"swab_square_cm": "100"})
    assert refusal.value.reasons[0].field == "contact_square_cm"


# --- counts


@pytest.mark.parametrize(
    ("out", "back", "expected"), [("4", "4", WITHIN), ("4", "3", OUTSIDE), ("4", "5", OUTSIDE)]
)
def test_as_many_come_in_as_went_out(out, back, expected):
    reading = read({"quantity": "blades", "counted_out": out, "counted_in": back})
    assert judged(COUNT, reading).result is expected


def test_nothing_out_and_nothing_in_shows_nothing():
    judgement = judged(COUNT, read({"quantity": "blades", "counted_out": "0", "counted_in": "0"}))
    assert judgement.result is UNDECIDED
    assert "that shows nothing" in judgement.sentence


@pytest.mark.parametrize("name", ["counted_out", "counted_in"])
@pytest.mark.parametrize("text", ["-1", "2.5", "", "NaN"])
def test_only_whole_things_are_counted(name, text):
    said = {"quantity": "blades", "counted_out": "4", "counted_in": "4", name: text}
    with pytest.raises(Unusable):
        judged(COUNT, read(said))


# --- together


def test_all_of_several_limits_are_judged_one_by_one():
    limit = from_json({"kind": "all_of", "quantity": "knives", "members": [COUNT, HOT]})
    assert [each.quantity for each in members(limit)] == ["blades", "core"]
    assert limit.to_json()["members"][0] == COUNT


def test_members_have_names_of_their_own():
    with pytest.raises(Unusable) as refusal:
        from_json({"kind": "all_of", "quantity": "knives", "members": [COUNT, COUNT]})
    assert refusal.value.reasons[0].code == "doubled"


@pytest.mark.parametrize("limit", [HOT, F, COOL, RESIDUE, RESIDUE | SWAB, COUNT])
def test_every_kind_comes_back_from_its_document(limit):
    assert from_json(limit).to_json() == limit
    assert from_json(from_json(limit).to_json()) == from_json(limit)


@pytest.mark.parametrize("limit", [HOT, F, COOL, RESIDUE, COUNT])
def test_a_name_that_a_kind_does_not_have_is_refused(limit):
    with pytest.raises(Unusable) as refusal:
        from_json(limit | {"quantitty": "core"})
    assert "Did you mean quantity?" in refusal.value.reasons[0].detail


# --- rules tighten these too


def test_a_rule_tightens_a_time_a_residue_and_a_window():
    def rule(quantity, unit, **bounds):
        return Rule(id="r", quantity=quantity, unit=unit, citation="Town order 7", **bounds)

    assert in_force(from_json(HOT), [rule("core", "SEC", lower=Decimal(180))]).lower.value == 3
    assert in_force(
        from_json(RESIDUE), [rule("hazelnut protein", "59", upper=Decimal("0.5"))]
    ).upper.value == Decimal("0.5")
    window = rule("core, to 5", "HUR", upper=Decimal(5))
    assert in_force(from_json(COOL), [window]).windows[1].upper.source == "rule r: Town order 7"
    assert looser_than(from_json(COOL), [window])[0].code == "looser-than-rule"


# --- triggers: when an authority acts is no limit to work by

LENGTH = {"kind": "range", "quantity": "length of hard object", "unit": "MMT", "upper": "2"}
# FDA compliance policy guide 555.425 (read): hard or sharp objects of 7 to 25 mm.
HARD = Rule(
    id="h",
    quantity="Length of hard object",
    unit="MMT",
    citation="Guide 555.425",
    lower=Decimal(7),
    upper=Decimal(25),
    trigger=True,
)


def found(length: str, limit=LENGTH, rule=HARD, **said):
    reading = Reading(limit["quantity"], entered=length, value=Decimal(length), unit="MMT", **said)
    return judge(reading, in_force(from_json(limit), [rule]))


@pytest.mark.parametrize("length", ["1", "3", "6.9", "7", "25", "25.1"])
def test_a_trigger_never_changes_a_result(length):
    assert found(length).result is (WITHIN if Decimal(length) <= 2 else OUTSIDE)


@given(st.decimals(0, 30, places=1), st.decimals(0, 30, places=1))
def test_a_trigger_never_tightens_nor_loosens(upper, length):
    limit = LENGTH | {"upper": str(upper)}
    alone = judge(Reading(LENGTH["quantity"], "", length, "MMT"), in_force(from_json(limit)))
    beside = found(str(length), limit)
    assert (beside.result, beside.margin, beside.in_force.upper) == (
        alone.result,
        alone.margin,
        alone.in_force.upper,
    )


@pytest.mark.parametrize(("length", "reached"), [("6.9", False), ("7", True), ("25", True), ("25.1", False)])
def test_a_trigger_is_shown_beside_a_judgement(length, reached):
    told = found(length).as_json()
    assert told["triggers"] == [
        {"rule": "rule h: Guide 555.425", "speaks_of": "7 mm or more and 25 mm or less", "reached": reached}
    ]
    assert ("It is no limit to work by" in told.get("warning", "")) is reached


@pytest.mark.parametrize(("length", "reached"), [("7", False), ("7.1", True)])
def test_a_trigger_above_a_value_is_not_reached_at_it(length, reached):
    rule = replace(HARD, lower_inclusive=False)
    assert bool(found(length, rule=rule).reached) is reached


def test_a_result_below_detection_may_be_what_a_trigger_speaks_of():
    below = replace(HARD, lower=None, upper=Decimal(5))
    assert found("8", LENGTH | {"upper": "9"}, below, below=True).reached


def test_a_trigger_asks_nothing_of_a_plan():
    assert looser_than(from_json(LENGTH | {"upper": "30"}), [HARD]) == []


def test_a_trigger_in_another_kind_of_unit_is_named_as_not_compared():
    told = found("3", rule=replace(HARD, unit="KGM")).as_json()
    assert told["not_compared"] == ["rule h: Guide 555.425"]


def test_the_caution_of_a_rule_that_binds_is_told():
    moist = replace(HARD, trigger=False, caution="Meant for moist food.")
    assert "Meant for moist food. (rule h: Guide 555.425)" in found("1", rule=moist).warning


# --- courses typed by hand


def points(*said: tuple[int, str]) -> list[dict[str, str]]:
    began = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
    return [{"at": (began + timedelta(minutes=at)).isoformat(), "value": value} for at, value in said]


def test_a_course_can_be_typed_by_hand():
    reading = read({"quantity": "core", "unit": "CEL", "points": points((0, "75"), (1, "75"), (3, "74"))})
    assert judged(HOT, reading).result is WITHIN
    assert reading.as_json()["points"] == points((0, "75"), (1, "75"), (3, "74"))


@pytest.mark.parametrize(
    ("said", "code", "field"),
    [
        (points((0, "75")), "one-reading", "points"),
        (points((3, "75"), (1, "75")), "clock-runs-backwards", "points.1"),
        (points((0, "75"), (0, "75")), "clock-runs-backwards", "points.1"),
        (points((0, "NaN"), (1, "75")), "not-a-number", "points.0.value"),
        (points((0, "1e309"), (1, "75")), "not-a-number", "points.0.value"),
        ([{"at": "2026-03-02T09:00:00", "value": "75"}], "no-offset", "points.0.at"),
        ([{"at": "nine", "value": "75"}], "not-a-time", "points.0.at"),
        ([{"value": "75"}], "shape", "points.0"),
    ],
)
def test_points_that_cannot_be_read_are_named(said, code, field):
    with pytest.raises(Unusable) as refusal:
        read({"quantity": "core", "unit": "CEL", "points": said})
    assert (refusal.value.code, refusal.value.reasons[0].field) == (code, f"readings.{field}")


def test_a_single_value_does_not_show_how_long():
    with pytest.raises(Unusable) as refusal:
        judged(HOT, Reading("core", entered="75", value=Decimal(75), unit="CEL"))
    assert refusal.value.code == "course-missing"
