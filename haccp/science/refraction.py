"""Refractometer: refractive index and degrees Brix of sucrose and water at 20 degC. Pure.

Refractive index at 589 nm. The five-decimal values are the ICUMSA scale of 1974 (from memory); they agree within
0.0001 with the four-decimal handbook table (read). A temperature correction could not be confirmed, so there is none.
"""

from bisect import bisect_right

from haccp.science.answers import Answer, Computed, NotComputed, number
from haccp.science.roots import crossing

SOURCE = "ICUMSA 1974 scale, five decimals (from memory), within 0.0001 of a handbook table of four decimals (read)"
PURE_SUCROSE = (
    "Degrees Brix equal dissolved solids only for pure sucrose; glucose syrup, salt and milk shift them."
)
INDEX = (
    1.33299,
    1.34782,
    1.36384,
    1.38115,
    1.39986,
    1.42009,
    1.44193,
    1.46546,
    1.49071,
)  # at 0, 10 ... 80 Brix
STEP, HIGHEST = 10.0, 80.0
ACCURACY = (
    0.0002  # of the index: two tables agree within 0.0001, the interpolation adds less than that (computed)
)
NO_CORRECTION = "It is tabled for samples at 20.0 °C, and no temperature correction could be confirmed."
ADVICE = "Bring the sample and the instrument to 20 °C and read again."


def index_of(brix: float, *, sample_celsius: float = 20.0) -> Answer:
    """Refractive index at 20 degC of ``brix`` % m/m sucrose. Range 0 to 80; accuracy 0.0002."""
    model = "Brix to refractive index"
    degrees = number(brix, "brix")
    why = _elsewhere(sample_celsius)
    if why:
        return NotComputed(model, why, ADVICE)
    if not 0 <= degrees <= HIGHEST:
        return NotComputed(model, "The table runs from 0 to 80 °Brix.")
    value = _index(degrees)
    return Computed(value, value - ACCURACY, value + ACCURACY, "C62", model, SOURCE)


def brix_of(index: float, *, sample_celsius: float = 20.0) -> Answer:
    """Degrees Brix (% m/m sucrose) from a refractive index read at 20 degC, 1.33299 to 1.49071.

    The band is what 0.0002 of the index come to, 0.1 to 0.2 degrees, and what the index table allows at its ends.
    """
    model = "Refractive index to Brix"
    read = number(index, "index")
    why = _elsewhere(sample_celsius)
    if why:
        return NotComputed(model, why, ADVICE)
    if not INDEX[0] <= read <= INDEX[-1]:
        return NotComputed(model, f"The table runs from {INDEX[0]} to {INDEX[-1]}.")
    value, low, high = (_brix(n) for n in (read, read - ACCURACY, read + ACCURACY))
    return Computed(value, low, high, "P1", model, SOURCE, (PURE_SUCROSE,))


def _elsewhere(celsius: float) -> str:
    return "" if abs(number(celsius, "sample_celsius") - 20.0) < 0.05 else NO_CORRECTION


def _index(brix: float) -> float:
    """The cubic through the four table values around ``brix`` (Lagrange)."""
    first = min(max(bisect_right(range(0, 90, 10), brix) - 2, 0), len(INDEX) - 4)
    points = range(first, first + 4)
    place = brix / STEP
    total = 0.0
    for i in points:
        weight = 1.0
        for j in points:
            if j != i:
                weight *= (place - j) / (i - j)
        total += weight * INDEX[i]
    return total


def _brix(index: float) -> float:
    inside = min(max(index, INDEX[0]), INDEX[-1])
    found = crossing(lambda brix: _index(brix) - inside, 0.0, HIGHEST)
    assert found is not None  # the table rises from end to end
    return found
