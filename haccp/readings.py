"""A reading as it was entered, and how it is read: strictly, so that no digit is guessed. Pure, no Django."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import Any

from batches.quantities import Dimension, known_unit, parse_number
from config.api.refusals import Unusable
from haccp.science.courses import Course, course

LONGEST = 120
MOST_POINTS = 500  # typed by hand; a logger's readings are uploaded as a series
TEXTS = (
    "quantity",
    "value",
    "unit",
    "outcome",
    "counted_out",
    "counted_in",
    "series",
    "method",
    "sample_temperature",
    "sample_temperature_unit",
)
WAYS = ("value", "outcome", "counted_out", "series", "points")
"""How a reading may be given; each reading uses one of them."""


@dataclass(frozen=True)
class Reading:
    """What was read: a measured ``value`` with its ``unit``, a named ``outcome``, things ``counted`` (out, in), or a
    ``course`` over time with its unit.

    ``entered``: the number exactly as typed; ``below``: it was given as "< value", below what the method detects.
    ``points``: a course as typed; ``series``: the id of an uploaded one, whose course is put in later. ``method`` and
    ``sample_temperature`` (as typed, with its unit) where they decide.
    """

    quantity: str
    entered: str = ""
    value: Decimal | None = None
    unit: str = ""
    outcome: str = ""
    method: str = ""
    sample_temperature: str = ""
    sample_temperature_unit: str = ""
    below: bool = False
    counted: tuple[Decimal, Decimal] | None = None
    series: str = ""
    points: tuple[dict[str, str], ...] = ()
    course: Course | None = field(default=None, compare=False)

    def as_json(self) -> dict[str, Any]:
        """As it is kept with a check: text only, empty entries left out."""
        said: dict[str, Any] = {
            "quantity": self.quantity,
            "value": self.entered,
            "unit": self.unit,
            "outcome": self.outcome,
            "method": self.method,
            "sample_temperature": self.sample_temperature,
            "sample_temperature_unit": self.sample_temperature_unit,
            "series": self.series,
            "points": list(self.points),
        }
        if self.counted is not None:
            said |= {"counted_out": str(self.counted[0]), "counted_in": str(self.counted[1])}
        return {name: value for name, value in said.items() if value}


def read(said: Mapping[str, Any], *, decimal_comma: bool = False, field: str = "readings") -> Reading:
    """A reading from what a client sent. Raises Unusable naming the place below ``field``."""
    unknown = sorted(set(said) - {*TEXTS, "points"})
    if unknown:
        raise Unusable(
            f"A reading has no {unknown[0]!r}.", code="unknown-name", field=f"{field}.{unknown[0]}"
        )
    texts = {name: _text(said, name, field) for name in TEXTS}
    if not texts["quantity"]:
        raise Unusable("Say what was read.", code="missing", field=f"{field}.quantity")
    given = [name for name in WAYS if said.get(name)]
    if len(given) != 1:
        raise Unusable(
            "Give one of: a value with its unit, an outcome, what was counted out and in, points over time, "
            "or an uploaded series.",
            code="one-way-to-say-it",
            field=f"{field}.value",
        )
    return _READ[given[0]](said, texts, decimal_comma, field)


def kept(said: Mapping[str, Any]) -> Reading:
    """A reading as it is kept with a check: it may bear the comma that its house took then, whatever it takes now."""
    return read(said, decimal_comma=True)


def _outcome(said: Mapping[str, Any], texts: dict[str, str], decimal_comma: bool, field: str) -> Reading:
    return Reading(texts["quantity"], outcome=texts["outcome"], method=texts["method"])


def _counted(said: Mapping[str, Any], texts: dict[str, str], decimal_comma: bool, field: str) -> Reading:
    counts = []
    for name in ("counted_out", "counted_in"):
        count = parse_number(texts[name], field=f"{field}.{name}", signed=False)
        if count != count.to_integral_value():
            raise Unusable("Count whole things.", code="part-of-a-piece", field=f"{field}.{name}")
        counts.append(count)
    return Reading(texts["quantity"], counted=(counts[0], counts[1]), method=texts["method"])


def _series(said: Mapping[str, Any], texts: dict[str, str], decimal_comma: bool, field: str) -> Reading:
    return Reading(texts["quantity"], series=texts["series"], method=texts["method"])


def _value(said: Mapping[str, Any], texts: dict[str, str], decimal_comma: bool, field: str) -> Reading:
    entered = texts["value"]
    below = entered.lstrip().startswith("<")
    plain = entered.lstrip().removeprefix("<")
    value = parse_number(plain, field=f"{field}.value", decimal_comma=decimal_comma, signed=not below)
    if below and value == 0:
        sentence = "After < stands the least that the method finds, which is more than 0."
        raise Unusable(sentence, code="not-positive", field=f"{field}.value")
    _unit(texts, field, "value")
    _check_sample_temperature(texts, decimal_comma, field)
    return Reading(
        texts["quantity"],
        entered=entered,
        value=value,
        unit=texts["unit"],
        method=texts["method"],
        sample_temperature=texts["sample_temperature"],
        sample_temperature_unit=texts["sample_temperature_unit"],
        below=below,
    )


def _unit(texts: Mapping[str, str], field: str, of: str) -> None:
    if not texts["unit"]:
        raise Unusable(f"Give the unit of the {of}.", code="missing", field=f"{field}.unit")
    known_unit(texts["unit"], field=f"{field}.unit")


def _points(said: Mapping[str, Any], texts: dict[str, str], decimal_comma: bool, field: str) -> Reading:
    """A course typed by hand: ``{"at": a time with offset, "value": a number}`` for each reading, in order."""
    points, place = said["points"], f"{field}.points"
    _unit(texts, field, "points")
    if not isinstance(points, Sequence) or isinstance(points, str) or len(points) > MOST_POINTS:
        sentence = f"Points are a list of at most {MOST_POINTS}; upload a longer series."
        raise Unusable(sentence, code="shape", field=place)
    read = [_point(point, decimal_comma, f"{place}.{at}") for at, point in enumerate(points)]
    began = read[0][0]
    seconds = [(at - began).total_seconds() for at, _ in read]
    try:
        made = course(seconds, [float(value) for _, value in read], texts["unit"])
    except Unusable as refusal:
        raise Unusable(
            refusal.detail, code=refusal.code, field=f"{field}.{refusal.reasons[0].field}"
        ) from refusal
    kept = tuple({"at": point["at"], "value": point["value"]} for point in points)
    return Reading(texts["quantity"], unit=texts["unit"], points=kept, course=made, method=texts["method"])


def _point(point: Any, decimal_comma: bool, place: str) -> tuple[datetime, Decimal]:
    if not isinstance(point, Mapping) or set(point) != {"at", "value"}:
        raise Unusable('A point is {"at": a time, "value": a number}.', code="shape", field=place)
    value = parse_number(point["value"], field=f"{place}.value", decimal_comma=decimal_comma)
    try:
        at = datetime.fromisoformat(point["at"])
    except (TypeError, ValueError) as error:
        sentence = "Give the time with its offset, as in 2026-03-02T09:30:00+01:00."
        raise Unusable(sentence, code="not-a-time", field=f"{place}.at") from error
    if at.tzinfo is None:
        raise Unusable(
            "The time has no offset: add one, as in +01:00.", code="no-offset", field=f"{place}.at"
        )
    return at, value


_READ = {
    "value": _value,
    "outcome": _outcome,
    "counted_out": _counted,
    "series": _series,
    "points": _points,
}


def _check_sample_temperature(texts: Mapping[str, str], decimal_comma: bool, field: str) -> None:
    value, unit = texts["sample_temperature"], texts["sample_temperature_unit"]
    if value or unit:
        parse_number(value, field=f"{field}.sample_temperature", decimal_comma=decimal_comma)
    place = f"{field}.sample_temperature_unit"
    if value and not unit:
        raise Unusable("Give the unit of the sample's temperature.", code="missing", field=place)
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
