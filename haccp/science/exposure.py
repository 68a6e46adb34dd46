"""How long a product was at or above, or at or below, a temperature, from readings of a probe.

Between two readings the temperature is taken to run straight. Where readings lie further apart than allowed nothing
is taken: the gap is named and counts for no time. Arithmetic only; what the time means is the limit's affair.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from config.api.refusals import Unusable
from haccp.science.answers import number

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Gap:
    """No reading between these two times (min)."""

    start: float
    end: float


@dataclass(frozen=True)
class Exposure:
    """Minutes in all and in the longest unbroken stretch; ``gaps`` were counted in neither."""

    total: float
    longest: float
    gaps: tuple[Gap, ...]


def curve(minutes: Sequence[float] | Floats, celsius: Sequence[float] | Floats) -> tuple[Floats, Floats]:
    """Both as arrays. Raises Unusable unless there are two or more finite pairs and the times rise."""
    times, temperatures = np.asarray(minutes, dtype=np.float64), np.asarray(celsius, dtype=np.float64)
    if times.ndim != 1 or times.shape != temperatures.shape or times.size < 2:
        raise Unusable("Give at least two readings, each a time and a temperature.", field="readings")
    if not (np.isfinite(times).all() and np.isfinite(temperatures).all()):
        raise Unusable("A reading is not a finite number.", code="not-a-number", field="readings")
    if not (np.diff(times) > 0).all():
        raise Unusable(
            "Each reading must be later than the one before.", code="not-in-order", field="readings"
        )
    return times, temperatures


def at_or_above(
    minutes: Sequence[float] | Floats,
    celsius: Sequence[float] | Floats,
    bound_c: float,
    longest_gap: float | None = None,
) -> Exposure:
    """Minutes at or above ``bound_c``; readings further apart than ``longest_gap`` (min) are gaps.

    Raises Unusable for readings that do not make a curve (see ``curve``).
    """
    times, temperatures = curve(minutes, celsius)
    over = temperatures - number(bound_c, "temperature")
    lengths = np.diff(times)
    spent = lengths * _share_above(over)
    missing = (
        lengths > number(longest_gap, "longest gap", above=0) if longest_gap is not None else lengths < 0
    )
    spent[missing] = 0.0
    gaps = tuple(Gap(float(times[i]), float(times[i + 1])) for i in np.flatnonzero(missing))
    return Exposure(float(spent.sum()), _longest(spent, over, missing), gaps)


def at_or_below(
    minutes: Sequence[float] | Floats,
    celsius: Sequence[float] | Floats,
    bound_c: float,
    longest_gap: float | None = None,
) -> Exposure:
    """Minutes at or below ``bound_c``: the mirror of ``at_or_above``."""
    times, temperatures = curve(minutes, celsius)
    return at_or_above(times, -temperatures, -number(bound_c, "temperature"), longest_gap)


def _share_above(over: Floats) -> Floats:
    """Of each step, the share at or above zero when it runs straight from one end to the other."""
    first, last = over[:-1], over[1:]
    high, low = np.maximum(first, last), np.minimum(first, last)
    span = np.where(high > low, high - low, 1.0)
    return np.where(low >= 0, 1.0, np.where(high < 0, 0.0, np.clip(high / span, 0.0, 1.0)))


def _longest(spent: Floats, over: Floats, missing: NDArray[np.bool_]) -> float:
    longest = running = 0.0
    for step, length in enumerate(spent):
        goes_on = over[step] >= 0 and not missing[step]
        running = running + length if goes_on else float(length)
        longest = max(longest, running)
        if over[step + 1] < 0 or missing[step]:
            running = 0.0
    return float(longest)
