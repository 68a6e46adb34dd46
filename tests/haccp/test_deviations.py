"""Deviations: opened once for a cause, answered, decided lot by lot, closed by signature."""

from collections.abc import Callable
from typing import Any

import pytest

from batches.models import Batch, Lot, LotState
from config.api.refusals import NotAllowed, OtherContent, RuleBroken, Unknown
from haccp import deviations
from haccp.deviations import Touched
from haccp.models import Answer, Closing, Correction, Deviation, Disposition, Hold, HoldSubject, Question
from ledger import signatures
from ledger.ids import uuid7
from ledger.models import Person, Signature
from tests.haccp.conftest import MORNING


def status(lot: Lot) -> str:
    return LotState.objects.get(lot=lot).status


@pytest.fixture
def lot(batch: Batch, make_lot: Callable[..., Lot]) -> Lot:
    return make_lot(batch)


@pytest.fixture
def report(act: Any) -> Callable[..., Deviation]:
    def do(
        *held: Touched, said_act: Any = None, title: str = "A corner of the scraper is missing."
    ) -> Deviation:
        return deviations.report(act=said_act or act(), title=title, hold=held[0] if held else None)

    return do


@pytest.fixture
def case(report: Any, batch: Batch, lot: Lot) -> Deviation:
    """Open, and holding one lot of the batch."""
    return report(Touched(HoldSubject.BATCH, batch.uid))


@pytest.fixture
def dispose(act: Any, lead: Person) -> Callable[..., Disposition]:
    def do(case: Deviation, lot: Lot, decision: str = "release", said_act: Any = None) -> Disposition:
        return deviations.dispose(
            act=said_act or act(lead), deviation=case, lot=lot, decision=decision, because="Measured again."
        )

    return do


def answer_all(act: Any, case: Deviation) -> None:
    for question in Question.values:
        deviations.answer(act=act(), deviation=case, question=question, text="Found.")


# --- reported


def test_what_a_person_names_is_held_at_once(case: Deviation, lot: Lot):
    assert (status(lot), deviations.held_under(case)) == ("held", {str(lot.uid)})


def test_a_report_may_hold_nothing(report: Any, lot: Lot):
    assert not report().holds.exists()
    assert status(lot) == "awaiting"


def test_a_repeated_report_is_one_report(act: Any, report: Any, batch: Batch, lot: Lot):
    said, hold = act(id=uuid7()), Touched(HoldSubject.BATCH, batch.uid)
    report(hold, said_act=said)
    assert report(hold, said_act=said).repeated
    assert (Deviation.objects.count(), Hold.objects.count()) == (1, 1)


@pytest.mark.parametrize("other", ["title", "hold", "since"])
def test_the_same_id_with_another_report_is_refused(
    act: Any, report: Any, batch: Batch, lot: Lot, other: str
):
    said = act(id=uuid7())
    report(Touched(HoldSubject.BATCH, batch.uid), said_act=said)
    title = "Another thing." if other == "title" else "A corner of the scraper is missing."
    hold = {
        "title": Touched(HoldSubject.BATCH, batch.uid),
        "hold": Touched(HoldSubject.LOT, lot.uid),
        "since": Touched(HoldSubject.BATCH, batch.uid, MORNING),
    }[other]
    with pytest.raises(OtherContent):
        report(hold, said_act=said, title=title)


def test_a_deviation_is_not_corrected(act: Any, report: Any, case: Deviation):
    with pytest.raises(RuleBroken) as refusal:
        report(said_act=act(corrects=case.pk, reason="x"))
    assert refusal.value.code == "a-deviation-is-not-corrected"


def test_what_is_not_there_cannot_be_held(report: Any, batch: Batch):
    with pytest.raises(Unknown) as refusal:
        report(Touched(HoldSubject.LOT, uuid7()))
    assert refusal.value.reasons[0].field == "hold.subject"
    assert not Deviation.objects.exists()


def test_the_same_cause_opens_one_case(act: Any, batch: Batch):
    values = {"what": Deviation.What.MISSED_CHECK, "subject": batch.uid, "slot": "CP-1", "title": "x"}
    first = deviations.open_case(act=act(), **values)
    assert deviations.open_case(act=act(), **values).pk == first.pk


# --- held further


def test_a_further_subject_is_held_under_it(act: Any, report: Any, lot: Lot):
    case = report()
    said = act(id=uuid7())
    hold = deviations.hold_more(act=said, deviation=case, touched=Touched(HoldSubject.LOT, lot.uid))
    again = deviations.hold_more(act=said, deviation=case, touched=Touched(HoldSubject.LOT, lot.uid))
    assert (hold.pk, again.repeated, status(lot)) == (said.id, True, "held")


def test_the_same_hold_since_another_time_is_other_content(act: Any, report: Any, lot: Lot):
    case, said = report(), act(id=uuid7())
    deviations.hold_more(act=said, deviation=case, touched=Touched(HoldSubject.LOT, lot.uid))
    with pytest.raises(OtherContent):
        deviations.hold_more(act=said, deviation=case, touched=Touched(HoldSubject.LOT, lot.uid, MORNING))


def test_nothing_more_is_held_under_a_closed_case(act: Any, case: Deviation, settle: Any, lot: Lot):
    settle(case)
    with pytest.raises(RuleBroken) as refusal:
        deviations.hold_more(act=act(), deviation=case, touched=Touched(HoldSubject.LOT, lot.uid))
    assert refusal.value.code == "closed-already"


# --- answered


def test_a_question_is_answered_once_and_then_corrected(act: Any, case: Deviation):
    first = deviations.answer(act=act(), deviation=case, question="cause", text="Worn.")
    with pytest.raises(RuleBroken) as refusal:
        deviations.answer(act=act(), deviation=case, question="cause", text="Dropped.")
    assert (refusal.value.code, refusal.value.reasons[0].ids) == ("answered-already", [str(first.pk)])
    again = act(corrects=first.pk, reason="Looked closer.")
    deviations.answer(act=again, deviation=case, question="cause", text="Dropped.")
    assert [a.text for a in Answer.objects.standing()] == ["Dropped."]


def test_a_correction_stays_with_its_question(act: Any, case: Deviation):
    first = deviations.answer(act=act(), deviation=case, question="cause", text="Worn.")
    with pytest.raises(RuleBroken) as refusal:
        deviations.answer(
            act=act(corrects=first.pk, reason="x"), deviation=case, question="prevention", text="New."
        )
    assert refusal.value.code == "corrects-another"


def test_a_correction_stays_with_its_case(act: Any, case: Deviation, report: Any):
    first = deviations.answer(act=act(), deviation=case, question="cause", text="Worn.")
    with pytest.raises(RuleBroken) as refusal:
        deviations.answer(
            act=act(corrects=first.pk, reason="x"), deviation=report(), question="cause", text="New."
        )
    assert refusal.value.code == "corrects-another"


# --- decided


@pytest.mark.parametrize(
    ("decision", "expected"),
    [
        ("release", "held"),
        ("rework", "held"),
        ("reject", "rejected"),
        ("destroy", "rejected"),
        ("send-back", "rejected"),
    ],
)
def test_what_is_not_to_leave_is_rejected_at_once(
    dispose: Any, case: Deviation, lot: Lot, decision: str, expected: str
):
    dispose(case, lot, decision)
    assert status(lot) == expected


def test_only_a_lead_decides(act: Any, case: Deviation, lot: Lot, dispose: Any):
    with pytest.raises(NotAllowed):
        dispose(case, lot, said_act=act())


def test_a_lot_the_case_did_not_hold_is_unknown_to_it(report: Any, lot: Lot, dispose: Any):
    with pytest.raises(Unknown):
        dispose(report(), lot)


def test_a_lot_is_decided_once_and_then_corrected(act: Any, lead: Person, case: Any, lot: Lot, dispose: Any):
    first = dispose(case, lot, "reject")
    with pytest.raises(RuleBroken) as refusal:
        dispose(case, lot, "release")
    assert refusal.value.code == "decided-already"
    dispose(case, lot, "release", said_act=act(lead, corrects=first.pk, reason="Second sample."))
    assert status(lot) == "held"


def test_a_decision_on_another_lot_is_not_corrected_here(
    act: Any, lead: Person, report: Any, batch: Batch, lot: Lot, make_lot: Any, dispose: Any
):
    other = make_lot(batch)
    case = report(Touched(HoldSubject.BATCH, batch.uid))
    first = dispose(case, other)
    with pytest.raises(RuleBroken) as refusal:
        dispose(case, lot, said_act=act(lead, corrects=first.pk, reason="x"))
    assert refusal.value.code == "corrects-another"


def test_what_one_case_rejects_no_other_makes_good(
    case: Any, report: Any, batch: Any, lot: Any, dispose: Any, settle: Any
):
    other = report(Touched(HoldSubject.BATCH, batch.uid))
    dispose(case, lot, "reject")
    settle(other, "release")
    assert status(lot) == "rejected"


# --- closed


def test_closing_lists_everything_that_is_missing(
    act: Any, lead: Person, proof: Any, case: Deviation, lot: Lot
):
    with pytest.raises(RuleBroken) as refusal:
        deviations.close(act=act(lead), deviation=case, proof=proof)
    assert [reason.code for reason in refusal.value.reasons] == ["unanswered"] * 3 + ["undecided-lot"]
    assert refusal.value.reasons[3].ids == [str(lot.uid)]
    assert not Closing.objects.exists()


def test_a_closed_case_is_signed_and_its_lots_await_their_gate(case: Deviation, lot: Lot, settle: Any):
    settle(case)
    closing = Closing.objects.get()
    assert Signature.objects.get(target=closing.pk).meaning == "closed"
    assert status(lot) == "awaiting"


def test_a_lot_that_another_open_case_holds_stays_held(
    case: Any, report: Any, batch: Any, lot: Any, settle: Any
):
    report(Touched(HoldSubject.BATCH, batch.uid))
    settle(case)
    assert status(lot) == "held"


def test_only_a_lead_closes(act: Any, operator: Person, case: Deviation):
    with pytest.raises(NotAllowed):
        deviations.close(act=act(), deviation=case, proof=signatures.Proof(operator))


def test_a_case_is_closed_once(act: Any, lead: Person, proof: Any, case: Deviation, settle: Any):
    settle(case)
    with pytest.raises(RuleBroken) as refusal:
        deviations.close(act=act(lead), deviation=case, proof=proof)
    assert refusal.value.code == "closed-already"


def test_closing_that_is_repeated_answers_what_is_stored(act: Any, lead: Person, proof: Any, report: Any):
    case = report()
    answer_all(act, case)
    said = act(lead, id=uuid7())
    deviations.close(act=said, deviation=case, proof=proof)
    assert deviations.close(act=said, deviation=case, proof=proof).repeated


def test_a_closed_case_takes_no_answer_and_no_decision(
    act: Any, case: Any, lot: Lot, settle: Any, dispose: Any
):
    settle(case)
    with pytest.raises(RuleBroken):
        deviations.answer(act=act(), deviation=case, question="cause", text="Later.")
    with pytest.raises(RuleBroken):
        dispose(case, lot)


# --- a minor slip


def test_a_minor_slip_is_a_record_without_a_case(act: Any):
    deviations.correct(act=act(), what="Lid left off", done="Put on", no_impact_because="Empty tub")
    assert (Correction.objects.count(), Deviation.objects.count()) == (1, 0)
