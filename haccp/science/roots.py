"""Where a continuous function crosses zero, by halving the interval. Slow and sure. Pure."""

from collections.abc import Callable

HALVINGS = 200


def crossing(function: Callable[[float], float], low: float, high: float) -> float | None:
    """A value between ``low`` and ``high`` at which ``function`` is zero, or None if its sign is one at both ends."""
    at_low, at_high = function(low), function(high)
    if at_low == 0:
        return low
    if at_high == 0:
        return high
    if (at_low > 0) == (at_high > 0):
        return None
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if middle in (low, high):
            break  # no number lies between
        at_middle = function(middle)
        if (at_middle > 0) == (at_low > 0):
            low = middle
        else:
            high = middle
    return (low + high) / 2
