"""Refractometer, held to two tables: refractive-index.csv (four decimals read, five from memory) and a handbook table
of concentrative properties (read, handbook-solutions.csv)."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp.science import refraction
from haccp.science.answers import Computed, NotComputed
from tests.haccp.science.tables import rows

TABLE = [row for row in rows("refractive-index") if float(row["sucrose_pct_mm_brix"]) <= 80]
HANDBOOK = [row for row in rows("handbook-solutions") if row["solute"] == "sucrose"]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row["sucrose_pct_mm_brix"])
def test_the_index_meets_the_read_table_within_two_units_of_the_fourth_decimal(row):
    answer = refraction.index_of(float(row["sucrose_pct_mm_brix"]))
    assert answer.value == pytest.approx(float(row["n_D20_handbook_4dp"]), abs=2e-4)
    assert answer.low <= float(row["n_D20_handbook_4dp"]) <= answer.high
    if row["n_D20_icumsa_5dp"]:
        assert answer.value == pytest.approx(float(row["n_D20_icumsa_5dp"]), abs=1e-9)


@pytest.mark.parametrize("row", HANDBOOK, ids=lambda row: row["mass_pct"])
def test_the_index_meets_the_handbook_between_the_tabled_points(row):
    assert refraction.index_of(float(row["mass_pct"])).value == pytest.approx(float(row["n_D20"]), abs=2e-4)


@pytest.mark.parametrize("row", HANDBOOK, ids=lambda row: row["mass_pct"])
def test_brix_from_the_handbook_index_holds_the_handbook_solids(row):
    answer = refraction.brix_of(float(row["n_D20"]))
    assert answer.low <= float(row["mass_pct"]) <= answer.high
    assert answer.high - answer.low < 0.4


def test_brix_says_that_it_is_solids_only_for_pure_sucrose():
    assert refraction.PURE_SUCROSE in refraction.brix_of(1.4).notes


@pytest.mark.parametrize("brix", [-0.01, 80.01, 85])
def test_beyond_the_table_there_is_no_index(brix):
    assert isinstance(refraction.index_of(brix), NotComputed)


@pytest.mark.parametrize("index", [1.33298, 1.49072, 1.5])
def test_beyond_the_table_there_is_no_brix(index):
    assert isinstance(refraction.brix_of(index), NotComputed)


@pytest.mark.parametrize("celsius", [19.9, 20.1, 25])
def test_no_temperature_correction_is_made_up(celsius):
    for answer in (
        refraction.index_of(60, sample_celsius=celsius),
        refraction.brix_of(1.44, sample_celsius=celsius),
    ):
        assert isinstance(answer, NotComputed)
        assert "20 °C" in answer.advice


def test_nonsense_is_refused():
    with pytest.raises(Unusable):
        refraction.index_of(math.nan)
    with pytest.raises(Unusable):
        refraction.brix_of(1.4, sample_celsius=math.inf)


@given(st.floats(0, 80))
def test_there_and_back_is_where_it_began(brix):
    back = refraction.brix_of(refraction.index_of(brix).value)
    assert isinstance(back, Computed)
    assert back.value == pytest.approx(brix, abs=1e-6)
    assert back.low <= back.value <= back.high


@given(st.floats(0, 79), st.floats(0.001, 1))
def test_the_index_rises_with_sugar(brix, more):
    assert refraction.index_of(brix + more).value > refraction.index_of(brix).value
