"""Time at or above a temperature: arithmetic on straight lines between readings."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp.science.exposure import Exposure, Gap, at_or_above, at_or_below

CURVES = st.lists(st.integers(-50, 200), min_size=2, max_size=20)


def test_a_crossing_is_placed_on_the_straight_line():
    assert at_or_above([0, 10], [60, 80], 75) == Exposure(2.5, 2.5, ())
    assert at_or_below([0, 10], [60, 80], 75) == Exposure(7.5, 7.5, ())


def test_exactly_at_the_bound_counts_both_ways():
    assert at_or_above([0, 5], [70, 70], 70).total == 5
    assert at_or_below([0, 5], [70, 70], 70).total == 5


def test_a_dip_breaks_the_longest_stretch_but_not_the_sum():
    spent = at_or_above([0, 10, 20, 30], [80, 80, 60, 80], 70)
    assert spent.total == pytest.approx(20)
    assert spent.longest == pytest.approx(15)


def test_touching_the_bound_does_not_break_the_stretch():
    assert at_or_above([0, 10, 20], [80, 70, 80], 70).longest == 20


def test_a_gap_is_named_and_counts_for_nothing():
    spent = at_or_above([0, 1, 12, 13], [80, 80, 80, 80], 70, longest_gap=10)
    assert spent == Exposure(2, 1, (Gap(1, 12),))


def test_readings_as_far_apart_as_allowed_are_no_gap():
    assert at_or_above([0, 10], [80, 80], 70, longest_gap=10).gaps == ()


@given(CURVES, st.integers(-50, 200))
def test_above_and_below_make_the_whole_unless_it_stays_on_the_bound(celsius, bound):
    minutes = list(range(len(celsius)))
    above, below = at_or_above(minutes, celsius, bound + 0.5), at_or_below(minutes, celsius, bound + 0.5)
    assert above.total + below.total == pytest.approx(len(celsius) - 1)
    assert 0 <= above.longest <= above.total + 1e-9


@given(CURVES, st.integers(-50, 200))
def test_it_agrees_with_counting_very_fine_steps(celsius, bound):
    minutes = np.arange(len(celsius))
    fine = np.linspace(0, len(celsius) - 1, 20_001)
    share = np.mean(np.interp(fine, minutes, celsius) >= bound + 0.5)
    spent = at_or_above(minutes, celsius, bound + 0.5).total
    assert spent == pytest.approx(share * (len(celsius) - 1), abs=0.002 * len(celsius))


@given(CURVES, st.integers(-50, 199))
def test_a_higher_bound_never_takes_longer(celsius, bound):
    minutes = list(range(len(celsius)))
    assert at_or_above(minutes, celsius, bound + 1).total <= at_or_above(minutes, celsius, bound).total + 1e-9


@pytest.mark.parametrize(
    ("minutes", "celsius"),
    [([0], [70]), ([0, 1], [70]), ([0, 0], [70, 71]), ([1, 0], [70, 71]), ([0, 1], [70, float("nan")])],
)
def test_readings_that_make_no_curve_are_unusable(minutes, celsius):
    with pytest.raises(Unusable):
        at_or_above(minutes, celsius, 70)


def test_ten_thousand_readings_are_quick_to_sum():
    minutes = np.arange(10_000.0)
    assert at_or_above(minutes, np.full(10_000, 71.0), 70).total == 9_999
