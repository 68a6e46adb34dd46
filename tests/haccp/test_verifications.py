"""Verifying instruments: judged by what is known, flagged on checks, and in doubt back to the last good one.

Saturated sodium chloride at 25 °C has a water activity of 0.7529: Greenspan 1977, J. Res. NBS 81A 89 (from memory;
greenspan-salts.csv).
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.core.management import call_command
from django.utils import timezone

from batches.models import Batch, LotState, LotStatus
from config.api.refusals import OtherContent, RuleBroken, Unknown, Unusable
from haccp import (
    checks,
    deviations,
    doubts,
    due_instruments,
    instruments,
    limits,
    notices,
    readings,
    tasks,
    verifications,
)
from haccp.models import (
    Check,
    Deviation,
    Hold,
    HoldSubject,
    Instrument,
    InstrumentState,
    InstrumentVerification,
    Notice,
)
from haccp.verified import State
from ledger import people, verification
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Establishment, Person
from reports import batch_record, check_lines
from tests.conftest import NOON
from tests.haccp.conftest import HOUR, MINUTE, MORNING, seen

DAY = timedelta(days=1)
SALT = {
    "unit": "C62",
    "salt": "NaCl",
    "temperature": "25",
    "as_found": "0.751",
    "tolerance": "0.005",
    "covers_lower": "0.4",
    "covers_upper": "0.8",
}


@pytest.fixture
def verify(act: Callable[..., Act], meter: Instrument) -> Callable[..., InstrumentVerification]:
    """The meter over saturated sodium chloride at 25 °C: found good, two days before noon, unless said otherwise."""

    def do(
        found: str = "0.751",
        at: Any = NOON - 2 * DAY,
        said_act: Act | None = None,
        instrument: Instrument | None = None,
        method: str = "saturated-salt",
        **said: str,
    ) -> InstrumentVerification:
        return verifications.record(
            act=said_act or act(at=at),
            instrument=instrument or meter,
            method=method,
            standard="Salt jar 2",
            said=SALT | {"as_found": found} | said,
        )

    return do


@pytest.fixture
def schedule(act: Callable[..., Act], lead: Person) -> Callable[..., Instrument]:
    def do(instrument: Instrument, days: int | None = 7) -> Instrument:
        return instruments.alter(act=act(lead), instrument=instrument, values={"verify_every_days": days})

    return do


def flags(check: Check) -> set[str]:
    check.refresh_from_db()
    return set(check.flags)


def again(meter: Instrument) -> Instrument:
    """As a new request reads it."""
    return Instrument.objects.select_related("verification_state").get(pk=meter.pk)


# --- recorded and judged


def test_the_known_value_is_computed_and_kept_with_its_source(verify: Any):
    made = verify()
    assert (made.reference["value"], made.result, made.left) == ("0.7529", "pass", "pass")
    assert "Greenspan 1977" in made.reference["source"]


@pytest.mark.parametrize(("found", "result"), [("0.7479", "pass"), ("0.7478", "fail"), ("0.758", "fail")])
def test_found_further_off_than_the_tolerance_is_a_failure(verify: Any, found: str, result: str):
    assert verify(found).result == result


def test_as_left_is_judged_by_itself(verify: Any):
    made = verify("0.73", as_left="0.752")
    assert (made.result, made.left) == ("fail", "pass")


def test_without_a_pressure_the_altitude_of_the_establishment_counts(
    act: Any, thermometer: Instrument, establishment: Establishment
):
    establishment.altitude_m = 1500
    said = {"unit": "CEL", "as_found": "95", "tolerance": "1", "covers_lower": "90", "covers_upper": "110"}
    made = verifications.record(
        act=replace(act(), establishment=establishment),
        instrument=thermometer,
        method="boiling-point",
        standard="Tap water",
        said=said,
    )
    assert made.result == "pass"
    assert float(made.reference["value"]) == pytest.approx(94.98, abs=0.01)  # altitude-boiling.csv (computed)


def test_boiling_water_does_not_speak_for_a_probe_in_caramel(act: Any, thermometer: Instrument):
    said = {"unit": "CEL", "pressure": "101.3", "as_found": "100", "tolerance": "1"}
    said |= {"covers_lower": "90", "covers_upper": "175"}
    with pytest.raises(Unusable) as refusal:
        verifications.record(
            act=act(), instrument=thermometer, method="boiling-point", standard="Tap water", said=said
        )
    assert (refusal.value.code, refusal.value.reasons[0].field) == ("water-verifies-no-sugar", "covers_upper")
    assert not InstrumentVerification.objects.exists()


def test_the_error_found_is_told_with_its_sign(verify: Any):
    assert "-0.0019" in verifications.sentences(verify())[0]
    assert "+0.0471" in verifications.sentences(verify("0.8"))[0]


@pytest.mark.parametrize(
    ("said", "field"),
    [
        ({"unit": "CEL"}, "unit"),
        ({"unit": "hot"}, "unit"),
        ({"tolerance": "0"}, "tolerance"),
        ({"tolerance": ""}, "tolerance"),
        ({"found": "many"}, "as_found"),
        ({"as_left": "1e3"}, "as_left"),
        ({"covers_lower": "0.76"}, "covers_lower"),
        ({"covers_upper": "0.75"}, "covers_lower"),
        ({"temperature": "40"}, "temperature"),
        ({"method": "by eye"}, "method"),
        ({"method": "weight"}, "method"),
    ],
)
def test_a_verification_that_makes_no_sense_is_refused(verify: Any, said: dict[str, str], field: str):
    with pytest.raises(Unusable) as refusal:
        verify(**said)
    assert [reason.field for reason in refusal.value.reasons] == [field]
    assert not InstrumentVerification.objects.exists()


def test_the_same_verification_is_kept_once(act: Any, verify: Any):
    said_act = act(id=uuid7())
    verify("0.73", said_act=said_act)
    assert verify("0.73", said_act=said_act).repeated
    assert Deviation.objects.count() == 1
    with pytest.raises(OtherContent):
        verify("0.74", said_act=said_act)


def test_anothers_instrument_is_not_there(act: Any, verify: Any, elsewhere: Establishment):
    other = Instrument.objects.create(establishment=elsewhere, code="X", name="X", kind="x", unit="C62")
    with pytest.raises(Unknown):
        verify(instrument=other)


# --- what it says of a day


def test_an_instrument_is_verified_and_overdue_by_its_schedule(meter: Instrument, verify: Any, schedule: Any):
    verify(at=NOON)
    scheduled = schedule(meter, 7)
    assert instruments.standing(again(scheduled), NOON).state is State.VERIFIED
    late = instruments.standing(again(scheduled), NOON + 8 * DAY)
    assert (late.state, late.due_day) == (State.OVERDUE, (NOON + 7 * DAY).date())


def test_a_time_before_the_last_verification_is_told_by_the_records(meter: Instrument, verify: Any):
    verify("0.73", at=NOON)
    assert instruments.standing(again(meter), NOON - DAY).state is State.NEVER
    assert instruments.standing(again(meter), NOON).state is State.FAILED


def test_what_is_kept_of_an_instrument_is_rebuilt_and_compared(
    meter: Instrument, verify: Any, establishment: Establishment
):
    verify()
    assert list(verifications.differences()) == []
    InstrumentState.objects.update(facts={"good": [], "failed": [], "until": None})
    found = [each for each in verification.verify().findings if str(meter.pk) in each]
    assert len(found) == 1
    call_command("rebuild")
    assert list(verifications.differences()) == []


def test_a_state_without_a_verification_is_found(meter: Instrument, establishment: Establishment):
    InstrumentState.objects.create(instrument=meter, establishment=establishment, facts={})
    assert len(list(verifications.differences())) == 1


# --- flags on entry


def test_an_instrument_without_a_schedule_that_was_never_verified_is_not_flagged(batch: Batch, measure: Any):
    assert flags(measure(batch)) == set()


def test_a_check_with_an_instrument_never_verified_is_flagged_where_a_schedule_is_set(
    batch: Batch, meter: Instrument, measure: Any, schedule: Any
):
    schedule(meter)
    meter.refresh_from_db()
    assert flags(measure(batch)) == {"instrument-never-verified"}


def test_a_check_with_an_overdue_instrument_is_flagged(
    batch: Batch, meter: Instrument, measure: Any, verify: Any, schedule: Any
):
    verify(at=NOON - 9 * DAY)
    schedule(meter, 7)
    meter.refresh_from_db()
    made = measure(batch)
    assert flags(made) == {"instrument-overdue"}
    assert made.result == "within"


def test_a_check_with_a_failed_instrument_is_flagged(batch: Batch, measure: Any, verify: Any):
    verify("0.73")
    assert flags(measure(batch)) == {"instrument-failed"}


def test_a_check_with_a_good_instrument_is_not_flagged(
    batch: Batch, meter: Instrument, measure: Any, verify: Any, schedule: Any
):
    verify()
    schedule(meter, 7)
    meter.refresh_from_db()
    assert flags(measure(batch)) == set()


def test_a_reading_outside_the_verified_range_is_flagged(batch: Batch, measure: Any, verify: Any):
    verify(covers_lower="0.7")
    assert flags(measure(batch, "0.52")) == {"not-verified-there"}
    assert flags(measure(batch, "0.70")) == set()


def test_a_check_entered_late_is_judged_by_what_was_known_then(batch: Batch, measure: Any, verify: Any):
    verify(at=NOON - 2 * DAY)
    verify(at=NOON + DAY)
    assert flags(measure(batch)) == set()


def test_a_check_entered_late_into_the_time_of_doubt_is_flagged_and_its_lot_held(
    batch: Batch, make_lot: Any, measure: Any, verify: Any
):
    verify(at=NOON - 2 * DAY)
    verify("0.73", at=NOON + DAY)
    lot = make_lot(batch)
    assert flags(measure(batch)) == {"instrument-failed"}
    assert LotState.objects.get(lot=lot).status == LotStatus.HELD


# --- a failure


@pytest.fixture
def doubted(batch: Batch, make_lot: Any, measure: Any, verify: Any) -> Check:
    """A good verification, then a check of a batch with a lot."""
    verify()
    make_lot(batch)
    return measure(batch, "0.64")


def test_a_good_verification_opens_nothing(doubted: Check, verify: Any):
    verify(at=NOON + DAY)
    assert not Deviation.objects.exists()


def test_a_failure_opens_one_case_that_holds_what_it_doubts(
    doubted: Check, batch: Batch, meter: Instrument, verify: Any
):
    made = verify("0.73", at=NOON + DAY)
    case, hold = Deviation.objects.get(), Hold.objects.get()
    assert (case.what, case.subject, case.slot, case.because_id) == (
        "instrument",
        made.pk,
        meter.code,
        made.pk,
    )
    assert (hold.subject_kind, hold.subject, hold.since) == (
        HoldSubject.VERIFICATION,
        made.pk,
        NOON - 2 * DAY,
    )
    lot = batch.lots.get()
    assert hold.lots == [str(lot.uid)]
    assert made.doubted == [str(doubted.pk)]
    assert LotState.objects.get(lot=lot).status == LotStatus.HELD


def test_checks_before_the_last_good_verification_are_not_in_doubt(doubted: Check, verify: Any):
    verify(at=NOON + HOUR)
    made = verify("0.73", at=NOON + DAY)
    assert made.doubted == []
    assert Hold.objects.get().lots == []


def test_a_released_lot_is_held_too(
    batch: Batch, end: Any, check_all: Any, make_lot: Any, accept: Any, verify: Any
):
    lot = make_lot(batch, MORNING + 50 * MINUTE)
    end(batch, at=MORNING + HOUR)
    check_all(batch)
    accept(lot, NOON + HOUR)
    verify("0.73", at=NOON + DAY)
    assert LotState.objects.get(lot=lot).status == LotStatus.HELD


@pytest.fixture
def routine(document: dict[str, Any]) -> None:
    """The clean table is a prerequisite programme here."""
    next(each for each in document["control_points"] if each["code"] == "CP-CLEAN-1")["kind"] = "prp"


def test_a_prerequisite_programme_is_listed_and_holds_nothing(
    routine: None, batch: Batch, act: Any, point: Any, meter: Instrument, make_lot: Any, verify: Any
):
    make_lot(batch)
    subject = checks.Subject(point("CP-CLEAN-1"), batch=batch, instrument=meter, occasion="start")
    made = checks.record(act=act(), subject=subject, said=seen(point("CP-CLEAN-1")))
    assert verify("0.73", at=NOON + DAY).doubted == [str(made.pk)]
    assert Hold.objects.get().lots == []


def test_another_instruments_checks_are_not_in_doubt(
    doubted: Check, make_instrument: Any, meter: Instrument, verify: Any
):
    other = make_instrument(kind=meter.kind, unit="C62", range_lower=None, range_upper=None)
    assert verify("0.73", at=NOON + DAY, instrument=other).doubted == []


def test_a_withdrawn_check_is_not_in_doubt(doubted: Check, act: Any, verify: Any):
    checks.withdraw(act=act(corrects=doubted.pk, reason="It was another batch."))
    assert verify("0.73", at=NOON + DAY).doubted == []


def test_what_is_checked_after_the_instrument_was_put_right_is_not_held(
    doubted: Check, begin: Any, make_lot: Any, measure: Any, act: Any, verify: Any
):
    verify("0.73", at=NOON + DAY, as_left="0.752")
    other = begin(NOON + 2 * DAY)
    measure(other, said_act=act(at=NOON + 2 * DAY + HOUR))
    lot = make_lot(other, NOON + 2 * DAY + 2 * HOUR)
    assert LotState.objects.get(lot=lot).status == LotStatus.AWAITING


def test_what_is_checked_while_it_is_not_put_right_is_held_with_it(
    doubted: Check, begin: Any, make_lot: Any, measure: Any, act: Any, verify: Any
):
    verify("0.73", at=NOON + DAY)
    other = begin(NOON + 2 * DAY)
    measure(other, said_act=act(at=NOON + 2 * DAY + HOUR))
    lot = make_lot(other, NOON + 2 * DAY + 2 * HOUR)
    assert LotState.objects.get(lot=lot).status == LotStatus.HELD


# --- corrected, withdrawn (D7)


def test_withdrawing_a_failure_leaves_its_case_and_hold(doubted: Check, act: Any, batch: Batch, verify: Any):
    made = verify("0.73", at=NOON + DAY)
    gone = verifications.withdraw(act=act(corrects=made.pk, reason="Wrong jar."))
    assert gone.withdrawn
    assert not deviations.is_closed(Deviation.objects.get())
    assert LotState.objects.get(lot=batch.lots.get()).status == LotStatus.HELD
    assert flags_now(gone.instrument) is State.VERIFIED


def flags_now(instrument: Instrument) -> State:
    return instruments.standing(again(instrument), NOON + 2 * DAY).state


def test_correcting_a_failure_to_a_good_one_leaves_its_case(doubted: Check, act: Any, verify: Any):
    made = verify("0.73", at=NOON + DAY)
    verify("0.752", said_act=act(at=NOON + DAY, corrects=made.pk, reason="Misread."))
    assert not deviations.is_closed(Deviation.objects.get())
    assert flags_now(made.instrument) is State.VERIFIED


def test_a_failure_that_corrects_a_failure_goes_on_under_its_case(doubted: Check, act: Any, verify: Any):
    made = verify("0.73", at=NOON + DAY)
    other = verify("0.72", said_act=act(at=NOON + DAY, corrects=made.pk, reason="Misread."))
    case = Deviation.objects.get()
    assert Hold.objects.filter(deviation=case, subject=other.pk).exists()
    assert verifications.failure_of(case) == other
    assert made.corrected_by == other


def test_correcting_a_good_one_to_a_failure_opens_a_case(doubted: Check, act: Any, verify: Any):
    good = verify(at=NOON + DAY)
    made = verify("0.73", said_act=act(at=NOON + DAY, corrects=good.pk, reason="Misread."))
    assert Deviation.objects.get().what == "instrument"
    assert made.doubted == [str(doubted.pk)]


def test_a_correction_stays_with_its_instrument(act: Any, verify: Any, make_instrument: Any):
    made = verify()
    other = make_instrument(unit="C62", range_lower=None, range_upper=None)
    with pytest.raises(RuleBroken) as refusal:
        verify(instrument=other, said_act=act(corrects=made.pk, reason="Other meter."))
    assert refusal.value.code == "corrects-another"


# --- results recomputed


def doubted_by(failure: InstrumentVerification) -> list[doubts.DoubtedCheck]:
    return [doubts.beside(check, failure) for check in doubts.in_doubt(failure)]


def test_results_stand_beside_the_originals_with_the_error_taken_off(doubted: Check, verify: Any):
    """Found 0.73 against 0.7529: off by -0.0229, so that 0.64 was 0.6629, above 0.65 (arithmetic)."""
    made = verify("0.73", at=NOON + DAY)
    (found,) = doubted_by(made)
    (read,) = found.readings
    assert (read.error, read.entered, read.corrected) == ("-0.0229", "0.64", "0.6629")
    assert (read.result, read.now, found.now) == ("within", "outside", "outside")
    assert found.lots == tuple(str(uid) for uid in doubted.batch.lots.values_list("uid", flat=True))
    before = doubted.digest
    doubted.refresh_from_db()
    assert (doubted.digest, doubted.result, doubted.readings[0]["value"]) == (before, "within", "0.64")


def test_they_are_judged_by_the_bounds_of_their_day(
    batch: Batch, confirmed_rule: Any, measure: Any, verify: Any, lead: Person, act: Any
):
    rule = confirmed_rule()  # 0.62 or less
    measure(batch, "0.60")
    made = verify("0.73", at=NOON + DAY)
    (found,) = doubted_by(made)
    assert found.readings[0].now == "outside"
    assert rule.citation in found.readings[0].sentence


def test_a_check_entered_after_the_failure_is_shown_too(batch: Batch, measure: Any, verify: Any):
    made = verify("0.73", at=NOON + DAY)
    late = measure(batch)
    assert [each.check for each in doubted_by(made)] == [late]


def test_a_good_verification_doubts_nothing(doubted: Check, verify: Any):
    assert doubted_by(verify(at=NOON + DAY)) == []


def test_checks_in_doubt_are_told_apart(doubted: Check, begin: Any, measure: Any, act: Any, verify: Any):
    verify("0.73", at=NOON + DAY, as_left="0.752")
    later = measure(begin(), said_act=act(at=NOON + 2 * DAY))
    assert doubts.doubted(Check.objects.select_related("instrument")) == {doubted.pk}
    assert later.pk != doubted.pk


def test_the_batch_record_marks_a_check_in_doubt(doubted: Check, establishment: Establishment, verify: Any):
    assert marked(establishment, doubted) == [False]
    verify("0.73", at=NOON + DAY)
    assert marked(establishment, doubted) == [True]


def marked(establishment: Establishment, check: Check) -> list[bool]:
    """Of each check in the batch's record, whether it is shown to be in doubt."""
    head = {"number": "1", "title": "x", "establishment": "x", "establishment_lines": (), "asked_by": "x"}
    made = batch_record.build(establishment, check.batch.uid, {}, made_at=NOON + 2 * DAY, seal=None, **head)
    return [str(check_lines.IN_DOUBT) in line.flags for line in made.checks]


def kept(limit: dict[str, Any], reading: dict[str, Any], **more: Any) -> Check:
    """A check as it is kept, judged by this limit."""
    judged = limits.judge(readings.read(reading), limits.in_force(limits.from_json(limit)))
    return Check(readings=[reading], judgements=[judged.as_json() | more])


def course(*values: str) -> list[dict[str, str]]:
    """Read every five minutes."""
    return [{"at": f"2026-03-02T10:{5 * n:02}:00+01:00", "value": each} for n, each in enumerate(values)]


COOKED = {
    "kind": "time_at_temperature",
    "quantity": "cook",
    "unit": "MIN",
    "temperature": "90",
    "temperature_unit": "CEL",
    "side": "at_or_above",
    "longest_gap_minutes": "10",
    "lower": "5",
}
COOLED = {
    "kind": "cooling",
    "quantity": "cream",
    "unit": "MIN",
    "temperature_unit": "CEL",
    "begins_at": "60",
    "windows": [{"to": "20", "upper": "10"}],
    "longest_gap_minutes": "10",
}


def test_a_course_is_moved_as_a_whole():
    """Ten minutes at 91, shown 2 too high, were at 89: no time at 90 (arithmetic)."""
    check = kept(COOKED, {"quantity": "cook", "unit": "CEL", "points": course("91", "91", "91")})
    (found,) = doubts.recomputed(check, Decimal(2), "CEL")
    assert (found.result, found.now) == ("within", "outside")


def test_a_cooling_course_is_judged_by_its_windows_again():
    """Ten minutes from 60 to 20; shown 5 too low, it was at 25 by then and at 20 only later (arithmetic)."""
    check = kept(COOLED, {"quantity": "cream", "unit": "CEL", "points": course("61", "40", "20", "14")})
    (found,) = doubts.recomputed(check, Decimal(-5), "CEL")
    assert (found.result, found.now) == ("within", "outside")


def test_a_cooling_window_keeps_the_bound_of_its_day():
    """A rule had made ten minutes five."""
    check = kept(COOLED, {"quantity": "cream", "unit": "CEL", "points": course("61", "40", "20")})
    check.judgements[0]["windows"][0]["upper"] |= {"value": "5", "source": "rule"}
    (found,) = doubts.recomputed(check, Decimal(0), "CEL")
    assert found.now == "outside"


def test_without_an_error_every_result_is_the_same():
    for limit, reading in (
        (COOKED, {"quantity": "cook", "unit": "CEL", "points": course("91", "91", "91")}),
        (COOLED, {"quantity": "cream", "unit": "CEL", "points": course("61", "40", "20")}),
    ):
        (found,) = doubts.recomputed(kept(limit, reading), Decimal(0), "CEL")
        assert found.now == found.result == "within"


def test_a_logged_series_that_left_is_not_recomputed(db: Any):
    judged = {"limit": COOKED, "rules": [], "result": "within"}
    check = Check(readings=[{"quantity": "cook", "series": str(uuid7())}], judgements=[judged])
    (found,) = doubts.recomputed(check, Decimal(2), "CEL")
    assert (found.now, found.sentence) == ("", doubts.NOT_SHIFTED)


def test_an_outcome_seen_is_not_recomputed():
    limit = {
        "kind": "observation",
        "quantity": "colour",
        "accepted": ["amber"],
        "outcomes": ["amber", "black"],
    }
    check = kept(limit, {"quantity": "colour", "outcome": "amber"})
    assert list(doubts.recomputed(check, Decimal(2), "CEL")) == []


def test_what_the_instrument_does_not_measure_is_not_recomputed():
    check = kept(
        {"kind": "range", "quantity": "time", "unit": "MIN", "lower": "5"},
        {"quantity": "time", "value": "6", "unit": "MIN"},
    )
    assert list(doubts.recomputed(check, Decimal(2), "CEL")) == []


def test_an_error_in_celsius_comes_off_a_reading_in_fahrenheit_as_an_interval():
    """2 °C of difference are 3.6 °F: NIST SP 811 appendix B.8 (read in a copy)."""
    check = kept(
        {"kind": "range", "quantity": "cook", "unit": "CEL", "lower": "120"},
        {"quantity": "cook", "value": "250", "unit": "FAH"},
    )
    (found,) = doubts.recomputed(check, Decimal(2), "CEL")
    assert (found.error, found.corrected, found.result, found.now) == ("+3.6", "246.4", "within", "outside")


def test_the_guard_band_of_the_check_is_kept():
    check = kept(
        {"kind": "range", "quantity": "cook", "unit": "CEL", "lower": "120"},
        {"quantity": "cook", "value": "125", "unit": "CEL"},
        guard="one-sided",
        uncertainty="2 CEL",
    )
    (found,) = doubts.recomputed(check, Decimal(4), "CEL")
    assert found.now == "undecided"


# --- due, and told once


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    found: list[int] = []
    monkeypatch.setattr(tasks.tell_of_deviation, "delay", found.append)
    return found


@pytest.fixture
def reachable(lead: Person) -> Person:
    lead.email = "lead@example.com"
    lead.save(update_fields=["email"])
    return lead


def test_due_are_those_that_are_overdue_failed_or_never_verified(
    meter: Instrument, make_instrument: Any, schedule: Any, verify: Any, establishment: Establishment
):
    verify("0.73")
    never = schedule(make_instrument(), 30)
    make_instrument()  # no schedule
    found = due_instruments.due(establishment, NOON)
    assert {each.instrument.pk: each.state for each in found} == {
        meter.pk: State.FAILED,
        never.pk: State.NEVER,
    }


@pytest.mark.parametrize(("within", "count"), [(0, 0), (5, 0), (6, 1)])
def test_what_falls_due_soon_is_named_if_asked(
    meter: Instrument, schedule: Any, verify: Any, establishment: Establishment, within: int, count: int
):
    """Verified two days ago and every seven: its last day in time is in five days."""
    verify()
    schedule(meter, 7)
    assert len(due_instruments.due(establishment, NOON, within)) == count


def test_the_leads_are_told_once_of_each_overdue_instrument(
    meter: Instrument, schedule: Any, verify: Any, reachable: Person, sent: list[int]
):
    verify()
    schedule(meter, 7)
    assert due_instruments.sweep(NOON) == 0
    assert due_instruments.sweep(NOON + 10 * DAY) == 1
    assert due_instruments.sweep(NOON + 11 * DAY) == 0
    assert not Deviation.objects.exists()


def test_the_word_names_the_instrument_and_the_day(
    meter: Instrument, schedule: Any, reachable: Person, sent: list[int], mailoutbox: Any, verify: Any
):
    verify()
    schedule(meter, 7)
    tasks.sweep_instruments()
    notices.tell(Notice.objects.get().pk)
    assert meter.code in mailoutbox[0].subject
    assert f"due on {(NOON + 5 * DAY).date()}" in mailoutbox[0].body
    assert Notice.objects.get().sent_at <= timezone.now()


def test_a_failed_instrument_has_its_case_and_no_further_word(
    meter: Instrument, schedule: Any, reachable: Person, sent: list[int], verify: Any
):
    verify("0.73")
    schedule(meter, 7)
    assert due_instruments.sweep(NOON) == 0


def test_a_person_who_became_lead_later_is_told_too(
    meter: Instrument, schedule: Any, reachable: Person, sent: list[int], make_person: Any, act: Any
):
    schedule(meter, 7)
    assert due_instruments.sweep(NOON) == 1
    other = make_person("Second Lead", email="second@example.com")
    people.give_role(act=act(reachable), person=other, role="food-safety-lead", from_day=NOON.date())
    assert due_instruments.sweep(NOON) == 1
    assert {each.slot for each in Notice.objects.all()} == {"never-verified"}
