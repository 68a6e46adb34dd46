"""Numbers, units and quantities: exact, strict, without Django.

A quantity as entered is text and a unit (UN/ECE Rec 20 code). In base units it is a whole number of the
smallest step: milligrams for mass, pieces for what is counted. Sums and comparisons are made in those whole
numbers, so nothing drifts and an empty lot shows as exactly 0.

A volume becomes a mass only with a density given by the material; it is never guessed. Readings (temperature,
time, water activity, ...) use the same table of units through ``convert``.

Sources. Unit codes: UN/ECE Recommendation 20 revision 11e (read in published code lists; MC, NA and J33 from
memory). Pound = 0.45359237 kg exactly and ounce = a sixteenth of it = 28.349523125 g exactly: NIST SP 811 appendix
B.8, NIST Handbook 44 appendix C (both figures read in copies). t/degC = (t/degF - 32)/1.8, T/K = t/degC + 273.15,
and for an interval 1 degF = 1/1.8 K: NIST SP 811 appendix B.8 (read in a copy).
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple

from config.api.refusals import Unusable

MOST_DIGITS = 15  # what a DecimalField keeps exactly on both engines (SQLite reads decimals back as floats)
BIGGEST_BASE = 2**63 - 1  # a signed 64-bit column
QUOTIENT_DIGITS = 28  # significant digits kept where a quotient has no end in decimals

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)")
_QUOTIENTS = Context(prec=QUOTIENT_DIGITS, rounding=ROUND_HALF_EVEN)


class UnknownUnit(Unusable):
    """The unit code is not one this service can work with, here or at all."""

    code = "unknown-unit"


class UnitDoesNotConvert(Unusable):
    """Both units are known, but they measure different things (a mass is no temperature)."""

    code = "unit-does-not-convert"


class NeedsDensity(Unusable):
    """A volume was given for a material without a density."""

    code = "needs-density"


class Dimension(StrEnum):
    """What a unit measures. Material is kept as mass or pieces; the others serve readings."""

    MASS = "mass"  # base step: milligram
    PIECES = "pieces"  # base step: one piece
    VOLUME = "volume"  # only on the way to a mass
    TEMPERATURE = "temperature"
    TIME = "time"
    LENGTH = "length"
    PRESSURE = "pressure"
    FRACTION = "fraction"  # percent and parts per million of the same whole
    NUMBER = "number"  # a number without unit, e.g. water activity
    PH = "pH"


@dataclass(frozen=True)
class Unit:
    """``value in base = value * step + zero``; ``places`` is the least number of decimals shown."""

    code: str
    dimension: Dimension
    step: Fraction
    symbol: str
    places: int = 0
    zero: Fraction = Fraction(0)


_LISTED = (
    Unit("MC", Dimension.MASS, Fraction(1, 1_000), "µg"),
    Unit("MGM", Dimension.MASS, Fraction(1), "mg"),
    Unit("GRM", Dimension.MASS, Fraction(1_000), "g"),
    Unit("KGM", Dimension.MASS, Fraction(1_000_000), "kg", places=3),
    Unit("TNE", Dimension.MASS, Fraction(1_000_000_000), "t", places=3),
    Unit("LBR", Dimension.MASS, Fraction("453592.37"), "lb", places=3),
    Unit("ONZ", Dimension.MASS, Fraction("28349.523125"), "oz", places=2),
    Unit("H87", Dimension.PIECES, Fraction(1), "pieces"),
    Unit("EA", Dimension.PIECES, Fraction(1), "pieces"),
    Unit("DZN", Dimension.PIECES, Fraction(12), "dozen"),
    Unit("MLT", Dimension.VOLUME, Fraction(1), "ml"),
    Unit("LTR", Dimension.VOLUME, Fraction(1_000), "l", places=3),
    Unit("KEL", Dimension.TEMPERATURE, Fraction(1), "K"),
    Unit("CEL", Dimension.TEMPERATURE, Fraction(1), "°C", zero=Fraction("273.15")),
    Unit("FAH", Dimension.TEMPERATURE, Fraction(5, 9), "°F", zero=Fraction("459.67") * Fraction(5, 9)),
    Unit("SEC", Dimension.TIME, Fraction(1), "s"),
    Unit("MIN", Dimension.TIME, Fraction(60), "min"),
    Unit("HUR", Dimension.TIME, Fraction(3_600), "h"),
    Unit("MMT", Dimension.LENGTH, Fraction(1), "mm"),
    Unit("KPA", Dimension.PRESSURE, Fraction(1), "kPa"),
    Unit("P1", Dimension.FRACTION, Fraction(10_000), "%"),
    Unit("59", Dimension.FRACTION, Fraction(1), "ppm"),
    Unit("NA", Dimension.FRACTION, Fraction(1), "mg/kg"),
    Unit("J33", Dimension.FRACTION, Fraction(1, 1_000), "µg/kg"),
    Unit("C62", Dimension.NUMBER, Fraction(1), ""),
    Unit("Q30", Dimension.PH, Fraction(1), "pH"),
)
UNITS = {unit.code: unit for unit in _LISTED}
MATERIAL_DIMENSIONS = (Dimension.MASS, Dimension.PIECES)


@dataclass(frozen=True)
class Quantity:
    """An amount of material. ``base`` is whole milligrams or pieces; ``rounded`` says the text was finer."""

    entered: str
    unit: str
    base: int
    dimension: Dimension
    rounded: bool = False


class Weighing(NamedTuple):
    """A weighed amount against its target: ``difference`` is weighed minus target, in base steps."""

    difference: int
    within: bool


def parse_number(text: object, *, field: str, decimal_comma: bool = False, signed: bool = True) -> Decimal:
    """Read a plain decimal number, exactly; at most 15 digits, ASCII, no exponent, no thousands mark.

    With ``decimal_comma`` a comma or a point is the decimal mark (never a thousands mark). Raises Unusable
    naming ``field``.
    """
    if not isinstance(text, str):
        raise Unusable('Send the number as text, for example "12.5".', code="not-text", field=field)
    plain = text.strip(" ")
    if not plain:
        raise Unusable("A number is missing.", code="number-missing", field=field)
    if decimal_comma and plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    if not _NUMBER.fullmatch(plain):
        raise Unusable(_why_not_a_number(plain), code="not-a-number", field=field)
    if sum(character.isdigit() for character in plain) > MOST_DIGITS:
        raise Unusable(
            f"{_quoted(plain)} has more than {MOST_DIGITS} digits.", code="too-many-digits", field=field
        )
    value = Decimal(plain)
    if value < 0 and not signed:
        raise Unusable(f"{plain} is negative; here only 0 or more makes sense.", code="negative", field=field)
    return value if value else abs(value)  # "-0" is 0


def _quoted(text: str) -> str:
    """The text as sent, cut short and with nothing invisible in it."""
    return ascii(text if len(text) <= 24 else text[:24] + "...")


def _why_not_a_number(text: str) -> str:
    if "," in text:
        return f"{_quoted(text)}: write decimals after a point and no thousands mark, as in 12.5."
    return f"{_quoted(text)} is not a plain number: write it out in digits, as in 12.5."


def known_unit(code: object, *, field: str = "unit") -> Unit:
    """The unit for a UN/ECE Rec 20 code. Raises UnknownUnit naming ``field``."""
    unit = UNITS.get(code) if isinstance(code, str) else None
    if unit is None:
        shown_code = _quoted(code) if isinstance(code, str) else "This"
        raise UnknownUnit(
            f"{shown_code} is not a unit known here. Known: {', '.join(sorted(UNITS))}.", field=field
        )
    return unit


def _material_unit(code: object, *, field: str) -> Unit:
    """A unit in which material can be counted or weighed; one (C62) of a material is one piece of it."""
    unit = known_unit(code, field=field)
    if unit.dimension is Dimension.NUMBER:
        return UNITS["H87"]
    if unit.dimension not in (*MATERIAL_DIMENSIONS, Dimension.VOLUME):
        raise UnknownUnit(f"{unit.code} does not measure an amount of material.", field=field)
    return unit


def parse(
    text: object,
    unit: object,
    *,
    decimal_comma: bool = False,
    signed: bool = False,
    positive: bool = False,
    density: Decimal | None = None,
    field: str = "quantity",
    unit_field: str = "unit",
) -> Quantity:
    """Read an amount of material as entered and bring it to whole base steps.

    ``density`` in kilograms per litre, for LTR and MLT only. A mass finer than a milligram is rounded
    half-even and marked ``rounded``; part of a piece is refused. Raises Unusable and its subclasses.
    """
    value = parse_number(text, field=field, decimal_comma=decimal_comma, signed=signed)
    known = _material_unit(unit, field=unit_field)
    dimension, exact = _exact_base(value, known, density, unit_field)
    base = round(exact)
    if dimension is Dimension.PIECES and base != exact:
        raise Unusable(
            f"{value} {known.symbol} is not a whole number of pieces.", code="part-of-a-piece", field=field
        )
    if abs(base) > BIGGEST_BASE:
        raise Unusable(f"{value} {known.symbol} is more than can be kept.", code="too-large", field=field)
    if positive and base <= 0:
        raise Unusable("The amount must be more than 0.", code="not-positive", field=field)
    return Quantity(str(text).strip(" "), str(unit), base, dimension, rounded=base != exact)


def _exact_base(
    value: Decimal, unit: Unit, density: Decimal | None, unit_field: str
) -> tuple[Dimension, Fraction]:
    amount = Fraction(value) * unit.step
    if unit.dimension is not Dimension.VOLUME:
        return unit.dimension, amount
    if density is None or not density.is_finite() or density <= 0:
        raise NeedsDensity(
            f"{unit.code} is a volume and this material has no density: weigh it, or give it a density.",
            field=unit_field,
        )
    return Dimension.MASS, amount * Fraction(density) * 1_000  # ml * g/ml = g, in mg


def in_base(value: Decimal, unit: str, *, density: Decimal | None = None) -> int:
    """``value`` of ``unit`` in whole milligrams or pieces, rounded half-even to the step."""
    known = _material_unit(unit, field="unit")
    return round(_exact_base(value, known, density, "unit")[1])


def to_unit(base: int, unit: str) -> Decimal:
    """Whole base steps as a number of ``unit`` (mass or pieces).

    Exact where the decimals end; otherwise (pounds, ounces, dozens) to 28 significant digits, which
    ``in_base`` brings back to the same whole number.
    """
    known = _material_unit(unit, field="unit")
    if known.dimension is Dimension.VOLUME:
        raise NeedsDensity(f"{unit} is a volume; the amount is kept as a mass.", field="unit")
    return as_decimal(Fraction(base) / known.step)


def as_decimal(value: Fraction) -> Decimal:
    """A fraction as Decimal: exact where 28 significant digits suffice, else rounded half-even to them."""
    return _QUOTIENTS.divide(Decimal(value.numerator), Decimal(value.denominator))


def shown(base: int, dimension: str, unit: str | None = None) -> str:
    """Text for people: ``12.500 kg``, ``250 g``, ``1 piece``. Only lb, oz and dozen are rounded."""
    known = _material_unit(unit, field="unit") if unit else _readable_unit(base, dimension)
    number = to_unit(base, known.code)
    if known.code in ("LBR", "ONZ", "DZN"):
        number = number.quantize(Decimal(1).scaleb(-max(known.places, 2)))
    symbol = (
        "piece"
        if known.dimension is Dimension.PIECES and abs(base) == 1 and known.step == 1
        else known.symbol
    )
    return f"{plain_text(number, known.places)} {symbol or 'pieces'}"


def in_symbols(entered: str) -> str:
    """An amount as entered, number and unit code, for people: ``2.100 KGM`` is ``2.100 kg``; the digits stay."""
    number, _, unit = entered.rpartition(" ")
    return f"{number} {UNITS[unit].symbol}".strip() if number and unit in UNITS else entered


def _readable_unit(base: int, dimension: str) -> Unit:
    if dimension == Dimension.PIECES:
        return UNITS["H87"]
    if abs(base) >= 1_000_000 or base == 0:
        return UNITS["KGM"]
    return UNITS["GRM"] if abs(base) >= 1_000 else UNITS["MGM"]


def plain_text(number: Decimal, places: int = 0) -> str:
    """Fixed-point text with at least ``places`` decimals and no further trailing zeros."""
    whole, _, decimals = f"{number:f}".partition(".")
    decimals = decimals.rstrip("0").ljust(places, "0")
    return f"{whole}.{decimals}" if decimals else whole


def scale(line_amounts: Sequence[int], batch_total: int, recipe_total: int) -> list[int]:
    """Recipe lines scaled by ``batch_total / recipe_total`` in whole base steps, without drift.

    Each line is less than one step from its exact share, and together they are the exact total rounded
    half-even (the steps left over go to the largest remainders, the earlier line first). Raises Unusable.
    """
    if recipe_total <= 0 or batch_total < 0 or any(amount < 0 for amount in line_amounts):
        raise Unusable("A recipe is scaled from a total above 0 with no negative line.", field="batch_size")
    shares = [divmod(amount * batch_total, recipe_total) for amount in line_amounts]
    scaled = [whole for whole, _ in shares]
    left = round(Fraction(sum(line_amounts) * batch_total, recipe_total)) - sum(scaled)
    by_remainder = sorted(range(len(shares)), key=lambda line: (-shares[line][1], line))
    for line in by_remainder[:left]:
        scaled[line] += 1
    return scaled


def within_tolerance(
    target: int, weighed: int, *, per_mille: int | None = None, steps: int | None = None
) -> Weighing:
    """Compare a weighed amount with its target; the tolerance is per mille of the target, or base steps.

    At the tolerance itself is within. Without a tolerance only an exact hit is within.
    """
    difference = weighed - target
    allowed = Fraction(abs(target) * per_mille, 1_000) if per_mille is not None else Fraction(steps or 0)
    return Weighing(difference, abs(difference) <= allowed)


def exactly(value: Decimal, from_unit: str, to_unit: str, *, field: str = "unit") -> Fraction:
    """A reading in another unit of its dimension, as an exact fraction. Raises UnitDoesNotConvert."""
    here, there = _same_dimension(from_unit, to_unit, field)
    return (Fraction(value) * here.step + here.zero - there.zero) / there.step


def exact_difference(value: Decimal, from_unit: str, to_unit: str, *, field: str = "unit") -> Fraction:
    """A difference of two readings, or an uncertainty, in another unit: 1.8 °F make 1 °C, no 32 in it."""
    here, there = _same_dimension(from_unit, to_unit, field)
    return Fraction(value) * here.step / there.step


def convert(value: Decimal, from_unit: str, to_unit: str, *, field: str = "unit") -> Decimal:
    """A reading in another unit: exact where the decimals end, else to 28 significant digits."""
    return as_decimal(exactly(value, from_unit, to_unit, field=field))


def convert_difference(value: Decimal, from_unit: str, to_unit: str, *, field: str = "unit") -> Decimal:
    """A difference of readings in another unit; see ``exact_difference``."""
    return as_decimal(exact_difference(value, from_unit, to_unit, field=field))


def _same_dimension(from_unit: str, to_unit: str, field: str) -> tuple[Unit, Unit]:
    here, there = known_unit(from_unit, field=field), known_unit(to_unit, field=field)
    if here.dimension is not there.dimension:
        raise UnitDoesNotConvert(
            f"{from_unit} ({here.dimension}) cannot be turned into {to_unit} ({there.dimension}).",
            field=field,
        )
    return here, there
