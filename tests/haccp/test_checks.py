"""Checks: judged, kept, flagged, corrected and withdrawn; what follows from each.

The guard band is JCGM 106:2012, 8.3.2 (from memory): accept only inside the bound by U.
"""

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest

from batches.models import Batch, Lot, LotState, Part
from config.api.refusals import OtherContent, RuleBroken, Unknown, Unusable
from haccp import checks, plans, rules
from haccp.models import Check, ControlPoint, Deviation, Instrument, Plan, PlanVersion
from ledger import signatures
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Entry, Person, Signature
from tests.conftest import NOON
from tests.haccp.conftest import HOUR, MINUTE, MORNING, water


def status(lot: Lot) -> str:
    return LotState.objects.get(lot=lot).status


# --- judged and kept


@pytest.mark.parametrize(("value", "result"), [("0.52", "within"), ("0.65", "within"), ("0.651", "outside")])
def test_a_check_is_judged_as_it_is_recorded(
    measure: Callable[..., Check], batch: Batch, value: str, result: str
):
    assert Check.objects.get(pk=measure(batch, value).pk).result == result


def test_a_check_keeps_bounds_and_who_set_each(
    measure: Callable[..., Check], batch: Batch, confirmed_rule: Callable[..., Any]
):
    rule = confirmed_rule()
    (judged,) = measure(batch, "0.63").judgements
    assert (judged["upper"]["value"], judged["result"]) == ("0.62", "outside")
    assert str(rule.pk) in judged["upper"]["source"]


def test_a_check_of_last_march_is_judged_by_last_marchs_rules(
    act: Callable[..., Act],
    lead: Person,
    measure: Callable[..., Check],
    batch: Batch,
    confirmed_rule: Callable[..., Any],
):
    """The work was on 2 March 2026; it is keyed today, when another bound binds."""
    old = confirmed_rule(upper=Decimal("0.62"))
    rules.alter(act=act(lead), rule=old, values={"in_force_until": date(2026, 4, 1)})
    confirmed_rule(upper=Decimal("0.50"), in_force_from=date(2026, 4, 1))
    check = measure(batch, "0.55")
    (judged,) = check.judgements
    assert check.recorded_at.date() > date(2026, 4, 1)
    assert (judged["upper"]["value"], judged["result"]) == ("0.62", "within")


def test_a_rule_for_moist_food_warns_where_the_plan_holds_dry_food(
    measure: Callable[..., Check], batch: Batch, confirmed_rule: Callable[..., Any]
):
    confirmed_rule(meant_for="moist")
    (judged,) = measure(batch, "0.63").judgements
    assert judged["result"] == "outside"
    assert "meant for moist food" in judged["warning"]


def test_a_trigger_is_kept_beside_the_judgement_and_passes_nothing(
    measure: Callable[..., Check], batch: Batch, confirmed_rule: Callable[..., Any]
):
    """The plan holds caramels to 0.65; a rule speaks of more than 0.85 (21 CFR 114.3, from memory)."""
    confirmed_rule(effect="trigger", lower=Decimal("0.85"), lower_inclusive=False, upper=None)
    (judged,) = measure(batch, "0.7").judgements
    assert judged["result"] == "outside"
    assert [each["reached"] for each in judged["triggers"]] == [False]


def test_readings_are_kept_as_sent(act: Callable[..., Act], batch: Batch, point: Any, meter: Instrument):
    said = water("0.520", sample_temperature="21.0", sample_temperature_unit="CEL")
    check = checks.record(
        act=act(), subject=checks.Subject(point("CP-AW-2"), batch=batch, instrument=meter), said=said
    )
    check.refresh_from_db()
    assert check.readings == said


def test_a_check_within_limits_opens_nothing(measure: Callable[..., Check], batch: Batch):
    measure(batch)
    assert not Deviation.objects.exists()


def test_a_failing_check_opens_a_deviation_about_it(measure: Callable[..., Check], batch: Batch):
    check = measure(batch, "0.7")
    case = Deviation.objects.get()
    assert (case.subject, case.what, case.because_id) == (check.pk, "limit", check.pk)


def test_a_failing_check_holds_what_came_out_of_the_batch(
    measure: Callable[..., Check], batch: Batch, make_lot: Callable[..., Lot]
):
    lot = make_lot(batch)
    measure(batch, "0.7")
    assert status(lot) == "held"


def test_in_a_series_nothing_made_before_the_last_good_check_is_held(
    act: Callable[..., Act], look: Callable[..., Check], batch: Batch, make_lot: Callable[..., Lot]
):
    before, after = make_lot(batch, at=MORNING + MINUTE), make_lot(batch, at=MORNING + 2 * HOUR)
    look(batch, said_act=act(at=MORNING + HOUR))
    look(batch, good=False, said_act=act(at=MORNING + 3 * HOUR))
    assert (status(before), status(after)) == ("awaiting", "held")


def test_what_was_made_at_the_very_time_of_the_last_good_check_is_held(
    act: Callable[..., Act], look: Callable[..., Check], batch: Batch, make_lot: Callable[..., Lot]
):
    lot = make_lot(batch, at=MORNING + HOUR)
    look(batch, said_act=act(at=MORNING + HOUR))
    look(batch, good=False, said_act=act(at=MORNING + 2 * HOUR))
    assert status(lot) == "held"


def test_a_check_made_once_speaks_of_the_whole_batch(
    act: Callable[..., Act], measure: Callable[..., Check], batch: Batch, make_lot: Callable[..., Lot]
):
    lot = make_lot(batch, at=MORNING + MINUTE)
    measure(batch, said_act=act(at=MORNING + HOUR))
    measure(batch, "0.7", said_act=act(at=MORNING + 2 * HOUR))
    assert status(lot) == "held"


def test_a_good_check_of_the_series_that_was_withdrawn_speaks_for_nothing(
    act: Callable[..., Act], look: Callable[..., Check], batch: Batch, make_lot: Callable[..., Lot]
):
    lot = make_lot(batch, at=MORNING + MINUTE)
    gone = look(batch, said_act=act(at=MORNING + HOUR))
    checks.withdraw(act=act(corrects=gone.pk, reason="Never made."))
    look(batch, good=False, said_act=act(at=MORNING + 2 * HOUR))
    assert status(lot) == "held"


def test_a_failing_check_of_a_part_holds_only_that_part(
    measure: Callable[..., Check],
    batch: Batch,
    open_part: Callable[..., Part],
    make_lot: Callable[..., Lot],
):
    first, second = open_part(batch, 1), open_part(batch, 2)
    lots = [make_lot(batch, part=first), make_lot(batch, part=second), make_lot(batch)]
    measure(batch, "0.7", part=first)
    assert [status(lot) for lot in lots] == ["held", "awaiting", "held"]


def test_a_late_failing_check_holds_lots_that_are_released(
    act: Callable[..., Act],
    begin: Callable[..., Batch],
    end: Any,
    check_all: Any,
    make_lot: Callable[..., Lot],
    accept: Any,
    look: Callable[..., Check],
):
    batch = begin()
    lot = make_lot(batch, at=MORNING + 50 * MINUTE)
    end(batch, at=MORNING + HOUR)
    check_all(batch)
    accept(lot, at=NOON)
    look(batch, good=False, said_act=act(at=MORNING + 30 * MINUTE))
    assert status(lot) == "held"


# --- flagged, never refused


def test_a_check_long_after_the_run_is_taken_and_flagged(
    act: Callable[..., Act], batch: Batch, end: Any, measure: Callable[..., Check]
):
    end(batch, at=MORNING + HOUR)
    inside = measure(batch, said_act=act(at=MORNING + 25 * HOUR))
    outside = measure(batch, said_act=act(at=MORNING + 25 * HOUR + MINUTE))
    assert (inside.flags, outside.flags) == ([], ["after-its-time"])


def test_a_reading_beyond_the_instrument_is_taken_and_flagged(measure: Callable[..., Check], batch: Batch):
    assert measure(batch, "0.05").flags == ["outside-the-instruments-range"]


def test_another_kind_of_instrument_is_flagged(
    act: Callable[..., Act], batch: Batch, point: Any, thermometer: Instrument
):
    subject = checks.Subject(point("CP-AW-2"), batch=batch, instrument=thermometer)
    assert checks.record(act=act(), subject=subject, said=water("0.5")).flags == ["other-kind-of-instrument"]


def test_a_check_the_plan_does_not_ask_for_on_this_product_is_flagged(
    act: Callable[..., Act], batch: Batch, point: Any, meter: Instrument
):
    subject = checks.Subject(point("CP-AW-1"), batch=batch, instrument=meter)
    check = checks.record(act=act(), subject=subject, said=water("0.5"))
    asked = "SBC" in point("CP-AW-1").document["products"]
    assert check.flags == ([] if asked else ["not-asked-for-this-product"])
    assert not asked


def test_a_check_from_the_servers_future_is_taken(act: Callable[..., Act], measure: Any, batch: Batch):
    check = measure(batch, said_act=act(at=NOON + timedelta(days=4000)))
    assert check.clock_ahead_by is not None


# --- refused


def test_a_check_before_its_batch_began_is_refused(act: Callable[..., Act], measure: Any, batch: Batch):
    with pytest.raises(checks.OutsideTheRun):
        measure(batch, said_act=act(at=MORNING - MINUTE))
    assert not Check.objects.exists()


def test_a_part_of_another_batch_is_unknown(begin: Any, open_part: Any, measure: Any):
    one, other = begin(), begin()
    with pytest.raises(Unknown) as refusal:
        measure(one, part=open_part(other, 1))
    assert refusal.value.reasons[0].field == "part"


def test_a_lot_of_another_batch_is_unknown(begin: Any, make_lot: Any, measure: Any):
    one, other = begin(), begin()
    with pytest.raises(Unknown) as refusal:
        measure(one, lot=make_lot(other))
    assert refusal.value.reasons[0].field == "lot"


def test_a_check_names_what_it_was_made_on(act: Any, point: Any, meter: Instrument):
    with pytest.raises(Unusable) as refusal:
        checks.record(
            act=act(), subject=checks.Subject(point("CP-AW-2"), instrument=meter), said=water("0.5")
        )
    assert refusal.value.reasons[0].field == "batch"


def test_a_control_point_without_limits_has_nothing_to_check(act: Any, point: Any, batch: Batch):
    with pytest.raises(RuleBroken) as refusal:
        checks.record(act=act(), subject=checks.Subject(point("CP-STORE-1"), batch=batch), said=[])
    assert refusal.value.code == "nothing-to-check"


def test_everything_wrong_with_the_readings_is_told_at_once(
    act: Any, point: Any, batch: Batch, meter: Instrument
):
    said = [{"quantity": "colour", "outcome": "amber"}, {"quantity": "colour", "outcome": "amber"}]
    with pytest.raises(Unusable) as refusal:
        checks.record(
            act=act(), subject=checks.Subject(point("CP-AW-2"), batch=batch, instrument=meter), said=said
        )
    assert [reason.field for reason in refusal.value.reasons] == [
        "readings",
        "readings.0.quantity",
        "readings.1.quantity",
    ]


def redrafted(act: Any, lead: Person, plan: Plan, proof: signatures.Proof, at: Any = NOON) -> PlanVersion:
    """A second version of the plan, a word changed."""
    plan.refresh_from_db()
    plans.redraft(act=act(lead), plan=plan, values={"draft": plan.draft | {"scope": "All three, again."}})
    return plans.approve(act=act(lead, at=at), plan=plan, proof=proof)


def test_a_control_point_of_another_plan_version_is_refused(
    act: Any, lead: Person, plan: Plan, proof: Any, batch: Batch, meter: Instrument
):
    newer = ControlPoint.objects.get(version=redrafted(act, lead, plan, proof), code="CP-AW-2")
    with pytest.raises(checks.OtherPlanVersion):
        checks.record(
            act=act(), subject=checks.Subject(newer, batch=batch, instrument=meter), said=water("0.5")
        )


def test_a_lot_is_checked_by_the_version_in_force_when_it_was_checked(
    act: Any, lead: Person, plan: Plan, proof: Any, point: Any, batch: Batch, make_lot: Any, meter: Instrument
):
    old, lot = point("CP-AW-2"), make_lot(batch)
    redrafted(act, lead, plan, proof, at=NOON + HOUR)
    subject = checks.Subject(old, lot=lot, instrument=meter)
    checks.record(act=act(at=NOON), subject=subject, said=water("0.5"))
    with pytest.raises(checks.OtherPlanVersion):
        checks.record(act=act(at=NOON + HOUR), subject=subject, said=water("0.5"))


def test_rows_of_another_establishment_do_not_exist(
    act: Any, elsewhere: Any, point: Any, batch: Batch, meter: Instrument
):
    foreign = Instrument(pk=uuid7(), establishment=elsewhere, kind="water activity meter", unit="C62")
    with pytest.raises(Unknown) as refusal:
        checks.record(
            act=act(), subject=checks.Subject(point("CP-AW-2"), batch=batch, instrument=foreign), said=[]
        )
    assert refusal.value.reasons[0].field == "instrument"


# --- repeated


def test_a_repeat_answers_what_is_stored(act: Any, measure: Any, batch: Batch):
    said = act(id=uuid7())
    first, again = measure(batch, "0.7", said_act=said), measure(batch, "0.7", said_act=said)
    assert (again.pk, again.repeated, Check.objects.count(), Deviation.objects.count()) == (
        first.pk,
        True,
        1,
        1,
    )


def test_a_repeat_is_not_refused_by_what_came_later(act: Any, measure: Any, batch: Batch, lead: Person):
    from batches import runs

    said = act(id=uuid7(), at=MORNING + MINUTE)
    measure(batch, said_act=said)
    runs.correct_start(
        act=act(at=MORNING + HOUR, corrects=batch.birth_id, reason="Began later."),
        batch=batch,
        quantity="6",
        unit="KGM",
    )
    batch.state.refresh_from_db()
    assert measure(batch, said_act=said).repeated


def test_the_same_id_with_other_content_is_refused(act: Any, measure: Any, batch: Batch):
    said = act(id=uuid7())
    measure(batch, "0.52", said_act=said)
    with pytest.raises(OtherContent):
        measure(batch, "0.53", said_act=said)
    with pytest.raises(OtherContent):
        measure(batch, "0.99", said_act=said)
    assert Check.objects.get().result == "within"


# --- corrected


def corrected(act: Any, check: Check, **more: Any) -> Act:
    return act(corrects=check.pk, reason="Read the wrong line.", **more)


def test_correcting_a_failing_check_leaves_deviation_and_hold(
    act: Any, measure: Any, batch: Batch, make_lot: Any
):
    lot = make_lot(batch)
    failing = measure(batch, "0.7")
    measure(batch, "0.52", said_act=corrected(act, failing))
    assert status(lot) == "held"
    assert not hasattr(Deviation.objects.get(), "closing")


def test_a_passing_check_corrected_to_failing_opens_a_deviation(
    act: Any, measure: Any, batch: Batch, make_lot: Any
):
    lot = make_lot(batch)
    passing = measure(batch)
    failing = measure(batch, "0.7", said_act=corrected(act, passing))
    assert (Deviation.objects.get().subject, status(lot)) == (failing.pk, "held")


def test_a_failing_check_corrected_to_failing_goes_on_under_its_case(act: Any, measure: Any, batch: Batch):
    first = measure(batch, "0.7")
    measure(batch, "0.8", said_act=corrected(act, first))
    assert Deviation.objects.get().subject == first.pk


def test_a_failing_check_moved_to_another_part_holds_that_part_too(
    act: Any, measure: Any, batch: Batch, open_part: Any, make_lot: Any
):
    parts = [open_part(batch, 1), open_part(batch, 2)]
    lots = [make_lot(batch, part=part) for part in parts]
    first = measure(batch, "0.7", part=parts[0])
    measure(batch, "0.7", said_act=corrected(act, first), part=parts[1])
    assert [status(lot) for lot in lots] == ["held", "held"]


def test_a_failing_check_corrected_after_its_case_was_closed_opens_another(
    act: Any, measure: Any, batch: Batch, settle: Any
):
    first = measure(batch, "0.7")
    settle(Deviation.objects.get())
    again = measure(batch, "0.8", said_act=corrected(act, first))
    assert Deviation.objects.filter(subject=again.pk).exists()


def test_a_record_is_corrected_once(act: Any, measure: Any, batch: Batch):
    first = measure(batch)
    measure(batch, "0.53", said_act=corrected(act, first))
    with pytest.raises(RuleBroken) as refusal:
        measure(batch, "0.54", said_act=corrected(act, first))
    assert refusal.value.code == "already-corrected"


def released(begin: Any, end: Any, check_all: Any, make_lot: Any, accept: Any) -> tuple[Batch, Lot]:
    batch = begin()
    lot = make_lot(batch, at=MORNING + 50 * MINUTE)
    end(batch, at=MORNING + HOUR)
    check_all(batch)
    return batch, accept(lot, at=NOON)


def test_correcting_a_check_reopens_the_release_it_spoke_for(
    act: Any, begin: Any, end: Any, check_all: Any, make_lot: Any, accept: Any, measure: Any
):
    batch, lot = released(begin, end, check_all, make_lot, accept)
    known = Check.objects.get(control_point__code="CP-AW-2")
    measure(batch, "0.55", said_act=corrected(act, known, at=MORNING + HOUR + MINUTE))
    assert status(lot) == "awaiting"


def test_a_review_is_due_again_after_a_correction(
    act: Any, lead: Person, measure: Any, batch: Batch, proof: Any
):
    first = measure(batch)
    signatures.sign(act=act(lead), proof=proof, target=Entry.objects.get(pk=first.pk), meaning="reviewed")
    again = measure(batch, "0.53", said_act=corrected(act, first))
    assert not Signature.objects.filter(target=again.pk).exists()


# --- withdrawn


def test_a_withdrawn_check_does_not_stand(act: Any, measure: Any, batch: Batch):
    gone = measure(batch)
    checks.withdraw(act=corrected(act, gone))
    assert not Check.objects.standing().exists()
    assert Check.objects.count() == 2


def test_withdrawing_a_failing_check_leaves_deviation_and_hold(
    act: Any, measure: Any, batch: Batch, make_lot: Any
):
    lot = make_lot(batch)
    checks.withdraw(act=corrected(act, measure(batch, "0.7")))
    assert (status(lot), Deviation.objects.count()) == ("held", 1)


def test_withdrawing_a_check_reopens_the_release_it_spoke_for(
    act: Any, begin: Any, end: Any, check_all: Any, make_lot: Any, accept: Any
):
    _, lot = released(begin, end, check_all, make_lot, accept)
    checks.withdraw(act=corrected(act, Check.objects.get(control_point__code="CP-AW-2")))
    assert status(lot) == "awaiting"


def test_a_withdrawal_that_is_repeated_answers_what_is_stored(act: Any, measure: Any, batch: Batch):
    said = corrected(act, measure(batch), id=uuid7())
    checks.withdraw(act=said)
    assert checks.withdraw(act=said).repeated


def test_a_withdrawn_check_is_not_withdrawn_again(act: Any, measure: Any, batch: Batch):
    gone = measure(batch)
    checks.withdraw(act=corrected(act, gone))
    with pytest.raises(RuleBroken) as refusal:
        checks.withdraw(act=corrected(act, gone))
    assert refusal.value.code == "already-corrected"


# --- the guard band


@pytest.fixture
def guarded(document: dict[str, Any]) -> dict[str, Any]:
    """CP-AW-2 with a guard band: written into the draft before it is approved."""
    point = next(each for each in document["control_points"] if each["code"] == "CP-AW-2")
    point["guard"] = "one-sided"
    return document


@pytest.mark.parametrize(
    ("value", "result"),
    [("0.640", "within"), ("0.641", "undecided"), ("0.65", "undecided"), ("0.651", "outside")],
)
def test_a_guard_band_keeps_a_reading_off_the_bound(
    guarded: Any, measure: Any, batch: Batch, value: str, result: str
):
    check = measure(batch, value)
    assert check.result == result  # U = 0.01, bound 0.65
    assert check.judgements[0]["uncertainty"] == "0.01 C62"


def test_without_a_guard_the_uncertainty_changes_nothing(measure: Any, batch: Batch):
    check = measure(batch, "0.641")
    assert (check.result, "uncertainty" in check.judgements[0]) == ("within", False)


def test_a_guard_without_a_known_uncertainty_decides_nothing_inside(
    guarded: Any, measure: Any, batch: Batch, meter: Instrument
):
    meter.expanded_uncertainty = None
    check = measure(batch, "0.5")
    assert (check.result, check.judgements[0]["guard"]) == ("undecided", "one-sided")
    assert "the uncertainty of the instrument is not known" in check.judgements[0]["sentence"]
    assert measure(batch, "0.651").result == "outside"


def test_an_undecided_check_opens_nothing_but_reopens_a_release(
    guarded: Any, act: Any, begin: Any, end: Any, check_all: Any, make_lot: Any, accept: Any, measure: Any
):
    batch, lot = released(begin, end, check_all, make_lot, accept)
    measure(batch, "0.645", said_act=act(at=MORNING + 2 * HOUR))
    assert (status(lot), Deviation.objects.count()) == ("awaiting", 0)


# --- many


def wanted(act: Any, point: Any, batch: Batch, meter: Instrument, value: str, **said: Any) -> checks.Wanted:
    subject = checks.Subject(point("CP-AW-2"), batch=batch, instrument=meter)
    return checks.Wanted(act(**said), subject, water(value))


def test_each_of_many_answers_for_itself(
    act: Any, point: Any, batch: Batch, meter: Instrument, make_lot: Any
):
    lot, same = make_lot(batch), uuid7()
    answers = checks.record_many(
        [
            wanted(act, point, batch, meter, "0.52", id=same),
            wanted(act, point, batch, meter, "0.7"),
            wanted(act, point, batch, meter, "NaN"),
            wanted(act, point, batch, meter, "0.52", id=same),
            wanted(act, point, batch, meter, "0.53", id=same),
        ]
    )
    kinds = [type(each).__name__ for each in answers]
    assert kinds == ["Check", "Check", "Unusable", "Check", "OtherContent"]
    assert answers[3].repeated
    assert (Check.objects.count(), Deviation.objects.count(), status(lot)) == (2, 1, "held")


def test_one_of_many_that_the_database_refuses_blocks_no_other(
    act: Any, point: Any, batch: Batch, meter: Instrument
):
    """Its id is that of a record of another kind, which only the database can know."""
    answers = checks.record_many(
        [
            wanted(act, point, batch, meter, "0.52"),
            wanted(act, point, batch, meter, "0.52", id=batch.uid),
            wanted(act, point, batch, meter, "0.7"),
        ]
    )
    assert [type(each).__name__ for each in answers] == ["Check", "OtherContent", "Check"]
    assert (Check.objects.count(), Deviation.objects.count()) == (2, 1)


# --- the rows the database refuses are in test_judging_refusals
