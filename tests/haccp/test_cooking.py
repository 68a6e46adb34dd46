"""Temperatures in the kettle: what they mean here and today, and what nothing corrects."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp import cooking
from haccp.cooking import Method
from haccp.science.answers import Computed, NotComputed
from ledger.models import Establishment
from tests.conftest import Client
from tests.haccp.science.tables import rows

SEA, HIGH, UNKNOWN = (Establishment(altitude_m=height) for height in (0, 1500, None))
NOT_BOILING = ("clear liquid", "brown liquid (caramel)", "caramel, dry method")


def by_name(table):
    return {each.stage.name: each for each in table.targets}


def means(celsius, method=Method.BOILED, here=SEA, **values):
    return cooking.meaning(here, celsius, method=method, **values)


@pytest.mark.parametrize("row", rows("candy-stages"), ids=lambda row: row["stage"])
def test_at_the_sea_the_stages_are_those_of_the_trade_tables(row):
    """Seven trade tables (read)."""
    target = by_name(cooking.table(SEA, pressure_kpa=101.325))[row["stage"]]
    assert (target.low_c, target.high_c) == pytest.approx(
        (float(row["temp_low_C"]), float(row["temp_high_C"]))
    )


@pytest.mark.parametrize("row", rows("altitude-boiling"), ids=lambda row: row["altitude_m"])
def test_every_boiling_stage_falls_with_the_boiling_point_of_water(row):
    """Standard atmosphere and IAPWS (computed); take off as many degrees as water boils lower (trade rule, read)."""
    table = cooking.table(Establishment(altitude_m=int(row["altitude_m"])))
    fall = 99.97 - float(row["water_boiling_C"])
    assert by_name(table)["soft ball"].low_c == pytest.approx(112 - fall, abs=0.02)


@pytest.mark.parametrize("name", NOT_BOILING)
@pytest.mark.parametrize("options", [{}, {"pressure_kpa": 80.0}, {"instrument_error": 3.0}])
def test_what_is_no_boiling_point_is_never_moved(name, options):
    target, sea = by_name(cooking.table(HIGH, **options))[name], by_name(cooking.table(SEA))[name]
    assert isinstance(target.shift, NotComputed)
    assert (target.low_c, target.high_c) == (sea.stage.low_c, sea.stage.high_c)


def test_the_shift_and_the_probes_error_stand_apart():
    plain, off = (by_name(cooking.table(HIGH, instrument_error=error))["soft ball"] for error in (None, 2.5))
    assert (plain.low_c, plain.shift) == (off.low_c, off.shift)
    assert off.instrument_error_c == 2.5
    assert plain.instrument_error_c is None


def test_the_days_pressure_goes_before_the_altitude():
    assert cooking.table(HIGH, pressure_kpa=101.325).water.value == pytest.approx(99.97, abs=0.01)


def test_without_altitude_or_pressure_nothing_is_moved_and_it_says_so():
    table = cooking.table(UNKNOWN)
    assert cooking.NO_ALTITUDE in table.water.sentence
    assert by_name(table)["soft ball"].low_c == 112
    assert isinstance(by_name(table)["soft ball"].shift, NotComputed)


@pytest.mark.parametrize("pressure", [1013.25, 0, -1, 22.5, 110.1, float("nan"), float("inf")])
def test_a_pressure_that_no_open_pan_has_is_refused_by_name(pressure):
    with pytest.raises(Unusable) as caught:
        cooking.table(SEA, pressure_kpa=pressure)
    assert caught.value.reasons[0].field == "pressure"


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"instrument_error": 51.0}, "instrument_error"),
        ({"instrument_error": float("nan")}, "instrument_error"),
        ({"checked_at": [float("inf")]}, "checked_at"),
        ({"checked_at": [500.0]}, "checked_at"),
    ],
)
def test_nonsense_about_the_probe_is_refused_by_name(values, field):
    for ask in (lambda: cooking.table(SEA, **values), lambda: means(115.0, **values)):
        with pytest.raises(Unusable) as caught:
            ask()
        assert caught.value.reasons[0].field == field


@pytest.mark.parametrize("celsius", [-51.0, 401.0, float("nan")])
def test_a_temperature_that_no_kettle_has_is_refused(celsius):
    with pytest.raises(Unusable):
        means(celsius)


@pytest.mark.parametrize(
    "row",
    [row for row in rows("sucrose-boiling") if 60 <= float(row["solids_pct_mm"]) < 96],
    ids=lambda r: r["solids_pct_mm"],
)
def test_a_boiling_temperature_means_the_solids_of_the_published_equation_within_3_percent(row):
    """Starzak and Peacock with IAPWS (constants read, computed)."""
    solids = means(float(row["boiling_point_model_C"]) - 1e-3, pressure_kpa=float(row["pressure_kPa"])).solids
    assert solids.value == pytest.approx(float(row["solids_pct_mm"]), abs=0.4)
    assert solids.high - solids.low == pytest.approx(6, abs=0.01)


def test_the_old_trade_table_lies_in_the_band():
    """Attributed to Browne 1912 (read): 70 % boils at 106.5 °C."""
    solids = means(99.97 + 6.5, pressure_kpa=101.325).solids
    assert solids.low <= 70 + 3
    assert solids.value > 70


@pytest.mark.parametrize(
    ("celsius", "stage"),
    [
        (99.0, cooking.BELOW_STAGES),
        (114.0, "soft ball"),
        (117.0, "between soft ball and firm ball"),
        (131.0, "between hard ball and soft crack"),
        (150.0, "hard crack"),
        (157.0, cooking.ABOVE_STAGES),
        (160.0, "clear liquid"),
        (170.0, "brown liquid (caramel)"),
    ],
)
def test_a_reading_names_its_stage(celsius, stage):
    assert means(celsius, pressure_kpa=101.325).stage == stage


def test_at_altitude_the_same_stage_is_reached_lower():
    """1500 m: water boils 5 °C lower (computed), so does soft ball."""
    assert means(109.0, here=HIGH).stage == "soft ball"
    assert means(109.0, here=SEA).stage == cooking.BELOW_STAGES


def test_a_probe_that_reads_high_is_taken_off_the_reading_and_shown():
    found = means(118.0, instrument_error=4.0, pressure_kpa=101.325)
    assert (found.celsius, found.without_error, found.stage) == (118.0, 114.0, "soft ball")
    assert found.solids == means(114.0, pressure_kpa=101.325).solids


def test_by_altitude_the_band_of_the_solids_holds_the_weather():
    by_altitude, by_pressure = means(114.0), means(114.0, pressure_kpa=101.325)
    assert by_altitude.solids.low < by_pressure.solids.low
    assert by_altitude.solids.high > by_pressure.solids.high
    assert cooking.STANDARD_DAY in by_altitude.solids.notes


def test_near_the_boiling_point_of_water_the_weather_may_leave_no_solids_at_all():
    """0.5 °C over a standard day's 99.97: under 3 kPa more water itself boils at about 100.8 (IAPWS, computed)."""
    solids = means(100.5).solids
    assert solids.value > 15
    assert solids.low == 0


def test_near_the_thickest_syrup_the_weather_may_leave_nothing_but_solids():
    """The equation ends at 96 %; under 3 kPa less the same temperature is beyond it."""
    solids = means(143.5).solids
    assert solids.value < 96
    assert solids.high == 100


def test_where_neither_altitude_nor_pressure_is_known_a_stage_is_told_as_that_of_the_sea():
    assert means(114.0, here=UNKNOWN).stage.startswith("soft ball at sea level; here it is not known")
    assert isinstance(means(114.0, here=UNKNOWN).solids, NotComputed)


@pytest.mark.parametrize("here", [SEA, HIGH, UNKNOWN])
@pytest.mark.parametrize("celsius", [115.0, 160.0, 170.0, 186.0])
def test_dry_caramel_has_no_solids_and_no_shift_at_any_altitude(here, celsius):
    found = means(celsius, Method.DRY, here, pressure_kpa=85.0)
    assert isinstance(found.solids, NotComputed)
    assert isinstance(found.target.shift, NotComputed)
    assert found.stage == "caramel, dry method"
    for word in ("colour", "crystals", "lumps", "time"):
        assert word in found.solids.sentence


def test_a_boiling_water_check_does_not_verify_a_probe_at_170():
    table = cooking.table(SEA, checked_at=[0.0, 100.0])
    assert not table.probe.speaks
    assert "does not verify the probe at 170 °C" in table.probe.sentence
    assert any("does not verify a probe at 170 °C" in each for each in cooking.cautions())


def test_a_probe_that_nobody_checked_is_said_to_be_unchecked():
    assert "was not checked" in means(115.0).probe.sentence


def test_the_burn_caution_stands_first():
    assert cooking.cautions()[0].startswith("Hot sugar sticks and burns at every working temperature")


@given(celsius=st.floats(-50, 400), kpa=st.floats(22.6, 110), error=st.floats(-50, 50))
def test_every_reading_has_a_stage_and_solids_only_below_100(celsius, kpa, error):
    found = means(celsius, pressure_kpa=kpa, instrument_error=error)
    assert found.stage
    if isinstance(found.solids, Computed):
        assert 0 <= found.solids.low <= found.solids.value <= found.solids.high <= 100


# --- cooking over HTTP


@pytest.mark.django_db
def test_the_stages_come_with_shift_error_and_cautions(api: Client):
    said = api.ask("cooking/stages", pressure="84.556", instrument_error="1.5", checked_at="0,95").json()
    soft = next(each for each in said["stages"] if each["name"] == "soft ball")
    assert (soft["sea_level_low"], soft["low"], soft["shift"]["value"]) == ("112.0", "107.0", "-5.0")
    assert soft["instrument_error"] == "1.5"
    dry = said["stages"][-1]
    assert (dry["low"], dry["shift"]["computed"], dry["shift"]["value"]) == (None, False, None)
    assert "does not verify the probe at 170 °C" in said["probe"]["sentence"]
    assert said["cautions"][0].startswith("Hot sugar sticks and burns")


@pytest.mark.django_db
def test_a_reading_is_told_its_stage_and_solids(api: Client):
    said = api.ask("cooking/reading", celsius="114", method="boiled", pressure="101.325").json()
    assert said["stage"] == "soft ball"
    assert float(said["solids"]["high"]) - float(said["solids"]["low"]) == pytest.approx(6, abs=0.02)
    dry = api.ask("cooking/reading", celsius="172", method="dry").json()
    assert (dry["stage"], dry["solids"]["computed"]) == ("caramel, dry method", False)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("query", "field"),
    [
        ({"pressure": "1013"}, "pressure"),
        ({"pressure": "NaN"}, "pressure"),
        ({"instrument_error": "1e9"}, "instrument_error"),
        ({"instrument_error": "60"}, "instrument_error"),
        ({"checked_at": "0,x"}, "checked_at"),
        ({"checked_at": ",".join(["1"] * 21)}, "checked_at"),
    ],
)
def test_a_bad_query_about_a_cook_is_refused_by_name(api: Client, query: dict[str, str], field: str):
    for path, more in (("stages", {}), ("reading", {"celsius": "110", "method": "boiled"})):
        answer = api.ask(f"cooking/{path}", **more, **query)
        assert answer.status_code == 400
        assert field in {error["field"] for error in answer.json()["errors"]}


@pytest.mark.django_db
def test_a_reading_without_its_method_is_refused(api: Client):
    answer = api.ask("cooking/reading", celsius="110")
    assert answer.json()["errors"][0]["field"] == "method"
