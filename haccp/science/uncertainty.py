"""Measurement uncertainty: combined and expanded, a calibration line, and the chance that a limit is really kept.

GUM (JCGM 100:2008) 4.3, 5.1, 6.2 and annex H.3: combined u = sqrt(sum u_i^2) for independent parts, U = k u;
least squares b = y1 + y2 (t - t0) with variances and covariance. H.3's data and answers read in a public copy.
JCGM 106:2012: probability of conformity and guard bands, normal distribution (from memory).
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from config.api.refusals import Unusable
from haccp.science.answers import Answer, Computed, NotComputed, number

NORMAL = NormalDist()
COVERAGE = 2.0  # k, about 95 % (GUM 6.3.3, from memory)
LINE_SOURCE = "GUM (JCGM 100:2008) H.3, least squares with covariance (worked example read)"


def combined(parts: Iterable[float]) -> float:
    """sqrt(sum u_i^2) of independent standard uncertainties, all in the unit of the result."""
    return math.hypot(*(number(u, "standard uncertainty", least=0) for u in parts))


def expanded(u: float, k: float = COVERAGE) -> float:
    """U = k u."""
    return number(u, "standard uncertainty", least=0) * number(k, "coverage factor", above=0)


def of_certificate(expanded_u: float, k: float) -> float:
    """u = U / k, as a calibration certificate gives them."""
    return number(expanded_u, "expanded uncertainty", least=0) / number(k, "coverage factor", above=0)


def of_resolution(step: float) -> float:
    """u = a / sqrt(12), a the whole step of a display (GUM F.2.2.1, from memory)."""
    return number(step, "resolution", least=0) / math.sqrt(12.0)


def of_bounds(half_width: float) -> float:
    """u = a / sqrt(3) for anything between -a and a alike (GUM 4.3.7, from memory)."""
    return number(half_width, "half width", least=0) / math.sqrt(3.0)


@dataclass(frozen=True)
class CalibrationLine:
    """correction = y1 + y2 (t - t0), with u(y1), u(y2), their correlation r, residual s, and the readings' range."""

    t0: float
    y1: float
    y2: float
    u1: float
    u2: float
    r: float
    s: float
    lowest: float
    highest: float

    def at(self, reading: float) -> tuple[float, float]:
        """Correction and its standard uncertainty on the line, without a look at the range."""
        away = reading - self.t0
        variance = self.u1**2 + (away * self.u2) ** 2 + 2.0 * away * self.u1 * self.u2 * self.r
        return self.y1 + self.y2 * away, math.sqrt(max(variance, 0.0))

    def correction(self, reading: float) -> Answer:
        """What to add to ``reading`` (°C): within k = 2, only between the lowest and highest calibrated reading."""
        given = number(reading, "reading")
        if not self.lowest <= given <= self.highest:
            why = f"The instrument was calibrated from {self.lowest:g} to {self.highest:g} °C only."
            return NotComputed("Instrument correction", why, "Calibrate it where it is used.")
        value, u = self.at(given)
        band = expanded(u)
        note = "Of the line only; resolution, drift and the standard's own uncertainty come on top."
        return Computed(
            value, value - band, value + band, "KEL", "Instrument correction", LINE_SOURCE, (note,)
        )


def calibration_line(readings: Sequence[float], corrections: Sequence[float], t0: float) -> CalibrationLine:
    """Least squares through (reading, correction = standard minus reading), three or more points.

    Raises Unusable for fewer, unequal lengths, or readings that are all the same.
    """
    t = np.asarray([number(value, "reading") for value in readings]) - number(t0, "t0")
    b = np.asarray([number(value, "correction") for value in corrections])
    n = t.size
    if n != b.size or n < 3:
        raise Unusable("Give three or more readings, each with its correction.", field="readings")
    spread = n * float(np.sum(t * t)) - float(np.sum(t)) ** 2
    if np.ptp(t) == 0:
        raise Unusable("The readings are all the same.", code="out-of-range", field="readings")
    y1 = float((b.sum() * (t * t).sum() - (b * t).sum() * t.sum()) / spread)
    y2 = float((n * (b * t).sum() - b.sum() * t.sum()) / spread)
    variance = float(np.sum((b - y1 - y2 * t) ** 2)) / (n - 2)
    squares = float(np.sum(t * t))
    return CalibrationLine(
        t0=t0,
        y1=y1,
        y2=y2,
        u1=math.sqrt(variance * squares / spread),
        u2=math.sqrt(variance * n / spread),
        r=-float(t.sum()) / math.sqrt(n * squares),
        s=math.sqrt(variance),
        lowest=min(readings),
        highest=max(readings),
    )


def conformity(estimate: float, u: float, lower: float | None = None, upper: float | None = None) -> float:
    """Probability (0 to 1) that the true value lies between the limits, normal: Phi((U-y)/u) - Phi((L-y)/u)."""
    y, sd = number(estimate, "estimate"), number(u, "standard uncertainty", above=0)
    _limits(lower, upper)
    below = NORMAL.cdf((lower - y) / sd) if lower is not None else 0.0
    return (NORMAL.cdf((upper - y) / sd) if upper is not None else 1.0) - below


@dataclass(frozen=True)
class Acceptance:
    """Readings from ``lower`` to ``upper`` (None: open) are accepted; the limits moved in by ``guard``."""

    lower: float | None
    upper: float | None
    guard: float


def acceptance(
    u: float, probability: float, lower: float | None = None, upper: float | None = None
) -> Acceptance | NotComputed:
    """Limits moved in by z u, so that a reading on the moved limit conforms with at least ``probability`` one-sided.

    z = Phi^-1(probability), 1.645 for 95 %. ``probability`` 0.5 to below 1. Not for limits closer than two guards.
    """
    sd, wanted = number(u, "standard uncertainty", least=0), number(probability, "probability", least=0.5)
    if wanted >= 1:
        raise Unusable("No reading conforms with certainty.", code="out-of-range", field="probability")
    _limits(lower, upper)
    guard = NORMAL.inv_cdf(wanted) * sd
    if lower is not None and upper is not None and upper - lower < 2.0 * guard:
        why = "The limits lie closer together than the instrument can tell."
        return NotComputed("Acceptance limits", why, "Use a better instrument.")
    return Acceptance(
        None if lower is None else lower + guard, None if upper is None else upper - guard, guard
    )


def _limits(lower: float | None, upper: float | None) -> None:
    for value, field in ((lower, "lower limit"), (upper, "upper limit")):
        if value is not None:
            number(value, field)
    if lower is None and upper is None:
        raise Unusable("Give a limit.", code="no-limit", field="lower")
    if lower is not None and upper is not None and lower > upper:
        raise Unusable("The lower limit lies above the upper.", code="out-of-range", field="lower")
