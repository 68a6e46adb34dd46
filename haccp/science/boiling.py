"""At what temperature water and pure sucrose syrup boil in an open pan, by station pressure or by altitude.

Water: IAPWS-IF97 (R7-97), region 4, equations 30 and 31; coefficients read in two public implementations, checked
in the tests against the release's tables 35 and 36. Pressure by altitude: the International Standard Atmosphere.
Syrup: the temperature where water activity times saturation pressure equals the pressure on the pan.

A station pressure is what a barometer in the room shows, not the forecast's figure reduced to sea level.
"""

from haccp.science import sucrose
from haccp.science.answers import Answer, Computed, NotComputed, number
from haccp.science.roots import crossing

SEA_LEVEL_KPA = 101.325  # International Standard Atmosphere (read)
LAPSE_K_PER_M, SEA_LEVEL_K, EXPONENT = 0.0065, 288.15, 5.2559  # the same, 0 to 11 km (read)
LOWEST_M, HIGHEST_M = -500.0, 11_000.0  # 11 km: where the formula ends (read); below any shore: from memory
LOWEST_KPA, HIGHEST_KPA = 22.6, 110.0  # 11 km in that atmosphere; above any weather on land: from memory
WEATHER_KPA = 3.0  # how far ordinary weather moves the pressure either way: from memory
WATER_BAND_C = 0.01  # two formulations agree to 0.001 °C (computed); kept ten times wider

SYRUP_BAND_C = 3.0  # equation against the old trade table, 70 to 82 % (computed from read figures)
SOLIDS_BAND_PCT = 3.0  # the same disagreement seen as solids
MOST_SOLIDS_PCT = 96.0  # the equation was tabled and checked up to here

WATER_MODEL = "Boiling point of water"
SYRUP_MODEL = "Boiling point of sucrose syrup"
SOLIDS_MODEL = "Solids of sucrose syrup from its boiling temperature"
WATER_SOURCE = "IAPWS-IF97 (R7-97), region 4, equations 30 and 31 (coefficients read)"
ATMOSPHERE_SOURCE = "International Standard Atmosphere, troposphere formula (read)"
SYRUP_SOURCE = f"{sucrose.SOURCE}; {WATER_SOURCE}; band: an old trade table (read) differs by up to 3 °C"
EQUATION_NOTE = (
    "ln gamma = (-17638 J/mol / RT) x² (1 - 1.0038 x - 0.24653 x²); it boils where gamma (1 - x) psat(T) = p."
)
PURE_NOTE = "Pure sucrose and water only; glucose syrup, milk, fat and acid change it."
NOT_STATION = "That is no station pressure of an open pan from sea level to 11 km; was it given in hPa, or reduced to sea level?"
NO_PAN = "Give the pressure the barometer in the room shows, in kPa."

_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849e0,
    0.65017534844798e3,
)


def saturation_kpa(celsius: float) -> float:
    """Saturation pressure of water in kPa at 0 to 373.9 °C: IAPWS-IF97 equation 30."""
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    kelvin = celsius + sucrose.KELVIN
    t = kelvin + n9 / (kelvin - n10)
    a = t * t + n1 * t + n2
    b = n3 * t * t + n4 * t + n5
    c = n6 * t * t + n7 * t + n8
    return float(1000.0 * (2.0 * c / (-b + (b * b - 4.0 * a * c) ** 0.5)) ** 4)


def saturation_c(kpa: float) -> float:
    """Saturation temperature of water in °C at 0.6112 to 22 064 kPa: IAPWS-IF97 equation 31."""
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    beta = (kpa / 1000.0) ** 0.25
    e = beta * beta + n3 * beta + n6
    f = n1 * beta * beta + n4 * beta + n7
    g = n2 * beta * beta + n5 * beta + n8
    d = 2.0 * g / (-f - (f * f - 4.0 * e * g) ** 0.5)
    kelvin = (n10 + d - ((n10 + d) ** 2 - 4.0 * (n9 + n10 * d)) ** 0.5) / 2.0
    return float(kelvin - sucrose.KELVIN)


def standard_kpa(altitude_m: float) -> float:
    """p = 101.325 (1 - 0.0065 h / 288.15)^5.2559 kPa, h in metres up to 11 000."""
    return float(SEA_LEVEL_KPA * (1.0 - LAPSE_K_PER_M * altitude_m / SEA_LEVEL_K) ** EXPONENT)


def pressure_at(altitude_m: float) -> Answer:
    """The standard atmosphere's pressure (kPa) at ``altitude_m`` (m, -500 to 11 000); the day's may differ.

    The band is ordinary weather, 3 kPa either way (from memory). Raises Unusable for what is no number.
    """
    height = number(altitude_m, "altitude")
    if not LOWEST_M <= height <= HIGHEST_M:
        return NotComputed(
            "Pressure by altitude",
            "The formula holds from -500 to 11 000 m.",
            "Read a barometer in the room.",
        )
    kpa = standard_kpa(height)
    note = "A standard day. Weather moves it; the barometer's reading is better."
    return Computed(
        kpa, kpa - WEATHER_KPA, kpa + WEATHER_KPA, "KPA", "Pressure by altitude", ATMOSPHERE_SOURCE, (note,)
    )


def water_boils(station_kpa: float) -> Answer:
    """Boiling point of water (°C) at the room's pressure (kPa, 22.6 to 110): IAPWS-IF97 equation 31.

    Good to 0.01 °C for pure water and the pressure given. Raises Unusable for what is no number.
    """
    kpa = number(station_kpa, "station pressure", above=0)
    if not LOWEST_KPA <= kpa <= HIGHEST_KPA:
        return NotComputed(WATER_MODEL, NOT_STATION, NO_PAN)
    celsius = saturation_c(kpa)
    return Computed(celsius, celsius - WATER_BAND_C, celsius + WATER_BAND_C, "CEL", WATER_MODEL, WATER_SOURCE)


def water_boils_at(altitude_m: float) -> Answer:
    """Boiling point of water (°C) at an altitude (m, -500 to 11 000) on a standard day.

    The band is what ordinary weather does (about 0.28 °C per kPa near sea level, computed).
    """
    pressure = pressure_at(altitude_m)
    if isinstance(pressure, NotComputed):
        return NotComputed(WATER_MODEL, pressure.why, pressure.advice)
    note = "A standard day; the band is ordinary weather. The day's station pressure gives it to 0.01 °C."
    return Computed(
        saturation_c(pressure.value),
        saturation_c(pressure.low) - WATER_BAND_C,
        saturation_c(pressure.high) + WATER_BAND_C,
        "CEL",
        WATER_MODEL,
        f"{WATER_SOURCE}; {ATMOSPHERE_SOURCE}",
        (note,),
    )


def syrup_c(solids_pct: float, kpa: float) -> float:
    """Where aw(solids, T) psat(T) = p, in °C: the bare root, without range or band."""
    found = crossing(
        lambda celsius: sucrose.water_activity(solids_pct, celsius) * saturation_kpa(celsius) - kpa,
        saturation_c(kpa) - 1e-6,
        saturation_c(kpa) + 100.0,
    )
    assert found is not None  # up to 96 % solids syrup boils at most 60 degrees above water
    return found


def syrup_boils(solids_pct: float, station_kpa: float) -> Answer:
    """Boiling point (°C, within 3) of pure sucrose syrup of 0 to 96 % solids by mass at 22.6 to 110 kPa.

    Equation and constants: see the notes and ``haccp.science.sucrose``. Raises Unusable for what is no number.
    """
    solids = number(solids_pct, "solids", least=0)
    kpa = number(station_kpa, "station pressure", above=0)
    if not LOWEST_KPA <= kpa <= HIGHEST_KPA:
        return NotComputed(SYRUP_MODEL, NOT_STATION, NO_PAN)
    if solids > MOST_SOLIDS_PCT:
        return NotComputed(SYRUP_MODEL, "The equation was checked up to 96 % solids only.")
    celsius = syrup_c(solids, kpa)
    return Computed(
        celsius,
        max(celsius - SYRUP_BAND_C, saturation_c(kpa)),  # syrup never boils below water
        celsius + SYRUP_BAND_C,
        "CEL",
        SYRUP_MODEL,
        SYRUP_SOURCE,
        (EQUATION_NOTE, PURE_NOTE),
    )


def solids_from_boiling(celsius: float, station_kpa: float) -> Answer:
    """Solids (% by mass, within 3) of pure sucrose syrup that boils at ``celsius`` under ``station_kpa``.

    The inverse of ``syrup_boils``, up to 96 %. Water left is 100 minus this. Raises Unusable for what is no number.
    """
    boils = number(celsius, "boiling temperature")
    kpa = number(station_kpa, "station pressure", above=0)
    if not LOWEST_KPA <= kpa <= HIGHEST_KPA:
        return NotComputed(SOLIDS_MODEL, NOT_STATION, NO_PAN)
    if boils < saturation_c(kpa):
        why = (
            f"Water itself boils at {saturation_c(kpa):.1f} °C at that pressure: "
            "this is no boiling syrup, or probe or pressure is wrong."
        )
        return NotComputed(SOLIDS_MODEL, why, "Check probe and barometer.")
    if boils > syrup_c(MOST_SOLIDS_PCT, kpa):
        return NotComputed(SOLIDS_MODEL, "The equation was checked up to 96 % solids only.")
    at_least_water = max(boils, syrup_c(0.0, kpa))
    solids = crossing(lambda pct: syrup_c(pct, kpa) - at_least_water, 0.0, MOST_SOLIDS_PCT)
    assert solids is not None  # both ends were looked at above
    table = "An old trade table (read) has more water left at the same temperature, from 70 to 82 % solids."
    return Computed(
        solids,
        max(solids - SOLIDS_BAND_PCT, 0.0),
        min(solids + SOLIDS_BAND_PCT, 100.0),
        "P1",
        SOLIDS_MODEL,
        SYRUP_SOURCE,
        (EQUATION_NOTE, PURE_NOTE, table),
    )
