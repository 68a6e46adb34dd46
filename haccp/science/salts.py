"""Saturated salt solutions: known humidities to check a water activity meter with. Pure.

Values and uncertainties: Greenspan 1977, J. Res. NBS 81A, 89 (from memory), cross-checked with regression constants
ln aw = k1/T - k2 (read), which agree within 0.25 % relative humidity. Between 20, 25 and 30 degC on a straight line.
"""

from config.api.refusals import Unusable
from haccp.science.answers import Answer, Computed, NotComputed, number

SOURCE = "Greenspan 1977, J. Res. NBS 81A 89 (from memory; cross-check with regression constants read)"
CELSIUS = (20.0, 25.0, 30.0)

# formula: (relative humidity in %, its uncertainty) at each of CELSIUS
SALTS: dict[str, tuple[tuple[float, float], ...]] = {
    "LiCl": ((11.31, 0.31), (11.30, 0.27), (11.28, 0.24)),
    "MgCl2": ((33.07, 0.18), (32.78, 0.16), (32.44, 0.14)),
    "K2CO3": ((43.16, 0.33), (43.16, 0.39), (43.17, 0.50)),
    "Mg(NO3)2": ((54.38, 0.23), (52.89, 0.22), (51.40, 0.24)),
    "NaCl": ((75.47, 0.14), (75.29, 0.12), (75.09, 0.11)),
    "KCl": ((85.11, 0.29), (84.34, 0.26), (83.62, 0.25)),
    "K2SO4": ((97.59, 0.53), (97.30, 0.45), (97.00, 0.40)),
}


def standard(formula: str, celsius: float) -> Answer:
    """Water activity over the saturated solution with its uncertainty. Range 20 to 30 degC.

    Between two temperatures the larger of their uncertainties counts. Raises Unusable for a salt not in the table.
    """
    model = f"Saturated {_known(formula)}"
    temperature = number(celsius, "celsius")
    if not CELSIUS[0] <= temperature <= CELSIUS[-1]:
        return NotComputed(model, "It is tabled from 20 to 30 °C.", "Check the meter at 20 to 30 °C.")
    i = 0 if temperature < CELSIUS[1] else 1
    (low, low_u), (high, high_u) = SALTS[formula][i], SALTS[formula][i + 1]
    share = (temperature - CELSIUS[i]) / (CELSIUS[i + 1] - CELSIUS[i])
    uncertainty = low_u if share == 0 else high_u if share == 1 else max(low_u, high_u)
    value, spread = (low + share * (high - low)) / 100, uncertainty / 100
    return Computed(value, value - spread, value + spread, "C62", model, SOURCE)


def meter_error(formula: str, celsius: float, shown: float) -> Answer:
    """How far a meter that shows ``shown`` reads above (plus) or below (minus) the salt, in water activity.

    How much may be is the maker's own tolerance: no published one could be confirmed.
    """
    reading = number(shown, "shown", least=0)
    salt = standard(formula, celsius)
    if isinstance(salt, NotComputed):
        return salt
    note = "A meter that reads low hides moisture: the unsafe side."
    return Computed(
        reading - salt.value,
        reading - salt.high,
        reading - salt.low,
        "C62",
        f"Meter against saturated {formula}",
        SOURCE,
        (note,),
    )


def _known(formula: str) -> str:
    if formula not in SALTS:
        raise Unusable(
            f"No salt {formula!r} is tabled; there are {', '.join(SALTS)}.", code="unknown-name", field="salt"
        )
    return formula
