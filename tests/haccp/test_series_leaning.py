"""What leans on a logger's series: checks judged by it, its own instrument behind it, and what follows when it is gone."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest

from batches import lots as lot_deeds
from batches.models import Batch, BatchStart, LotState, LotStatus
from batches.projections import rebuild
from config.api.refusals import RuleBroken, Unknown
from haccp import checks, doubts, instruments, monitoring, series, series_uses, trials, verifications
from haccp.limits import Result
from haccp.models import Check, Hold, Instrument, InstrumentVerification, Series, SeriesBlock, SeriesUse
from ledger import removals, seals, verification
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Establishment, Person, Removal
from reports import batch_record
from tests.conftest import NOON, Client, new_id
from tests.haccp.conftest import DIPPED, KETTLE, Store

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
ICE = {"unit": "CEL", "as_found": "0.1", "tolerance": "0.5", "covers_lower": "-5", "covers_upper": "61.5"}


@pytest.fixture
def verify(act: Callable[..., Act], thermometer: Instrument) -> Callable[..., InstrumentVerification]:
    """The thermometer in ice water, the day before noon, unless said otherwise."""

    def do(at: datetime = NOON - DAY, **said: str) -> InstrumentVerification:
        return verifications.record(
            act=act(at=at), instrument=thermometer, method="ice-point", standard="Ice", said=ICE | said
        )

    return do


@pytest.fixture
def withdraw(act: Callable[..., Act]) -> Callable[..., Series]:
    def do(gone: Series, **values: Any) -> Series:
        said = {"corrects": gone.pk, "reason": "another batch's logger"} | values
        return series.withdraw(act=act(**said))

    return do


def again(instrument: Instrument) -> Instrument:
    return Instrument.objects.select_related("verification_state").get(pk=instrument.pk)


# --- withdrawn


def test_a_withdrawn_series_stands_no_more_and_its_blocks_stay(store: Store, withdraw: Any):
    made = store()
    gone = withdraw(made)
    assert (gone.withdrawn, gone.corrects_id, list(Series.objects.standing())) == (True, made.pk, [])
    assert SeriesBlock.objects.filter(series=made).count() == 1
    assert verification.verify().findings == []


def test_its_readings_can_still_be_read_under_either_id(store: Store, withdraw: Any):
    made = store()
    gone = withdraw(made)
    assert series.readings(made).values.tolist() == series.readings(gone).values.tolist()


def test_withdrawing_twice_under_one_id_is_one_record(store: Store, withdraw: Any):
    made, said = store(), uuid7()
    assert withdraw(made, id=said).pk == withdraw(made, id=said).pk
    assert Series.objects.filter(withdrawn=True).count() == 1


def test_no_check_is_judged_by_a_withdrawn_series(check_series: Any, store: Store, withdraw: Any):
    made = store(DIPPED)
    gone = withdraw(made)
    for named in (made, gone):
        with pytest.raises(series.Gone, match="withdrawn") as caught:
            check_series(str(named.pk))
        assert caught.value.reasons[0].field == "readings.0.series"


def test_nor_by_one_that_was_corrected(check_series: Any, store: Store, act: Any):
    made = store(DIPPED)
    later = store(KETTLE, said=act(corrects=made.pk, reason="the logger's clock was wrong"))
    with pytest.raises(series.Gone, match="corrected") as caught:
        check_series(str(made.pk))
    assert caught.value.reasons[0].ids == (str(later.pk),)
    assert check_series(str(later.pk)).readings[0]["series"] == str(later.pk)


def test_a_check_keeps_its_result_and_says_what_it_was_judged_by_is_gone(
    check_series: Any, store: Store, withdraw: Any
):
    series_of_it = store(DIPPED)
    made = check_series(str(series_of_it.pk))
    assert series_uses.gone(made) == []
    withdraw(series_of_it)
    made = Check.objects.get(pk=made.pk)
    assert (made.result, series_uses.gone(made)) == ("within", [series_of_it.pk])
    assert checks.judging.sentences(made)[-1] == checks.judging.GONE


def test_what_it_answered_is_due_again(check_series: Any, store: Store, withdraw: Any, batch: Batch):
    series_of_it = store(DIPPED)
    made = check_series(str(series_of_it.pk))
    now = NOON + timedelta(minutes=1)

    def answering() -> list[Any]:
        return [each.check.pk for each in monitoring.of_batch(batch, now) if each.check is not None]

    assert answering() == [made.pk]
    withdraw(series_of_it)
    assert answering() == []


def test_a_check_corrected_with_readings_that_stand_answers_again(
    check_series: Any, store: Store, withdraw: Any, batch: Batch, act: Any, point: Any, meter: Instrument
):
    series_of_it = store(DIPPED)
    made = check_series(str(series_of_it.pk))
    withdraw(series_of_it)
    said = [{"quantity": "core", "series": str(store(DIPPED + "180,64\n").pk)}]
    subject = checks.Subject(point("CP-AW-2"), batch=batch, instrument=meter)
    later = checks.record(act=act(corrects=made.pk, reason="the right logger"), subject=subject, said=said)
    found = monitoring.of_batch(batch, NOON + timedelta(minutes=1))
    assert [each.check.pk for each in found if each.check is not None] == [later.pk]


@pytest.fixture
def released(batch: Batch, make_lot: Any, act: Any, lead: Person) -> Any:
    """A lot of the batch, released."""
    lot = make_lot(batch)
    start = BatchStart.objects.get(pk=batch.uid)
    lot_deeds.decide(act=act(lead), lots=[lot], status=LotStatus.RELEASED, because=start)
    return lot


def status(lot: Any) -> str:
    return LotState.objects.get(lot=lot).status


def test_released_lots_it_spoke_for_await_a_decision_again(
    check_series: Any, store: Store, withdraw: Any, released: Any
):
    series_of_it, other = store(DIPPED), store(KETTLE)
    check_series(str(series_of_it.pk))
    withdraw(other)
    assert status(released) == LotStatus.RELEASED
    withdraw(series_of_it)
    assert status(released) == LotStatus.AWAITING


def test_so_they_do_where_it_is_corrected(check_series: Any, store: Store, act: Any, released: Any):
    series_of_it = store(DIPPED)
    check_series(str(series_of_it.pk))
    store(KETTLE, said=act(corrects=series_of_it.pk, reason="cut short"))
    assert status(released) == LotStatus.AWAITING


def test_a_trial_counts_a_check_whose_series_is_gone_as_not_judged(
    check_series: Any, store: Store, withdraw: Any, establishment: Establishment, point: Any
):
    series_of_it = store(DIPPED)
    check_series(str(series_of_it.pk))
    withdraw(series_of_it)
    proposal = trials.propose(quantity="core", limit=point("CP-AW-2").document["limits"][0])
    (found,) = trials.run(establishment, proposal, NOON.date(), NOON.date()).points
    assert dict(found.not_judged) == {"The series it names was withdrawn: it never was.": 1}


def test_over_http_the_answer_names_what_leaned_on_it(
    check_series: Any, store: Store, api: Client, batch: Batch
):
    series_of_it = store(DIPPED)
    made = check_series(str(series_of_it.pk))
    said = {"performed_at": NOON.isoformat(), "corrects": str(series_of_it.pk), "id": new_id()}
    assert api.send("series/withdrawn", said).status_code == 400  # no reason
    answers = [api.send("series/withdrawn", said | {"reason": "another batch's"}) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [201, 200]
    (told,) = answers[0].json()["checks"]
    assert (told["check"], told["batch"], told["code"]) == (str(made.pk), str(batch.uid), "CP-AW-2")
    shown = api.ask(f"series/{series_of_it.pk}").json()
    assert shown["corrected_by"] == answers[0].json()["id"]
    assert [each["check"] for each in shown["checks"]] == [str(made.pk)]
    assert api.ask("checks").json()["results"][0]["series_gone"] == [str(series_of_it.pk)]


# --- which checks a series judged


def test_what_is_kept_of_the_use_of_a_series_is_what_the_checks_say(
    check_series: Any, store: Store, establishment: Establishment
):
    check_series(str(store(DIPPED).pk))
    assert SeriesUse.objects.count() == 1
    assert verification.verify().findings == []
    SeriesUse.objects.all().delete()
    assert "its use of series" in verification.verify().findings[0]
    assert rebuild(establishment)["uses of series"] == 1
    assert verification.verify().findings == []


def test_many_checks_at_once_keep_it_too(
    cooked: None, store: Store, act: Any, point: Any, batch: Batch, meter: Instrument
):
    said = [{"quantity": "core", "series": str(store(DIPPED).pk)}]
    subject = checks.Subject(point("CP-AW-2"), batch=batch, instrument=meter)
    made = checks.record_many([checks.Wanted(act(), subject, said) for _ in range(2)])
    assert SeriesUse.objects.filter(check_record__in=made).count() == 2
    assert verification.verify().findings == []


# --- retention


def test_a_series_leaves_with_its_blocks_after_its_retention(
    store: Store, act: Any, lead: Person, establishment: Establishment
):
    made, stays = store(), store(KETTLE + "180,63\n")
    seals.seal(establishment=establishment)
    removals.remove(act=act(lead), record=made, rule="five years, ended today")
    assert list(Series.objects.values_list("pk", flat=True)) == [stays.pk]
    assert list(SeriesBlock.objects.values_list("series", flat=True)) == [stays.pk]
    assert verification.verify().findings == []


def test_a_check_judged_by_a_series_that_left_stays_whole(
    check_series: Any, store: Store, act: Any, lead: Person, establishment: Establishment
):
    made = store(DIPPED)
    judged = check_series(str(made.pk))
    seals.seal(establishment=establishment)
    removals.remove(act=act(lead), record=made, rule="five years, ended today")
    assert (Removal.objects.count(), Check.objects.get().pk) == (1, judged.pk)
    assert verification.verify().findings == []
    rebuild(establishment)


# --- the instrument behind it


@pytest.fixture
def guarded(cooked: None, document: dict[str, Any]) -> None:
    next(each for each in document["control_points"] if each["code"] == "CP-AW-2")["guard"] = "one-sided"


def test_the_guard_band_is_that_of_the_series_own_instrument(
    guarded: None, check_series: Any, store: Store, thermometer: Instrument
):
    made = check_series(str(store(DIPPED, instrument=thermometer).pk))
    assert made.judgements[0]["uncertainty"] == "0.9 CEL"
    assert (
        check_series(str(store(DIPPED).pk)).judgements[0].get("uncertainty") is None
    )  # the meter reads no heat


def test_a_trial_takes_the_series_own_instrument_too(
    cooked: None, check_series: Any, store: Store, thermometer: Instrument, establishment: Establishment
):
    """Read 0.9 lower, the kettle was at 61 or below for a minute and 12.5 s more (arithmetic): not surely within."""
    check_series(str(store("seconds,value\n0,64\n60,61.2\n120,61.2\n180,64\n", instrument=thermometer).pk))
    proposal = trials.propose(quantity="core", guard="one-sided")
    (found,) = trials.run(establishment, proposal, NOON.date(), NOON.date()).points
    assert found.counts == {(Result.WITHIN, Result.UNDECIDED): 1}


@pytest.fixture
def against(act: Callable[..., Act], thermometer: Instrument) -> Callable[..., InstrumentVerification]:
    """The thermometer beside a reference probe at 90 degrees Celsius."""

    def do(lower: str, upper: str) -> InstrumentVerification:
        said = {"unit": "CEL", "as_found": "90", "stated": "90", "tolerance": "1"}
        return verifications.record(
            act=act(at=NOON - DAY),
            instrument=thermometer,
            method="reference-instrument",
            standard="Reference probe",
            said=said | {"covers_lower": lower, "covers_upper": upper},
        )

    return do


def test_a_series_beyond_what_was_verified_is_flagged(store: Store, thermometer: Instrument, verify: Any):
    verify()
    made = store(KETTLE, instrument=again(thermometer))  # up to 62
    assert made.flags == [instruments.NOT_THERE]
    assert store("seconds,value\n0,60\n60,61.5\n", instrument=again(thermometer)).flags == []


def test_two_verifications_may_cover_a_series_together(
    store: Store, thermometer: Instrument, verify: Any, against: Any
):
    verify()  # up to 61.5
    against("61", "100")
    assert store(KETTLE, instrument=again(thermometer)).flags == []


def test_every_reading_is_asked_after_and_not_the_ends_alone(
    store: Store, thermometer: Instrument, verify: Any, against: Any
):
    """-5 to 40 and 80 to 120 leave 60 out."""
    verify(covers_upper="40")
    against("80", "120")
    ends = "seconds,value\n0,20\n60,100\n"
    assert store(ends, instrument=again(thermometer)).flags == []
    assert store(ends + "120,60\n", instrument=again(thermometer)).flags == [instruments.NOT_THERE]


def test_a_check_by_such_a_series_bears_the_flag(
    check_series: Any, store: Store, thermometer: Instrument, verify: Any
):
    verify()
    made = check_series(str(store(DIPPED, instrument=again(thermometer)).pk))
    assert instruments.NOT_THERE in made.flags


def test_a_course_typed_by_hand_is_flagged_too(
    cooked: None, act: Any, point: Any, batch: Batch, thermometer: Instrument, verify: Any
):
    verify()
    points = [
        {"at": f"2026-03-02T11:{50 + n}:00+01:00", "value": each} for n, each in enumerate(("62", "63"))
    ]
    said = [{"quantity": "core", "unit": "CEL", "points": points}]
    subject = checks.Subject(point("CP-AW-2"), batch=batch, instrument=again(thermometer))
    assert instruments.NOT_THERE in checks.record(act=act(), subject=subject, said=said).flags


# --- in doubt


@pytest.fixture
def logged(check_series: Any, store: Store, thermometer: Instrument, verify: Any) -> Check:
    """A check within its limit (45 s of a minute) by a series of the thermometer, which was good the day before."""
    verify()
    return check_series(str(store(DIPPED, instrument=again(thermometer)).pk))


def failure(verify: Any, at: datetime = NOON + DAY) -> InstrumentVerification:
    return verify(at=at, as_found="2", covers_upper="100")


def test_a_failed_logger_puts_checks_by_its_series_in_doubt(logged: Check, verify: Any):
    made = failure(verify)
    assert made.doubted == [str(logged.pk)]
    assert doubts.doubted(Check.objects.select_related("instrument")) == {logged.pk}


def test_and_holds_what_they_spoke_for(logged: Check, verify: Any, released: Any):
    failure(verify)
    assert status(released) == LotStatus.HELD
    assert Hold.objects.get().lots == [str(released.uid)]


def test_a_series_logged_after_the_doubt_is_over_is_not_in_doubt(logged: Check, verify: Any):
    verify(at=NOON - timedelta(hours=1), covers_upper="100")  # good again before noon
    assert failure(verify, at=NOON - timedelta(hours=2)).doubted == []


def test_a_check_entered_after_the_failure_is_flagged_by_its_series(
    check_series: Any, store: Store, thermometer: Instrument, verify: Any
):
    verify()
    failure(verify, at=NOON + timedelta(hours=1))
    made = check_series(str(store(DIPPED, instrument=again(thermometer)).pk))
    assert instruments.FAILED in made.flags


def test_its_results_are_recomputed_with_the_error_found(logged: Check, verify: Any):
    """Shown 2 too high, it was at 60, 58 and 62: at or below 61 for 112.5 s (arithmetic), and a minute is allowed."""
    made = failure(verify)
    (found,) = doubts.beside(logged, made).readings
    assert (found.entered, found.corrected) == ("3 readings, 60 to 64", "3 readings, 58 to 62")
    assert (found.error, found.result, found.now) == ("+2", "within", "outside")
    logged.refresh_from_db()
    assert logged.result == "within"


def test_an_error_in_fahrenheit_shifts_a_series_in_celsius(logged: Check, act: Any, thermometer: Instrument):
    """3.6 °F of difference are 2 °C: NIST SP 811 appendix B.8 (read in a copy)."""
    made = verifications.record(
        act=act(at=NOON + DAY),
        instrument=again(thermometer),
        method="reference-instrument",
        standard="Reference probe",
        said={"unit": "FAH", "as_found": "143.6", "stated": "140", "tolerance": "1"}
        | {"covers_lower": "100", "covers_upper": "200"},
    )
    (found,) = doubts.beside(logged, made).readings
    assert (found.error, found.corrected) == ("+2", "3 readings, 58 to 62")


def test_what_another_instrument_logged_is_not_shifted(
    check_series: Any,
    store: Store,
    thermometer: Instrument,
    meter: Instrument,
    verify: Any,
    make_instrument: Any,
):
    verify()
    other = make_instrument(code="TH-2", name="Second probe")
    made = check_series(str(store(DIPPED, instrument=other).pk))
    assert doubts.beside(made, failure(verify)).readings == ()


def test_a_series_that_was_damaged_is_not_recomputed(logged: Check, verify: Any):
    from tests.haccp.test_series import changed

    made = failure(verify)
    changed(data=b"x")
    (found,) = doubts.beside(logged, made).readings
    assert (found.now, found.sentence) == ("", doubts.NOT_SHIFTED)


def test_an_unknown_series_cannot_be_withdrawn(act: Any, store: Store, withdraw: Any):
    made = store()
    with pytest.raises(Unknown):
        series.withdraw(act=act(corrects=uuid7(), reason="x"))
    withdraw(made)
    with pytest.raises(RuleBroken):
        withdraw(made)


def test_the_batch_record_marks_a_check_whose_series_is_gone(
    check_series: Any, store: Store, withdraw: Any, establishment: Establishment, batch: Batch
):
    made = store(DIPPED)
    check_series(str(made.pk))
    withdraw(made)
    head = {"number": "1", "title": "x", "establishment": "x", "establishment_lines": (), "asked_by": "x"}
    shown = batch_record.build(establishment, batch.uid, {}, made_at=NOON + DAY, seal=None, **head)
    assert [checks.judging.GONE in line.flags for line in shown.checks] == [True]
