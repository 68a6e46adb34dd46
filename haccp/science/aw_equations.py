"""Water activity of a solution: the bare equations. No range is watched here; ``water_activity`` does that.
That of sucrose alone, at any temperature, is in ``sucrose``.

``x`` are mole fractions, water activity runs from 0 to 1.
"""

import math
from collections.abc import Iterable


def raoult(x_water: float) -> float:
    """Raoult: aw = xw. Read high by every real sugar or polyol solution."""
    return x_water


def norrish(x_water: float, solutes: Iterable[tuple[float, float]]) -> float:
    """Norrish 1966: aw = xw exp(-(sum sqrt(Ki) xi)^2), from pairs (K on the natural logarithm, mole fraction).

    With one solute this is aw = xw exp(-K xs^2).
    """
    return x_water * math.exp(-(math.fsum(math.sqrt(k) * x for k, x in solutes) ** 2))


def ross(single: Iterable[float]) -> float:
    """Ross 1975: the product of the water activities each solute would have alone in all the water."""
    return math.prod(single)


def money_born(moles_per_100_g_water: float) -> float:
    """Money and Born: aw = 1 / (1 + 0.27 n), n moles of sugar in 100 g of water."""
    return 1 / (1 + 0.27 * moles_per_100_g_water)


def grover(equivalents: float) -> float:
    """Grover 1947: aw = 1.04 - 0.10 E + 0.0045 E^2, E grams of sucrose equivalents per gram of water.

    A parabola: above 1 where E is below 0.407, and rising again from E = 11.11 on.
    """
    return 1.04 - 0.10 * equivalents + 0.0045 * equivalents**2
