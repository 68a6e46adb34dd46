"""Lethality against worked examples and published tables, and what may not be taken for a kill step.

lethality-examples.csv (teaching texts read; closed forms computed), fsis-appendix-a.csv (US guideline for cooked beef,
two copies read), low-moisture-heat.csv and low-moisture-log-reductions.csv (abstracts read). D60 to D80 of flowing
peanut butter: LWT 129, 109507, 2020, abstract (read).
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp.science import lethality
from haccp.science.answers import Computed, NotComputed
from haccp.science.courses import course, heat
from haccp.science.lethality import DecimalTime, Matrix, Origin, Resistance, ZValue
from tests.haccp.science.tables import rows

PASTE = lethality.FLOWING_NUT_PASTE
MOIST = Origin("Listeria", Matrix.MOIST, "moist food", "2 min at 70 for six logs, z 7.5 (from memory)")
LISTERIA = Resistance(DecimalTime(2 / 6, 70, MOIST), ZValue(7.5, MOIST), 60, 75)
DRY = [matrix for matrix in Matrix if matrix not in lethality.MOIST]


def effect(minutes, celsius, reference_c, z_k, **options):
    at = [60 * minute for minute in minutes]
    return lethality.lethality(course(at, celsius, "CEL"), reference_c, z_k, **options)


def reduction(minutes, celsius, resistance, product):
    return lethality.log_reduction(
        course([60 * minute for minute in minutes], celsius, "CEL"), resistance, product
    )


def test_a_gap_is_named_and_left_out_and_fahrenheit_is_the_same_heat():
    held = effect([0, 1, 20, 21], [70] * 4, 70, 7.5, longest=120)
    assert held.value == pytest.approx(2)
    assert "Gap of 19 min after 1 min: left out." in held.notes
    warm = course([0, 60], [158, 158], "FAH")
    assert lethality.lethality(warm, 70, 7.5).value == pytest.approx(1)


def example(kind, inputs):
    row = next(r for r in rows("lethality-examples") if r["kind"] == kind and r["inputs"].startswith(inputs))
    return row["published_answer"]


@pytest.mark.parametrize(
    ("celsius", "reference", "printed"),
    [(110, 121.11, "0.077"), (101.1, 121.1, "0.01"), (111.1, 121.1, "0.1")],
)
def test_lethal_rate_is_as_printed(celsius, reference, printed):
    assert example("lethal rate", f"T={celsius:g}") == printed
    assert lethality.lethal_rate(celsius, reference, 10) == pytest.approx(float(printed), abs=0.0006)


@pytest.mark.parametrize(("celsius", "minutes"), [(101.1, 240), (111.1, 24)])
def test_the_same_effect_takes_ten_times_longer_ten_degrees_colder(celsius, minutes):
    held = effect([0, minutes], [celsius, celsius], 121.1, 10)
    assert held.value == pytest.approx(2.4)


@pytest.mark.parametrize(("celsius", "printed"), [(60, 43.09), (65, 9.283), (80, 0.0928)])
def test_two_minutes_at_70_moved_to_another_temperature(celsius, printed):
    assert float(example("equivalent time", f"2 min at 70 C, z=7.5, moved to {celsius}")) == printed
    assert 2 / lethality.lethal_rate(celsius, 70, 7.5) == pytest.approx(printed, rel=5e-4)


@pytest.mark.parametrize("step", [1 / 60, 1, 21.1])
def test_a_ramp_has_its_closed_form_however_far_apart_it_was_read(step):
    assert lethality.ramp_lethality(100, 121.1, 1, 121.1, 10).value == pytest.approx(4.3092, abs=5e-5)
    minutes = np.append(np.arange(0, 21.1, step), 21.1)
    answer = effect(minutes, 100 + minutes, 121.1, 10)
    assert answer.value == pytest.approx(4.30924, rel=1e-5)
    assert answer.low < 4.3092 < answer.high


@given(st.lists(st.floats(20, 140), min_size=2, max_size=30), st.floats(1, 60))
def test_the_heat_is_the_one_that_limits_are_judged_by(celsius, z):
    minutes = list(range(len(celsius)))
    followed = course([60 * minute for minute in minutes], celsius, "CEL")
    assert effect(minutes, celsius, 100, z).value == heat(followed, 100, z, longest=1e9) / 60


@given(st.lists(st.floats(20, 140), min_size=2, max_size=30), st.floats(20, 80), st.floats(0, 60))
def test_what_lies_beyond_the_temperatures_studied_is_cut_off_exactly(celsius, lowest, span):
    """Against counting in fine steps; each of them is counted whole, so they agree to a fine step's worth."""
    at, highest = 60.0 * np.arange(len(celsius)), lowest + span
    followed = course(at, celsius, "CEL")
    found = heat(followed, 70, 20, longest=float("inf"), studied=(lowest, highest))
    fine = np.arange(0.5, at[-1], 1) if at[-1] < 2 else np.arange(0.005, at[-1], 0.01)
    values = np.interp(fine, at, celsius)
    rates = np.where(values < lowest, 0.0, 10 ** ((np.minimum(values, highest) - 70) / 20))
    assert found == pytest.approx(
        float(rates.mean() * at[-1]), rel=1e-3, abs=0.2 * 10 ** ((highest - 70) / 20)
    )


def test_within_no_bounds_it_is_all_the_heat():
    followed = course([0, 60, 120], [60, 90, 70], "CEL")
    bounded = heat(followed, 70, 20, longest=60, studied=(-500, 500))
    assert bounded == pytest.approx(heat(followed, 70, 20, longest=60))


@given(
    st.floats(50, 130),
    st.floats(-60, 60).filter(lambda span: abs(span) > 0.1),
    st.floats(0.1, 20),
    st.floats(3, 50),
)
def test_the_closed_ramp_lies_between_the_bounds_of_a_fine_sum(start, span, rate, z):
    signed = math.copysign(rate, span)
    minutes = np.linspace(0, span / signed, 400)
    summed = effect(minutes, start + signed * minutes, 100, z)
    closed = lethality.ramp_lethality(start, start + span, signed, 100, z)
    assert summed.low <= closed.value * (1 + 1e-9)
    assert closed.value <= summed.high * (1 + 1e-9)


@given(st.lists(st.floats(20, 140), min_size=2, max_size=30), st.floats(1, 60))
def test_f_adds_up_over_parts_and_never_falls_with_heat(celsius, z):
    minutes = list(range(len(celsius)))
    whole = effect(minutes, celsius, 100, z).value
    hotter = effect(minutes, [c + 1 for c in celsius], 100, z).value
    assert hotter > whole
    if len(celsius) > 3:
        parts = effect(minutes[:3], celsius[:3], 100, z).value
        parts += effect(minutes[2:], celsius[2:], 100, z).value
        assert parts == pytest.approx(whole)


@pytest.mark.parametrize("row", rows("fsis-appendix-a"), ids=lambda row: row["temp_C"])
def test_moist_meat_rows_are_as_printed(row):
    for logs, column in ((6.5, "time_s_6_5_log"), (7, "time_s_7_log")):
        answer = lethality.moist_meat_hold(float(row["temp_C"]), logs, Matrix.MOIST_MEAT)
        assert answer.value == float(row[column])


def test_the_moist_meat_table_is_the_printed_one_and_nothing_more():
    assert len(lethality.MOIST_MEAT_ROWS) == len(rows("fsis-appendix-a"))


def test_between_rows_the_colder_row_counts():
    assert lethality.moist_meat_hold(59.9, 6.5, Matrix.MOIST_MEAT).value == 1680
    assert isinstance(lethality.moist_meat_hold(54.3, 6.5, Matrix.MOIST_MEAT), NotComputed)


@pytest.mark.parametrize("row", rows("fsis-appendix-a"), ids=lambda row: row["temp_C"])
def test_moist_meat_rows_follow_one_d_and_z_within_their_rounding(row):
    seconds = 6720 / lethality.lethal_rate((float(row["temp_F"]) - 32) / 1.8, (130 - 32) / 1.8, 10 / 1.8)
    assert seconds == pytest.approx(float(row["model_time_s_6_5_log"]), abs=0.06, rel=1e-4)
    assert -0.01 < float(row["time_s_6_5_log"]) / seconds - 1 < 0.14


@pytest.mark.parametrize(
    "product", [Matrix.NUT_PASTE, Matrix.CHOCOLATE, Matrix.SUGAR, Matrix.NUTS, Matrix.DRY, Matrix.MOIST]
)
def test_the_moist_meat_table_is_refused_for_anything_else(product):
    answer = lethality.moist_meat_hold(70, 6.5, product)
    assert isinstance(answer, NotComputed)
    assert product in answer.why


def test_published_d_values_of_a_nut_paste_follow_its_z():
    for celsius, minutes in ((60, 47.98), (65, 40.07), (70, 31.23), (75, 25.54), (80, 16.15)):
        assert lethality.decimal_time(PASTE, celsius).value == pytest.approx(minutes, rel=0.16)
    [row] = [r for r in rows("low-moisture-heat") if r["temp_C"] == "70" and r["z_C"]]
    assert (PASTE.d.minutes, PASTE.z.kelvin) == (float(row["D_min"]), float(row["z_C"]))


@pytest.mark.parametrize("celsius", [59.9, 80.1])
def test_d_is_not_stretched_past_what_was_studied(celsius):
    assert isinstance(lethality.decimal_time(PASTE, celsius), NotComputed)


def test_two_minutes_at_70_are_six_logs_in_a_moist_food_and_next_to_nothing_in_a_nut_paste():
    moist = reduction([0, 2], [70, 70], LISTERIA, Matrix.MOIST)
    paste = reduction([0, 2], [70, 70], PASTE, Matrix.NUT_PASTE)
    assert moist.value == pytest.approx(6)
    assert paste.value == pytest.approx(2 / 31.23)
    assert paste.value == pytest.approx(0.06, abs=0.005)


@pytest.mark.parametrize(
    ("condition", "celsius", "minutes", "logs"), [("70 C, more than 260 min", 70, 260, 7)]
)
def test_a_published_long_hold_lies_in_the_wide_band_of_a_dry_food(condition, celsius, minutes, logs):
    assert condition in {row["condition"] for row in rows("low-moisture-log-reductions")}
    answer = reduction([0, minutes], [celsius, celsius], PASTE, Matrix.NUT_PASTE)
    assert answer.low < logs < answer.high
    assert answer.value > logs  # more than 260 min were needed: the straight line promises too much


def test_figures_of_one_food_are_refused_for_another():
    answer = reduction([0, 2], [70, 70], LISTERIA, Matrix.NUT_PASTE)
    assert isinstance(answer, NotComputed)
    assert "say nothing of nut paste" in answer.why
    assert LISTERIA.d.origin.source in answer.why


def test_colder_than_studied_counts_as_nothing_and_hotter_as_the_hottest():
    cold = reduction([0, 60], [59, 59], PASTE, Matrix.NUT_PASTE)
    hot = reduction([0, 60], [120, 120], PASTE, Matrix.NUT_PASTE)
    assert cold.value == 0
    assert hot.value == pytest.approx(60 / lethality.decimal_time(PASTE, 80).value)


def test_d_of_one_study_and_z_of_another_are_refused():
    recent = Origin(
        "Salmonella Enteritidis PT30", Matrix.CHOCOLATE, "milk chocolate", "Food Control 2022 (read)"
    )
    older = Origin(
        "Salmonella Typhimurium", Matrix.CHOCOLATE, "milk chocolate", "Appl. Microbiol. 1968 16:1939 (read)"
    )
    with pytest.raises(Unusable, match="never put together"):
        Resistance(DecimalTime(47.4, 70, recent), ZValue(19.0, older), 70, 80)


@pytest.mark.parametrize("field", ["organism", "food", "source"])
def test_d_and_z_need_an_origin(field):
    with pytest.raises(Unusable, match=field):
        replace(MOIST, **{field: " "})


@pytest.mark.parametrize("wrong", [0, -1, float("nan")])
def test_d_and_z_must_be_above_zero(wrong):
    for made in (lambda: DecimalTime(wrong, 70, MOIST), lambda: ZValue(wrong, MOIST)):
        with pytest.raises(Unusable):
            made()
    with pytest.raises(Unusable):
        effect([0, 1], [70, 70], 70, wrong)


@pytest.mark.parametrize("product", DRY)
def test_a_dry_food_is_no_kill_step_without_own_validation(product):
    origin = replace(MOIST, matrix=product, food="a dry food")
    resistance = Resistance(DecimalTime(1, 70, origin), ZValue(20, origin), 60, 90)
    logs = reduction([0, 100], [80, 80], resistance, product)
    assert any("overstates" in note for note in logs.notes)
    assert isinstance(lethality.kill_step(logs, product, " "), NotComputed)


def test_own_validation_lets_a_nut_paste_stand_and_keeps_the_note():
    logs = reduction([0, 200], [80, 80], PASTE, Matrix.NUT_PASTE)
    stands = lethality.kill_step(logs, Matrix.NUT_PASTE, "validation V-7")
    assert isinstance(stands, Computed)
    assert any("overstates" in note for note in stands.notes)


def test_warm_chocolate_is_never_a_kill_step_whatever_is_shown():
    origin = replace(MOIST, matrix=Matrix.CHOCOLATE, food="milk chocolate")
    resistance = Resistance(DecimalTime(5.2, 80, origin), ZValue(18, origin), 70, 90)
    logs = reduction([0, 600], [90, 90], resistance, Matrix.CHOCOLATE)
    answer = lethality.kill_step(logs, Matrix.CHOCOLATE, "validation V-8")
    assert isinstance(answer, NotComputed)
    assert "no kill step" in answer.why
    assert "71 C, more than 30 h" in {row["condition"] for row in rows("low-moisture-log-reductions")}


def test_a_refused_reduction_stays_refused_as_a_kill_step():
    refused = reduction([0, 2], [70, 70], PASTE, Matrix.MOIST)
    assert isinstance(lethality.kill_step(refused, Matrix.MOIST), NotComputed)


@pytest.mark.parametrize("rate", [0, -1])
def test_a_ramp_that_leads_nowhere_is_unusable(rate):
    with pytest.raises(Unusable):
        lethality.ramp_lethality(60, 70, rate, 70, 7.5)


def test_an_unknown_column_is_unusable():
    with pytest.raises(Unusable):
        lethality.moist_meat_hold(60, 5, Matrix.MOIST_MEAT)


def test_hot_sugar_is_never_a_kill_step_either():
    origin = replace(MOIST, matrix=Matrix.SUGAR, food="caramel")
    resistance = Resistance(DecimalTime(1, 80, origin), ZValue(18, origin), 70, 90)
    logs = reduction([0, 600], [90, 90], resistance, Matrix.SUGAR)
    assert isinstance(lethality.kill_step(logs, Matrix.SUGAR, "validation V-9"), NotComputed)
