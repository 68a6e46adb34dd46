"""What dissolves in a confection, with the constants the water activity equations need. Pure.

Molar masses in g/mol follow from the formulas (computed). A Norrish K is on the natural logarithm; some texts print
it for log10, which is smaller by 2.3026. K for maltose, lactose and glucose syrup could not be confirmed, so none
stands here: a caller who has one makes a ``Solute`` with it and says where it is written.
"""

from dataclasses import dataclass
from typing import Literal

from config.api.refusals import Unusable
from haccp.science.answers import number
from haccp.science.sucrose import SUCROSE_G_PER_MOL

Kind = Literal["sugar", "polyol", "salt", "other"]


@dataclass(frozen=True)
class Norrish:
    """``k`` on the natural logarithm; ``highest``: largest mass fraction, of this solute and all the water, it holds
    to. ``given``: from the caller and not from the table below, so nobody here compared it with anything."""

    k: float
    highest: float
    source: str
    given: bool = True

    def __post_init__(self) -> None:
        number(self.k, "norrish_k", least=0)
        number(self.highest, "norrish_highest", above=0)
        sourced(self.source, "norrish_source")


@dataclass(frozen=True)
class Grover:
    """``factor``: grams of sucrose that one gram stands for."""

    factor: float
    source: str

    def __post_init__(self) -> None:
        number(self.factor, "grover_factor", above=0)
        sourced(self.source, "grover_source")


@dataclass(frozen=True)
class Solute:
    """A substance that may be dissolved. ``molar_mass`` in g/mol, None where a mixture of sizes has no stated one."""

    name: str
    kind: Kind
    molar_mass: float | None = None
    norrish: Norrish | None = None
    grover: Grover | None = None

    def __post_init__(self) -> None:
        if self.molar_mass is not None:
            number(self.molar_mass, "molar_mass", above=0)


def sourced(source: str, field: str) -> None:
    """Raises Unusable where a constant comes without the place it is written in."""
    if not source.strip():
        raise Unusable("Say where the constant is written.", code="missing", field=field)


_REVIEWED = "Norrish 1966 with reviewed constants, Chirife and co-workers 1980 (K from memory; {}, computed)"
_ALDITOLS = "Norrish 1966; K from table 3 of an open-access review of alditols, 2010 (read)"
_GROVER = "Grover 1947, sucrose-equivalent factors as quoted in confectionery texts (from memory)"


def _reviewed(k: float, highest: float, check: str) -> Norrish:
    return Norrish(k, highest, _REVIEWED.format(check), given=False)


def _alditol(k: float, highest: float) -> Norrish:
    return Norrish(k, highest, _ALDITOLS, given=False)


SUCROSE = Solute(
    "sucrose",
    "sugar",
    SUCROSE_G_PER_MOL,
    _reviewed(6.47, 0.70, "within 0.002 of two sucrose equations up to 70 % m/m"),
    Grover(1.0, _GROVER),
)
GLUCOSE = Solute(
    "glucose",
    "sugar",
    180.16,
    _reviewed(2.25, 0.50, "checked against freezing points to 30 % m/m only, a weak test"),
    Grover(1.3, _GROVER + "; the factor of invert sugar, of which it is half"),
)
FRUCTOSE = Solute(
    "fructose",
    "sugar",
    180.16,
    _reviewed(2.25, 0.50, "checked against freezing points to 20 % m/m only, a weak test"),
    Grover(1.3, _GROVER + "; the factor of invert sugar, of which it is half"),
)
GLYCEROL = Solute("glycerol", "polyol", 92.09, _alditol(1.16, 0.50), Grover(4.0, _GROVER))
SORBITOL = Solute("sorbitol", "polyol", 182.17, _alditol(1.65, 0.50))
XYLITOL = Solute("xylitol", "polyol", 152.15, _alditol(1.66, 0.50))
ERYTHRITOL = Solute("erythritol", "polyol", 122.12, _alditol(1.34, 0.30))
MANNITOL = Solute("mannitol", "polyol", 182.17, _alditol(0.906, 0.15))
SALT = Solute("sodium chloride", "salt", 58.44, None, Grover(9.0, _GROVER))

SOLUTES: dict[str, Solute] = {
    solute.name: solute
    for solute in (SUCROSE, GLUCOSE, FRUCTOSE, GLYCEROL, SORBITOL, XYLITOL, ERYTHRITOL, MANNITOL, SALT)
}
