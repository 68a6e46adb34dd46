"""Sorption isotherms, and the water activity two or more parts come to when sealed in together. Pure.

No complete set of isotherm constants for nuts, wafer, sugar glass or chocolate could be confirmed, so none stands
here: whoever asks gives the isotherm of their own material, where it is written, and the water activities it was
measured over. Outside those nothing is computed. Moisture X is in kg of water per kg of dry solids.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from config.api.refusals import Unusable
from haccp.science.answers import Answer, Computed, NotComputed, number
from haccp.science.roots import crossing
from haccp.science.solutes import sourced

TOGETHER = "Water activity of parts in contact"
CONSERVED = "Conservation of water between the parts (computed)"
STILL = "Where it settles in the end, with no water gained or lost through the pack; on the way one side may be wetter."


@dataclass(frozen=True)
class Isotherm:
    """X as a rising function of water activity, from ``aw_low`` to ``aw_high``, as ``source`` gives it.

    ``uncertainty``: of X, plus or minus, as the source states it; 0 where it states none.
    """

    name: str
    curve: Callable[[float], float]
    aw_low: float
    aw_high: float
    source: str
    uncertainty: float = 0.0

    def __post_init__(self) -> None:
        number(self.aw_low, "aw_low", least=0)
        number(self.aw_high, "aw_high", above=self.aw_low)
        number(self.uncertainty, "uncertainty", least=0)
        sourced(self.source, "source")
        if self.aw_high > 1:
            raise Unusable("A water activity is at most 1.", code="out-of-range", field="aw_high")

    def covers(self, aw: float) -> bool:
        return self.aw_low <= aw <= self.aw_high


def gab(
    *,
    m0: float,
    c: float,
    k: float,
    aw_low: float,
    aw_high: float,
    source: str,
    uncertainty: float = 0.0,
) -> Isotherm:
    """GAB: X = m0 C K aw / [(1 - K aw)(1 - K aw + C K aw)], m0 in kg/kg dry, C and K pure numbers above 0.

    Rises for every C above 0 as long as K aw stays below 1, which is asked at ``aw_high``.
    """
    layer, constant, factor = number(m0, "m0", above=0), number(c, "c", above=0), number(k, "k", above=0)
    if factor * aw_high >= 1:
        raise Unusable(
            "K times the highest water activity must stay below 1.", code="out-of-range", field="k"
        )

    def curve(aw: float) -> float:
        u = factor * aw
        return layer * constant * u / ((1 - u) * (1 - u + constant * u))

    name = "BET isotherm" if factor == 1 else "GAB isotherm"
    return Isotherm(name, curve, aw_low, aw_high, source, uncertainty)


def bet(
    *, m0: float, c: float, aw_low: float, aw_high: float, source: str, uncertainty: float = 0.0
) -> Isotherm:
    """BET: GAB with K = 1."""
    return gab(m0=m0, c=c, k=1.0, aw_low=aw_low, aw_high=aw_high, source=source, uncertainty=uncertainty)


def linear(
    *,
    slope: float,
    at_zero: float = 0.0,
    aw_low: float,
    aw_high: float,
    source: str,
    uncertainty: float = 0.0,
) -> Isotherm:
    """A straight line: X = ``at_zero`` + ``slope`` aw, both in kg/kg dry."""
    rise, start = number(slope, "slope", above=0), number(at_zero, "at_zero")
    if start + rise * aw_low < 0:
        raise Unusable(
            "The line gives less than no water at its lower end.", code="out-of-range", field="at_zero"
        )
    return Isotherm("Linear isotherm", lambda aw: start + rise * aw, aw_low, aw_high, source, uncertainty)


def moisture_at(isotherm: Isotherm, aw: float) -> Answer:
    """X in kg/kg dry at a water activity within the isotherm's own range."""
    activity = number(aw, "aw")
    if not isotherm.covers(activity):
        return NotComputed(isotherm.name, _range(isotherm))
    value, spread = isotherm.curve(activity), isotherm.uncertainty
    return Computed(value, max(0.0, value - spread), value + spread, "C62", isotherm.name, isotherm.source)


def aw_at(isotherm: Isotherm, moisture: float) -> Answer:
    """The water activity at X kg/kg dry, where it and its band lie within the isotherm's range."""
    wanted = number(moisture, "moisture", least=0)

    def at(x: float) -> float | None:
        return crossing(lambda aw: isotherm.curve(aw) - x, isotherm.aw_low, isotherm.aw_high)

    value, low, high = (at(wanted + shift) for shift in (0.0, -isotherm.uncertainty, isotherm.uncertainty))
    if value is None or low is None or high is None:
        return NotComputed(isotherm.name, _range(isotherm))
    return Computed(value, low, high, "C62", isotherm.name, isotherm.source)


@dataclass(frozen=True)
class Part:
    """``dry_g`` grams of dry solids that start at water activity ``aw``, measured to plus or minus ``uncertainty``."""

    name: str
    isotherm: Isotherm
    dry_g: float
    aw: float
    uncertainty: float = 0.0

    def __post_init__(self) -> None:
        number(self.dry_g, f"{self.name}.dry_g", above=0)
        number(self.aw, f"{self.name}.aw", least=0)
        number(self.uncertainty, f"{self.name}.uncertainty", least=0)


def together(parts: Sequence[Part]) -> Answer:
    """The common aw with sum(Wi Xi(aw)) = sum(Wi Xi(aw_i)): two or more parts, no water in or out.

    Range: every start and the answer, with their bands, within every isotherm's own range. The band takes meters and
    isotherms at their worst together. Raises Unusable for fewer than two parts.
    """
    if len(parts) < 2:
        raise Unusable("Name two parts or more.", code="too-few", field="parts")
    for part in parts:
        for aw in (part.aw - part.uncertainty, part.aw + part.uncertainty):
            if not part.isotherm.covers(aw):
                return NotComputed(TOGETHER, f"{part.name} starts at {part.aw:g}. {_range(part.isotherm)}")
    # An isotherm may be off at the start and, the other way, at the end: twice its uncertainty in water.
    doubt = 2 * math.fsum(part.dry_g * part.isotherm.uncertainty for part in parts)
    value, low, high = (_shared_aw(parts, _water(parts, sign) + sign * doubt) for sign in (0.0, -1.0, 1.0))
    if value is None or low is None or high is None:
        return NotComputed(
            TOGETHER,
            "Where it settles, or its band, lies outside the water activities an isotherm was measured over.",
        )
    sources = "; ".join(dict.fromkeys(part.isotherm.source for part in parts))
    return Computed(value, low, high, "C62", TOGETHER, f"{CONSERVED}; isotherms: {sources}", (STILL,))


def _water(parts: Sequence[Part], sign: float) -> float:
    """Grams of water in all parts, their meters off by ``sign`` times the uncertainty."""
    return math.fsum(part.dry_g * part.isotherm.curve(part.aw + sign * part.uncertainty) for part in parts)


def _shared_aw(parts: Sequence[Part], water_g: float) -> float | None:
    low = max(part.isotherm.aw_low for part in parts)
    high = min(part.isotherm.aw_high for part in parts)
    if low > high:
        return None

    def excess(aw: float) -> float:
        return math.fsum(part.dry_g * part.isotherm.curve(aw) for part in parts) - water_g

    return crossing(excess, low, high)


def _range(isotherm: Isotherm) -> str:
    return f"The isotherm holds from a water activity of {isotherm.aw_low:g} to {isotherm.aw_high:g}."
