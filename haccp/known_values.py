"""What an instrument should show when it is held against something known, and whether it does. Pure, no Django."""

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from batches.quantities import UNITS, Dimension, convert, known_unit, plain_text
from config.api.refusals import Unusable
from haccp.science import boiling, salts, stages
from haccp.science.answers import Answer, NotComputed

PLACES = Decimal("0.0001")
ICE_SOURCE = "Melting ice of clean water is at 0 °C (common practice, no source)"
STATED_SOURCE = "as stated for the standard"
AS_STATED = frozenset({"reference-instrument", "weight"})
BY_WATER = frozenset({"ice-point", "boiling-point"})
HOTTEST_BY_WATER_C = Decimal(str(stages.STAGES[0].low_c))
"""Where the lowest sugar stage begins (trade tables, read): water, frozen or boiling, verifies no probe in hotter sugar."""
METHODS = {
    "ice-point": (Dimension.TEMPERATURE,),
    "boiling-point": (Dimension.TEMPERATURE,),
    "saturated-salt": (Dimension.NUMBER,),
    "weight": (Dimension.MASS,),
}
"""What each method can verify; a reference instrument verifies anything."""


@dataclass(frozen=True)
class KnownValue:
    """``value`` in ``unit``; by the model or table that gave it, it lies between ``low`` and ``high``."""

    value: Decimal
    low: Decimal
    high: Decimal
    unit: str
    source: str

    def as_json(self) -> dict[str, str]:
        numbers = {name: plain_text(getattr(self, name)) for name in ("value", "low", "high")}
        return numbers | {"unit": self.unit, "source": self.source}


def from_json(kept: dict[str, Any]) -> KnownValue:
    numbers = {name: Decimal(kept[name]) for name in ("value", "low", "high")}
    return KnownValue(**(kept | numbers))


def known_value(
    method: str,
    unit: str,
    *,
    stated: Decimal | None = None,
    salt: str = "",
    temperature: Decimal | None = None,
    pressure: Decimal | None = None,
    altitude: int | None = None,
) -> KnownValue:
    """What it should show. ``temperature`` of a salt in °C; ``pressure`` as the barometer in the room shows it, in kPa.

    Without a pressure the standard atmosphere at ``altitude`` (m) is taken. Raises Unusable, naming the field.
    """
    dimension = known_unit(unit).dimension
    if method in METHODS and dimension not in METHODS[method]:
        raise Unusable(
            f"This method does not verify what is read in {unit}.", code="other-kind", field="method"
        )
    if method in AS_STATED:
        if stated is None:
            raise Unusable("Give the value that is stated for the standard.", code="missing", field="stated")
        return KnownValue(stated, stated, stated, unit, STATED_SOURCE)
    if stated is not None:
        raise Unusable("This value is computed here; leave it out.", code="not-asked-for", field="stated")
    if method == "ice-point":
        return _computed(Decimal(0), Decimal(0), Decimal(0), "CEL", unit, ICE_SOURCE)
    if method == "boiling-point":
        return _boiling(unit, pressure, altitude)
    return _salt(unit, salt, temperature)


def refuse_too_far(method: str, upper: Decimal, unit: str) -> None:
    """Raises Unusable where a check in ice or boiling water would speak for a probe in boiling sugar."""
    hottest = convert(HOTTEST_BY_WATER_C, "CEL", unit) if method in BY_WATER else upper
    if upper > hottest:
        sentence = (
            "A check in ice or boiling water does not verify a probe in boiling sugar, nor at 170 °C: the range "
            f"it speaks for ends at {plain_text(hottest)} {UNITS[unit].symbol} or below. Hotter, hold it against "
            "a better instrument."
        )
        raise Unusable(sentence, code="water-verifies-no-sugar", field="covers_upper")


def _boiling(unit: str, pressure: Decimal | None, altitude: int | None) -> KnownValue:
    if pressure is not None:
        return _answered(boiling.water_boils(float(pressure)), unit, "pressure", f"at {pressure:f} kPa")
    if altitude is None:
        sentence = (
            "Give the pressure the barometer in the room shows, or enter the altitude of the establishment."
        )
        raise Unusable(sentence, code="missing", field="pressure")
    return _answered(boiling.water_boils_at(altitude), unit, "pressure", f"standard day at {altitude} m")


def _salt(unit: str, salt: str, temperature: Decimal | None) -> KnownValue:
    if not salt or temperature is None:
        field = "salt" if not salt else "temperature"
        raise Unusable("Name the salt and its temperature in °C.", code="missing", field=field)
    answer = salts.standard(salt, float(temperature))
    return _answered(answer, unit, "temperature", f"{salt} at {temperature:f} °C")


def _answered(answer: Answer, unit: str, field: str, at: str) -> KnownValue:
    if isinstance(answer, NotComputed):
        raise Unusable(answer.sentence, code="cannot-be-computed", field=field)
    value, low, high = (_decimal(each) for each in (answer.value, answer.low, answer.high))
    return _computed(value, low, high, answer.unit, unit, f"{answer.source}; {at}")


def _decimal(number: float) -> Decimal:
    return Decimal(repr(number)).quantize(PLACES)


def _computed(value: Decimal, low: Decimal, high: Decimal, given: str, unit: str, source: str) -> KnownValue:
    value, low, high = (convert(each, given, unit).quantize(PLACES) for each in (value, low, high))
    return KnownValue(value, low, high, unit, source)


def passes(shown: Decimal, known: KnownValue, tolerance: Decimal) -> bool:
    """Whether it shows the known value within its tolerance; at the tolerance itself it does."""
    return abs(shown - known.value) <= tolerance


def reaches_across(shown: Decimal, known: KnownValue, tolerance: Decimal) -> bool:
    """Whether the known value itself is not known well enough to be sure of the result."""
    ends = {abs(shown - end) <= tolerance for end in (known.low, known.high)}
    return ends != {passes(shown, known, tolerance)}
