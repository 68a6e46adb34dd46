"""Process charts as plain data: series, limits, and signals. A signal is a warning to look, not a deviation.

I: mean +- 3 MRbar / d2. X-bar: grand mean +- A2 Rbar. R: D3 Rbar to D4 Rbar. c: cbar +- 3 sqrt(cbar).
EWMA: z_i = l x_i + (1 - l) z_(i-1), variance s^2 l/(2 - l) (1 - (1 - l)^(2i)). CUSUM: sums past target by more than k.
Worked examples of the NIST/SEMATECH e-Handbook and the run rules read; see tests/haccp/science/test_charts.py.
A point counts as out only strictly beyond a limit.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from config.api.refusals import Unusable
from haccp.said import Said, said
from haccp.science.answers import number
from haccp.science.courses import Floats

Flags = NDArray[np.bool_]

# d2, A2, D3, D4 by subgroup size: standard table, from memory; reproduced by integration to 0.001 (computed).
CONSTANTS = {
    2: (1.128, 1.880, 0.0, 3.267),
    3: (1.693, 1.023, 0.0, 2.574),
    4: (2.059, 0.729, 0.0, 2.282),
    5: (2.326, 0.577, 0.0, 2.114),
    6: (2.534, 0.483, 0.0, 2.004),
    7: (2.704, 0.419, 0.076, 1.924),
    8: (2.847, 0.373, 0.136, 1.864),
    9: (2.970, 0.337, 0.184, 1.816),
    10: (3.078, 0.308, 0.223, 1.777),
}
A_WARNING = (
    "A signal is a warning to look for a cause. It is not a deviation, and no signal proves no hazard."
)


@dataclass(frozen=True)
class Signal:
    """Point ``index`` (0 first) completes a pattern; ``rule`` for programs, ``sentence`` for people."""

    index: int
    rule: str
    sentence: str


@dataclass(frozen=True)
class Limits:
    """Centre line, and a lower and an upper limit for each point."""

    centre: float
    lower: tuple[float, ...]
    upper: tuple[float, ...]


@dataclass(frozen=True)
class Series:
    name: str
    values: tuple[float, ...]
    limits: Limits
    signals: tuple[Signal, ...]


@dataclass(frozen=True)
class Chart:
    """One or more series drawn under each other. ``sigma``: the spread the limits were made from (None: CUSUM)."""

    kind: str
    series: tuple[Series, ...]
    sigma: float | None
    notes: tuple[str, ...] = (A_WARNING,)

    @property
    def signals(self) -> tuple[Signal, ...]:
        return tuple(signal for series in self.series for signal in series.signals)


Rules = Callable[[Floats, float, float], tuple[Signal, ...]]
Baseline = int | slice | None
"""What the limits are made from: the first so many points, a run of them, or all (None)."""


def western_electric(values: Sequence[float] | Floats, centre: float, sigma: float) -> tuple[Signal, ...]:
    """The four zone rules: 1 beyond 3 sigma; 2 of 3 beyond 2; 4 of 5 beyond 1; 8 in a row on one side (read)."""
    z = _scores(values, centre, sigma)
    return _signals(
        (_beyond(z, 1, 1, 3.0), "WE1", "One point lies beyond three sigma."),
        (_beyond(z, 2, 3, 2.0), "WE2", "Two of three points lie beyond two sigma on one side."),
        (_beyond(z, 4, 5, 1.0), "WE3", "Four of five points lie beyond one sigma on one side."),
        (_one_side(z) >= 8, "WE4", "Eight points in a row lie on one side of the centre."),
    )


def nelson(values: Sequence[float] | Floats, centre: float, sigma: float) -> tuple[Signal, ...]:
    """Nelson's eight rules, Journal of Quality Technology, October 1984 (rules read in a later manual)."""
    z = _scores(values, centre, sigma)
    return _signals(
        (_beyond(z, 1, 1, 3.0), "N1", "One point lies beyond three sigma."),
        (_one_side(z) >= 9, "N2", "Nine points in a row lie on one side of the centre."),
        (_trend(z) >= 6, "N3", "Six points in a row rise, or fall, each past the one before."),
        (_zigzag(z) >= 14, "N4", "Fourteen points in a row go up and down in turn."),
        (_beyond(z, 2, 3, 2.0), "N5", "Two of three points lie beyond two sigma on one side."),
        (_beyond(z, 4, 5, 1.0), "N6", "Four of five points lie beyond one sigma on one side."),
        (
            _run(np.abs(z) < 1.0) >= 15,
            "N7",
            "Fifteen points in a row lie within one sigma: too quiet to be true.",
        ),
        (_shunning(z, 8), "N8", "Eight points in a row shun the middle, on both sides."),
    )


def individuals(values: Sequence[float], rules: Rules = western_electric, baseline: Baseline = None) -> Chart:
    """Individuals and moving range, limits from the ``baseline``. Two points or more needed."""
    x = _points(values, "values", 2)
    steady = x[_baseline(baseline, x.size)]
    ranges = np.abs(np.diff(x))
    d2, _, _, d4 = CONSTANTS[2]
    mean_range = float(np.mean(np.abs(np.diff(steady))))
    centre, sigma = float(np.mean(steady)), mean_range / d2
    return Chart(
        "individuals and moving range",
        (
            _series("individuals", x, _flat(centre, 3.0 * sigma, x.size), rules(x, centre, sigma)),
            _limited(
                "moving range",
                ranges,
                Limits(mean_range, (0.0,) * ranges.size, (d4 * mean_range,) * ranges.size),
            ),
        ),
        sigma,
    )


def xbar_r(
    samples: Sequence[Sequence[float]], rules: Rules = western_electric, baseline: Baseline = None
) -> Chart:
    """Means and ranges of subgroups of one size, 2 to 10; limits from the ``baseline``, counted in subgroups."""
    sizes = {len(sample) for sample in samples}
    if len(sizes) != 1 or min(sizes) not in CONSTANTS:
        raise Unusable(
            "All subgroups must have one size, from 2 to 10.", code="out-of-range", field="samples"
        )
    groups = np.array([_points(sample, "samples", 2) for sample in samples])
    d2, a2, d3, d4 = CONSTANTS[groups.shape[1]]
    means, ranges = groups.mean(axis=1), np.ptp(groups, axis=1)
    steady = _baseline(baseline, means.size)
    centre, mean_range = float(means[steady].mean()), float(ranges[steady].mean())
    many = means.size
    return Chart(
        "X-bar and R",
        (
            _series(
                "means",
                means,
                _flat(centre, a2 * mean_range, many),
                rules(means, centre, a2 * mean_range / 3.0),
            ),
            _limited(
                "ranges", ranges, Limits(mean_range, (d3 * mean_range,) * many, (d4 * mean_range,) * many)
            ),
        ),
        mean_range / d2,
    )


def c_chart(counts: Sequence[float], baseline: Baseline = None) -> Chart:
    """Counts of defects in equal samples: cbar +- 3 sqrt(cbar), never below 0."""
    c = _points(counts, "counts", 2)
    if (c < 0).any() or (c != np.floor(c)).any():
        raise Unusable("A count is a whole number from 0.", code="out-of-range", field="counts")
    centre = float(c[_baseline(baseline, c.size)].mean())
    sigma = math.sqrt(centre)
    limits = Limits(centre, (max(centre - 3.0 * sigma, 0.0),) * c.size, (centre + 3.0 * sigma,) * c.size)
    return Chart("c", (_limited("counts", c, limits),), sigma)


def ewma(
    values: Sequence[float],
    target: float,
    sigma: float,
    weight: float,
    width: float = 3.0,
    settled: bool = False,
) -> Chart:
    """Exponentially weighted moving average from ``target``; ``weight`` above 0 to 1, ``width`` in sigma of z.

    Limits by the exact variance of each point, or, ``settled``, by what it tends to.
    """
    x, spread = _points(values, "values", 1), number(sigma, "sigma", above=0)
    part = number(weight, "weight", above=0)
    if part > 1:
        raise Unusable("The weight must be at most 1.", code="out-of-range", field="weight")
    z, smoothed = number(target, "target"), []
    for value in x:
        z = part * float(value) + (1.0 - part) * z
        smoothed.append(z)
    point = np.arange(1, x.size + 1)
    growing = np.ones(x.size) if settled else 1.0 - (1.0 - part) ** (2 * point)
    half = number(width, "width", above=0) * spread * np.sqrt(part / (2.0 - part) * growing)
    limits = Limits(target, tuple((target - half).tolist()), tuple((target + half).tolist()))
    return Chart("EWMA", (_limited("EWMA", np.array(smoothed), limits),), spread)


def cusum(values: Sequence[float], target: float, slack: float, decision: float) -> Chart:
    """Upper and lower cumulative sums, ``slack`` k and ``decision`` h in the data's unit; out when a sum exceeds h."""
    x, aim = _points(values, "values", 1), number(target, "target")
    k, h = number(slack, "slack", least=0), number(decision, "decision", above=0)
    limits = Limits(0.0, (0.0,) * x.size, (h,) * x.size)
    series = (
        _limited("upper sum", _sums(x - aim - k), limits),
        _limited("lower sum", _sums(aim - k - x), limits),
    )
    return Chart("CUSUM", series, None)


def _sums(steps: Floats) -> Floats:
    sums, total = [], 0.0
    for step in steps:
        total = max(0.0, total + float(step))
        sums.append(total)
    return np.array(sums)


def _points(values: Sequence[float], field: str, least: int) -> Floats:
    points = np.array([number(value, field) for value in values], dtype=np.float64)
    if points.size < least:
        raise Unusable(f"{field}: at least {least} are needed.", code="too-few", field=field)
    return points


def _baseline(asked: Baseline, there: int) -> slice:
    if asked is None:
        return slice(0, there)
    run = slice(0, asked) if isinstance(asked, int) else asked
    if not 0 <= run.start <= run.stop - 2 <= there - 2:
        raise Unusable("The baseline needs 2 points or more, and no more than there are.", field="baseline")
    return run


def _flat(centre: float, half: float, many: int) -> Limits:
    return Limits(centre, (centre - half,) * many, (centre + half,) * many)


def _series(name: str, values: Floats, limits: Limits, signals: tuple[Signal, ...]) -> Series:
    return Series(name, tuple(float(value) for value in values), limits, signals)


def _limited(name: str, values: Floats, limits: Limits) -> Series:
    out = (values > np.array(limits.upper)) | (values < np.array(limits.lower))
    return _series(
        name,
        values,
        limits,
        _signals((out, "limit", Said("A point of %(name)s lies beyond a limit.", name=said(name)))),
    )


def _signals(*patterns: tuple[Flags, str, str]) -> tuple[Signal, ...]:
    found = [
        Signal(int(i), rule, sentence) for flags, rule, sentence in patterns for i in np.flatnonzero(flags)
    ]
    return tuple(sorted(found, key=lambda signal: signal.index))


def _scores(values: Sequence[float] | Floats, centre: float, sigma: float) -> Floats:
    away = np.asarray(values, dtype=np.float64) - centre
    if sigma > 0:
        return away / sigma
    return np.where(away == 0.0, 0.0, np.copysign(np.inf, away))


def _beyond(z: Floats, count: int, of: int, limit: float) -> Flags:
    """Points that are the last of ``count`` within ``of`` points beyond ``limit`` on one side."""
    found = np.zeros(z.size, dtype=bool)
    for side in (z > limit, z < -limit):
        within = np.convolve(side, np.ones(of))[: z.size]
        found |= side & (within >= count)
    return found


def _run(flags: Flags) -> NDArray[np.int_]:
    """For each point, how many flagged points in a row end at it."""
    place = np.arange(1, flags.size + 1)
    return place - np.maximum.accumulate(np.where(flags, 0, place))


def _one_side(z: Floats) -> NDArray[np.int_]:
    return np.maximum(_run(z > 0), _run(z < 0))


def _trend(z: Floats) -> NDArray[np.int_]:
    with np.errstate(invalid="ignore"):
        steps = np.diff(z, prepend=z[:1])
    return np.maximum(_run(steps > 0), _run(steps < 0)) + 1


def _zigzag(z: Floats) -> NDArray[np.int_]:
    """For each point, how many points in a row that go up and down in turn end at it."""
    with np.errstate(invalid="ignore"):
        turns = np.sign(np.diff(z))
    turned = np.concatenate(([False, False], turns[1:] * turns[:-1] < 0))[: z.size]
    return _run(turned) + 2


def _shunning(z: Floats, many: int) -> Flags:
    long = _run(np.abs(z) > 1.0) >= many
    above, below = np.convolve(z > 0, np.ones(many))[: z.size], np.convolve(z < 0, np.ones(many))[: z.size]
    return long & (above > 0) & (below > 0)
