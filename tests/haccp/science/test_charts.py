"""Process charts against the NIST/SEMATECH e-Handbook and others.

nist-spc.csv and nist-spc-answers.csv (read; public domain), spc-constants.csv (from memory, reproduced here by
integration). Run rules: zone rules and 91.75 points between false alarms, read at
www.liquisearch.com/western_electric_rules/zone_rules; Nelson's eight rules read at webhelp.micromine.com
(IDH_SHEWHART_RULES). One circulating figure gives 1.8674 as the standard deviation of the flow rates; it is 2.0339.
"""

import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from config.api.refusals import Unusable
from haccp.science import charts
from tests.haccp.science.tables import rows, series

FLOW, SMOOTHED, SUMMED, COUNTS = (series(name) for name in ("imr_flow", "ewma", "cusum", "c_chart"))
RINGS = np.array(series("xbar_r_rings")).reshape(25, 5).tolist()
NUMBERS = st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40)


def answer(dataset, quantity, column="published_answer"):
    return next(
        row[column]
        for row in rows("nist-spc-answers")
        if row["dataset"] == dataset and row["quantity"].startswith(quantity)
    )


def found(signals):
    return [(signal.index, signal.rule) for signal in signals]


def test_individuals_and_moving_range_of_the_handbook():
    chart = charts.individuals(FLOW)
    single, moving = chart.series
    assert single.limits.centre == pytest.approx(float(answer("imr_flow", "mean")))
    assert single.limits.upper[0] == pytest.approx(float(answer("imr_flow", "UCL")), abs=5e-5)
    assert single.limits.lower[0] == pytest.approx(float(answer("imr_flow", "LCL")), abs=5e-5)
    assert moving.limits.centre == pytest.approx(float(answer("imr_flow", "mean moving range")), abs=5e-5)
    assert moving.limits.upper[0] == pytest.approx(6.1347, abs=5e-4)
    assert chart.signals == ()


def test_the_spread_of_the_flow_rates_is_not_the_circulating_figure():
    assert statistics.stdev(FLOW) == pytest.approx(2.0339, abs=5e-5)
    assert charts.individuals(FLOW).sigma == pytest.approx(1.87778 / 1.128, abs=1e-4)


def test_ewma_of_the_handbook():
    chart = charts.ewma(SMOOTHED, target=50, sigma=2.0539, weight=0.3, settled=True)
    [line] = chart.series
    printed = [float(value) for value in answer("ewma", "EWMA 1..20").split()]
    assert line.values == pytest.approx(printed, abs=0.0051)
    assert line.limits.upper[0] == pytest.approx(float(answer("ewma", "UCL asymptotic")), abs=2e-4)
    assert line.limits.lower[0] == pytest.approx(float(answer("ewma", "LCL asymptotic")), abs=2e-4)
    assert chart.signals == ()


def test_ewma_limits_widen_to_what_they_tend_to():
    [line] = charts.ewma(SMOOTHED, target=50, sigma=2.0539, weight=0.3).series
    upper = line.limits.upper
    assert (upper[0], upper[1], upper[4]) == pytest.approx((51.8485, 52.2564, 52.5516), abs=5e-5)


def test_cusum_of_the_handbook_signals_from_the_fourteenth_sample():
    chart = charts.cusum(SUMMED, target=325, slack=0.3175, decision=4.1959)
    upper, lower = chart.series
    printed = [float(value) for value in answer("cusum", "upper sums", "computed_answer").split()]
    assert upper.values[12:] == pytest.approx(printed)
    assert [signal.index + 1 for signal in upper.signals] == list(range(14, 21))
    assert lower.signals == ()


def test_the_c_chart_of_the_handbook_has_one_point_out_and_one_on_the_limit():
    [counts] = charts.c_chart(COUNTS).series
    assert (counts.limits.centre, counts.limits.upper[0], counts.limits.lower[0]) == (16, 28, 4)
    assert COUNTS[2] == 28
    assert found(counts.signals) == [(23, "limit")]


def test_xbar_and_range_of_the_rings():
    chart = charts.xbar_r(RINGS)
    means, ranges = chart.series
    assert means.limits.centre == pytest.approx(float(answer("xbar_r_rings", "grand mean")), abs=5e-6)
    assert ranges.limits.centre == pytest.approx(float(answer("xbar_r_rings", "mean range")), abs=5e-6)
    assert means.limits.upper[0] == pytest.approx(74.0143, abs=5e-5)
    assert means.limits.lower[0] == pytest.approx(73.98805, abs=5e-5)
    assert ranges.limits.upper[0] == pytest.approx(float(answer("xbar_r_rings", "range UCL")), abs=2e-5)
    assert ranges.signals == ()


@pytest.mark.parametrize("row", rows("spc-constants"), ids=lambda row: row["subgroup_size"])
def test_chart_constants_are_the_standard_table(row):
    mine = charts.CONSTANTS[int(row["subgroup_size"])]
    assert mine == tuple(float(row[name]) for name in ("d2", "A2", "D3", "D4"))


@pytest.mark.parametrize("n", sorted(charts.CONSTANTS))
def test_chart_constants_follow_from_the_normal_range(n):
    x, step = np.linspace(-7, 7, 701, retstep=True)
    below = stats.norm.cdf(x)
    d2 = float(np.sum(1 - below**n - (1 - below) ** n) * step)
    high, low = below[:, None], below[None, :]
    tail = 1 - high**n - (1 - low) ** n + np.clip(high - low, 0, 1) ** n
    half = np.tril(np.ones_like(tail)) - np.eye(x.size) / 2  # where the largest lies above the smallest
    square = 2 * float((tail * half).sum()) * step**2
    d3 = (square - d2**2) ** 0.5
    expected = (d2, 3 / (d2 * n**0.5), max(1 - 3 * d3 / d2, 0), 1 + 3 * d3 / d2)
    assert charts.CONSTANTS[n] == pytest.approx(expected, abs=0.0011)


def test_one_point_beyond_three_sigma_strictly():
    assert found(charts.western_electric([0, 3.0, 0, -3.01], 0, 1)) == [(3, "WE1")]


def test_two_of_three_beyond_two_sigma_on_one_side():
    assert found(charts.western_electric([2.1, 0, 2.1], 0, 1)) == [(2, "WE2")]
    assert found(charts.western_electric([2.1, 0, -2.1], 0, 1)) == []
    assert found(charts.western_electric([2.1, 0, 0, 2.1], 0, 1)) == []


def test_four_of_five_beyond_one_sigma_on_one_side():
    assert found(charts.western_electric([-1.1, -1.1, 0.5, -1.1, -1.1], 0, 1)) == [(4, "WE3")]
    assert found(charts.western_electric([-1.1, -1.1, 0.5, 0.5, -1.1, -1.1], 0, 1)) == []


def test_eight_in_a_row_on_one_side_and_a_point_on_the_centre_breaks_them():
    assert found(charts.western_electric([0.5] * 8, 0, 1)) == [(7, "WE4")]
    assert found(charts.western_electric([0.5] * 4 + [0.0] + [0.5] * 7, 0, 1)) == []


@pytest.mark.parametrize(
    ("values", "rule", "index"),
    [
        ([0, 3.1], "N1", 1),
        ([0.5] * 9, "N2", 8),
        ([-0.5, -0.3, -0.1, 0.1, 0.3, 0.5], "N3", 5),
        ([0.5, 0.3, 0.1, -0.1, -0.3, -0.5], "N3", 5),
        ([0.9, -0.9] * 7, "N4", 13),
        ([2.5, 0, 2.5], "N5", 2),
        ([1.5, 1.5, 0, 1.5, 1.5], "N6", 4),
        ([0.5, -0.5, -0.4] * 5, "N7", 14),
        ([1.5, 1.5, -1.5, -1.5, 1.5, 1.5, -1.5, -1.5], "N8", 7),
    ],
)
def test_each_of_nelsons_rules_signals_at_the_point_that_completes_it(values, rule, index):
    assert (index, rule) in found(charts.nelson(values, 0, 1))
    assert rule not in {signal.rule for signal in charts.nelson(values[:-1], 0, 1)}


def test_eight_points_far_out_on_one_side_only_do_not_shun_the_middle():
    assert "N8" not in {signal.rule for signal in charts.nelson([1.5] * 8, 0, 1)}


def test_equal_points_are_no_trend_and_no_zigzag():
    rules = {signal.rule for signal in charts.nelson([0.0] * 14, 0, 1)}
    assert rules == set()


def test_the_four_zone_rules_raise_a_false_alarm_about_every_92_points():
    steady = np.random.default_rng(7).standard_normal((1500, 1200))
    first = [charts.western_electric(run, 0, 1)[0].index + 1 for run in steady]
    assert float(answer("run rules", "in-control average run length, four")) == 91.75
    assert np.mean(first) == pytest.approx(91.75, abs=4 * 91 / 1500**0.5)


@given(NUMBERS)
def test_a_mirrored_series_signals_at_the_same_points(values):
    for rules in (charts.western_electric, charts.nelson):
        assert found(rules(values, 0, 1.0)) == found(rules([-value for value in values], 0, 1.0))


@given(NUMBERS)
def test_limits_hold_the_centre_between_them(values):
    for line in charts.individuals(values).series:
        assert line.limits.lower[0] <= line.limits.centre <= line.limits.upper[0]
        assert len(line.values) == len(line.limits.lower) == len(line.limits.upper)


def test_a_series_that_never_moves_has_limits_and_no_signal():
    assert charts.individuals([5.0] * 20).signals == ()


def test_limits_from_a_baseline_do_not_follow_a_later_shift():
    chart = charts.individuals([10, 11, 10, 9, 10, 20], baseline=5)
    assert chart.series[0].limits.centre == 10
    assert (5, "WE1") in found(chart.signals)


def test_a_baseline_may_be_a_run_of_points_anywhere():
    values = [20, 10, 11, 10, 9, 10, 20]
    later = charts.individuals(values, baseline=slice(1, 6))
    assert later.series[0].limits == charts.individuals([*values[1:], 20], baseline=5).series[0].limits
    assert {0, 6} <= {index for index, rule in found(later.signals) if rule == "WE1"}


def test_a_chart_says_that_a_signal_is_a_warning():
    assert "not a deviation" in charts.c_chart(COUNTS).notes[0]


@pytest.mark.parametrize(
    "asked",
    [
        lambda: charts.individuals([1]),
        lambda: charts.individuals([1, float("nan")]),
        lambda: charts.individuals([1, 2, 3], baseline=4),
        lambda: charts.individuals([1, 2, 3], baseline=-1),
        lambda: charts.individuals([1, 2, 3], baseline=slice(2, 3)),
        lambda: charts.individuals([1, 2, 3], baseline=slice(1, 4)),
        lambda: charts.xbar_r([]),
        lambda: charts.xbar_r([[1, 2], [1, 2, 3]]),
        lambda: charts.xbar_r([[1], [2]]),
        lambda: charts.c_chart([1, 2.5]),
        lambda: charts.c_chart([1, -1]),
        lambda: charts.ewma([1], 0, 1, 1.1),
        lambda: charts.ewma([1], 0, 0, 0.3),
        lambda: charts.cusum([1], 0, -1, 5),
        lambda: charts.cusum([1], 0, 1, 0),
    ],
)
def test_what_makes_no_chart_is_unusable(asked):
    with pytest.raises(Unusable):
        asked()
