"""What heat does to microbes: lethal rate, F, log reduction, and when such a number may not be used.

L = 10^((T - Tref)/z); F = integral of L dt (minutes at Tref); D(T) = D(Tref) 10^((Tref - T)/z); logs = F / D(Tref).
Definitions read in teaching texts on thermal processing. F is the integral along straight lines between readings
(``haccp.science.courses.heat``), as the judges have it.

D and z belong to one organism in one food from one study; two studies are never put together, and a moist food's
figures say nothing of a nut paste, chocolate or sugar. In dry and fatty foods survivors tail off: log-linear figures
overstate long holds, so they are shown but are no kill step without the site's own validation. Warm chocolate is none.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from config.api.refusals import Unusable
from haccp.science.answers import Answer, Computed, NotComputed, exact, number
from haccp.science.courses import Course, Floats, gaps, heat

SOURCE = "definition (read in teaching texts on thermal processing)"
F_MODEL = "Lethality F"
LOGS_MODEL = "Log reduction"
KILL_MODEL = "Kill step"
HOLD_MODEL = "Holding time for moist meat"
OVERSTATES = (
    "A log-linear figure overstates what a long hold does in a dry or fatty food; own validation is needed."
)
NO_CHOCOLATE = (
    "Warm chocolate is no kill step: five logs of Salmonella took over 30 h at 71 °C (secondary text, read)."
)
VALIDATE = "Validate the step on the site's own product and line, and give the reference."
DRY_SPREAD = 10.0  # order of magnitude: D varies with fat, water activity and strain (read, several studies)


class Matrix(StrEnum):
    """What the microbes sit in. Figures for one say nothing of another."""

    MOIST_MEAT = "moist meat"
    MOIST = "other moist food"
    NUT_PASTE = "nut paste"
    NUTS = "nuts"
    CHOCOLATE = "chocolate"
    SUGAR = "sugar mass"
    DRY = "other dry food"


MOIST = frozenset({Matrix.MOIST_MEAT, Matrix.MOIST})
NO_KILL_STEP = {
    Matrix.CHOCOLATE: NO_CHOCOLATE,
    Matrix.SUGAR: "Hot sugar is no kill step: what joins it later is not heated with it, and no D or z for it is known "
    "here.",
}
"""Heat that is never counted on, and why."""


def no_figures_of(food: Matrix, product: Matrix) -> str:
    """Why D and z of one kind of food may not be used for another; empty where they may."""
    return "" if food == product else f"D and z of {food} say nothing of {product}."


@dataclass(frozen=True)
class Origin:
    """Which organism, in which food, from which study (with its provenance word). None may be empty."""

    organism: str
    matrix: Matrix
    food: str
    source: str

    def __post_init__(self) -> None:
        for field in ("organism", "food", "source"):
            if not getattr(self, field).strip():
                raise Unusable(f"D and z need their {field}.", code="origin-missing", field=field)


@dataclass(frozen=True)
class DecimalTime:
    """``minutes`` at ``celsius`` kill nine in ten."""

    minutes: float
    celsius: float
    origin: Origin

    def __post_init__(self) -> None:
        number(self.minutes, "D", above=0)
        number(self.celsius, "temperature of D")


@dataclass(frozen=True)
class ZValue:
    """``kelvin`` more make D ten times shorter."""

    kelvin: float
    origin: Origin

    def __post_init__(self) -> None:
        number(self.kelvin, "z", above=0)


@dataclass(frozen=True)
class Resistance:
    """D and z of one study, and the temperatures (°C) it covered. Raises Unusable where D and z differ in origin."""

    d: DecimalTime
    z: ZValue
    lowest_c: float
    highest_c: float

    def __post_init__(self) -> None:
        if self.d.origin != self.z.origin:
            raise Unusable(
                f"D is of {_named(self.d.origin)}, z of {_named(self.z.origin)}: they are never put together.",
                code="two-origins",
                field="z",
            )
        number(self.lowest_c, "lowest temperature studied")
        number(self.highest_c, "highest temperature studied", least=self.lowest_c)

    @property
    def origin(self) -> Origin:
        return self.d.origin


def _named(origin: Origin) -> str:
    return f"{origin.organism} in {origin.food} ({origin.source})"


def lethal_rate(celsius: float, reference_c: float, z_k: float) -> float:
    """L, minutes at ``reference_c`` that a minute at ``celsius`` is worth. z in kelvin, above 0."""
    z = number(z_k, "z", above=0)
    return float(
        10.0 ** ((number(celsius, "temperature") - number(reference_c, "reference temperature")) / z)
    )


def lethality(of: Course, reference_c: float, z_k: float, *, longest: float = math.inf) -> Computed:
    """F in minutes at ``reference_c``. Readings over ``longest`` seconds apart are gaps, left out.

    The band takes each step at its colder and at its warmer end. Raises Unusable for z <= 0.
    """
    z, reference = number(z_k, "z", above=0), number(reference_c, "reference temperature")
    celsius = of.converted("CEL")
    rates = 10.0 ** ((celsius.values - reference) / z)
    return _between(of, heat(celsius, reference, z, longest=longest), rates, longest)


def _between(of: Course, seconds: float, rates: Floats, longest: float) -> Computed:
    """The heat in minutes, between each step at its colder and at its warmer end."""
    steps = np.diff(of.seconds) / 60.0
    steps[steps * 60.0 > longest] = 0.0
    first, last = rates[:-1], rates[1:]
    missing = tuple(
        f"Gap of {gap.lasts / 60:g} min after {gap.after / 60:g} min: left out." for gap in gaps(of, longest)
    )
    return Computed(
        seconds / 60.0,
        float(np.sum(steps * np.minimum(first, last))),
        float(np.sum(steps * np.maximum(first, last))),
        "MIN",
        F_MODEL,
        SOURCE,
        ("Band: each step taken at its colder and at its warmer end.", *missing),
    )


def ramp_lethality(from_c: float, to_c: float, k_per_min: float, reference_c: float, z_k: float) -> Computed:
    """F (min) of a straight ramp: z / (r ln 10) (10^((T2 - Tref)/z) - 10^((T1 - Tref)/z)), r in K/min.

    The closed form. Raises Unusable for z <= 0, or a rate that is 0 or runs the other way.
    """
    z, rate = number(z_k, "z", above=0), number(k_per_min, "rate")
    if rate * (to_c - from_c) < 0 or rate == 0:
        raise Unusable("The rate must lead from the first temperature to the second.", field="rate")
    ends = lethal_rate(to_c, reference_c, z) - lethal_rate(from_c, reference_c, z)
    return exact(z / (rate * math.log(10.0)) * ends, "MIN", F_MODEL, SOURCE)


def decimal_time(resistance: Resistance, celsius: float) -> Answer:
    """D (min) at ``celsius``: D(Tref) 10^((Tref - T)/z), only within the temperatures studied."""
    at = number(celsius, "temperature")
    if not resistance.lowest_c <= at <= resistance.highest_c:
        studied = f"It was studied from {resistance.lowest_c:g} to {resistance.highest_c:g} °C only."
        return NotComputed("Decimal reduction time", studied, VALIDATE)
    d = resistance.d
    minutes = d.minutes * 10.0 ** ((d.celsius - at) / resistance.z.kelvin)
    return exact(minutes, "MIN", "Decimal reduction time", _named(d.origin), _notes(resistance.origin.matrix))


def log_reduction(
    of: Course, resistance: Resistance, product: Matrix, *, longest: float = math.inf
) -> Answer:
    """log10 reduction F / D(Tref) over a course, if the figures are of this kind of product; gaps left out.

    Colder than studied counts as nothing, hotter as the hottest studied. The band of a dry food is a factor of ten.
    """
    origin, d = resistance.origin, resistance.d
    if why := no_figures_of(origin.matrix, product):
        return NotComputed(LOGS_MODEL, f"{why} They are of {_named(origin)}.", VALIDATE)
    celsius, lowest, highest, z = of.converted("CEL"), resistance.lowest_c, resistance.highest_c, resistance.z
    capped = np.minimum(celsius.values, highest)
    rates = np.where(celsius.values < lowest, 0.0, 10.0 ** ((capped - d.celsius) / z.kelvin))
    seconds = heat(celsius, d.celsius, z.kelvin, longest=longest, studied=(lowest, highest))
    f = _between(of, seconds, rates, longest)
    wide = 1.0 if product in MOIST else DRY_SPREAD
    studied = "Colder than studied counts as nothing, hotter as the hottest studied."
    return Computed(
        f.value / d.minutes,
        f.low / d.minutes / wide,
        f.high / d.minutes * wide,
        "C62",
        LOGS_MODEL,
        _named(origin),
        (*_notes(product), studied, *f.notes),
    )


def _notes(matrix: Matrix) -> tuple[str, ...]:
    return () if matrix in MOIST else (OVERSTATES,)


def kill_step(reduction: Answer, product: Matrix, own_validation: str = "") -> Answer:
    """The reduction, if it may be leaned on as a kill step for ``product``; else why not.

    Chocolate and sugar never. A dry or fatty food only with the reference of the site's own validation.
    """
    if product in NO_KILL_STEP:
        return NotComputed(
            KILL_MODEL, NO_KILL_STEP[product], "Use ingredients that had their kill step before."
        )
    if isinstance(reduction, NotComputed):
        return NotComputed(KILL_MODEL, reduction.why, reduction.advice)
    if product not in MOIST and not own_validation.strip():
        return NotComputed(KILL_MODEL, OVERSTATES, VALIDATE)
    return reduction


# US guideline for cooked beef, selected rows (two copies read): °C, seconds for 6.5 log, seconds for 7 log Salmonella.
MOIST_MEAT_ROWS = (
    (54.4, 6720, 7260),
    (55.0, 5340, 5820),
    (55.6, 4260, 4620),
    (56.7, 2700, 2820),
    (57.2, 2160, 2220),
    (57.8, 1680, 1920),
    (60.0, 720, 720),
    (60.6, 540, 600),
    (62.8, 240, 240),
    (63.3, 169, 182),
    (64.4, 107, 115),
    (65.0, 85, 91),
    (65.6, 67, 72),
    (66.1, 54, 58),
    (67.2, 34, 37),
    (67.8, 27, 29),
    (68.3, 22, 23),
    (69.4, 14, 15),
)
MOIST_MEAT_SOURCE = "US guideline for cooked beef, appendix A, selected rows (two copies read)"


def moist_meat_hold(celsius: float, logs: float, product: Matrix) -> Answer:
    """Seconds at ``celsius`` for 6.5 or 7 logs of Salmonella in moist meat: the row at or below, never between rows.

    From 54.4 °C; hotter than 69.4 °C answers that row's time. Refused for any other product.
    """
    if product != Matrix.MOIST_MEAT:
        why = f"The table is of moist cooked beef and says nothing of {product}: dry heat needs far longer."
        return NotComputed(HOLD_MODEL, why, VALIDATE)
    if logs not in (6.5, 7):
        raise Unusable("The table has columns for 6.5 and 7 logs.", code="no-such-column", field="logs")
    at = number(celsius, "temperature")
    rows = [row for row in MOIST_MEAT_ROWS if row[0] <= at]
    if not rows:
        return NotComputed(HOLD_MODEL, "The table begins at 54.4 °C.")
    return exact(float(rows[-1][1 if logs == 6.5 else 2]), "SEC", HOLD_MODEL, MOIST_MEAT_SOURCE)


_PASTE = Origin(
    "Salmonella (7 strains)",
    Matrix.NUT_PASTE,
    "peanut butter, flowing type",
    "LWT 129, 109507, 2020, abstract (read)",
)
FLOWING_NUT_PASTE = Resistance(DecimalTime(31.23, 70.0, _PASTE), ZValue(44.5, _PASTE), 60.0, 80.0)
