"""Capability against published examples.

Rings: nist-spc-answers.csv (textbook, read). Cpk with interval, 75 amplifiers: data read in the SAS/QC sample program
capspec3 (support.sas.com/documentation/onlinedoc/qc/ex_code/132/capspec3.html), interval 0.328 to 0.496 at 90 % read in
example 5.3 of its guide (qcug_capability_a0000001605). Cp of limits 62 and 38, s 1.75, n 20: 2.29, upper bound 3.011
read at wizedu.com/questions/1595352 (its lower bound takes a 90 % point by mistake; not copied).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from config.api.refusals import Unusable
from haccp.science import capability, charts
from tests.haccp.science.tables import rows, series

AMPLIFIERS = [float(row["decibels"]) for row in rows("amplifiers")]


def test_cpk_of_the_amplifiers_has_the_printed_interval():
    cpk = capability.capability(AMPLIFIERS, 4, 6, confidence=0.90).cpk
    assert (round(cpk.low, 3), round(cpk.high, 3)) == (0.328, 0.496)


def test_cp_of_twenty_values_has_the_printed_upper_bound():
    cp = capability.from_summary(50, 1.75, 20, 38, 62).cp
    assert cp.value == pytest.approx(2.29, abs=0.005)
    assert cp.high == pytest.approx(3.011, abs=0.006)  # printed from the rounded 2.29


def test_the_rings_have_the_printed_capability():
    rings = series("xbar_r_rings")
    groups = [rings[start : start + 5] for start in range(0, 125, 5)]
    chart = charts.xbar_r(groups)
    made = capability.from_summary(chart.series[0].limits.centre, chart.sigma, 125, 73.95, 74.05)
    assert made.cp.value == pytest.approx(1.70, abs=0.005)
    assert made.cpk.value == pytest.approx(1.66, abs=0.005)


@given(st.integers(1, 500), st.floats(0.001, 0.999))
def test_chi_square_points_agree_with_scipy(freedom, share):
    assert capability.chi_square_point(share, freedom) == pytest.approx(
        stats.chi2.ppf(share, freedom), rel=1e-8
    )


def test_chi_square_holds_for_many_thousand_values():
    assert capability.chi_square_point(0.975, 20_000) == pytest.approx(
        stats.chi2.ppf(0.975, 20_000), rel=1e-8
    )


@given(st.floats(-100, 100), st.floats(0.01, 50), st.integers(3, 300))
def test_cpk_is_never_above_cp_and_lies_in_its_interval(mean, s, n):
    made = capability.from_summary(mean, s, n, -10, 10)
    assert made.cpk.value <= made.cp.value * (1 + 1e-12)
    assert made.cp.low < made.cp.value < made.cp.high
    assert made.cpk.low < made.cpk.value < made.cpk.high


def test_one_limit_gives_cpk_alone():
    made = capability.from_summary(5, 1, 30, None, 8)
    assert made.cp is None
    assert made.cpk.value == pytest.approx(1)


@pytest.mark.parametrize(
    "asked",
    [
        lambda: capability.capability([1, 1, 1], 0, 2),
        lambda: capability.capability([1, 2], 0, 2),
        lambda: capability.from_summary(1, 1, 10, None, None),
        lambda: capability.from_summary(1, 1, 10, 2, 2),
        lambda: capability.from_summary(1, 0, 10, 0, 2),
        lambda: capability.from_summary(1, 1, 10, 0, 2, confidence=1),
    ],
)
def test_what_has_no_capability_is_unusable(asked):
    with pytest.raises(Unusable):
        asked()
