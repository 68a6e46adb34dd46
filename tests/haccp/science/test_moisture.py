"""Water and solids, held to moisture-balance.csv (computed from the conservation of solids) and to the law itself."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp.science import moisture
from haccp.science.answers import NotComputed
from haccp.science.moisture import Line, Moisture
from tests.haccp.science.tables import rows

FIRST, SECOND, BASIS = rows("moisture-balance")
PERCENT = st.floats(0, 99)


def test_syrup_of_30_percent_cooked_to_3_percent_leaves_the_tabled_mass():
    answer = moisture.cooked_off(100, Moisture(30), Moisture(3))
    assert FIRST["answer"] == "72.165 kg product, 27.835 kg water off"
    assert (answer.left.value, answer.water_off.value) == pytest.approx((72.165, 27.835), abs=5e-4)


def test_solids_of_80_percent_cooked_to_97_percent_leave_the_tabled_mass():
    answer = moisture.cooked_off(50, moisture.moisture_of_solids(80), moisture.moisture_of_solids(97))
    assert SECOND["answer"] == "41.237 kg product, 8.763 kg water off"
    assert (answer.left.value, answer.water_off.value) == pytest.approx((41.237, 8.763), abs=5e-4)


def test_a_twentieth_on_dry_basis_is_the_tabled_wet_basis():
    assert BASIS["answer"] == "4.7619 % wet basis"
    assert moisture.to_wet_basis(0.05).value == pytest.approx(4.7619, abs=5e-5)


def test_uncertain_moisture_gives_an_uncertain_mass():
    answer = moisture.cooked_off(100, Moisture(30, 1), Moisture(3, 0.5))
    assert (answer.left.low, answer.left.high) == pytest.approx((100 * 69 / 97.5, 100 * 71 / 96.5))


def test_the_band_of_cooking_stops_where_no_water_goes_off():
    answer = moisture.cooked_off(100, Moisture(4, 1), Moisture(3.5, 1))
    assert (answer.left.high, answer.water_off.low) == pytest.approx((100, 0))


def test_cooking_adds_no_water():
    with pytest.raises(Unusable, match="takes water off"):
        moisture.cooked_off(100, Moisture(3), Moisture(30))


def test_water_alone_leaves_nothing_to_reckon_by():
    assert isinstance(moisture.cooked_off(10, Moisture(100), Moisture(50)), NotComputed)
    assert isinstance(moisture.to_dry_basis(Moisture(100)), NotComputed)


@pytest.mark.parametrize("percent", [100.1, -0.1, math.nan, math.inf])
def test_solids_over_100_percent_and_other_nonsense_are_refused(percent):
    with pytest.raises(Unusable):
        moisture.moisture_of_solids(percent)
    with pytest.raises(Unusable):
        Moisture(percent)


LINES = [
    Line("syrup", 6, Moisture(20, 1)),
    Line("nut paste", 3, Moisture(2, 0.5)),
    Line("water", 1, Moisture(100)),
]


def test_a_mixture_has_the_mean_moisture_of_its_lines():
    answer = moisture.mixed(LINES, total_kg=10, tolerance_kg=0)
    assert answer.value == pytest.approx(22.6)
    assert (answer.low, answer.high) == pytest.approx((21.85, 23.35))


@pytest.mark.parametrize(("total", "tolerance"), [(10.2, 0.1), (9.8, 0.1)])
def test_lines_that_do_not_come_to_the_total_are_refused(total, tolerance):
    with pytest.raises(Unusable, match="come to 10"):
        moisture.mixed(LINES, total_kg=total, tolerance_kg=tolerance)


def test_what_differs_within_the_stated_tolerance_is_taken():
    assert moisture.mixed(LINES, total_kg=10.1, tolerance_kg=0.1).value == pytest.approx(22.6)


def test_a_mixture_of_nothing_is_refused():
    with pytest.raises(Unusable):
        moisture.mixed([Line("air", 0, Moisture(0))], total_kg=1, tolerance_kg=1)


@given(PERCENT)
def test_wet_to_dry_and_back_is_where_it_began(percent):
    dry = moisture.to_dry_basis(Moisture(percent)).value
    assert moisture.to_wet_basis(dry).value == pytest.approx(percent, abs=1e-9)


@given(st.floats(0.001, 1e4), PERCENT, PERCENT, st.floats(0, 5), st.floats(0, 5))
def test_cooking_conserves_solids_and_mass_and_the_band_holds_the_value(mass, one, other, u1, u2):
    before, after = Moisture(max(one, other), u1), Moisture(min(one, other), u2)
    answer = moisture.cooked_off(mass, before, after)
    if isinstance(answer, NotComputed):
        assert before.high >= 100
        return
    solids = mass * (100 - before.percent)
    assert answer.left.value * (100 - after.percent) == pytest.approx(solids)
    assert answer.left.value + answer.water_off.value == pytest.approx(mass)
    assert answer.water_off.low >= -1e-9 * mass
    for part in (answer.left, answer.water_off):
        assert part.low - 1e-9 * mass <= part.value <= part.high + 1e-9 * mass


@given(st.lists(st.tuples(st.floats(0.01, 100), st.floats(0, 100), st.floats(0, 10)), min_size=1, max_size=6))
def test_mixing_conserves_water(parts):
    lines = [Line(str(i), mass, Moisture(wet, doubt)) for i, (mass, wet, doubt) in enumerate(parts)]
    total = math.fsum(mass for mass, _, _ in parts)
    answer = moisture.mixed(lines, total_kg=total, tolerance_kg=0)
    assert answer.value * total == pytest.approx(sum(mass * wet for mass, wet, _ in parts), abs=1e-6)
    assert answer.low - 1e-9 <= answer.value <= answer.high + 1e-9
