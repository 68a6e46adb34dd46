"""Checks in doubt: those made with an instrument that was found wrong, and what they come to with the error found.

All of it is derived when it is read. Nothing is rewritten: the results recomputed stand beside the originals.
"""

from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet

from batches.quantities import convert_difference, plain_text
from config.api.refusals import Unusable
from haccp import instruments, limits, readings, series, series_uses, verified
from haccp.bounds import in_force_from_json
from haccp.limits import Result
from haccp.models import Check, InstrumentVerification, Series, SeriesUse, Verified
from haccp.readings import Reading

NOT_SHIFTED = "Cannot be recomputed: the series is damaged, or has left. Measure again."


def error_of(verification: InstrumentVerification) -> Decimal:
    """The error found, as found minus reference, in the unit of the verification."""
    return Decimal(verification.said["as_found"]) - Decimal(verification.reference["value"])


def signed(error: Decimal) -> str:
    """With its sign, as text."""
    text = plain_text(error)
    return text if error < 0 else f"+{text}"


def checks_of(failure: InstrumentVerification) -> QuerySet[Check]:
    """Every standing check that a failed verification puts in doubt by now, also one that was entered later."""
    return _within(failure, doubt_of(failure))


def doubt_of(failure: InstrumentVerification) -> verified.Doubt:
    """The time it speaks of. A failure that was corrected or withdrawn later keeps it: its case goes on (D7)."""
    itself = {str(failure.pk), str(failure.corrects_id)}  # nor what it is about to correct
    facts = [each for each in instruments.facts_of(failure.instrument) if each.id not in itself]
    return verified.doubt(facts, instruments.fact(failure))


def _within(failure: InstrumentVerification, doubt: verified.Doubt) -> QuerySet[Check]:
    """Checks made with the instrument then, and those judged by a series that it logged then."""
    made, logged = Q(instrument=failure.instrument_id), Q(instrument=failure.instrument_id)
    if doubt.since is not None:
        made, logged = made & Q(performed_at__gte=doubt.since), logged & Q(ended_at__gte=doubt.since)
    if doubt.until is not None:
        made, logged = made & Q(performed_at__lte=doubt.until), logged & Q(began_at__lte=doubt.until)
    judged = SeriesUse.objects.filter(series__in=Series.objects.filter(logged).values("pk"))
    found = Check.objects.standing().filter(made | Q(pk__in=judged.values("check_record")))
    return found.order_by("performed_at", "id")


def doubted(checks: Iterable[Check]) -> set[UUID]:
    """Which of the checks are in doubt by a failed verification that stands."""
    made = list(checks)
    logged = series_uses.of_checks(made)
    spans: dict[Any, list[tuple[UUID, datetime, datetime]]] = {}
    for check in made:
        if check.instrument is not None:
            at = check.performed_at
            spans.setdefault(check.instrument, []).append((check.pk, at, at))
        for each in logged.get(check.pk, ()):
            if each.instrument is not None:
                spans.setdefault(each.instrument, []).append((check.pk, each.began_at, each.ended_at))
    found: set[UUID] = set()
    for instrument, times in spans.items():
        facts = instruments.facts_of(instrument)
        found |= {key for key, began, ended in times if verified.in_doubt(facts, began, ended)}
    return found


# -- results recomputed -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Recomputed:
    """One reading as it was judged, and as it would have been with the error taken off. Texts, in the reading's unit; of
    a course over time ``entered`` and ``corrected`` tell its lowest and highest.

    ``corrected`` and ``now`` are empty where it cannot be told; ``sentence`` says why, or where it would lie.
    """

    quantity: str
    entered: str
    unit: str
    error: str
    corrected: str
    result: str
    now: str
    sentence: str


@dataclass(frozen=True)
class DoubtedCheck:
    """A check in doubt: what it said, and what it comes to. ``now`` is the worst of its readings, unchanged ones too;
    empty where one of them cannot be told. ``lots``: made in the batch it speaks of, or the lot itself."""

    check: Check
    lots: tuple[str, ...]
    readings: tuple[Recomputed, ...]
    now: str


def in_doubt(failure: InstrumentVerification) -> QuerySet[Check]:
    """The checks that one verification puts in doubt, with what it takes to show them; none where it did not fail."""
    found = checks_of(failure).select_related("control_point", "batch", "lot", "establishment")
    found = found.prefetch_related("batch__lots")
    return found if failure.result == Verified.FAIL and not failure.withdrawn else found.none()


def beside(check: Check, failure: InstrumentVerification) -> DoubtedCheck:
    """A check with what it comes to by the error found."""
    read = tuple(recomputed(check, error_of(failure), failure.said["unit"], failure.instrument_id))
    results = [each.now for each in read] + _untouched(check, read)
    now = "" if "" in results else limits.worst([Result(each) for each in results]).value
    named = [] if check.lot is None else [check.lot]
    made = [] if check.batch is None else check.batch.lots.all()
    return DoubtedCheck(check, tuple(dict.fromkeys(str(lot.uid) for lot in (*named, *made))), read, now)


def _untouched(check: Check, read: Iterable[Recomputed]) -> list[str]:
    """Results of what was not read with the instrument: an outcome seen, things counted."""
    shifted = {each.quantity for each in read}
    return [each["result"] for each in check.judgements if each["limit"]["quantity"] not in shifted]


def recomputed(
    check: Check, error: Decimal, unit: str, instrument: UUID | None = None
) -> Iterator[Recomputed]:
    """What each reading of that kind comes to with the error taken off, by the bounds kept with the check.

    ``error``: as found minus reference, in ``unit``; it is taken to be the same all over the range, and all through a
    series. ``instrument``: the one found wrong; what was taken with another is left out.
    """
    entered = {each["quantity"]: each for each in check.readings}
    for judged in check.judgements:
        reading, taken_with = _taken(check, readings.kept(entered[judged["limit"]["quantity"]]))
        if instrument is not None and taken_with != instrument:
            continue
        if reading.series and reading.course is None:
            yield _untold(judged, reading, error, unit)
        elif _is_of_kind(reading, unit):
            yield _recomputed(judged, reading, error, unit)


def _taken(check: Check, reading: Reading) -> tuple[Reading, UUID | None]:
    """The reading, with the course of the series it names where that can be read; and with what it was taken."""
    if not reading.series:
        return reading, check.instrument_id
    found = Series.objects.filter(establishment=check.establishment_id, pk=reading.series).first()
    if found is None:
        return reading, check.instrument_id
    with suppress(series.Damaged):
        reading = series.follow(reading, found)
    return reading, found.instrument_id or check.instrument_id


def _untold(judged: dict[str, Any], reading: Reading, error: Decimal, unit: str) -> Recomputed:
    return Recomputed(
        quantity=reading.quantity,
        entered="",
        unit=unit,
        error=signed(error),
        corrected="",
        result=judged["result"],
        now="",
        sentence=NOT_SHIFTED,
    )


def _is_of_kind(reading: Reading, unit: str) -> bool:
    return bool(reading.unit) and verified.same_kind(reading.unit, unit)


def _recomputed(judged: dict[str, Any], reading: Reading, error: Decimal, unit: str) -> Recomputed:
    off = convert_difference(error, unit, reading.unit)
    told = {"quantity": reading.quantity, "entered": _told(reading), "result": judged["result"]}
    told |= {"unit": reading.unit, "error": signed(off)}
    shifted = _shifted(reading, off)
    try:
        judgement = limits.judge(shifted, in_force_from_json(judged), **_guard(judged))
    except Unusable as refusal:  # a figure that has no meaning, as a negative amount
        return Recomputed(**told, corrected=_told(shifted), now="", sentence=refusal.detail)
    return Recomputed(
        **told, corrected=_told(shifted), now=judgement.result.value, sentence=judgement.sentence
    )


def _told(reading: Reading) -> str:
    if reading.course is None:
        return reading.entered
    values = reading.course.values
    ends = (plain_text(Decimal(repr(float(end)))) for end in (values.min(), values.max()))
    return f"{len(values)} readings, {' to '.join(ends)}"


def _shifted(reading: Reading, off: Decimal) -> Reading:
    """The reading with the error taken off; a course is moved as a whole."""
    if reading.course is not None:
        return replace(reading, course=reading.course.shifted(-float(off)))
    assert reading.value is not None
    value = reading.value - off
    below = "<" if reading.below else ""
    return replace(reading, value=value, entered=f"{below}{plain_text(value)}")


def _guard(judged: dict[str, Any]) -> dict[str, Any]:
    """Guard and uncertainty as the check was judged with."""
    if "guard" not in judged:
        return {}
    known = judged.get("uncertainty")
    return {"guard": judged["guard"], "uncertainty": None if known is None else Decimal(known.split()[0])}
