"""Glass transition of sucrose and water, held to glass-transition.csv (computed; inputs read and from memory)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp.science import glass
from haccp.science.answers import Computed, NotComputed
from tests.haccp.science.tables import rows

TABLE = rows("glass-transition")


def of(share, **more):
    return glass.transition(water_g=100 * share, sucrose_g=100 * (1 - share), **more)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row["water_mass_fraction"])
def test_the_transition_is_the_tabled_one_and_not_that_of_k_on_the_wrong_part(row):
    share = float(row["water_mass_fraction"])
    assert of(share).value == pytest.approx(float(row["Tg_C_gordon_taylor"]), abs=0.05)
    if share:
        assert of(share).value != pytest.approx(float(row["Tg_C_if_k_put_on_wrong_component"]), abs=5)


def test_the_band_is_five_degrees_and_holds_one_read_value_of_dry_sucrose_not_the_other():
    # 60 degC: trehalose-sucrose study, doi 10.1080/10942910500269824 (read). 52 degC: Belitz 2004 as quoted in
    # fliphtml5.com/lnym/yidm, page 38 (read).
    dry = of(0)
    assert (dry.low, dry.high) == (57, 67)
    assert dry.low <= 60 <= dry.high
    assert dry.low > 52
    assert any("52" in note for note in dry.notes)


def test_it_says_that_glucose_syrup_shifts_it():
    assert "glucose syrup" in of(0.03).notes[0]


def test_other_solids_are_not_computed():
    assert isinstance(of(0.03, other_g=1), NotComputed)


@pytest.mark.parametrize("share", [0.101, 0.5, 0.99])
def test_more_than_ten_percent_water_is_not_computed(share):
    assert isinstance(of(share), NotComputed)


def test_it_passes_25_degrees_at_the_tabled_water():
    # 4.7 % m/m water (computed).
    assert glass.most_water(25).value == pytest.approx(4.7, abs=0.05)


@pytest.mark.parametrize("celsius", [-5, 60, 100])
def test_water_whose_band_leaves_the_range_is_not_computed(celsius):
    assert isinstance(glass.most_water(celsius), NotComputed)


def test_nonsense_is_refused():
    with pytest.raises(Unusable):
        glass.transition(water_g=1, sucrose_g=0)
    with pytest.raises(Unusable):
        glass.most_water(float("nan"))


@given(st.floats(0.1, 56))
def test_there_and_back_is_where_it_began(celsius):
    water = glass.most_water(celsius)
    assert isinstance(water, Computed)
    assert of(water.value / 100).value == pytest.approx(celsius, abs=1e-6)
    assert water.low < water.value < water.high
