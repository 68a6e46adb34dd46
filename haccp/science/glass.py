"""Where a boiled sweet of sucrose and water turns from glass to rubber (Gordon-Taylor). Pure.

Tg = (k w1 Tg1 + w2 Tg2) / (k w1 + w2) in kelvin, w mass fractions, 1 water, 2 sucrose, k on water. One textbook puts
k on the part with the higher Tg, so that its k is 1/4.7: with k on the wrong part 5 % water would give 59.8 degC.
"""

from haccp.science.answers import Answer, Computed, NotComputed, number
from haccp.science.roots import crossing

K = 4.7  # from memory
WATER_CELSIUS = -135.0  # read, Johari and co-workers 1987 as quoted in a food engineering text
SUCROSE_CELSIUS = 62.0  # from memory; 52 and 60 degC are published too (both read)
ZERO = 273.15
ACCURACY = 5.0  # degC: what sources differ by, all but one
MOST_WATER = 0.10  # beyond which the table of checks does not go
SOURCE = (
    "Gordon-Taylor; k 4.7 and 62 °C for sucrose (from memory), -135 °C for water (read); 52 and 60 °C are published "
    "for dry sucrose too (read)"
)
SHIFTS = "Sucrose and water only: glucose syrup, invert sugar, acid and milk shift it."
LOWER = "One published value for dry sucrose, 52 °C, lies below the band."
OTHERS = "Other solids are in it, and no constants for them are given here."
MODEL = "Glass transition"


def transition(*, water_g: float, sucrose_g: float, other_g: float = 0.0) -> Answer:
    """Glass transition in degC. Range: sucrose and water only, up to 10 % m/m water. Accuracy 5 degC, not better."""
    water, sucrose = number(water_g, "water_g", least=0), number(sucrose_g, "sucrose_g", above=0)
    if number(other_g, "other_g", least=0) > 0:
        return NotComputed(MODEL, OTHERS)
    share = water / (water + sucrose)
    if share > MOST_WATER + 1e-9:
        return NotComputed(MODEL, "It is checked up to 10 % m/m water only.")
    value = _celsius(share)
    return Computed(value, value - ACCURACY, value + ACCURACY, "CEL", MODEL, SOURCE, (SHIFTS, LOWER))


def most_water(celsius: float) -> Answer:
    """Water in % m/m at which sucrose glass has its transition at ``celsius``; with more it is soft there.

    Range: where the answer and its band of 5 degC lie within 0 to 10 % m/m water.
    """
    model = "Water at the glass transition"
    wanted = number(celsius, "celsius")
    value, low, high = (_share(wanted + shift) for shift in (0.0, ACCURACY, -ACCURACY))
    if value is None or low is None or high is None:
        return NotComputed(model, "The answer or its band lies outside 0 to 10 % m/m water.")
    return Computed(100 * value, 100 * low, 100 * high, "P1", model, SOURCE, (SHIFTS, LOWER))


def _celsius(share: float) -> float:
    water, sucrose = K * share, 1 - share
    return (water * (WATER_CELSIUS + ZERO) + sucrose * (SUCROSE_CELSIUS + ZERO)) / (water + sucrose) - ZERO


def _share(celsius: float) -> float | None:
    return crossing(lambda share: _celsius(share) - celsius, 0.0, MOST_WATER)
