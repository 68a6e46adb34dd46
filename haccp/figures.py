"""What a reading comes to in the unit of its limit: one figure, and how well it is known. Pure, no Django.

``low`` and ``high`` enclose the figure whatever the instrument: they differ from ``value`` where the reading itself
leaves something open (a gap in a course, a result below the limit of detection). ``uncertain_low`` and
``uncertain_high`` are what it would be if the instrument were off by its expanded uncertainty either way.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal

from batches.quantities import MOST_DIGITS, UNITS, Dimension, convert, convert_difference, exactly, plain_text
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
from haccp.science.residues import MG_PER_KG, in_first_product

BILLIONTH = Decimal("1e-9")  # takes away what floating point leaves, and lifts nothing over a bound
SECONDS_A_MINUTE = Decimal(60)
GAPS_NAMED = 3
FAR_TOO_HOT = "The heat cannot be computed: a reading is far too hot. Look at the points again."


@dataclass(frozen=True)
class Figure:
    """``value`` with its bands, in the limit's unit. ``read``: what was read, in words. ``open``: why low and high
    differ from value. ``less``: the true value lies below ``value`` and is not ``value`` itself."""

    value: Decimal
    low: Decimal
    high: Decimal
    uncertain_low: Decimal
    uncertain_high: Decimal
    read: str
    open: str = ""
    less: bool = False


def figure(limit: BoundedLimit, reading: Reading, uncertainty: Decimal | None = None) -> Figure:
    """The figure a reading comes to. ``uncertainty``: expanded (k = 2), in the reading's unit.

    Raises Unusable where the reading is of another kind than the limit asks for, UnitDoesNotConvert.
    """
    if isinstance(limit, RangeLimit):
        found = _measured(limit, reading, uncertainty)
        _refuse_impossible(limit, found.value)
        return found
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
    return Figure(
        value,
        _least(value, limit.unit) if reading.below else value,
        value,
        value - band,
        value + band,
        f"Read {_entered(reading, value, limit.unit)}",
        _below(reading),
        reading.below,
    )


def _refuse_impossible(limit: RangeLimit, value: Decimal) -> None:
    """Raises Unusable for a value that nothing has: mistyped, far below an upper limit it would pass as within."""
    dimension, name = UNITS[limit.unit].dimension, limit.quantity.casefold()
    told = ""
    if dimension is Dimension.PH and not 0 <= value <= 14:
        told = "A pH lies from 0 to 14"
    if dimension is Dimension.TEMPERATURE and exactly(value, limit.unit, "KEL") < 0:
        told = "Nothing is colder than -273.15 °C"
    if dimension is Dimension.NUMBER and "water activity" in name and value <= 0:
        told = "A water activity lies above 0"
    if dimension is Dimension.FRACTION and name.startswith("moisture") and value < 0:
        told = "A moisture is 0 or more"
    if told:
        sentence = f"{told}; read was {amount(value, limit.unit)}. Look at the number again."
        raise Unusable(sentence, code="no-such-value", field="value")


def _least(value: Decimal, unit: str) -> Decimal:
    """The least that a reading "less than" may be; degrees have no end at 0."""
    degrees = UNITS[unit].dimension is Dimension.TEMPERATURE
    return Decimal("-Infinity") if degrees else min(value, Decimal(0))


def extremes(limit: RangeLimit, reading: Reading, uncertainty: Decimal | None) -> tuple[Figure, Figure]:
    """The lowest and the highest of a course, each as one reading: every other lies between them."""
    assert reading.course is not None
    sent, made = _refuse_colder_than_anything(reading.course), []
    for name, value in (("Lowest", sent.values.min()), ("Highest", sent.values.max())):
        exact = Decimal(repr(float(value)))  # the shortest text of a float is what was sent
        one = replace(reading, value=exact, entered=plain_text(exact), unit=sent.unit, course=None)
        found = _measured(limit, one, uncertainty)
        read = found.read.removeprefix("Read ")
        made.append(replace(found, read=f"{name} of {len(sent.values)} readings: {read}"))
    return made[0], made[1]


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
    if value <= 0:
        sentence = "No method finds nothing: write < and the least that it can find, as in < 2.5."
        raise Unusable(sentence, code="negative" if value else "no-detection-limit", field="value")
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
        reading.below,
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
        milligrams = convert(value, reading.unit, "MGM")
        found = in_first_product(milligrams, wiped_cm2=wiped, contact_cm2=contact, first_kg=first)
        return convert(found, MG_PER_KG, limit.unit)

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
    return _refuse_colder_than_anything(reading.course).converted(unit)


def _refuse_colder_than_anything(course: Course) -> Course:
    """Raises Unusable for what a logger writes when its probe is broken (-999): it would cool any food at once."""
    if UNITS[course.unit].dimension is not Dimension.TEMPERATURE:
        return course
    coldest = int(course.values.argmin())
    if exactly(Decimal(repr(float(course.values[coldest]))), course.unit, "KEL") < 0:
        sentence = (
            f"Reading {coldest + 1} is colder than anything can be, as of a broken probe. Leave such readings out: "
            "then there is a gap."
        )
        raise Unusable(sentence, code="no-such-value", field=f"points.{coldest}")
    return course


def shifts(course: Course, reading: Reading, uncertainty: Decimal | None, unit: str) -> tuple[Course, Course]:
    """The course if the instrument read high, and if it read low, by its uncertainty."""
    if uncertainty is None:
        return course, course
    assert reading.course is not None
    band = float(convert_difference(uncertainty, reading.course.unit, unit))
    return course.shifted(-band), course.shifted(band)


def _time(limit: TimeLimit, reading: Reading, uncertainty: Decimal | None) -> Figure:
    course = course_of(reading, limit.temperature_unit)
    found = courses.gaps(course, float(limit.longest_gap_minutes * SECONDS_A_MINUTE))
    missing = _time_in(sum(gap.lasts for gap in found), limit.unit)
    value, endless = _counted(limit, course)
    ends = [(value, endless)]
    if uncertainty is not None:
        shifted = shifts(course, reading, uncertainty, limit.temperature_unit)
        ends = [_counted(limit, each) for each in shifted]
    told = [named(found), "It counted at the first or last reading already: how long in all is not known."]
    return Figure(
        value,
        value,
        value + missing + endless,
        min(each for each, _ in ends),
        max(each + missing + more for each, more in ends),
        f"Counted {amount(value, limit.unit)}",
        " ".join(filter(None, told if endless else told[:1])),
    )


def _counted(limit: TimeLimit, course: Course) -> tuple[Decimal, Decimal]:
    """The time that counts, and how much more it may be: endless where the limit has a most and the readings begin or
    end while it counts."""
    level, above = float(limit.temperature), limit.side == "at_or_above"
    longest = float(limit.longest_gap_minutes * SECONDS_A_MINUTE)
    seconds = courses.time_at(course, level, above=above, longest=longest)
    ends = [float(course.values[at]) for at in (0, -1)]
    open_end = limit.upper is not None and any(each >= level if above else each <= level for each in ends)
    return _time_in(seconds, limit.unit), Decimal("Infinity" if open_end else 0)


def _heat(limit: LethalityLimit, reading: Reading, uncertainty: Decimal | None) -> Figure:
    course = course_of(reading, limit.temperature_unit)
    _refuse_far_too_hot(limit, course)
    longest = float(limit.longest_gap_minutes * SECONDS_A_MINUTE)
    per_minute = Decimal(1) if limit.d_minutes is None or limit.unit != "C62" else limit.d_minutes

    def reached(of: Course) -> Decimal:
        seconds = courses.heat(
            of,
            float(limit.reference_temperature),
            float(limit.z),
            longest=longest,
            studied=(float(limit.studied_from), float(limit.studied_to)),
        )
        return _heat_in(seconds / 60) / per_minute

    value = reached(course)
    found = courses.gaps(course, longest)
    ends = [value]
    if uncertainty is not None:
        ends = [reached(each) for each in shifts(course, reading, uncertainty, limit.temperature_unit)]
    high = Decimal("Infinity") if found else value
    uncertain_high = high if found else max(ends)
    read = f"Reached {amount(value, limit.unit)}{_hotter(limit, course)}"
    return Figure(value, value, high, min(ends), uncertain_high, read, named(found))


def _hotter(limit: LethalityLimit, course: Course) -> str:
    if course.values.max() <= float(limit.studied_to):
        return ""
    degrees = amount(limit.studied_to, limit.temperature_unit)
    return f" (hotter than {degrees} counted as that: hotter was not studied)"


def _refuse_far_too_hot(limit: LethalityLimit, course: Course) -> None:
    """Raises Unusable for a reading far beyond any oven, mistyped: it would still count as the hottest studied."""
    peak = (float(course.values.max()) - float(limit.reference_temperature)) / float(limit.z)
    if peak >= MOST_DIGITS:
        raise Unusable(FAR_TOO_HOT, code="cannot-be-computed", field="points")


def _heat_in(minutes: float) -> Decimal:
    """Raises Unusable where it is more than a number here may be: a reading far beyond any oven, mistyped."""
    if not minutes < 10**MOST_DIGITS:
        raise Unusable(FAR_TOO_HOT, code="cannot-be-computed", field="points")
    return Decimal(repr(minutes)).quantize(BILLIONTH).normalize() + 0


@dataclass(frozen=True)
class Cooling:
    """How a course cooled: each window with its figure."""

    windows: tuple[tuple[CoolingWindow, Figure], ...]


def cooled(limit: CoolingLimit, reading: Reading, uncertainty: Decimal | None) -> Cooling:
    """The time each window took, counted from the first fall below where counting begins. Raises Unusable.

    A window that is not reached has taken as long as was watched, and may take any longer. Readings that begin below
    leave the time before them open, and so does a gap before the count begins or where the window ends.
    """
    course = course_of(reading, limit.temperature_unit)
    shifted = shifts(course, reading, uncertainty, limit.temperature_unit)
    return Cooling(tuple((window, _cooled_to(window, limit, course, shifted)) for window in limit.windows))


def _cooled_to(
    window: CoolingWindow, limit: CoolingLimit, course: Course, shifted: tuple[Course, Course]
) -> Figure:
    taken = _window(course, limit, window)
    ends = [_window(each, limit, window) for each in shifted]
    begin, to = _degrees(limit, limit.begins_at), _degrees(limit, window.to)
    return Figure(
        taken.value,
        taken.least,
        taken.most,
        min(each.least for each in ends),
        max(each.most for each in ends),
        f"Took {amount(taken.value, limit.unit)} from {begin} to {to}",
        taken.open,
    )


@dataclass(frozen=True)
class _Taken:
    """The time a window took as far as watched, the least and the most it may be, and why these differ."""

    value: Decimal
    least: Decimal
    most: Decimal
    open: str = ""


def _window(course: Course, limit: CoolingLimit, window: CoolingWindow) -> _Taken:
    endless = Decimal("Infinity")
    began = courses.falls_below(course, float(limit.begins_at))
    if began is None:
        return _Taken(
            Decimal(0), Decimal(0), endless, "It has not begun to cool below where the time counts."
        )
    reached = courses.reaches(course, float(window.to))
    until = course.lasts if reached is None else reached
    longest = float(limit.longest_gap_minutes * SECONDS_A_MINUTE)
    found = tuple(gap for gap in courses.gaps(course, longest) if gap.after < until)
    first, last = _span(found, began, until, ended=reached is not None)
    told, most = [named(found)], _time_in(last - first, limit.unit)
    if reached is None:
        told.append(f"It has not come down to {_degrees(limit, window.to)} yet.")
    if course.values[0] < float(limit.begins_at):
        told.append("The readings begin below where the time counts: what was before is not known.")
    if len(told) > 1:
        most = endless
    elif courses.rises_again(course, float(window.to), until):
        told.append(f"It rose above {_degrees(limit, window.to)} again afterwards.")
    least = _time_in(_shortest(found, began, until, ended=reached is not None), limit.unit)
    return _Taken(_time_in(until - began, limit.unit), least, most, " ".join(filter(None, told)))


def _span(found: tuple[courses.Gap, ...], began: float, until: float, *, ended: bool) -> tuple[float, float]:
    """The earliest it may have begun and the latest it may have ended: nothing is known of a gap, so the first fall
    may lie in any that came before."""
    first = min([began, *(gap.after for gap in found if gap.after <= began)])
    return first, max([until, *(gap.ends for gap in found if ended and gap.ends >= until)])


def _shortest(found: tuple[courses.Gap, ...], began: float, until: float, *, ended: bool) -> float:
    latest = max([began, *(gap.ends for gap in found if gap.after <= began < gap.ends)])
    earliest = min([until, *(gap.after for gap in found if ended and gap.ends >= until)])
    return max(0.0, earliest - latest)


def named(found: tuple[courses.Gap, ...]) -> str:
    """The gaps in words, the first few by name."""
    if not found:
        return ""
    first = "; ".join(f"{gap.lasts:g} s after {gap.after:g} s" for gap in found[:GAPS_NAMED])
    more = f"; and {len(found) - GAPS_NAMED} more" if len(found) > GAPS_NAMED else ""
    return f"Readings are missing: {first}{more}. Nothing is said of that time."


def _time_in(seconds: float, unit: str) -> Decimal:
    """Whole microseconds, as clocks give them, in ``unit``: rounded there, a time could be lifted over its bound."""
    return convert(Decimal(f"{seconds:.6f}"), "SEC", unit)


def _degrees(limit: CoolingLimit, value: Decimal) -> str:
    return amount(value, limit.temperature_unit)


def amount(value: Decimal, unit: str) -> str:
    """For people. Only what was computed has more than six decimals; it is rounded to four and says so."""
    if value.is_finite() and len(f"{value:f}".partition(".")[2]) > 6:
        return f"about {amount(value.quantize(Decimal('0.0001')), unit)}"
    return f"{plain_text(value)} {UNITS[unit].symbol}".strip()
