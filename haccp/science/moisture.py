"""Water and solids: wet and dry basis, water cooked off, mixtures of lines. Conservation of mass, nothing else. Pure.

Moisture is in % m/m of the whole (wet basis) unless said; masses in kg. Uncertainties are plus or minus, in the same
unit, and combined at their worst.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from config.api.refusals import Unusable
from haccp.science.answers import Answer, Computed, NotComputed, number
from haccp.science.composition import sums_to

SOURCE = "Conservation of solids (computed)"
BASIS = "Definition of wet and dry basis (computed)"


@dataclass(frozen=True)
class Moisture:
    """``percent`` m/m water of the whole, known to plus or minus ``uncertainty``, as its owner states it."""

    percent: float
    uncertainty: float = 0.0

    def __post_init__(self) -> None:
        percentage(self.percent, "moisture")
        number(self.uncertainty, "moisture.uncertainty", least=0)

    @property
    def low(self) -> float:
        return max(0.0, self.percent - self.uncertainty)

    @property
    def high(self) -> float:
        return min(100.0, self.percent + self.uncertainty)


@dataclass(frozen=True)
class Line:
    """One line of a recipe: ``mass_kg`` of something with its moisture."""

    name: str
    mass_kg: float
    moisture: Moisture


def percentage(value: float, field: str) -> float:
    """``value`` if it lies from 0 to 100. Raises Unusable."""
    given = number(value, field, least=0)
    if given > 100:
        raise Unusable(f"{field} cannot be over 100 %, it is {given:g}.", code="out-of-range", field=field)
    return given


def moisture_of_solids(solids_percent: float, uncertainty: float = 0.0) -> Moisture:
    """The moisture that goes with stated solids, % m/m. Raises Unusable where solids are over 100 %."""
    return Moisture(100 - percentage(solids_percent, "solids"), uncertainty)


def to_dry_basis(moisture: Moisture) -> Answer:
    """X = w / (1 - w), kg of water per kg of dry solids. Range: some solids, so below 100 % moisture."""
    model = "Wet to dry basis"
    if moisture.high >= 100:
        return NotComputed(model, "Without solids there is no dry basis.")
    value, low, high = (w / (100 - w) for w in (moisture.percent, moisture.low, moisture.high))
    return Computed(value, low, high, "C62", model, BASIS)


def to_wet_basis(dry_basis: float, uncertainty: float = 0.0) -> Computed:
    """w = X / (1 + X), % m/m, from kg of water per kg of dry solids, 0 or more."""
    middle = number(dry_basis, "dry_basis", least=0)
    spread = number(uncertainty, "uncertainty", least=0)
    value, low, high = (100 * x / (1 + x) for x in (middle, max(0.0, middle - spread), middle + spread))
    return Computed(value, low, high, "P1", "Dry to wet basis", BASIS)


@dataclass(frozen=True)
class CookedOff:
    """What is left, and what went off as water, both in kg."""

    left: Computed
    water_off: Computed


def cooked_off(mass_kg: float, before: Moisture, after: Moisture) -> CookedOff | NotComputed:
    """S = M1 (1 - w1) = M2 (1 - w2): what ``mass_kg`` comes to when cooked from one moisture to another.

    Range: some solids in it, and moisture that does not rise. Raises Unusable where it rises.
    """
    mass = number(mass_kg, "mass_kg", above=0)
    if after.percent > before.percent:
        raise Unusable(
            "Cooking takes water off; the moisture after is above the one before.",
            code="out-of-range",
            field="after",
        )
    if before.high >= 100:
        return NotComputed("Water cooked off", "Without solids nothing says how much is left.")
    left, least, most = (
        mass * (100 - w1) / (100 - w2)
        for w1, w2 in (
            (before.percent, after.percent),
            (before.high, after.low),
            (before.low, min(after.high, before.low)),  # cooking adds no water
        )
    )
    return CookedOff(
        Computed(left, least, most, "KGM", "Mass left after cooking", SOURCE),
        Computed(mass - left, mass - most, mass - least, "KGM", "Water cooked off", SOURCE),
    )


def mixed(lines: Iterable[Line], *, total_kg: float, tolerance_kg: float) -> Computed:
    """Moisture of a mixture, % m/m: sum(Mi wi) / sum(Mi). Nothing may evaporate on the way.

    Raises Unusable where the lines do not come to ``total_kg`` within ``tolerance_kg``, both stated by the caller.
    """
    given = list(lines)
    masses = [number(line.mass_kg, f"lines.{line.name}", least=0) for line in given]
    mass = math.fsum(masses)
    sums_to(
        mass, number(total_kg, "total_kg", above=0), number(tolerance_kg, "tolerance_kg", least=0), "total_kg"
    )
    number(mass, "lines", above=0)

    def shared(percents: Iterable[float]) -> float:
        return math.fsum(m * w for m, w in zip(masses, percents, strict=True)) / mass

    return Computed(
        shared(line.moisture.percent for line in given),
        shared(line.moisture.low for line in given),
        shared(line.moisture.high for line in given),
        "P1",
        "Moisture of a mixture",
        "Conservation of water (computed)",
    )
