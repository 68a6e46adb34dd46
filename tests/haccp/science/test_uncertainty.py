"""Measurement uncertainty against worked examples.

GUM H.3, data and answers: read in github.com/MSLNZ/GTC, docs/API/GUM_H3.rst (intercept -0.1712(29), slope
0.00218(67), correlation -0.93, sum of squares 0.000110096583109, correction at 30 degC -0.1494(41)).
measurement.csv: JCGM 106:2012 example and table 1 (from memory), guard bands (computed).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from config.api.refusals import Unusable
from haccp.science import boiling, uncertainty
from haccp.science.answers import NotComputed
from tests.haccp.science.tables import rows

READINGS = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTIONS = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
LINE = uncertainty.calibration_line(READINGS, CORRECTIONS, 20)
NEAR = st.floats(-50, 50)


def case(name):
    return next(row for row in rows("measurement") if row["case"].startswith(name))


def test_the_data_are_those_of_the_guide():
    tabled = case("thermometer calibration line")["inputs"]
    assert " ".join(f"{value:.3f}" for value in READINGS) in tabled
    assert " ".join(f"{value:.3f}" for value in CORRECTIONS) in tabled


def test_the_line_of_the_guide_comes_out():
    assert (round(LINE.y1, 4), round(LINE.u1, 4)) == (-0.1712, 0.0029)
    assert (round(LINE.y2, 5), round(LINE.u2, 5)) == (0.00218, 0.00067)
    assert (round(LINE.r, 2), round(LINE.s, 4)) == (-0.93, 0.0035)
    assert LINE.s**2 * 9 == pytest.approx(0.000110096583109, rel=1e-9)


def test_the_guides_correction_at_30_lies_on_the_line():
    value, u = LINE.at(30)
    assert (round(value, 4), round(u, 4)) == (-0.1494, 0.0041)


def test_outside_its_calibration_an_instrument_gets_no_correction():
    assert isinstance(LINE.correction(30), NotComputed)
    assert isinstance(LINE.correction(170), NotComputed)


def test_inside_its_calibration_the_correction_has_its_band():
    answer = LINE.correction(24)
    value, u = LINE.at(24)
    assert (answer.value, answer.high - answer.value) == (value, pytest.approx(2 * u))


@given(st.floats(-100, 100))
def test_the_line_does_not_depend_on_where_it_is_hung(t0):
    value, u = uncertainty.calibration_line(READINGS, CORRECTIONS, t0).at(24)
    assert value == pytest.approx(LINE.at(24)[0], abs=1e-9)
    assert u == pytest.approx(LINE.at(24)[1], rel=1e-4)


@given(st.lists(st.tuples(NEAR, NEAR), min_size=4, max_size=12, unique_by=lambda pair: round(pair[0], 1)))
def test_the_line_agrees_with_scipy(pairs):
    readings, corrections = zip(*pairs, strict=True)
    mine, theirs = (
        uncertainty.calibration_line(readings, corrections, 0),
        stats.linregress(readings, corrections),
    )
    assert mine.y1 == pytest.approx(theirs.intercept, rel=1e-5, abs=1e-6)
    assert mine.y2 == pytest.approx(theirs.slope, rel=1e-5, abs=1e-6)
    assert mine.u2 == pytest.approx(theirs.stderr, rel=1e-4, abs=1e-6)


def test_conformity_of_the_example():
    row = case("conformance probability")
    assert uncertainty.conformity(-5.47, 0.05, upper=-5.40) == pytest.approx(
        float(row["published_answer"]), abs=0.005
    )
    assert uncertainty.conformity(-5.47, 0.05, upper=-5.40) == pytest.approx(
        float(row["computed_answer"]), abs=5e-5
    )


def test_one_sided_factors_are_those_of_the_table():
    row = case("z for one-sided")
    for probability, z in zip(row["inputs"].split(), row["computed_answer"].split(), strict=True):
        moved = uncertainty.acceptance(1.0, float(probability), upper=0.0)
        assert moved.guard == pytest.approx(float(z), abs=5e-5)


def test_a_lower_limit_moves_up_by_its_guard():
    row = case("guarded acceptance")
    moved = uncertainty.acceptance(0.5, 0.95, lower=70.0)
    assert moved.lower == pytest.approx(float(row["published_answer"]), abs=0.005)
    assert moved.upper is None
    assert uncertainty.conformity(71.0, 0.5, lower=70.0) == pytest.approx(0.9772, abs=5e-5)


def test_the_boiling_check_has_its_target_at_the_days_pressure():
    row = case("boiling-point check target")
    assert row["computed_answer"].startswith(f"{boiling.water_boils(84.56).value:.2f}")


@given(st.floats(0.01, 5), st.floats(0.5, 0.999))
def test_on_the_moved_limit_conformity_is_what_was_asked(u, probability):
    moved = uncertainty.acceptance(u, probability, lower=70.0)
    assert uncertainty.conformity(moved.lower, u, lower=70.0) == pytest.approx(probability, abs=1e-6)


@given(NEAR, st.floats(0.01, 5))
def test_conformity_between_limits_agrees_with_scipy(y, u):
    theirs = stats.norm.cdf(10, y, u) - stats.norm.cdf(-10, y, u)
    assert uncertainty.conformity(y, u, -10, 10) == pytest.approx(theirs, abs=1e-9)


def test_limits_closer_than_the_instrument_can_tell_are_not_computed():
    assert isinstance(uncertainty.acceptance(1.0, 0.95, 70, 72), NotComputed)


@given(st.lists(st.floats(0, 100), min_size=1, max_size=8))
def test_a_combined_uncertainty_lies_between_the_largest_part_and_the_sum(parts):
    u = uncertainty.combined(parts)
    assert max(parts) <= u * (1 + 1e-12)
    assert u <= sum(parts) * (1 + 1e-12)


def test_parts_come_from_display_bounds_and_certificate():
    assert uncertainty.of_resolution(0.1) == pytest.approx(0.0289, abs=5e-5)
    assert uncertainty.of_bounds(0.5) == pytest.approx(0.2887, abs=5e-5)
    assert uncertainty.of_certificate(0.4, 2) == pytest.approx(0.2)
    assert uncertainty.combined([3, 4]) == pytest.approx(5)
    assert uncertainty.expanded(0.25) == pytest.approx(0.5)


@pytest.mark.parametrize(
    "asked",
    [
        lambda: uncertainty.calibration_line([1, 2], [0, 0], 0),
        lambda: uncertainty.calibration_line([1, 2, 3], [0, 0], 0),
        lambda: uncertainty.calibration_line([1, 1, 1], [0, 0, 0], 0),
        lambda: uncertainty.conformity(1, 0.1),
        lambda: uncertainty.conformity(1, 0.1, 3, 2),
        lambda: uncertainty.conformity(1, 0, 2, 3),
        lambda: uncertainty.acceptance(0.5, 1, lower=70),
        lambda: uncertainty.acceptance(0.5, 0.4, lower=70),
        lambda: uncertainty.combined([-1]),
        lambda: uncertainty.of_certificate(1, 0),
    ],
)
def test_what_means_nothing_is_unusable(asked):
    with pytest.raises(Unusable):
        asked()
