"""How a steady process lies between two limits of a specification: Cp and Cpk with their confidence intervals.

Cp = (U - L) / 6s, interval by chi-square: Cp sqrt(chi2/(n-1)) (formula read in a SAS/QC sample program).
Cpk = min(U - mean, mean - L) / 3s, approximate interval after Bissell (1990):
Cpk (1 +- z sqrt(1/(9 n Cpk^2) + 1/(2(n-1)))) (formula read, www.bisnetanalyst.com).
Both suppose a steady process with normal spread. They describe the past; they are no control of a hazard.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from config.api.refusals import Unusable
from haccp.science.answers import Computed, number
from haccp.science.roots import crossing

SOURCE = "Cp by chi-square, Cpk after Bissell 1990 (formulas read)"
STEADY = "Only for a steady process with normal spread; look at its chart first."


@dataclass(frozen=True)
class Capability:
    """``cp`` is None where only one limit is given."""

    cp: Computed | None
    cpk: Computed


def capability(
    values: Sequence[float], lower: float | None, upper: float | None, confidence: float = 0.95
) -> Capability:
    """Cp and Cpk of single values, s their sample standard deviation. Raises Unusable for no spread or no limit."""
    x = np.array([number(value, "values") for value in values], dtype=np.float64)
    if x.size < 3 or np.ptp(x) == 0:
        raise Unusable("Three or more values that differ are needed.", code="too-few", field="values")
    return from_summary(float(x.mean()), float(x.std(ddof=1)), x.size, lower, upper, confidence)


def from_summary(
    mean: float, s: float, n: int, lower: float | None, upper: float | None, confidence: float = 0.95
) -> Capability:
    """The same from mean, standard deviation (above 0) and number of values (3 or more)."""
    at, spread, many = (
        number(mean, "mean"),
        number(s, "standard deviation", above=0),
        int(number(n, "n", least=3)),
    )
    sure = number(confidence, "confidence", above=0)
    if sure >= 1:
        raise Unusable("The confidence must be below 1.", code="out-of-range", field="confidence")
    reaches = [
        reach
        for reach in (
            None if lower is None else at - number(lower, "lower limit"),
            None if upper is None else number(upper, "upper limit") - at,
        )
        if reach is not None
    ]
    if not reaches:
        raise Unusable("Give a limit.", code="no-limit", field="lower")
    if lower is not None and upper is not None and lower >= upper:
        raise Unusable("The lower limit must lie below the upper.", code="out-of-range", field="lower")
    cp = None
    if lower is not None and upper is not None:
        cp = _cp((upper - lower) / (6.0 * spread), many, sure)
    return Capability(cp, _cpk(min(reaches) / (3.0 * spread), many, sure))


def _cp(value: float, n: int, confidence: float) -> Computed:
    tail, freedom = (1.0 - confidence) / 2.0, n - 1
    low, high = (value * math.sqrt(chi_square_point(p, freedom) / freedom) for p in (tail, 1.0 - tail))
    return Computed(value, low, high, "C62", "Cp", SOURCE, (STEADY,))


def _cpk(value: float, n: int, confidence: float) -> Computed:
    z = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    half = z * math.sqrt(1.0 / (9.0 * n) + value * value / (2.0 * (n - 1)))
    return Computed(value, value - half, value + half, "C62", "Cpk", SOURCE, (STEADY,))


def chi_square_share(x: float, freedom: int) -> float:
    """Probability that chi-square stays at or below ``x``: the regularised lower incomplete gamma, by its series."""
    if x <= 0:
        return 0.0
    a, half = freedom / 2.0, x / 2.0
    term = total = math.exp(a * math.log(half) - half - math.lgamma(a)) / a
    step = 0
    while term > total * 1e-16:
        step += 1
        term *= half / (a + step)
        total += term
    return min(total, 1.0)


def chi_square_point(share: float, freedom: int) -> float:
    """The x with that share (0 to 1, ends left out) at or below it, by halving."""
    far = freedom + 20.0 * math.sqrt(2.0 * freedom) + 50.0
    found = crossing(lambda x: chi_square_share(x, freedom) - share, 0.0, far)
    assert found is not None  # hardly anything lies beyond ``far``
    return found
