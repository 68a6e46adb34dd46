"""Layered sugar: how many layers the folds make, how thin they are, the sheet that wraps a block, pieces and yield.

Each letter fold multiplies the filling layers by three, each book fold by four (trade rule, from memory); sugar layers
are one more, since touching sugar layers merge. The rest is arithmetic. Lengths in millimetres.

Hot sugar sticks and burns at every working temperature, the rewarmed slab included. Folding and cutting decide
texture and yield; they are no control of any hazard.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from config.api.refusals import Unusable
from haccp.science.answers import Computed, exact, number

LETTER, BOOK = 3, 4  # what one fold multiplies by: trade rule, from memory
FOLDS = {"letter": LETTER, "book": BOOK}
RULE = "trade rule: a letter fold makes three of one, a book fold four (from memory)"
ARITHMETIC = "arithmetic"

REWARMING_OVEN_C, REWARMING_MIN = 93.3, (5, 10)  # 200 degF, 5 to 10 minutes: common practice, no source
WET_METHOD_BROWNS_FROM_C = 170.0  # 338 degF: common practice, no source


@dataclass(frozen=True)
class Layers:
    """Layers through the finished slab."""

    filling: int
    sugar: int


def layers(folds: Sequence[str]) -> Layers:
    """Layers after ``folds``, each "letter" or "book", in any order. Raises Unusable for another word."""
    for fold in folds:
        if fold not in FOLDS:
            raise Unusable("A fold is a letter fold or a book fold.", code="no-such-fold", field="folds")
    filling = math.prod(FOLDS[fold] for fold in folds)
    return Layers(filling, filling + 1)


def mean_pair(slab_mm: float, made: Layers) -> Computed:
    """Mean thickness (mm) of one filling layer with its sugar layer: slab thickness / filling layers."""
    thick = number(slab_mm, "slab thickness", above=0) / made.filling
    note = "A mean: outer layers are thicker, and layers break where the slab is too cold or rolled too thin."
    return exact(thick, "MMT", "Mean layer pair", f"{ARITHMETIC}; {RULE}", (note,))


@dataclass(frozen=True)
class Sheet:
    """A sugar sheet ``width`` by ``length`` mm; folded over it covers the block with ``covered`` (0 to 1) of its face."""

    width_mm: float
    length_mm: float
    covered: float


def sheet_over(block_width_mm: float, block_length_mm: float, block_mm: float, border_mm: float) -> Sheet:
    """The sheet that folds once over a block lying against the fold, with a border on the three open edges.

    Width: block and two borders. Length: twice block and border, and the block's thickness round the fold.
    Covered: face of the block / folded area. The border is sealed; its width is common practice, no source.
    """
    width, length = (
        number(block_width_mm, "block width", above=0),
        number(block_length_mm, "block length", above=0),
    )
    thick, border = number(block_mm, "block thickness", above=0), number(border_mm, "border", least=0)
    wide, half = width + 2.0 * border, (2.0 * (length + border) + thick) / 2.0
    return Sheet(wide, 2.0 * half, width * length / (wide * half))


def slab_area(volume_mm3: float, thickness_mm: float) -> Computed:
    """Area (mm2) of a slab of ``volume_mm3`` rolled to ``thickness_mm``; trimmings not taken off."""
    area = number(volume_mm3, "volume", above=0) / number(thickness_mm, "thickness", above=0)
    return exact(area, "MMK", "Slab area", ARITHMETIC)


def slab_mass(area_mm2: float, thickness_mm: float, g_per_cm3: float) -> Computed:
    """Mass (g) = density x area x thickness. The density is the site's own figure."""
    volume = number(area_mm2, "area", above=0) * number(thickness_mm, "thickness", above=0)
    return exact(volume / 1000.0 * number(g_per_cm3, "density", above=0), "GRM", "Slab mass", ARITHMETIC)


@dataclass(frozen=True)
class Flat:
    """A flat cut into whole pieces of ``piece_length`` along ``length``, by a blade that takes ``blade`` mm each cut."""

    length_mm: float
    width_mm: float
    piece_length_mm: float
    piece_width_mm: float
    blade_mm: float = 0.0

    def __post_init__(self) -> None:
        for field in ("length_mm", "width_mm", "piece_length_mm", "piece_width_mm"):
            number(getattr(self, field), field, above=0)
        number(self.blade_mm, "blade_mm", least=0)

    @property
    def pieces(self) -> int:
        """floor((L + k)/(l + k)) x floor((W + k)/(w + k)): no cut after the last piece."""
        along = _whole(self.length_mm + self.blade_mm, self.piece_length_mm + self.blade_mm)
        return along * _whole(self.width_mm + self.blade_mm, self.piece_width_mm + self.blade_mm)

    @property
    def piece_area_mm2(self) -> float:
        return self.piece_length_mm * self.piece_width_mm

    @property
    def yield_share(self) -> float:
        """Area of whole pieces / area of the flat, 0 to 1."""
        return self.pieces * self.piece_area_mm2 / (self.length_mm * self.width_mm)


def _whole(space: float, each: float) -> int:
    return math.floor(space / each + 1e-9)  # 60 / 2.5 must not lose a piece to binary rounding


def mass_yield(good_g: float, worked_g: float) -> float:
    """Good pieces / mass worked, 0 to 1. Raises Unusable where more came out than went in."""
    good, worked = number(good_g, "good pieces", least=0), number(worked_g, "mass worked", above=0)
    if good > worked:
        raise Unusable("More came out than went in.", code="out-of-range", field="good_g")
    return good / worked
