"""Boiling points against published tables.

water-saturation.csv, altitude-boiling.csv (computed with two water formulations), sucrose-boiling.csv (model computed
from read constants, old trade table read). IAPWS-IF97 tables 35 and 36: verification values read in a public test
file (github.com/jjgomera/iapws, test.py). Standard atmosphere at 11 km, 22632.10 Pa: read at www.fxsolver.com
(constants of the U.S. Standard Atmosphere 1976). The ``iapws`` package is a second implementation.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws.iapws97 import _PSat_T, _TSat_P

from config.api.refusals import Unusable
from haccp.science import boiling
from haccp.science.answers import Computed, NotComputed
from tests.haccp.science.tables import rows

PRESSURES = st.floats(boiling.LOWEST_KPA, boiling.HIGHEST_KPA)


@pytest.mark.parametrize(("kelvin", "mpa"), [(300, 0.00353658941), (500, 2.63889776), (600, 12.3443146)])
def test_saturation_pressure_is_table_35_of_the_release(kelvin, mpa):
    assert boiling.saturation_kpa(kelvin - 273.15) / 1000 == pytest.approx(mpa, rel=1e-8)


@pytest.mark.parametrize(("mpa", "kelvin"), [(0.1, 372.755919), (1, 453.035632), (10, 584.149488)])
def test_saturation_temperature_is_table_36_of_the_release(mpa, kelvin):
    assert boiling.saturation_c(mpa * 1000) + 273.15 == pytest.approx(kelvin, abs=1e-6)


@given(PRESSURES)
def test_both_equations_agree_with_another_implementation(kpa):
    celsius = boiling.saturation_c(kpa)
    assert celsius == pytest.approx(_TSat_P(kpa / 1000) - 273.15, abs=1e-9)
    assert boiling.saturation_kpa(celsius) == pytest.approx(_PSat_T(celsius + 273.15) * 1000, rel=1e-9)


@pytest.mark.parametrize("row", rows("water-saturation"), ids=lambda row: row["pressure_kPa"])
def test_water_boils_as_tabled(row):
    answer = boiling.water_boils(float(row["pressure_kPa"]))
    assert answer.value == pytest.approx(float(row["boiling_C"]), abs=0.001)
    assert answer.low < float(row["boiling_C"]) < answer.high


@pytest.mark.parametrize("row", rows("altitude-boiling"), ids=lambda row: row["altitude_m"])
def test_pressure_water_and_syrup_by_altitude_are_as_tabled(row):
    pressure = boiling.pressure_at(float(row["altitude_m"]))
    assert pressure.value == pytest.approx(float(row["standard_pressure_kPa"]), abs=0.001)
    water = boiling.water_boils_at(float(row["altitude_m"]))
    assert water.value == pytest.approx(float(row["water_boiling_C"]), abs=0.01)
    for solids in (80, 87, 95):
        tabled = float(row[f"sucrose_{solids}pct_boiling_C"])
        assert boiling.syrup_boils(solids, pressure.value).value == pytest.approx(tabled, abs=0.06)


def test_the_standard_atmosphere_ends_at_11_km_with_its_printed_pressure():
    assert boiling.pressure_at(11_000).value == pytest.approx(22.63210, abs=0.002)
    assert isinstance(boiling.pressure_at(11_001), NotComputed)
    assert isinstance(boiling.water_boils_at(-501), NotComputed)


@pytest.mark.parametrize("row", rows("sucrose-boiling"), ids=lambda row: row["solids_pct_mm"])
def test_syrup_boils_as_the_equation_and_within_three_degrees_of_the_old_table(row):
    kpa = float(row["pressure_kPa"])
    answer = boiling.syrup_boils(float(row["solids_pct_mm"]), kpa)
    rise = answer.value - boiling.saturation_c(kpa)
    assert rise == pytest.approx(float(row["bpe_model_C"]), abs=0.006)
    if row["bpe_old_table_C"]:
        assert answer.low <= boiling.saturation_c(kpa) + float(row["bpe_old_table_C"]) <= answer.high


@given(st.floats(5, 96), PRESSURES)
def test_solids_come_back_from_the_temperature_they_boil_at(solids, kpa):
    back = boiling.solids_from_boiling(boiling.syrup_c(solids, kpa), kpa)
    assert back.value == pytest.approx(solids, abs=0.01)
    assert back.low >= back.value - 3 - 1e-9
    assert back.high <= min(back.value + 3 + 1e-9, 100)


@given(PRESSURES)
def test_at_the_boiling_point_of_water_there_are_no_solids(kpa):
    assert boiling.solids_from_boiling(boiling.saturation_c(kpa), kpa).value == pytest.approx(0, abs=1e-3)


@given(PRESSURES)
def test_the_thickest_syrup_is_still_computed(kpa):
    assert boiling.solids_from_boiling(boiling.syrup_c(96, kpa), kpa).value == pytest.approx(96, abs=1e-6)


@given(st.floats(0, 95), PRESSURES)
def test_more_solids_and_more_pressure_boil_hotter(solids, kpa):
    here = boiling.syrup_c(solids, kpa)
    assert boiling.syrup_c(solids + 1, kpa) > here
    assert boiling.syrup_c(solids, kpa + 1) > here


def test_syrup_without_sugar_boils_as_water():
    assert boiling.syrup_boils(0, 101.325).value == pytest.approx(99.974, abs=0.001)


@pytest.mark.parametrize("kpa", [1013.25, 22.5, 110.1])
def test_a_pressure_no_room_has_is_not_computed(kpa):
    for answer in (
        boiling.water_boils(kpa),
        boiling.syrup_boils(80, kpa),
        boiling.solids_from_boiling(110, kpa),
    ):
        assert isinstance(answer, NotComputed)
        assert "hPa" in answer.sentence


def test_solids_outside_the_equation_are_not_computed():
    assert isinstance(boiling.syrup_boils(96.1, 101.325), NotComputed)
    assert isinstance(boiling.solids_from_boiling(160, 101.325), NotComputed)


def test_a_syrup_colder_than_boiling_water_points_at_probe_or_pressure():
    answer = boiling.solids_from_boiling(98, 101.325)
    assert "probe or pressure" in answer.why


def test_the_answer_carries_its_equation_and_that_it_is_of_pure_sucrose():
    notes = " ".join(boiling.syrup_boils(80, 101.325).notes)
    assert "0.24653" in notes
    assert "glucose syrup, milk" in notes


def test_by_altitude_alone_the_band_is_the_weather():
    answer = boiling.water_boils_at(1500)
    assert isinstance(answer, Computed)
    assert answer.high - answer.low > 1.5
    assert answer.low < boiling.saturation_c(82.0) < boiling.saturation_c(87.0) < answer.high


@pytest.mark.parametrize("kpa", [float("nan"), 0, -1])
def test_a_pressure_that_is_none_is_unusable(kpa):
    with pytest.raises(Unusable):
        boiling.water_boils(kpa)
