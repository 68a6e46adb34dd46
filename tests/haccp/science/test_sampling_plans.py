"""Sampling plans against published tables.

icmsf-oc.csv (textbook table 11.1 read; others computed), sampling-plans.csv (US bacteriological manual chapter 1,
Codex CXS 193, read). Three-class table n = 5, c = 1: table 4 of Czech decree 294/1997 (read, public.codexis.cz).
Lot of 25 with 2 bad, 5 drawn, 0.6333; lot of 10 with 1 or 2 bad, 4 drawn, 0.6 and 0.333: worked examples read at
studylib.net/doc/6591195 and homeworksource.com/p/1085671. scipy is a second implementation.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from config.api.refusals import Unusable
from haccp.science import sampling
from tests.haccp.science.tables import rows

DECREE = {  # share of bad units in %: chance of acceptance at 0, 10, 20 ... 70 % marginal units
    0: (1.00, 0.92, 0.74, 0.53, 0.34, 0.19, 0.09, 0.03),
    1: (0.95, 0.87, 0.70, 0.50, 0.31, 0.17, 0.08, 0.03),
    5: (0.77, 0.70, 0.55, 0.38, 0.23, 0.12, 0.05, 0.01),
    10: (0.59, 0.53, 0.41, 0.27, 0.16, 0.07, 0.03, 0.01),
    20: (0.33, 0.29, 0.21, 0.13, 0.06, 0.02, 0.01),
    30: (0.17, 0.14, 0.09, 0.05, 0.02),
}


@pytest.mark.parametrize(
    "row", rows("icmsf-oc"), ids=lambda row: f"{row['n']} at {row['proportion_defective']}"
)
def test_two_class_plans_accept_as_tabled(row):
    answer = 100 * sampling.two_class(int(row["n"]), int(row["c"]), float(row["proportion_defective"])).value
    assert answer == pytest.approx(float(row["computed_p_accept_pct"]), abs=0.0051)
    if row["published_p_accept_pct"]:
        assert answer == pytest.approx(float(row["published_p_accept_pct"]), abs=0.51)


@pytest.mark.parametrize(
    ("bad", "marginal", "printed"),
    [(bad, 10 * place, chance) for bad, chances in DECREE.items() for place, chance in enumerate(chances)],
)
def test_three_class_plans_accept_as_the_decree_prints(bad, marginal, printed):
    answer = sampling.three_class(5, 1, marginal / 100, bad / 100).value
    assert answer == pytest.approx(printed, abs=0.0101)  # a few printed figures are cut, not rounded


def test_most_of_the_decree_is_rounded_as_printed():
    printed = [(b, m, chance) for b, chances in DECREE.items() for m, chance in enumerate(chances)]
    close = [
        abs(sampling.three_class(5, 1, m / 10, b / 100).value - chance) <= 0.0051 for b, m, chance in printed
    ]
    assert sum(close) >= 0.9 * len(printed)


@pytest.mark.parametrize(
    ("lot", "bad", "n", "printed"), [(25, 2, 5, 0.6333), (10, 1, 4, 0.6), (10, 2, 4, 0.3333)]
)
def test_small_lots_are_exact(lot, bad, n, printed):
    assert sampling.two_class_lot(n, 0, lot, bad).value == pytest.approx(printed, abs=5e-5)


@given(st.integers(1, 200), st.integers(0, 10), st.floats(0, 1))
def test_two_class_agrees_with_scipy(n, c, p):
    assert sampling.two_class(n, c, p).value == pytest.approx(stats.binom.cdf(c, n, p), abs=1e-9)


@given(st.integers(1, 60), st.integers(0, 5), st.integers(60, 300), st.integers(0, 60))
def test_two_class_lot_agrees_with_scipy(n, c, lot, bad):
    mine = sampling.two_class_lot(n, c, lot, bad).value
    assert mine == pytest.approx(stats.hypergeom.cdf(c, lot, bad, n), abs=1e-9)


@given(st.integers(1, 30), st.integers(0, 4), st.integers(30, 90), st.integers(0, 15), st.integers(0, 15))
def test_three_class_lot_agrees_with_scipy(n, c, lot, marginal, bad):
    spread = stats.multivariate_hypergeom([marginal, bad, lot - marginal - bad], n)
    expected = sum(spread.pmf([i, 0, n - i]) for i in range(min(c, n) + 1))
    assert sampling.three_class_lot(n, c, lot, marginal, bad).value == pytest.approx(expected, abs=1e-9)


@given(st.integers(1, 20), st.integers(0, 5), st.floats(0, 0.5), st.floats(0, 0.5))
def test_without_marginal_units_three_classes_are_two(n, c, marginal, bad):
    assert sampling.three_class(n, c, 0, bad).value == pytest.approx(
        sampling.two_class(n, 0, bad).value, abs=1e-12
    )
    assert sampling.three_class(n, c, marginal, 0).value == pytest.approx(
        sampling.two_class(n, c, marginal).value, abs=1e-12
    )


@given(st.integers(1, 20), st.floats(0.01, 0.5))
def test_a_very_large_lot_comes_near_the_binomial(n, p):
    lot = 10_000_000
    near = sampling.two_class_lot(n, 1, lot, round(p * lot)).value
    assert near == pytest.approx(sampling.two_class(n, 1, p).value, abs=1e-4)


def test_59_samples_find_five_percent_and_60_find_a_little_less():
    assert sampling.samples_needed(0.05, 0.95).value == 59
    assert sampling.prevalence_found(60, 0.95).value == pytest.approx(0.0487, abs=5e-5)


@given(st.floats(0.001, 0.9), st.floats(0.01, 0.999))
def test_the_sample_is_large_enough_and_one_less_is_not(p, q):
    n = int(sampling.samples_needed(p, q).value)
    assert sampling.two_class(n, 0, p).value <= 1 - q + 1e-9
    if n > 1:
        assert sampling.two_class(n - 1, 0, p).value > 1 - q - 1e-9


@given(st.integers(1, 200), st.integers(1, 200), st.floats(0.01, 0.999))
def test_the_sample_from_a_lot_is_large_enough_and_one_less_is_not(lot, bad, q):
    bad = min(bad, lot)
    n = int(sampling.samples_needed_lot(lot, bad, q).value)
    assert sampling.two_class_lot(n, 0, lot, bad).value <= 1 - q + 1e-12
    if n > 1:
        assert sampling.two_class_lot(n - 1, 0, lot, bad).value > 1 - q - 1e-12


@pytest.mark.parametrize(
    ("units", "bulks", "grams", "per"), [(60, 4, 1500, 500), (30, 2, 750, 250), (15, 1, 375, 125)]
)
def test_salmonella_composites_are_as_the_manual_makes_them(units, bulks, grams, per):
    assert any(
        f"{units} x 25 g" == row["figure"] for row in rows("sampling-plans") if row["plan"] == "units x size"
    )
    assert sampling.composites(units, 25, 375) == (bulks, grams)
    assert sampling.chance_of_missing(grams, 1 / per).value == pytest.approx(math.exp(-3))
    assert sampling.chance_of_missing(grams, 1 / per).value == pytest.approx(0.0498, abs=5e-5)


@pytest.mark.parametrize(
    "asked",
    [
        lambda: sampling.two_class(0, 0, 0.1),
        lambda: sampling.two_class(5, 0, 1.1),
        lambda: sampling.two_class(5.5, 0, 0.1),
        lambda: sampling.three_class(5, 1, 0.7, 0.4),
        lambda: sampling.three_class_lot(5, 1, 4, 0, 0),
        lambda: sampling.three_class_lot(5, 1, 10, 8, 3),
        lambda: sampling.samples_needed(0, 0.95),
        lambda: sampling.samples_needed(0.05, 1),
        lambda: sampling.samples_needed_lot(5, 0, 0.95),
        lambda: sampling.composites(5, 25, 20),
        lambda: sampling.chance_of_missing(0, 1),
    ],
)
def test_a_plan_that_means_nothing_is_unusable(asked):
    with pytest.raises(Unusable):
        asked()
