"""What a reading comes to in the unit of its limit: one figure, and how well it is known. Pure, no Django.

``low`` and ``high`` enclose the figure whatever the instrument: they differ from ``value`` where the reading itself
leaves something open (a gap in a course, a result below the limit of detection). ``uncertain_low`` and
``uncertain_high`` are what it would be if the instrument were off by its expanded uncertainty either way.
"""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from batches.quantities import UNITS, convert, convert_difference, plain_text
from config.api.refusals import Unusable
from haccp.limit_kinds import (
    BoundedLimit,
    CoolingLimit,
    CoolingWindow,
    LethalityLimit,
    RangeLimit,
    ResidueLimit,
    TimeLimit,
)
from haccp.readings import Reading
from haccp.science import courses
from haccp.science.courses import Course

PLACES = Decimal("0.000001")
SECONDS_A_MINUTE = Decimal(60)
GAPS_NAMED = 3
MG_A_KG = "59"  # parts per million of the mass


@dataclass(frozen=True)
class Figure:
    """``value`` with its bands, in the limit's unit. ``read``: what was read, in words. ``open``: why low and high
    differ from value. ``warning``: what to mind besides."""

    value: Decimal
    low: Decimal
    high: Decimal
    uncertain_low: Decimal
    uncertain_high: Decimal
    read: str
    open: str = ""
    warning: str = ""


def figure(limit: BoundedLimit, reading: Reading, uncertainty: Decimal | None = None) -> Figure:
    """The figure a reading comes to. ``uncertainty``: expanded (k = 2), in the reading's unit.

    Raises Unusable where the reading is of another kind than the limit asks for, UnitDoesNotConvert.
    """
    if isinstance(limit, RangeLimit):
        return _measured(limit, reading, uncertainty)
    if isinstance(limit, ResidueLimit):
        return _residue(limit, reading, uncertainty)
    if isinstance(limit, TimeLimit):
        return _time(limit, reading, uncertainty)
    if isinstance(limit, LethalityLimit):
        return _heat(limit, reading, uncertainty)
    raise TypeError(f"{type(limit).__name__} comes to no figure by itself")


def _value(reading: Reading, what: str) -> Decimal:
    if reading.value is None:
        raise Unusable(f"Give the value of {what}.", code="value-missing", field="value")
    return reading.value


def _measured(limit: RangeLimit, reading: Reading, uncertainty: Decimal | None) -> Figure:
    value = convert(_value(reading, limit.quantity), reading.unit, limit.unit)
    for name in limit.asks:
        if not getattr(reading, name):
            raise Unusable(f"Say the {name.replace('_', ' ')}: it decides here.", code="missing", field=name)
    band = Decimal(0) if uncertainty is None else convert_difference(uncertainty, reading.unit, limit.unit)
    low = min(value, Decimal(0)) if reading.below else value
    return Figure(
        value,
        low,
        value,
        value - band,
        value + band,
        f"Read {_entered(reading, value, limit.unit)}",
        _below(reading),
    )


def _below(reading: Reading) -> str:
    if not reading.below:
        return ""
    return f"Below what the method detects ({reading.entered.strip()}); judged as if it were that much."


def _entered(reading: Reading, value: Decimal, unit: str) -> str:
    read = ("less than " if reading.below else "") + amount(value, unit)
    if reading.unit != unit:
        read += f" (entered {reading.entered} {UNITS[reading.unit].symbol})"
    return read


# -- residue --------------------------------------------------------------------------------------------


def _residue(limit: ResidueLimit, reading: Reading, uncertainty: Decimal | None) -> Figure:
    """A value of the food, or a swab brought to the first food off the line."""
    value = _value(reading, limit.quantity)
    per = _factor(limit, reading)
    level, band = per(value), Decimal(0) if uncertainty is None else per(uncertainty)
    read = f"Read {_entered(reading, level, limit.unit)}"
    return Figure(
        level,
        Decimal(0) if reading.below else level,
        level,
        level - band,
        level + band,
        read,
        _below(reading),
    )


def _factor(limit: ResidueLimit, reading: Reading) -> Callable[[Decimal], Decimal]:
    """From the reading's unit to the limit's. A swab: mass on the area wiped, times the area of contact, into the
    first food off the line."""
    if UNITS[reading.unit].dimension is UNITS[limit.unit].dimension:
        return lambda value: convert(value, reading.unit, limit.unit)
    wiped, contact, first = limit.swab_square_cm, limit.contact_square_cm, limit.first_product_kg
    if wiped is None or contact is None or first is None:
        raise Unusable(
            "This limit takes a value of the food: the plan does not say how a swab is brought to it.",
            code="no-way-from-a-swab",
            field="unit",
        )

    def level(value: Decimal) -> Decimal:
        milligrams = convert(value, reading.unit, "MGM") * contact / wiped
        return convert(milligrams / first, MG_A_KG, limit.unit)

    return level


# -- over time ------------------------------------------------------------------------------------------


def course_of(reading: Reading, unit: str) -> Course:
    """The reading's course in ``unit``. Raises Unusable where the reading is none."""
    if reading.course is None:
        raise Unusable(
            "This limit needs readings over time: points, or an uploaded series.",
            code="course-missing",
            field="points",
        )
    return reading.course.converted(unit)


def shifts(course: Course, reading: Reading, uncertainty: Decimal | None, unit: str) -> tuple[Course, Course]:
    """The course if the instrument read high, and if it read low, by its uncertainty."""
    if uncertainty is None:
        return course, course
    assert reading.course is not None
    band = float(convert_difference(uncertainty, reading.course.unit, unit))
    return course.shifted(-band), course.shifted(band)


def _time(limit: TimeLimit, reading: Reading, uncertainty: Decimal | None) -> Figure:
    course = course_of(reading, limit.temperature_unit)
    longest, level = float(limit.longest_gap_minutes * SECONDS_A_MINUTE), float(limit.temperature)

    def counted(of: Course) -> Decimal:
        seconds = courses.time_at(of, level, above=limit.side == "at_or_above", longest=longest)
        return _time_in(seconds, limit.unit)

    found = courses.gaps(course, longest)
    value = counted(course)
    ends = [counted(each) for each in shifts(course, reading, uncertainty, limit.temperature_unit)]
    missing = _time_in(sum(gap.lasts for gap in found), limit.unit)
    return Figure(
        value,
        value,
        value + missing,
        min(ends),
        max(ends),
        f"Counted {amount(value, limit.unit)}",
        named(found),
    )


def _heat(limit: LethalityLimit, reading: Reading, uncertainty: Decimal | None) -> Figure:
    course = course_of(reading, limit.temperature_unit)
    longest = float(limit.longest_gap_minutes * SECONDS_A_MINUTE)
    per_minute = Decimal(1) if limit.d_minutes is None or limit.unit != "C62" else limit.d_minutes

    def reached(of: Course) -> Decimal:
        seconds = courses.heat(of, float(limit.reference_temperature), float(limit.z), longest=longest)
        return _kept(Decimal(repr(seconds / 60)) / per_minute)

    value = reached(course)
    found = courses.gaps(course, longest)
    ends = [reached(each) for each in shifts(course, reading, uncertainty, limit.temperature_unit)]
    high = Decimal("Infinity") if found else value
    return Figure(
        value, value, high, min(ends), max(ends), f"Reached {amount(value, limit.unit)}", named(found)
    )


@dataclass(frozen=True)
class Cooling:
    """How a course cooled: for each window its figure, or the sentence why it has none yet."""

    windows: tuple[tuple[CoolingWindow, Figure], ...]


def cooled(limit: CoolingLimit, reading: Reading, uncertainty: Decimal | None) -> Cooling:
    """The time each window took, counted from the first fall below where counting begins. Raises Unusable.

    A window that is not reached has taken as long as was watched, and may take any longer. Readings that begin below
    leave the time before them open, and so does a gap at either end.
    """
    course = course_of(reading, limit.temperature_unit)
    high, low = shifts(course, reading, uncertainty, limit.temperature_unit)[::-1]
    made = []
    for window in limit.windows:
        value, bottom, top, told = _window(course, limit, window)
        ends = [_window(each, limit, window)[0] for each in (low, high)]
        read = f"Took {amount(value, limit.unit)} from {_degrees(limit, limit.begins_at)} to {_degrees(limit, window.to)}"
        made.append((window, Figure(value, bottom, top, min(ends), max(ends), read, told)))
    return Cooling(tuple(made))


def _window(
    course: Course, limit: CoolingLimit, window: CoolingWindow
) -> tuple[Decimal, Decimal, Decimal, str]:
    """(time taken as far as watched, the least and the most it may be, why these differ)."""
    endless = Decimal("Infinity")
    began = courses.falls_below(course, float(limit.begins_at))
    if began is None:
        return Decimal(0), Decimal(0), endless, "It has not begun to cool below where the time counts."
    reached = courses.reaches(course, float(window.to))
    until = course.lasts if reached is None else reached
    taken = _time_in(until - began, limit.unit)
    if reached is None:
        return taken, taken, endless, f"It has not come down to {_degrees(limit, window.to)} yet."
    if began == 0.0:
        return (
            taken,
            taken,
            endless,
            "The readings begin below where the time counts: what was before is not known.",
        )
    longest = float(limit.longest_gap_minutes * SECONDS_A_MINUTE)
    found = [
        gap for gap in courses.gaps(course, longest) if gap.after <= until and gap.after + gap.lasts >= began
    ]
    slack = sum(gap.lasts for gap in found if gap.after <= began or gap.after + gap.lasts >= until)
    told = named(tuple(found))
    if courses.rises_again(course, float(window.to), until):
        told = f"{told} It rose above {_degrees(limit, window.to)} again afterwards.".strip()
    open_time = _time_in(slack, limit.unit)
    return taken, max(Decimal(0), taken - open_time), taken + open_time, told


def named(found: tuple[courses.Gap, ...]) -> str:
    """The gaps in words, the first few by name."""
    if not found:
        return ""
    first = "; ".join(f"{gap.lasts:g} s after {gap.after:g} s" for gap in found[:GAPS_NAMED])
    more = f"; and {len(found) - GAPS_NAMED} more" if len(found) > GAPS_NAMED else ""
    return f"Readings are missing: {first}{more}. Nothing is said of that time."


def _time_in(seconds: float, unit: str) -> Decimal:
    return _kept(convert(Decimal(repr(round(seconds, 6))), "SEC", unit))


def _kept(value: Decimal) -> Decimal:
    return value.quantize(PLACES).normalize() + 0 if value.is_finite() else value


def _degrees(limit: CoolingLimit, value: Decimal) -> str:
    return amount(value, limit.temperature_unit)


def amount(value: Decimal, unit: str) -> str:
    """For people. Only what was computed has more than six decimals; it is rounded to four and says so."""
    if value.is_finite() and len(f"{value:f}".partition(".")[2]) > 6:
        return f"about {amount(value.quantize(Decimal('0.0001')), unit)}"
    return f"{plain_text(value)} {UNITS[unit].symbol}".strip()
