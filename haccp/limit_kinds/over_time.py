"""Limits on a course of temperature: how long, how much heat, how quickly it cooled.

Each says the longest gap between two readings that still counts as watched; there is no usual one, it depends on the
process (site setting, no source).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from batches.quantities import UNITS, Dimension, plain_text
from haccp.limit_kinds.plain import bounds_to_json, nothing_between
from haccp.limit_kinds.said import Said
from haccp.science.lethality import NO_KILL_STEP, Matrix, no_figures_of

SIDES = ("at_or_above", "at_or_below")
GAP_ASKED = "Say how many minutes may lie between two readings; longer is a gap that counts for nothing."
F_UNIT, LOG_UNIT = "MIN", "C62"
LETHALITY_TEXTS = (
    "quantity", "unit", "temperature_unit", "organism", "food", "food_kind", "product_kind", "data_source", "validation",
)  # fmt: skip
LETHALITY_NUMBERS = (
    "reference_temperature", "z", "studied_from", "studied_to", "longest_gap_minutes", "d_minutes",
)  # fmt: skip
STUDIED_ASKED = "Say between which temperatures D and z were found: outside nothing is known of them."


@dataclass(frozen=True)
class TimeLimit:
    """How long a course stays at or above (below) a temperature: at least ``lower``, at most ``upper``, in ``unit``.

    What counts is the sum of all stretches. With an ``upper``, readings that begin or end while it counts leave open
    how long it was in all.
    """

    quantity: str
    unit: str
    temperature: Decimal
    temperature_unit: str
    side: str
    longest_gap_minutes: Decimal
    lower: Decimal | None = None
    upper: Decimal | None = None
    lower_inclusive: bool = True
    upper_inclusive: bool = True

    @property
    def subject(self) -> str:
        return f"time {self.side.replace('_', ' ')} {plain_text(self.temperature)} {_symbol(self)} ({self.quantity})"

    def to_json(self) -> dict[str, Any]:
        made = {
            "kind": "time_at_temperature",
            "quantity": self.quantity,
            "unit": self.unit,
            "temperature": format(self.temperature, "f"),
            "temperature_unit": self.temperature_unit,
            "side": self.side,
            "longest_gap_minutes": format(self.longest_gap_minutes, "f"),
        }
        return made | bounds_to_json(self)


@dataclass(frozen=True)
class LethalityLimit:
    """Heat over a course: F in minutes at the reference temperature, or decimal reductions F/D, at least ``lower``.

    ``unit``: MIN for F, C62 for decimal reductions (then ``d_minutes`` at the reference is needed). ``z``: degrees for
    a factor of ten. ``organism``, ``food`` and ``data_source`` say of what D and z speak, ``food_kind``
    and ``product_kind`` that it is the same kind of food as here; ``validation`` is the site's own evidence that they
    hold here. ``studied_from`` to ``studied_to``: the temperatures they were found at; colder counts for nothing,
    hotter as the hottest of them.
    """

    quantity: str
    unit: str
    reference_temperature: Decimal
    z: Decimal
    temperature_unit: str
    lower: Decimal
    organism: str
    food: str
    food_kind: Matrix
    product_kind: Matrix
    data_source: str
    validation: str
    studied_from: Decimal
    studied_to: Decimal
    longest_gap_minutes: Decimal
    d_minutes: Decimal | None = None
    upper: None = field(default=None, init=False)
    lower_inclusive: bool = field(default=True, init=False)
    upper_inclusive: bool = field(default=True, init=False)

    @property
    def subject(self) -> str:
        what = "decimal reductions" if self.unit == LOG_UNIT else "F"
        return (
            f"{what} of {self.organism} at {plain_text(self.reference_temperature)} {_symbol(self)}, "
            f"z {plain_text(self.z)}, counted from {plain_text(self.studied_from)} to "
            f"{plain_text(self.studied_to)} {_symbol(self)} as studied ({self.quantity})"
        )

    def to_json(self) -> dict[str, Any]:
        made: dict[str, Any] = {"kind": "lethality"}
        for name in LETHALITY_TEXTS:
            made[name] = str(getattr(self, name))
        for name in LETHALITY_NUMBERS:
            value = getattr(self, name)
            if value is not None:
                made[name] = format(value, "f")
        return made | bounds_to_json(self)


@dataclass(frozen=True)
class CoolingWindow:
    """From the first fall below the limit's ``begins_at`` until ``to`` is reached: at most ``upper`` in ``unit``."""

    quantity: str
    unit: str
    to: Decimal
    upper: Decimal
    lower: None = field(default=None, init=False)
    lower_inclusive: bool = field(default=True, init=False)
    upper_inclusive: bool = field(default=True, init=False)

    @property
    def subject(self) -> str:
        return self.quantity


@dataclass(frozen=True)
class CoolingLimit:
    """Cooling through windows. Every window counts from the same moment, the fall below ``begins_at``: two hours to
    the first temperature and six hours in all, not two and then four more or six after the two."""

    quantity: str
    unit: str
    temperature_unit: str
    begins_at: Decimal
    windows: tuple[CoolingWindow, ...]
    longest_gap_minutes: Decimal

    def to_json(self) -> dict[str, Any]:
        return {
            "kind": "cooling",
            "quantity": self.quantity,
            "unit": self.unit,
            "temperature_unit": self.temperature_unit,
            "begins_at": format(self.begins_at, "f"),
            "windows": [
                {"to": format(window.to, "f"), "upper": format(window.upper, "f")} for window in self.windows
            ],
            "longest_gap_minutes": format(self.longest_gap_minutes, "f"),
        }


def _symbol(limit: TimeLimit | LethalityLimit) -> str:
    return UNITS[limit.temperature_unit].symbol


def read_time(part: Mapping[str, Any]) -> TimeLimit:
    said = Said(part)
    limit = TimeLimit(
        quantity=said.text("quantity", "Say whose temperature is followed."),
        unit=said.unit("unit", Dimension.TIME),
        temperature=said.needed("temperature", "Say at which temperature the time counts."),
        temperature_unit=said.unit("temperature_unit", Dimension.TEMPERATURE),
        side=str(part.get("side")),
        longest_gap_minutes=said.needed("longest_gap_minutes", GAP_ASKED, positive=True),
        lower=said.number("lower"),
        upper=said.number("upper"),
        lower_inclusive=said.yes_or_no("lower_inclusive", usual=True),
        upper_inclusive=said.yes_or_no("upper_inclusive", usual=True),
    )
    if limit.side not in SIDES:
        said.refuse("unknown-name", f"The time counts {' or '.join(SIDES)} the temperature.", "side")
    if limit.lower is None and limit.upper is None and not said.reasons:
        said.refuse("no-bound", "Say how long: at least (lower) or at most (upper).", "lower")
    if nothing_between(limit.lower, limit.upper, limit.lower_inclusive and limit.upper_inclusive):
        said.refuse("bounds-crossed", "Nothing lies between the lower and the upper bound.", "lower")
    said.done()
    return limit


def read_lethality(part: Mapping[str, Any]) -> LethalityLimit:
    said = Said(part)
    limit = LethalityLimit(
        quantity=said.text("quantity", "Say whose temperature is followed."),
        unit=said.unit("unit"),
        reference_temperature=said.needed(
            "reference_temperature", "Say the reference temperature of D and F."
        ),
        z=said.needed("z", "Say z, the degrees for a factor of ten.", positive=True),
        temperature_unit=said.unit("temperature_unit", Dimension.TEMPERATURE),
        lower=said.needed("lower", "Say how much heat is needed.", positive=True),
        organism=said.text("organism", "Name the organism D and z speak of."),
        food=said.text("food", "Name the food in which D and z were found."),
        food_kind=_matrix(said, "food_kind"),
        product_kind=_matrix(said, "product_kind"),
        data_source=said.text("data_source", "Name the source of D and z."),
        validation=said.text("validation", "Name the site's own validation: values from a book are none."),
        studied_from=said.needed("studied_from", STUDIED_ASKED),
        studied_to=said.needed("studied_to", STUDIED_ASKED),
        longest_gap_minutes=said.needed("longest_gap_minutes", GAP_ASKED, positive=True),
        d_minutes=said.number("d_minutes"),
    )
    if not _fields(said) & {"studied_from", "studied_to"} and limit.studied_from > limit.studied_to:
        said.refuse("bounds-crossed", "They were found from the colder to the hotter.", "studied_to")
    if limit.unit not in ("", F_UNIT, LOG_UNIT):
        said.refuse("unknown-unit", "Heat is asked for as F in MIN, or as decimal reductions in C62.", "unit")
    if limit.d_minutes is not None and limit.d_minutes <= 0:
        said.refuse("not-positive", "D is a time above 0.", "d_minutes")
    if limit.unit == LOG_UNIT and limit.d_minutes is None and "d_minutes" not in _fields(said):
        said.refuse("missing", "Decimal reductions need D at the reference temperature.", "d_minutes")
    if not _fields(said) & {"food_kind", "product_kind"}:
        _refuse_unfit(said, limit)
    said.done()
    return limit


def _matrix(said: Said, name: str) -> Matrix:
    value = said.part.get(name)
    if value in list(Matrix):
        return Matrix(value)
    said.refuse("unknown-name", f"Say what kind of food: one of {', '.join(Matrix)}.", name)
    return Matrix.DRY


def _refuse_unfit(said: Said, limit: LethalityLimit) -> None:
    """Heat that must not be counted on, and figures that say nothing of this food."""
    if limit.product_kind in NO_KILL_STEP:
        said.refuse("no-kill-step", NO_KILL_STEP[limit.product_kind], "product_kind")
    elif why := no_figures_of(limit.food_kind, limit.product_kind):
        said.refuse("data-of-another-food", why, "food_kind")


def _fields(said: Said) -> set[str]:
    return {reason.field for reason in said.reasons}


def read_cooling(part: Mapping[str, Any]) -> CoolingLimit:
    said = Said(part)
    quantity = said.text("quantity", "Say whose temperature is followed.")
    unit = said.unit("unit", Dimension.TIME)
    degrees = said.unit("temperature_unit", Dimension.TEMPERATURE)
    begins_at = said.needed("begins_at", "Say below which temperature the time begins to count.")
    limit = CoolingLimit(
        quantity=quantity,
        unit=unit,
        temperature_unit=degrees,
        begins_at=begins_at,
        windows=tuple(_windows(said, quantity, unit)),
        longest_gap_minutes=said.needed("longest_gap_minutes", GAP_ASKED, positive=True),
    )
    if not said.reasons:
        _refuse_windows_out_of_order(said, limit)
    said.done()
    return limit


def _windows(said: Said, quantity: str, unit: str) -> list[CoolingWindow]:
    parts = said.part.get("windows")
    if not isinstance(parts, list) or not parts or not all(isinstance(each, dict) for each in parts):
        said.refuse("missing", "Name the windows: to which temperature, within how long.", "windows")
        return []
    made = []
    for at, part in enumerate(parts):
        inner = Said(part)
        to = inner.needed("to", "Say to which temperature.")
        upper = inner.needed("upper", "Say within how long, from the first fall.", positive=True)
        inner.refuse_others({"to", "upper"})
        for reason in inner.reasons:
            said.refuse(reason.code, reason.detail, f"windows.{at}.{reason.field}")
        made.append(CoolingWindow(f"{quantity}, to {plain_text(to)}", unit, to, upper))
    return made


def _refuse_windows_out_of_order(said: Said, limit: CoolingLimit) -> None:
    before, allowed = limit.begins_at, Decimal(0)
    for at, window in enumerate(limit.windows):
        if window.to >= before:
            said.refuse(
                "windows-out-of-order", "Each window ends colder than the one before.", f"windows.{at}.to"
            )
        if window.upper <= allowed:
            sentence = "All windows count from the first fall: a later one allows more time in all."
            said.refuse("windows-out-of-order", sentence, f"windows.{at}.upper")
        before, allowed = window.to, window.upper
