"""Time at or above a temperature: arithmetic on straight lines between readings."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from haccp.science.courses import course, time_at

READINGS = st.lists(st.integers(-50, 200), min_size=2, max_size=20)
LEVELS = st.integers(-50, 200).map(lambda level: level + 0.5)  # never on a reading


def spent(celsius, level, *, above=True):
    return time_at(course(list(range(len(celsius))), celsius, "CEL"), level, above=above, longest=math.inf)


@given(READINGS, LEVELS)
def test_above_and_below_make_the_whole(celsius, level):
    assert spent(celsius, level) + spent(celsius, level, above=False) == pytest.approx(len(celsius) - 1)


@given(READINGS, LEVELS)
def test_it_agrees_with_counting_very_fine_steps(celsius, level):
    fine = np.interp(np.linspace(0, len(celsius) - 1, 20_001), np.arange(len(celsius)), celsius)
    counted = np.mean(fine >= level) * (len(celsius) - 1)
    assert spent(celsius, level) == pytest.approx(counted, abs=0.002 * len(celsius))


@given(READINGS, LEVELS)
def test_a_higher_level_never_takes_longer(celsius, level):
    assert spent(celsius, level + 1) <= spent(celsius, level) + 1e-9
