"""A reading as it was entered, and how it is read: strictly, so that no digit is guessed. Pure, no Django."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from batches.quantities import Dimension, known_unit, parse_number
from config.api.refusals import Unusable

LONGEST = 120
NAMES = ("quantity", "value", "unit", "outcome", "method", "sample_temperature", "sample_temperature_unit")


@dataclass(frozen=True)
class Reading:
    """What was read. A measured one has ``value`` and ``unit``; an observed one has ``outcome``.

    ``entered``: the number exactly as typed. ``method`` and ``sample_temperature`` (as typed, with its unit)
    where they decide.
    """

    quantity: str
    entered: str = ""
    value: Decimal | None = None
    unit: str = ""
    outcome: str = ""
    method: str = ""
    sample_temperature: str = ""
    sample_temperature_unit: str = ""

    def as_json(self) -> dict[str, str]:
        """As it is kept with a check: text only, empty entries left out."""
        said = {
            "quantity": self.quantity,
            "value": self.entered,
            "unit": self.unit,
            "outcome": self.outcome,
            "method": self.method,
            "sample_temperature": self.sample_temperature,
            "sample_temperature_unit": self.sample_temperature_unit,
        }
        return {name: text for name, text in said.items() if text}


def read(said: Mapping[str, Any], *, decimal_comma: bool = False, field: str = "readings") -> Reading:
    """A reading from what a client sent. Raises Unusable naming the place below ``field``."""
    unknown = sorted(set(said) - set(NAMES))
    if unknown:
        raise Unusable(
            f"A reading has no {unknown[0]!r}.", code="unknown-name", field=f"{field}.{unknown[0]}"
        )
    texts = {name: _text(said, name, field) for name in NAMES}
    if not texts["quantity"]:
        raise Unusable("Say what was read.", code="missing", field=f"{field}.quantity")
    if bool(texts["value"]) == bool(texts["outcome"]):
        raise Unusable(
            "Give either a value with its unit, or an outcome.",
            code="value-or-outcome",
            field=f"{field}.value",
        )
    if texts["outcome"]:
        return Reading(texts["quantity"], outcome=texts["outcome"], method=texts["method"])
    value = parse_number(texts["value"], field=f"{field}.value", decimal_comma=decimal_comma)
    if not texts["unit"]:
        raise Unusable("Give the unit of the value.", code="missing", field=f"{field}.unit")
    known_unit(texts["unit"], field=f"{field}.unit")
    _check_sample_temperature(texts, decimal_comma, field)
    return Reading(
        texts["quantity"],
        entered=texts["value"],
        value=value,
        unit=texts["unit"],
        method=texts["method"],
        sample_temperature=texts["sample_temperature"],
        sample_temperature_unit=texts["sample_temperature_unit"],
    )


def _check_sample_temperature(texts: Mapping[str, str], decimal_comma: bool, field: str) -> None:
    value, unit = texts["sample_temperature"], texts["sample_temperature_unit"]
    if value or unit:
        parse_number(value, field=f"{field}.sample_temperature", decimal_comma=decimal_comma)
    place = f"{field}.sample_temperature_unit"
    if unit and known_unit(unit, field=place).dimension is not Dimension.TEMPERATURE:
        raise Unusable(f"{unit} is no unit of temperature.", code="unit-does-not-convert", field=place)


def _text(said: Mapping[str, Any], name: str, field: str) -> str:
    value = said.get(name, "")
    if value is None:
        return ""
    if not isinstance(value, str):
        raise Unusable('Send it as text, for example "12.5".', code="not-text", field=f"{field}.{name}")
    if len(value) > LONGEST or not value.isprintable():
        raise Unusable(f"One line of at most {LONGEST} characters.", code="too-long", field=f"{field}.{name}")
    return value
