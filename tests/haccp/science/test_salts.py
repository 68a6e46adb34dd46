"""Saturated salts, held to greenspan-salts.csv (values from memory, regression constants read) and to a second
handbook fit (read, humidity-constants.csv) that says of itself that it is accurate to 2 % relative humidity."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp.science import salts
from haccp.science.answers import Computed, NotComputed
from tests.haccp.science.tables import rows

TABLE = rows("greenspan-salts")


def name(row):
    return f"{row['formula']} {row.get('temp_C', '')}"


@pytest.mark.parametrize("row", TABLE, ids=name)
def test_each_salt_gives_the_tabled_humidity_and_uncertainty(row):
    answer = salts.standard(row["formula"], float(row["temp_C"]))
    assert 100 * answer.value == pytest.approx(float(row["erh_pct"]))
    assert 100 * (answer.high - answer.value) == pytest.approx(float(row["uncertainty_pct"]))


@pytest.mark.parametrize("row", TABLE, ids=name)
def test_the_read_regression_constants_agree_within_a_quarter_percent(row):
    kelvin = float(row["temp_C"]) + 273.15
    by_constants = 100 * math.exp(float(row["k1_K"]) / kelvin - float(row["k2"]))
    assert by_constants == pytest.approx(float(row["erh_pct_from_k1_k2"]), abs=0.01)
    answer = salts.standard(row["formula"], float(row["temp_C"]))
    assert 100 * answer.value == pytest.approx(by_constants, abs=0.25)


@pytest.mark.parametrize("row", rows("humidity-constants"), ids=name)
def test_a_second_read_fit_agrees_within_its_own_accuracy(row):
    by_fit = float(row["A"]) * math.exp(float(row["B_K"]) / 298.15)
    assert by_fit == pytest.approx(float(row["printed_pct_at_25C"]), abs=0.6)
    assert 100 * salts.standard(row["formula"], 25).value == pytest.approx(by_fit, abs=2)


def test_between_two_temperatures_the_line_and_the_larger_uncertainty_count():
    answer = salts.standard("NaCl", 22.5)
    assert 100 * answer.value == pytest.approx(75.38)
    assert 100 * (answer.value - answer.low) == pytest.approx(0.14)


@pytest.mark.parametrize("celsius", [19.99, 30.01, 4])
def test_outside_20_to_30_degrees_is_not_computed(celsius):
    assert isinstance(salts.standard("NaCl", celsius), NotComputed)
    assert isinstance(salts.meter_error("NaCl", celsius, 0.75), NotComputed)


def test_a_meter_that_reads_low_has_a_negative_error_with_the_band_of_the_salt():
    answer = salts.meter_error("NaCl", 25, 0.745)
    assert answer.value == pytest.approx(-0.0079)
    assert (answer.low, answer.high) == pytest.approx((-0.0091, -0.0067))


def test_an_unknown_salt_and_nonsense_are_refused():
    with pytest.raises(Unusable, match="there are LiCl"):
        salts.standard("CuSO4", 25)
    with pytest.raises(Unusable):
        salts.standard("NaCl", math.nan)
    with pytest.raises(Unusable):
        salts.meter_error("NaCl", 25, -0.1)


@given(st.sampled_from(list(salts.SALTS)), st.floats(-20, 60))
def test_a_standard_lies_in_its_band_or_is_not_computed(formula, celsius):
    answer = salts.standard(formula, celsius)
    if 20 <= celsius <= 30:
        assert isinstance(answer, Computed)
        assert answer.low < answer.value < answer.high < 1
    else:
        assert isinstance(answer, NotComputed)
