"""The register of instruments: what a reading was taken with, how far it reaches, how well it is known.

What an instrument's verifications say of a day follows from the records; ``InstrumentState`` keeps what they come to by
now, so that a check asks for no more than the instrument itself.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from decimal import Decimal
from typing import Any

from batches import reference
from batches.models import Movement, WeighedApart
from batches.quantities import UNITS, convert_difference, exactly
from config.api.refusals import Reason, Unknown, Unusable
from haccp import verified
from haccp.models import Instrument, InstrumentVerification, Verified
from haccp.readings import Reading
from haccp.verified import Fact, Known, State
from ledger.acts import Act
from ledger.deeds import deed

OVERDUE = "instrument-overdue"
FAILED = "instrument-failed"
NEVER = "instrument-never-verified"
NOT_THERE = "not-verified-there"
SENTENCES = {
    OVERDUE: "The verification of the instrument is overdue: verify it now.",
    FAILED: "The instrument failed its verification: measure again with another.",
    NEVER: "The instrument was never verified: verify it now.",
    NOT_THERE: "No good verification of the instrument covers this reading: verify it near there.",
}


@deed
def make(*, act: Act, values: dict[str, Any]) -> Instrument:
    """Enter an instrument in the register. Raises Unusable with every reason at once, RuleBroken.

    Range, resolution and expanded uncertainty are in the instrument's own unit.
    """
    _refuse_unusable(Instrument(establishment=act.establishment, **values))
    return reference.make(act=act, kind=Instrument, values=values)


@deed
def alter(
    *, act: Act, instrument: Instrument, values: dict[str, Any], expected_version: int | None = None
) -> Instrument:
    """Change an entry; checks keep what they say. Raises Unusable, RuleBroken, ChangedMeanwhile."""
    for name, value in values.items():
        setattr(instrument, name, value)
    _refuse_unusable(instrument)
    return reference.alter(act=act, row=instrument, values=values, expected_version=expected_version)


def refuse_unless_it_weighs(weighing: Movement | WeighedApart) -> None:
    """What a weighing says it was made with is an instrument of its establishment that weighs. Raises Unknown, Unusable.

    One that is no longer in use may be named: the weighing was then.
    """
    if weighing.weighed_with is None or weighing.withdrawn:
        return
    register = Instrument.objects.filter(establishment=weighing.establishment_id)
    found = register.filter(pk=weighing.weighed_with).first()
    if found is None:
        raise Unknown(f"There is no such instrument here: {weighing.weighed_with}.", field="weighed_with")
    if not measures(found, "KGM"):
        raise Unusable(
            f"{found.code} {found.name} is no balance: it shows {found.unit}.",
            code="no-balance",
            field="weighed_with",
        )


def outside_range(instrument: Instrument, reading: Reading) -> bool:
    """Whether a reading lies outside what the instrument can show; at the end of its range it does not.

    Of a course, whether any does. A reading without a number, or of something this instrument does not measure, is
    not outside.
    """
    if not measures(instrument, reading.unit):
        return False
    values = [exactly(each, reading.unit, instrument.unit) for each in _extremes(reading)]
    lower, upper = instrument.range_lower, instrument.range_upper
    return any(
        (lower is not None and value < lower) or (upper is not None and value > upper) for value in values
    )


def _extremes(reading: Reading) -> list[Decimal]:
    """The value that was read; of a course the lowest and the highest."""
    if reading.course is not None:
        values = reading.course.values
        return [Decimal(repr(float(each))) for each in (values.min(), values.max())]
    return [] if reading.value is None else [reading.value]


def uncertainty_in(instrument: Instrument, unit: str) -> Decimal | None:
    """The expanded uncertainty (U, k = 2) in ``unit``; None where it is not known or not of that kind."""
    if instrument.expanded_uncertainty is None or not measures(instrument, unit):
        return None
    return convert_difference(instrument.expanded_uncertainty, instrument.unit, unit)


def measures(instrument: Instrument, unit: str) -> bool:
    """Whether what is read in ``unit`` can be read with it."""
    return verified.same_kind(unit, instrument.unit)


# -- what its verifications say ------------------------------------------------------------------------


@dataclass(frozen=True)
class Standing:
    """An instrument on a day. ``due_day``: the last day on which it is in time, where a schedule is set."""

    instrument: Instrument
    state: State
    day: date
    due_day: date | None
    last_good: Fact | None
    speaking: tuple[Fact, ...]
    failed: tuple[Fact, ...]


def standing(instrument: Instrument, at: datetime, known: Known | None = None) -> Standing:
    """What its verifications say of the day of ``at``, by those made until then."""
    known = known or known_at(instrument, at)
    zone, every = instrument.establishment.zone, instrument.verify_every_days
    day = at.astimezone(zone).date()
    state, due = known.state(day, every, zone), known.due_day(every, zone)
    return Standing(instrument, state, day, due, known.last_good, known.good, known.failed)


def known_at(instrument: Instrument, at: datetime) -> Known:
    """By the projection where ``at`` is after the last verification, else by the records."""
    now = known_now(instrument)
    if now.until is None or at >= now.until:
        return now
    return verified.known_at(facts_of(instrument), at)


def known_now(instrument: Instrument) -> Known:
    """What is known of it after the last verification there is. Without a statement where its state came with it."""
    state = getattr(instrument, "verification_state", None)
    return Known() if state is None else verified.known_from_json(state.facts)


def facts_of(instrument: Instrument) -> list[Fact]:
    """Every verification of it that stands, in the order they were made."""
    rows = InstrumentVerification.objects.standing().filter(instrument=instrument)
    return verified.in_order(map(fact, rows))


def fact(verification: InstrumentVerification) -> Fact:
    said = verification.said
    return Fact(
        id=str(verification.pk),
        at=verification.performed_at,
        passed=verification.result == Verified.PASS,
        left_good=verification.left == Verified.PASS,
        point=Decimal(verification.reference["value"]),
        lower=Decimal(said["covers_lower"]),
        upper=Decimal(said["covers_upper"]),
        unit=said["unit"],
    )


def shortcomings(
    instrument: Instrument, read: Iterable[Reading], at: datetime, zone: tzinfo
) -> Iterator[str]:
    """Codes of what its verifications leave open about readings taken with it; nothing where none was ever asked for.

    Of a course every reading is asked after. A reading of something this instrument does not measure is left out.
    """
    now, every = known_now(instrument), instrument.verify_every_days
    known = now
    if now.until is not None and at < now.until:
        facts = facts_of(instrument)
        known = verified.known_at(facts, at)
        if verified.in_doubt(facts, at):
            yield FAILED
    state = known.state(at.astimezone(zone).date(), every, zone)
    if state is State.FAILED:
        yield FAILED
    if state is State.OVERDUE:
        yield OVERDUE
    if state is State.NEVER and every is not None:
        yield NEVER
    measured = [each for each in read if measures(instrument, each.unit)]
    if known.good and not all(_spoken_for(known, each, at, every) for each in measured):
        yield NOT_THERE


def _spoken_for(known: Known, reading: Reading, at: datetime, every: int | None) -> bool:
    if reading.course is not None:
        return known.speaks_for_all(reading.course.values, reading.unit, at, every)
    return reading.value is None or known.speaks_for(reading.value, reading.unit, at, every)


def shortcomings_over(instrument: Instrument, reading: Reading, span: tuple[datetime, datetime]) -> set[str]:
    """The same of a course that was read from one time to another, both included: at any time of it."""
    (began, ended), until = span, known_now(instrument).until
    facts = [] if until is None or until < began else facts_of(instrument)
    between = {fact.at for fact in facts if began < fact.at < ended}
    zone = instrument.establishment.zone
    found = {
        code for at in {began, *between, ended} for code in shortcomings(instrument, [reading], at, zone)
    }
    return found | ({FAILED} if verified.in_doubt(facts, began, ended) else set())


def _refuse_unusable(instrument: Instrument) -> None:
    reasons = list(_wrong(instrument))
    if reasons:
        raise Unusable("The instrument cannot be entered so. Nothing was written.", reasons=reasons)


def _wrong(instrument: Instrument) -> Iterator[Reason]:
    if instrument.unit not in UNITS:
        yield Reason(
            "unknown-unit", f"Give its unit by the UN/ECE code: one of {', '.join(sorted(UNITS))}.", "unit"
        )
    lower, upper = instrument.range_lower, instrument.range_upper
    if lower is not None and upper is not None and lower >= upper:
        yield Reason("range-crossed", "The range ends above where it begins.", "range_upper")
    if instrument.resolution is not None and instrument.resolution <= 0:
        yield Reason("not-positive", "The smallest step it shows is more than 0.", "resolution")
    if instrument.expanded_uncertainty is not None and instrument.expanded_uncertainty < 0:
        yield Reason("negative", "An uncertainty is 0 or more.", "expanded_uncertainty")
    if instrument.verify_every_days is not None and instrument.verify_every_days < 1:
        yield Reason("not-positive", "It is verified every 1 or more days.", "verify_every_days")
