"""Which organisms what was measured of a lot still allows to grow. Published limits, never a statement that it harms
nobody."""

from collections.abc import Sequence
from dataclasses import dataclass

from batches.models import Lot
from haccp.predictions import PH, WATER_ACTIVITY, Measured, measured
from haccp.science import growth
from haccp.science.answers import NotComputed

MODEL = "Growth by water activity and pH"
NOT_MEASURED = "No water activity is measured of this lot or of its batch."
EXACT = "The uncertainty of the instrument is not stated: {} is taken as it was read."
SEVERAL = "The highest of {} readings is judged."
NO_MEANING = "A water activity lies above 0 and up to 1; that reading does not: {}."


@dataclass(frozen=True)
class LotGrowth:
    """``water_activity``: the reading judged, the highest by its uncertainty; ``ph``: all that were taken.

    ``notes``: how it was judged. Cautions and the table's sources stand in ``growth.notes``.
    """

    water_activity: Measured | None
    ph: tuple[Measured, ...]
    growth: growth.Growth | NotComputed
    notes: tuple[str, ...]


def of_lot(lot: Lot) -> LotGrowth:
    """By the standing checks of a lot and of its batch, each reading at its unsafe side. One statement."""
    found = measured(lot=lot)
    activities = [each for each in found if each.quantity == WATER_ACTIVITY]
    ph = tuple(each for each in found if each.quantity == PH and 0 <= each.value <= 14)
    usable = [each for each in activities if 0 < each.value <= 1]
    notes = [NO_MEANING.format(each.entered) for each in activities if each not in usable]
    if not usable:
        return LotGrowth(None, ph, NotComputed(MODEL, NOT_MEASURED), (*notes, *growth.SURVIVAL))
    worst = max(usable, key=lambda each: each.value + (each.uncertainty or 0.0))
    notes += [SEVERAL.format(len(usable))] if len(usable) > 1 else []
    notes += [EXACT.format(each.quantity) for each in (worst, *ph) if each.uncertainty is None]
    middle, spread = _span(ph)
    allowed = growth.allowed(worst.value, worst.uncertainty or 0.0, ph=middle, ph_uncertainty=spread)
    return LotGrowth(worst, ph, allowed, tuple(dict.fromkeys(notes)))


def _span(ph: Sequence[Measured]) -> tuple[float | None, float]:
    """The middle of everything the pH may be by its readings, and how far from there; "less than" reaches to 0."""
    if not ph:
        return None, 0.0
    low = min(0.0 if each.below else each.value - (each.uncertainty or 0.0) for each in ph)
    high = max(each.value + (each.uncertainty or 0.0) for each in ph)
    low, high = max(0.0, low), min(14.0, high)
    return (low + high) / 2, (high - low) / 2
