"""A temperature over time, and what can be said of it: how long, how much heat, how quickly it fell. Pure, numpy.

Between two readings the temperature is taken to run in a straight line. Where two readings lie further apart than the
plan allows there is a gap: nothing is said of it, it is named and its time is kept apart.
"""

import math
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from batches.quantities import exact_difference, exactly
from config.api.refusals import Unusable

Floats = NDArray[np.float64]
AT_ONCE = 16_384  # readings whose heat is computed together: what a processor keeps at hand
MISSING_FROM = 2.0  # usual steps; where readings lie further apart, a regular logger left one out


@dataclass(frozen=True)
class Gap:
    """Where readings are missing: seconds after the first reading, and for how many seconds."""

    after: float
    lasts: float

    @property
    def ends(self) -> float:
        return self.after + self.lasts


@dataclass(frozen=True)
class Course:
    """Readings in the order they were taken: ``seconds`` since the first, ``values`` in ``unit`` (UN/ECE Rec 20)."""

    seconds: Floats
    values: Floats
    unit: str

    @property
    def lasts(self) -> float:
        """Seconds from the first reading to the last."""
        return float(self.seconds[-1])

    def converted(self, unit: str) -> "Course":
        """The same course in another unit of its dimension. Raises UnitDoesNotConvert."""
        if unit == self.unit:
            return self
        slope, zero = exact_difference(Decimal(1), self.unit, unit), exactly(Decimal(0), self.unit, unit)
        return Course(self.seconds, _settled(self.values * float(slope) + float(zero)), unit)

    def shifted(self, by: float) -> "Course":
        """Every reading higher by ``by``: how an instrument's uncertainty enters."""
        return self if by == 0 else Course(self.seconds, _settled(self.values + by), self.unit)


def _settled(values: Floats) -> Floats:
    """Without what floating point leaves behind: 140 degF are 60 degC and not a hair more."""
    return np.round(values, 9)


def course(seconds: Floats | list[float], values: Floats | list[float], unit: str) -> Course:
    """A course from times and values of equal length. Raises Unusable for fewer than two readings, for what is not a
    finite number, and for a clock that stands still or runs backwards, naming the reading (counted from 1)."""
    at, read = np.asarray(seconds, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if at.ndim != 1 or at.shape != read.shape:
        raise Unusable("Each reading has one time and one value.", code="shape", field="points")
    if len(at) < 2:
        raise Unusable(
            "One reading cannot show how long: give at least two.", code="one-reading", field="points"
        )
    if not (np.isfinite(at).all() and np.isfinite(read).all()):
        odd = int(np.flatnonzero(~(np.isfinite(at) & np.isfinite(read)))[0])
        raise Unusable(
            f"Reading {odd + 1} is not a finite number.", code="not-a-number", field=f"points.{odd}"
        )
    backwards = np.flatnonzero(np.diff(at) <= 0)
    if len(backwards):
        odd = int(backwards[0]) + 1
        sentence = f"Reading {odd + 1} is not later than the one before it."
        raise Unusable(sentence, code="clock-runs-backwards", field=f"points.{odd}")
    return Course(at - at[0], read, unit)


def gaps(of: Course, longest: float) -> tuple[Gap, ...]:
    """Where two readings lie more than ``longest`` seconds apart."""
    steps = np.diff(of.seconds)
    return tuple(Gap(float(of.seconds[at]), float(steps[at])) for at in np.flatnonzero(steps > longest))


def usual_step(of: Course) -> float:
    """Seconds that mostly lie between two readings: the median."""
    return float(np.median(np.diff(of.seconds)))


def longest_usual(of: Course) -> float:
    """Seconds beyond which a reading is taken to be missing, where nobody said how long (site setting, no source)."""
    return usual_step(of) * MISSING_FROM


def watched(of: Course, *, longest: float) -> float:
    """Seconds in all, gaps left out."""
    steps = np.diff(of.seconds)
    return float(np.sum(steps, where=steps <= longest))


def time_beyond(of: Course, bound: float, *, above: bool, allowed: bool, longest: float) -> float:
    """Seconds above (else below) a bound, gaps left out. ``allowed``: the bound itself is not beyond."""
    if not allowed:
        return time_at(of, bound, above=above, longest=longest)
    inside = time_at(of, bound, above=not above, longest=longest)
    return max(0.0, round(watched(of, longest=longest) - inside, 6))


def time_at(of: Course, level: float, *, above: bool, longest: float) -> float:
    """Seconds at or above (else at or below) ``level``, gaps left out."""
    total = 0.0
    for start in range(0, len(of.values) - 1, AT_ONCE):
        part = slice(start, start + AT_ONCE + 1)
        total += _time_of(of.seconds[part], of.values[part], level, above, longest)
    return total


def _time_of(seconds: Floats, values: Floats, level: float, above: bool, longest: float) -> float:
    over = (values - level) * (1.0 if above else -1.0)
    first, second = over[:-1], over[1:]
    higher, span = np.maximum(first, second), np.abs(second - first)
    part = np.where(np.minimum(first, second) >= 0, 1.0, 0.0)
    crossing = (higher > 0) & (part == 0)
    part[crossing] = higher[crossing] / span[crossing]
    steps = np.diff(seconds)
    return float(np.sum(part * steps, where=steps <= longest))


def heat(
    of: Course,
    reference: float,
    z: float,
    *,
    longest: float,
    studied: tuple[float, float] = (-math.inf, math.inf),
) -> float:
    """F in seconds: the integral of 10^((T - reference) / z) over time, exactly along the straight lines between
    readings; gaps left out. ``reference`` and ``z`` in the course's unit (a difference of degrees for ``z``).

    ``studied``: where z was found, in the course's unit. Colder counts for nothing, hotter as the hottest of it.
    Never more than the trapezoid rule over that power, which counts several times too much where readings lie far
    apart on a steep rise. Infinite where a reading is beyond floating point.
    """
    total = 0.0
    for start in range(0, len(of.values) - 1, AT_ONCE):
        part = slice(start, start + AT_ONCE + 1)
        total += _heat_of(of.seconds[part], of.values[part], reference, z, longest, studied)
    return total if np.isfinite(total) else float("inf")


def _heat_of(
    seconds: Floats, values: Floats, reference: float, z: float, longest: float, studied: tuple[float, float]
) -> float:
    coldest, hottest = studied
    steps = np.diff(seconds)
    steps[steps > longest] = 0.0
    between, hotter = _shares(values, coldest, hottest)
    per_degree = np.log(10) / z
    with np.errstate(over="ignore", invalid="ignore"):
        exponent = (np.clip(values, coldest, hottest) - reference) * per_degree
        rates, rise = np.exp(exponent), np.diff(exponent)
        flat = np.abs(rise) < 1e-6
        mean = np.where(flat, (rates[:-1] + rates[1:]) / 2, np.diff(rates) / np.where(flat, 1.0, rise))
        counted = steps * between
        total = float(np.sum(mean * counted, where=counted > 0))
        if hotter.any():
            total += float(np.exp((hottest - reference) * per_degree) * np.sum(steps * hotter))
    return total


def _shares(values: Floats, coldest: float, hottest: float) -> tuple[Floats, Floats]:
    """Which share of each step lies between the two, ends included, and which is hotter."""
    low, high = np.minimum(values[:-1], values[1:]), np.maximum(values[:-1], values[1:])
    colder, hotter = np.where(low < coldest, 1.0, 0.0), np.where(high > hottest, 1.0, 0.0)
    for part, across, beyond in (
        (colder, (low < coldest) & (high > coldest), coldest - low),
        (hotter, (high > hottest) & (low < hottest), high - hottest),
    ):
        part[across] = beyond[across] / (high - low)[across]
    return np.maximum(1.0 - colder - hotter, 0.0), hotter


def falls_below(of: Course, level: float) -> float | None:
    """Seconds until it first lies below ``level``, by a straight line; 0 if it begins there, None if it never does."""
    return _first(of, of.values < level, level)


def reaches(of: Course, level: float) -> float | None:
    """Seconds until it first lies at or below ``level``; None if it never does."""
    return _first(of, of.values <= level, level)


def _first(of: Course, there: NDArray[np.bool_], level: float) -> float | None:
    found = np.flatnonzero(there)
    if not len(found):
        return None
    at = int(found[0])
    if at == 0:
        return 0.0
    before, after = of.values[at - 1], of.values[at]
    share = 0.0 if before == after else (before - level) / (before - after)
    return float(of.seconds[at - 1] + share * (of.seconds[at] - of.seconds[at - 1]))


def rises_again(of: Course, level: float, after: float) -> bool:
    """Whether a reading later than ``after`` seconds lies above ``level``."""
    return bool(np.any(of.values[of.seconds > after] > level))
