"""Verifications of instruments: held against something known, judged, kept; a failed one opens a case and holds."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from batches.locks import lock_material
from batches.projections import rebuilds
from batches.quantities import UNITS, known_unit, parse_number
from batches.texts import one_line
from config.api.refusals import Reason, RuleBroken, Unknown, Unusable
from haccp import deviations, doubts, holds, instruments, known_values, verified
from haccp.deviations import Touched
from haccp.known_values import KnownValue
from haccp.models import (
    Deviation,
    HoldSubject,
    Instrument,
    InstrumentState,
    InstrumentVerification,
    Method,
    Verified,
)
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Establishment
from ledger.verification import compare_projection

NUMBERS = ("as_found", "tolerance", "covers_lower", "covers_upper")
NUMBERS_AT_TIMES = ("as_left", "stated", "temperature", "pressure")
SAID = ("unit", "salt", *NUMBERS, *NUMBERS_AT_TIMES)
MOST_CHARACTERS = 200


@deed
def record(
    *, act: Act, instrument: Instrument, method: str, standard: str, said: Mapping[str, str]
) -> InstrumentVerification:
    """Keep what an instrument showed, and judge it. A failed one opens one case that holds what it put in doubt.

    ``said``: see the model; numbers as text in ``unit``, the temperature of a salt in °C, the pressure in kPa. Raises
    Unusable, Unknown, RuleBroken. Every refusal first asks whether this is a repeat of what is stored.
    """
    lock_material(act.establishment)
    made = InstrumentVerification.new(
        act, instrument=instrument, method=method, standard=standard, said=_plain(said)
    )
    made.answer_if_repeated()
    _refuse_other_instrument(made)
    _judge(made)
    made.insert()
    keep_state(instrument)
    if made.result == Verified.FAIL:
        _open(act, made)
    return made


@deed
def withdraw(*, act: Act) -> InstrumentVerification:
    """Say that the verification ``act.corrects`` never happened. Its case and what is held stay (D7).

    Raises Unknown, RuleBroken.
    """
    lock_material(act.establishment)
    made = InstrumentVerification.withdrawal(replace(act, withdraws=True))
    made.answer_if_repeated()
    made.insert()
    keep_state(made.instrument)
    return made


# -- judging ----------------------------------------------------------------------------------------


def _plain(said: Mapping[str, str]) -> dict[str, str]:
    return {name: said[name] for name in SAID if said.get(name) not in (None, "")}


def _refuse_other_instrument(made: InstrumentVerification) -> None:
    if made.instrument.establishment_id != made.establishment_id:
        raise Unknown("There is no such instrument here.", field="instrument")
    corrected: Any = made.corrects
    if corrected is not None and corrected.instrument_id != made.instrument_id:
        raise RuleBroken(
            f"Record {corrected.pk} is about another instrument; withdraw it and enter this one anew.",
            code="corrects-another",
            field="corrects",
        )


def _judge(made: InstrumentVerification) -> None:
    """Fill in the known value, the results and what is in doubt. Raises Unusable."""
    one_line(made.standard, field="standard", longest=MOST_CHARACTERS)
    if made.method not in Method.values:
        raise Unusable(
            f"A method is one of: {', '.join(Method.values)}.", code="unknown-name", field="method"
        )
    _refuse_other_unit(made)
    numbers = _numbers(made.said)
    known = _known_value(made, numbers)
    _refuse_range_without_the_point(numbers, known)
    known_values.refuse_too_far(made.method, numbers["covers_upper"], made.said["unit"])
    made.reference = known.as_json()
    made.result = _result(numbers["as_found"], known, numbers["tolerance"])
    left = numbers.get("as_left")
    made.left = made.result if left is None else _result(left, known, numbers["tolerance"])
    made.doubted = _doubted_now(made) if made.result == Verified.FAIL else []


def _refuse_other_unit(made: InstrumentVerification) -> None:
    unit = known_unit(made.said.get("unit")).code
    if not instruments.measures(made.instrument, unit):
        sentence = f"{made.instrument} does not measure in {unit}."
        raise Unusable(sentence, code="unit-does-not-convert", field="unit")


def _numbers(said: Mapping[str, str]) -> dict[str, Decimal]:
    missing = [Reason("missing", "Give this number.", name) for name in NUMBERS if name not in said]
    if missing:
        raise Unusable("The verification is not whole. Nothing was written.", reasons=missing)
    given = (name for name in (*NUMBERS, *NUMBERS_AT_TIMES) if name in said)
    numbers = {name: parse_number(said[name], field=name) for name in given}
    if numbers["tolerance"] <= 0:
        raise Unusable("A tolerance is more than 0.", code="not-positive", field="tolerance")
    return numbers


def _known_value(made: InstrumentVerification, numbers: Mapping[str, Decimal]) -> KnownValue:
    return known_values.known_value(
        made.method,
        made.said["unit"],
        stated=numbers.get("stated"),
        salt=made.said.get("salt", ""),
        temperature=numbers.get("temperature"),
        pressure=numbers.get("pressure"),
        altitude=made.establishment.altitude_m,
    )


def _refuse_range_without_the_point(numbers: Mapping[str, Decimal], known: KnownValue) -> None:
    """It speaks at least for the point where it was made."""
    if not numbers["covers_lower"] <= known.value <= numbers["covers_upper"]:
        sentence = f"The range it speaks for holds the point itself, {known.value:f}."
        raise Unusable(sentence, code="range-without-the-point", field="covers_lower")


def _result(shown: Decimal, known: KnownValue, tolerance: Decimal) -> Verified:
    return Verified.PASS if known_values.passes(shown, known, tolerance) else Verified.FAIL


def _doubted_now(made: InstrumentVerification) -> list[str]:
    return [str(pk) for pk in doubts.checks_of(made).values_list("pk", flat=True)]


def sentences(made: InstrumentVerification) -> list[str]:
    """What the person who verified is told."""
    known, tolerance = known_values.from_json(made.reference), Decimal(made.said["tolerance"])
    off = f"{doubts.signed(doubts.error_of(made))} {UNITS[known.unit].symbol}".strip()
    told = [f"Found off by {off} against {known.value:f}; allowed is {tolerance:f} either way."]
    if known_values.reaches_across(Decimal(made.said["as_found"]), known, tolerance):
        told.append(
            f"The known value lies between {known.low:f} and {known.high:f}: that could change the result."
        )
    if made.result == Verified.FAIL:
        told.append(f"{len(made.doubted)} checks since the last good verification are in doubt.")
    if made.left == Verified.FAIL:
        told.append("Do not measure with it until a good verification covers this point.")
    return told


# -- the case ---------------------------------------------------------------------------------------


def _open(act: Act, failure: InstrumentVerification) -> None:
    """One case with hold. A failure that corrects a failure goes on under that one's case while it is open."""
    doubt = doubts.doubt_of(failure)
    hold = Touched(HoldSubject.VERIFICATION, failure.pk, doubt.since)
    before: Any = failure.corrects
    case = None if before is None else deviations.case_of(before, Deviation.What.INSTRUMENT)
    if case is not None and not deviations.is_closed(case):
        holds.place(act=act.with_new_id(), deviation=case, touched=hold)
        return
    deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.INSTRUMENT,
        subject=failure.pk,
        slot=failure.instrument.code,
        title=f"{failure.instrument} failed its verification ({failure.get_method_display()}): "
        f"{' '.join(sentences(failure))}",
        because=failure,
        hold=hold,
    )


def failure_of(deviation: Deviation) -> InstrumentVerification | None:
    """The failed verification a case is about: the latest failure of the line of corrections that opened it."""
    if deviation.what != Deviation.What.INSTRUMENT:
        return None
    found = None
    now: Any = InstrumentVerification.objects.select_related("instrument").get(pk=deviation.subject)
    while now is not None:
        if now.result == Verified.FAIL and not now.withdrawn:
            found = now
        now = getattr(now, "corrected_by", None)
    return found


# -- the projection ---------------------------------------------------------------------------------


def keep_state(instrument: Instrument) -> None:
    """Write anew what the verifications of an instrument come to. Call it under the material lock."""
    facts = verified.known_at(instruments.facts_of(instrument)).as_json()
    state, _ = InstrumentState.objects.update_or_create(
        instrument=instrument, defaults={"establishment_id": instrument.establishment_id, "facts": facts}
    )
    state.instrument = instrument  # whoever goes on with it sees its new state


def _states(establishment: Establishment) -> dict[Any, dict[str, Any]]:
    """What each instrument with a verification comes to, by its records."""
    rows = InstrumentVerification.objects.of(establishment).values("instrument")
    return {
        instrument.pk: verified.known_at(instruments.facts_of(instrument)).as_json()
        for instrument in Instrument.objects.filter(pk__in=rows)
    }


@rebuilds("instrument states")
def rebuild(establishment: Establishment) -> int:
    states = _states(establishment)
    InstrumentState.objects.filter(establishment=establishment).delete()
    InstrumentState.objects.bulk_create(
        InstrumentState(instrument_id=key, establishment=establishment, facts=facts)
        for key, facts in states.items()
    )
    return len(states)


@compare_projection("instrument states")
def differences() -> Iterator[str]:
    for establishment in Establishment.objects.all():
        rows = InstrumentState.objects.filter(establishment=establishment)
        kept = dict(rows.values_list("instrument", "facts"))
        for key, facts in _states(establishment).items():
            if kept.pop(key, None) != facts:
                yield f"instrument {key}: its state is not what its verifications say"
        yield from (f"instrument {key} has a state and no verification" for key in kept)
