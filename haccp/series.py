"""A logger's readings: taken in whole or not at all, kept packed, judged by the same judges as any reading."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from decimal import Decimal
from typing import IO, Any
from uuid import UUID

import numpy as np
from django.db.models import Q

from batches import lots as lot_deeds
from batches.locks import lock_material
from batches.models import Lot
from batches.quantities import UNITS, Dimension, known_unit
from config.api.refusals import Reason, RuleBroken, Unknown, Unusable
from haccp import instruments, series_uses
from haccp.drawing import Plot
from haccp.figures import amount
from haccp.logger import blocks, files
from haccp.logger.plot import Drawn, plot
from haccp.logger.readings import Readings, value_text
from haccp.models import Instrument, Series, SeriesBlock
from haccp.readings import Reading
from haccp.science import courses
from haccp.science.courses import Course, Gap
from ledger.acts import Act, Moment
from ledger.deeds import deed
from ledger.models import Establishment
from ledger.verification import compare_projection

GAPS_NAMED = 20


class Damaged(RuleBroken):
    """The kept readings are not what the record says."""

    code = "readings-damaged"


class OutsideTheInstrument(RuleBroken):
    """Asked back once: readings lie beyond what the instrument can show, most likely in another unit."""

    code = "outside-the-instruments-range"


OUTSIDE_INSTRUMENT = OutsideTheInstrument.code
SENTENCES = {
    OUTSIDE_INSTRUMENT: "Readings lie outside the range of the instrument; stored as entered.",
    **instruments.SENTENCES,
}


class Gone(RuleBroken):
    """The series was corrected or withdrawn: nothing is judged by it any more."""

    code = "series-gone"


def store(
    *,
    act: Act,
    file: IO[bytes],
    unit: str,
    instrument: Instrument | None = None,
    decimal_comma: bool = False,
    as_entered: bool = False,
) -> Series:
    """Read a logger's file (``haccp.logger.files``) and keep every reading of it, in ``unit`` as sent.

    Offset seconds count from ``act.performed``. Raises Unusable naming each line that is no use, and
    OutsideTheInstrument; with ``as_entered`` it is stored so and flagged instead. Nothing is stored in part.
    """
    known_unit(unit)
    readings = files.read(file, second_zero=act.performed, decimal_comma=decimal_comma)
    return _keep(act=act, readings=readings, unit=unit, instrument=instrument, as_entered=as_entered)


@deed
def _keep(
    *, act: Act, readings: Readings, unit: str, instrument: Instrument | None, as_entered: bool
) -> Series:
    if instrument is not None and instrument.establishment_id != act.establishment.pk:
        raise Unknown("There is no such instrument here.", field="instrument")
    packed = list(blocks.pack(readings))
    series = Series.new(
        act,
        instrument=instrument,
        unit=unit,
        began_at=_instant(readings, 0),
        ended_at=_instant(readings, -1),
        count=len(readings),
        sha256=blocks.together(block.sha256 for block in packed),
    )
    series.answer_if_repeated()
    if instrument is not None:
        reading = _as_reading(readings, unit)
        outside = instruments.outside_range(instrument, reading)
        if outside and not as_entered:
            raise _asked_back(instrument, readings, unit)
        found = instruments.shortcomings_over(instrument, reading, (series.began_at, series.ended_at))
        series.flags = sorted({OUTSIDE_INSTRUMENT, *found} if outside else found)
    if act.corrects is not None:
        lock_material(act.establishment)
    series.insert()
    SeriesBlock.objects.bulk_create(
        SeriesBlock(series=series, number=number, sha256=block.sha256, data=block.data)
        for number, block in enumerate(packed)
    )
    _follow(act, series)
    return series


@deed
def withdraw(*, act: Act) -> Series:
    """Say that the series ``act.corrects`` never was; its readings stay as they were packed. Raises RuleBroken.

    Checks judged by it keep their results, but answer no due check any more; the released lots they spoke for await a
    decision again.
    """
    lock_material(act.establishment)
    series = Series.withdrawal(replace(act, withdraws=True))
    series.answer_if_repeated()
    series.insert()
    _follow(act, series)
    return series


def _follow(act: Act, series: Series) -> None:
    """What the series that this one corrects judged is looked at again (D7)."""
    gone: Any = series.corrects
    if gone is not None:
        checks = series_uses.judged_by(gone)
        about = Q(batch__in=checks.values("batch")) | Q(pk__in=checks.values("lot"))
        lot_deeds.reopen(act=act, lots=Lot.objects.filter(about), because=series)


def _instant(readings: Readings, at: int) -> Any:
    return files.EPOCH + timedelta(microseconds=int(readings.at[at]))


def _as_reading(readings: Readings, unit: str) -> Reading:
    return Reading("", unit=unit, course=courses.course(readings.seconds, readings.values, unit))


def _asked_back(instrument: Instrument, readings: Readings, unit: str) -> OutsideTheInstrument:
    lowest, highest = (
        _text(readings, int(at)) for at in (readings.values.argmin(), readings.values.argmax())
    )
    symbol = UNITS[unit].symbol
    sentence = (
        f"The readings go from {lowest} to {highest} {symbol}, which is outside the range of {instrument}. Look at the "
        "unit: were they taken in another? Nothing was stored. If they are right, send again with as_entered=true."
    )
    return OutsideTheInstrument(sentence, field="unit")


def _text(readings: Readings, at: int) -> str:
    return value_text(int(readings.digits[at]), int(readings.places[at]))


# -- reading it again -----------------------------------------------------------------------------------


def named(establishment: Establishment, said: str, *, field: str) -> Series:
    """The series of this id here, also one that is gone. Raises Unknown naming ``field``."""
    known = Series.objects.of(establishment).select_related(
        "instrument__verification_state", "instrument__establishment", "corrected_by"
    )
    try:
        found = known.filter(pk=UUID(said)).first()
    except ValueError:
        found = None
    if found is None:
        raise Unknown(f"There is no such series here: {said}.", field=field)
    return found


def readings(series: Series) -> Readings:
    """Every reading, exactly as sent. Raises Damaged."""
    data = series.blocks_of.blocks.order_by("number").values_list("data", flat=True)
    try:
        return blocks.unpack(bytes(each) for each in data)
    except blocks.Damaged as error:
        sentence = f"The readings of series {series.pk} are not as they were written; verify names the block."
        raise Damaged(sentence) from error


def course(series: Series) -> Course:
    """The series as judges take it, in its own unit. Raises Damaged."""
    found = readings(series)
    return courses.course(found.seconds, found.values, series.unit)


def standing(establishment: Establishment, said: str, *, field: str) -> Series:
    """The series of this id here, to judge by it. Raises Unknown, Gone."""
    found = named(establishment, said, field=field)
    later: Series | None = found if found.withdrawn else getattr(found, "corrected_by", None)
    if later is not None:
        sentence = "The series it names was corrected since: name the later one."
        if later.withdrawn:
            sentence = "The series it names was withdrawn: it never was."
        raise Gone(sentence, reasons=[Reason(Gone.code, sentence, field, (str(later.pk),))])
    return found


def follow(reading: Reading, series: Series) -> Reading:
    """The reading that names a series, with the course of it. Raises Damaged."""
    return replace(reading, course=course(series), unit=series.unit)


# -- what can be said of it -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Asked:
    """What a summary is asked for, in the unit of the series. ``longest_gap_seconds``: two readings further apart
    leave a gap; twice the usual step where it is not said."""

    lower: Decimal | None = None
    upper: Decimal | None = None
    reference_temperature: Decimal | None = None
    z: Decimal | None = None
    longest_gap_seconds: Decimal | None = None


@dataclass(frozen=True)
class Summary:
    """``lowest`` and ``highest`` as sent; ``mean`` of the readings, however far apart. Times and heat leave gaps out;
    ``outside_seconds`` counts what is below ``lower`` or above ``upper``, ``f_minutes`` is the heat at the
    reference temperature; None where it was not asked."""

    lowest: str
    highest: str
    mean: Decimal
    lasts_seconds: Decimal
    usual_step_seconds: Decimal
    longest_gap_seconds: Decimal
    gap_count: int
    gap_seconds: Decimal
    gaps: tuple[Gap, ...]
    outside_seconds: Decimal | None
    f_minutes: Decimal | None


def summary(series: Series, asked: Asked) -> Summary:
    """Raises Damaged, and Unusable where half of what is needed was said."""
    _refuse_half_said(series, asked)
    found = readings(series)
    whole = courses.course(found.seconds, found.values, series.unit)
    longest = longest_gap(whole, asked)
    gaps = courses.gaps(whole, longest)
    return Summary(
        lowest=_text(found, int(found.values.argmin())),
        highest=_text(found, int(found.values.argmax())),
        mean=_rounded(float(np.mean(found.values))),
        lasts_seconds=_rounded(whole.lasts),
        usual_step_seconds=_rounded(courses.usual_step(whole)),
        longest_gap_seconds=_rounded(longest),
        gap_count=len(gaps),
        gap_seconds=_rounded(sum(gap.lasts for gap in gaps)),
        gaps=gaps[:GAPS_NAMED],
        outside_seconds=_outside(whole, asked, longest),
        f_minutes=_heat(whole, asked, longest),
    )


def longest_gap(whole: Course, asked: Asked) -> float:
    """Seconds that may lie between two readings."""
    said = asked.longest_gap_seconds
    return courses.longest_usual(whole) if said is None else float(said)


def _refuse_half_said(series: Series, asked: Asked) -> None:
    for name in ("z", "longest_gap_seconds"):
        value = getattr(asked, name)
        if value is not None and value <= 0:
            raise Unusable("More than 0.", code="not-positive", field=name)
    if (asked.reference_temperature is None) != (asked.z is None):
        raise Unusable("F needs both a reference temperature and z.", code="missing", field="z")
    if asked.z is not None and UNITS[series.unit].dimension is not Dimension.TEMPERATURE:
        raise Unusable("F is computed of temperatures only.", code="unit-does-not-convert", field="z")
    if asked.lower is not None and asked.upper is not None and asked.lower > asked.upper:
        raise Unusable("The lower limit lies above the upper.", code="bounds-crossed", field="lower")


def _outside(whole: Course, asked: Asked, longest: float) -> Decimal | None:
    if asked.lower is None and asked.upper is None:
        return None
    seconds = 0.0
    for bound, above in ((asked.lower, False), (asked.upper, True)):
        if bound is not None:
            seconds += courses.time_beyond(whole, float(bound), above=above, allowed=True, longest=longest)
    return _rounded(seconds)


def _heat(whole: Course, asked: Asked, longest: float) -> Decimal | None:
    """None also where it is beyond every number: a reference far below the readings."""
    if asked.reference_temperature is None or asked.z is None:
        return None
    with np.errstate(over="ignore", invalid="ignore"):
        seconds = courses.heat(whole, float(asked.reference_temperature), float(asked.z), longest=longest)
    if not np.isfinite(seconds):
        sentence = "F comes out beyond every number: look at the reference temperature and z."
        raise Unusable(sentence, code="out-of-range", field="reference_temperature")
    return _rounded(seconds / 60)


def _rounded(value: float) -> Decimal:
    """At most six decimals; of a large number no more digits than a float has."""
    return Decimal(repr(round(value, 6)))


def plotted(series: Series, asked: Asked) -> Plot:
    """The series as ``haccp.drawing`` takes it, with the limits asked for. Raises Damaged, Unusable."""
    _refuse_half_said(series, asked)
    found = readings(series)
    whole = courses.course(found.seconds, found.values, series.unit)
    drawn = Drawn(
        title=str(series.instrument or "Series"),
        course=whole,
        began=Moment(series.began_at, int(found.offsets[0])).local,
        symbol=UNITS[series.unit].symbol or series.unit,
        longest_gap=longest_gap(whole, asked),
        limits=[
            (f"{name} {amount(value, series.unit)}", float(value))
            for name, value in (("lower", asked.lower), ("upper", asked.upper))
            if value is not None
        ],
    )
    return plot(drawn)


# -- verify ---------------------------------------------------------------------------------------------


@compare_projection("series")
def damage() -> Iterator[str]:
    """A sentence for each block that was changed, and for each series whose blocks are not those it names."""
    for series in Series.objects.filter(withdrawn=False).order_by("pk").iterator():
        kept = series.blocks.order_by("number").values_list("number", "sha256", "data")
        hashes = []
        for number, sha256, data in kept.iterator(chunk_size=100):
            hashes.append(sha256)
            if _sha256_now(bytes(data)) != sha256:
                yield f"block {number} of series {series.pk} was changed"
        if blocks.together(hashes) != series.sha256:
            yield f"the blocks of series {series.pk} are not those its record names"


def _sha256_now(data: bytes) -> str:
    try:
        return blocks.sha256_of(data)
    except blocks.Damaged:
        return ""
