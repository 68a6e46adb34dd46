"""Sugar stages against candy-stages.csv (seven trade tables, read), and what may not be corrected.

That colour against the site's own reference ends the dry method is common practice, no source.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haccp.science import boiling, stages
from haccp.science.answers import NotComputed
from tests.haccp.science.tables import rows

BOILING = [row for row in stages.STAGES if row.boils]
OTHER = [row for row in stages.STAGES if not row.boils]


@pytest.mark.parametrize("row", rows("candy-stages"), ids=lambda row: row["stage"])
def test_every_row_is_as_the_trade_tables_print_it(row):
    mine = stages.stage(row["stage"])
    assert (mine.low_c, mine.high_c) == (float(row["temp_low_C"]), float(row["temp_high_C"]))
    assert mine.solids_pct == row["trade_solids_pct"]


@pytest.mark.parametrize("row", BOILING, ids=lambda row: row.name)
def test_at_the_sea_on_a_standard_day_nothing_moves(row):
    target = stages.target(row, boiling.water_boils(101.325))
    assert (target.low_c, target.high_c) == (row.low_c, row.high_c)


def test_at_1500_m_soft_ball_lies_five_degrees_lower():
    target = stages.target(stages.stage("soft ball"), boiling.water_boils(84.556))
    assert target.low_c == pytest.approx(112 - (99.974 - 94.983), abs=0.01)
    assert target.shift.low == pytest.approx(1.2 * target.shift.value, abs=0.02)
    assert target.shift.high == pytest.approx(target.shift.value, abs=0.02)


@pytest.mark.parametrize("solids", [80, 87, 95])
def test_the_band_of_the_shift_holds_what_the_syrup_equation_gives(solids):
    for altitude in (500, 1500, 3000):
        kpa = boiling.pressure_at(altitude).value
        moved = boiling.syrup_c(solids, kpa) - boiling.syrup_c(solids, 101.325)
        shift = stages.shift(BOILING[0], boiling.water_boils(kpa))
        assert shift.low <= moved <= shift.high


@given(st.floats(22.6, 110))
def test_the_rule_lies_in_its_band_for_any_pressure(kpa):
    shift = stages.shift(BOILING[0], boiling.water_boils(kpa))
    assert shift.low <= shift.value <= shift.high


@pytest.mark.parametrize("row", OTHER, ids=lambda row: row.name)
def test_what_is_no_boiling_point_is_never_moved(row):
    target = stages.target(row, boiling.water_boils(70.109))
    assert (target.low_c, target.high_c) == (row.low_c, row.high_c)
    assert isinstance(target.shift, NotComputed)
    assert "no boiling point" in target.shift.sentence
    for word in ("colour", "reference", "crystals or lumps", "time"):
        assert word in target.shift.sentence


def test_the_rows_that_are_no_boiling_point_are_these():
    assert [row.name for row in OTHER] == ["clear liquid", "brown liquid (caramel)", "caramel, dry method"]


def test_altitude_and_the_probes_error_stand_apart():
    water = boiling.water_boils(84.556)
    plain, with_error = (stages.target(BOILING[1], water, error) for error in (None, 1.5))
    assert (plain.low_c, plain.high_c) == (with_error.low_c, with_error.high_c)
    table, shift, probe = with_error.sentences
    assert "112 to 116" in table
    assert "-5.0" in shift
    assert "+1.5" in probe


def test_without_a_pressure_the_shift_says_why_and_nothing_moves():
    target = stages.target(BOILING[1], boiling.water_boils(845.56))
    assert target.low_c == 112
    assert "hPa" in target.shift.sentence


def test_ice_and_boiling_water_do_not_verify_a_probe_for_caramel():
    said = stages.what_checks_say([94.98, 0.0], 170)
    assert not said.speaks
    assert "does not verify the probe at 170 °C" in said.sentence


def test_ice_and_boiling_water_speak_for_what_lies_between():
    assert stages.what_checks_say([0.0, 94.98], 72).speaks


@pytest.mark.parametrize("points", [[], [0.0], [170.0]])
def test_fewer_than_two_points_speak_for_nothing(points):
    assert not stages.what_checks_say(points, 170).speaks
