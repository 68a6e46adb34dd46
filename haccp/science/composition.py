"""What a syrup or filling is made of, as the water activity models need it: water, what is dissolved, what is not.

Crystals, fat, protein and starch lower water activity hardly or not at all by dissolving, so they are kept apart
and never counted as solute. Pure.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from config.api.refusals import Unusable
from haccp.science.answers import number
from haccp.science.solutes import Solute
from haccp.science.sucrose import WATER_G_PER_MOL

NotDissolved = Literal["sucrose crystals", "other crystals", "fat", "protein", "starch", "other"]
NOT_DISSOLVED: tuple[NotDissolved, ...] = (
    "sucrose crystals",
    "other crystals",
    "fat",
    "protein",
    "starch",
    "other",
)


@dataclass(frozen=True)
class Composition:
    """Grams of water, of each dissolved solute, and of what is not dissolved. Make it with ``composition``.

    ``glass``: the maker knows it as a glass (hard candy); no solution model speaks for one.
    """

    water_g: float
    dissolved: Mapping[Solute, float]
    undissolved: Mapping[NotDissolved, float] = field(default_factory=dict)
    glass: bool = False

    @property
    def dissolved_g(self) -> float:
        return math.fsum(self.dissolved.values())

    @property
    def solids_fraction(self) -> float:
        """Dissolved solids by mass of the solution, 0 to 1; what is not dissolved is left out."""
        return self.dissolved_g / (self.dissolved_g + self.water_g)

    def fraction_of(self, solute: Solute) -> float:
        """Mass fraction of one solute in itself and all the water."""
        grams = self.dissolved.get(solute, 0.0)
        return grams / (grams + self.water_g)

    @property
    def moles_water(self) -> float:
        return self.water_g / WATER_G_PER_MOL

    def moles(self) -> dict[Solute, float]:
        """Moles of each dissolved solute that has a molar mass."""
        return {
            solute: grams / solute.molar_mass
            for solute, grams in self.dissolved.items()
            if solute.molar_mass is not None
        }

    def without_molar_mass(self) -> list[str]:
        return [solute.name for solute in self.dissolved if solute.molar_mass is None]

    def only(self, solute: Solute) -> bool:
        return set(self.dissolved) == {solute}


def composition(
    *,
    water_g: float,
    dissolved: Iterable[tuple[Solute, float]],
    total_g: float,
    tolerance_g: float,
    undissolved: Mapping[NotDissolved, float] | None = None,
    glass: bool = False,
) -> Composition:
    """A composition whose parts, in grams, come to ``total_g`` within ``tolerance_g``, both stated by the caller.

    The same solute may be listed more than once; its grams are added. Raises Unusable: a negative or meaningless
    mass, an unknown kind of undissolved matter, two solutes of one name, parts that do not come to the total.
    """
    water = number(water_g, "water_g", least=0)
    solutes = _added(dissolved)
    apart = _apart(undissolved or {})
    parts = math.fsum([water, *solutes.values(), *apart.values()])
    total = number(total_g, "total_g", above=0)
    sums_to(parts, total, number(tolerance_g, "tolerance_g", least=0), "total_g")
    if water + math.fsum(solutes.values()) == 0:
        raise Unusable("There is neither water nor anything dissolved.", code="out-of-range", field="water_g")
    return Composition(water, solutes, apart, glass)


def sums_to(parts: float, total: float, tolerance: float, field: str) -> None:
    """Raises Unusable, naming ``field``, where ``parts`` do not come to ``total`` within ``tolerance``."""
    rounding = 1e-9 * max(abs(total), abs(parts))  # of binary fractions, not of a scale
    if abs(parts - total) > tolerance + rounding:
        raise Unusable(
            f"The parts come to {parts:g}, the total says {total:g}; {tolerance:g} may differ.",
            code="does-not-sum",
            field=field,
        )


def _added(dissolved: Iterable[tuple[Solute, float]]) -> dict[Solute, float]:
    solutes: dict[Solute, float] = {}
    for solute, grams in dissolved:
        mass = number(grams, f"dissolved.{solute.name}", least=0)
        if mass:
            solutes[solute] = solutes.get(solute, 0.0) + mass
    names = [solute.name for solute in solutes]
    for name in names:
        if names.count(name) > 1:
            raise Unusable(
                f"{name} is listed with two sets of constants; keep one.",
                code="listed-twice",
                field=f"dissolved.{name}",
            )
    return solutes


def _apart(undissolved: Mapping[NotDissolved, float]) -> dict[NotDissolved, float]:
    for kind in undissolved:
        if kind not in NOT_DISSOLVED:
            raise Unusable(
                f"{kind!r} is not one of: {', '.join(NOT_DISSOLVED)}.",
                code="unknown-name",
                field=f"undissolved.{kind}",
            )
    return {kind: number(grams, f"undissolved.{kind}", least=0) for kind, grams in undissolved.items()}
