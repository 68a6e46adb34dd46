"""What a computation answers: a number with its band, model and source, or plainly that it cannot be computed.

Models speak only where they were shown to hold. Outside, the answer is ``NotComputed``: no number, and what to do.
Input that means nothing (NaN, a negative mass) is refused with ``Unusable`` instead.
"""

import math
from dataclasses import dataclass

from config.api.refusals import Unusable
from haccp.said import Said, said

MEASURE = "Measure it."


@dataclass(frozen=True)
class Computed:
    """``value`` lies between ``low`` and ``high`` by the model's accuracy, all in ``unit`` (UN/ECE Rec 20 code).

    ``source``: where model, constants and accuracy are written, with the provenance word. ``notes``: what a reader
    must know before leaning on the number, e.g. on which side the model errs.
    """

    value: float
    low: float
    high: float
    unit: str
    model: str
    source: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class NotComputed:
    """No number: ``why`` in one sentence, ``advice`` what to do instead."""

    model: str
    why: str
    advice: str = MEASURE

    @property
    def sentence(self) -> str:
        return Said(
            "%(model)s: cannot be computed. %(why)s %(advice)s",
            model=said(self.model),
            why=said(self.why),
            advice=said(self.advice),
        )


Answer = Computed | NotComputed


def exact(value: float, unit: str, model: str, source: str, notes: tuple[str, ...] = ()) -> Computed:
    """An answer that is arithmetic on what was given: its band has no width."""
    return Computed(value, value, value, unit, model, source, notes)


def share(value: float, field: str) -> float:
    """``value`` if it is a share from 0 to 1. Raises Unusable, naming ``field``."""
    given = number(value, field, least=0)
    if given > 1:
        raise Unusable(f"{field} must be at most 1, it is {given:g}.", code="out-of-range", field=field)
    return given


def number(value: float, field: str, *, above: float | None = None, least: float | None = None) -> float:
    """``value`` if it is a finite number, above or at least what is asked. Raises Unusable, naming ``field``."""
    given = float(value)
    if not math.isfinite(given):
        raise Unusable(f"{field} is not a finite number.", code="not-a-number", field=field)
    if above is not None and given <= above:
        raise Unusable(f"{field} must be above {above:g}, it is {given:g}.", code="out-of-range", field=field)
    if least is not None and given < least:
        raise Unusable(
            f"{field} must be at least {least:g}, it is {given:g}.", code="out-of-range", field=field
        )
    return given
