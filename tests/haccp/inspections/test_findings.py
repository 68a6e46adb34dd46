"""Findings in their own words, answered in time or late, and closed by signature: never without an answer."""

from datetime import date, timedelta
from typing import Any

import pytest

from batches.models import Lot
from config.api.refusals import NotAllowed, RuleBroken, Unusable
from haccp.inspections import due, findings, withdrawals
from haccp.models import Finding, FindingAnswer, FindingClosed, Inspection
from ledger.models import Establishment, Signature
from tests.conftest import NOON
from tests.haccp.conftest import HOUR
from tests.haccp.inspections.conftest import DUE

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


def state(finding: Finding, today: date = DUE) -> due.State:
    now = findings.as_it_stands(finding)
    return due.states([now], today)[now.pk]


def test_a_finding_keeps_their_words_rule_grade_and_day(find: Any, sugar_lot: Lot) -> None:
    kept = Finding.objects.get(
        pk=find(rule="852/2004, Annex II", grade="slight", number="1", lot=sugar_lot).pk
    )
    assert (kept.text, kept.rule, kept.grade, kept.number, kept.due_on, kept.lot) == (
        "The seal of the door is torn.",
        "852/2004, Annex II",
        "slight",
        "1",
        DUE,
        sugar_lot,
    )


def test_a_finding_is_about_one_thing(find: Any, sugar_lot: Lot, kettle: Any) -> None:
    with pytest.raises(Unusable, match="about one thing"):
        find(lot=sugar_lot, equipment=kettle)


def test_a_day_before_the_visit_is_asked_back_and_then_kept_and_flagged(find: Any) -> None:
    early = date(2026, 3, 1)
    with pytest.raises(RuleBroken, match="as_entered"):
        find(due_on=early, as_entered=False)
    assert find(due_on=early).flags == ["due-before-visit"]


def test_the_day_of_the_visit_itself_is_no_slip(find: Any) -> None:
    assert find(due_on=date(2026, 3, 2), as_entered=False).flags == []


# -- answering -------------------------------------------------------------------------------------------


def test_a_finding_is_open_then_answered_then_closed(finding: Finding, answer: Any, close: Any) -> None:
    assert state(finding).standing == "open"
    answer()
    assert state(finding).standing == "answered"
    close()
    assert state(finding).standing == "closed"


def test_an_answer_on_the_day_is_in_time_and_one_the_day_after_is_taken_and_late(
    finding: Finding, answer: Any, act: Any
) -> None:
    on_the_day = NOON + 14 * DAY
    answer(act(at=on_the_day + DAY))
    assert state(finding).late_days == 1
    answer(act(at=on_the_day))
    assert state(finding).late_days == 0


def test_while_nobody_answers_it_is_late_from_the_day_after(finding: Finding) -> None:
    assert [state(finding, day).late_days for day in (DUE, DUE + DAY)] == [0, 1]


def test_a_finding_without_a_day_is_never_late(find: Any) -> None:
    assert state(find(due_on=None), date(2030, 1, 1)).late_days == 0


def test_further_answers_follow(finding: Finding, answer: Any) -> None:
    answer()
    answer(text="And the door is looked at each week.")
    assert len(findings.answers_of(finding.pk)) == 2


# -- closing ---------------------------------------------------------------------------------------------


def test_closing_without_an_answer_is_refused(close: Any) -> None:
    with pytest.raises(RuleBroken, match="Nobody has answered"):
        close()
    assert not FindingClosed.objects.exists()


def test_closing_on_an_answer_that_was_withdrawn_is_refused(
    act: Any, visit: Inspection, answer: Any, close: Any
) -> None:
    gone = act(corrects=answer().pk, reason="Of another door.", withdraws=True)
    withdrawals.withdraw(act=gone, inspection=visit, what="answer")
    with pytest.raises(RuleBroken, match="Nobody has answered"):
        close()


def test_closing_is_signed_by_a_food_safety_lead(answer: Any, close: Any, act: Any) -> None:
    answer()
    with pytest.raises(NotAllowed):
        close(act(at=NOON + 3 * HOUR))
    closed = close()
    assert Signature.objects.get(target=closed.pk).meaning == "closed"


@pytest.mark.parametrize("said", [{"by": "them", "reference": ""}, {"by": "house", "because": ""}])
def test_closing_names_their_word_or_the_houses_reason(answer: Any, close: Any, said: Any) -> None:
    answer()
    with pytest.raises(Unusable):
        close(**said)


def test_a_finding_is_closed_once(answer: Any, close: Any) -> None:
    answer()
    close()
    with pytest.raises(RuleBroken, match="closed already"):
        close()


def test_the_answer_a_finding_was_closed_on_is_not_withdrawn(
    act: Any, visit: Inspection, answer: Any, close: Any
) -> None:
    gone = act(corrects=answer().pk, reason="Of another door.", withdraws=True)
    close()
    with pytest.raises(RuleBroken, match="closed on this answer"):
        withdrawals.withdraw(act=gone, inspection=visit, what="answer")


# -- putting right ---------------------------------------------------------------------------------------


def test_a_corrected_finding_keeps_its_answers_and_is_open_again(
    act: Any, find: Any, finding: Finding, answer: Any, close: Any
) -> None:
    given = answer()
    close()
    right = find(act(corrects=finding.pk, reason="Extended by letter 9."), due_on=date(2026, 4, 1))
    assert state(right).standing == "answered"
    assert state(right).answers == (given,)
    assert close(finding=right).finding == right


def test_an_answer_to_a_finding_as_it_was_belongs_to_it_as_it_stands(
    act: Any, find: Any, finding: Finding, answer: Any
) -> None:
    right = find(act(corrects=finding.pk, reason="Misheard."), text="The seal of the hatch is torn.")
    assert state(right).answers == ()
    answer(finding=finding)
    assert len(state(right).answers) == 1


def test_a_correction_stays_with_its_finding(act: Any, find: Any, answer: Any) -> None:
    given, other = answer(), find(text="A lamp is broken.")
    with pytest.raises(RuleBroken, match="another finding"):
        answer(act(corrects=given.pk, reason="Slip."), finding=other)


def test_an_answered_finding_is_not_withdrawn(
    act: Any, visit: Inspection, finding: Finding, answer: Any
) -> None:
    gone = act(corrects=finding.pk, reason="Never said.", withdraws=True)
    answer()
    with pytest.raises(RuleBroken, match="was answered"):
        withdrawals.withdraw(act=gone, inspection=visit, what="finding")


def test_a_withdrawn_finding_takes_no_answer(
    act: Any, visit: Inspection, finding: Finding, answer: Any, establishment: Establishment
) -> None:
    gone = act(corrects=finding.pk, reason="Never said.", withdraws=True)
    withdrawals.withdraw(act=gone, inspection=visit, what="finding")
    with pytest.raises(RuleBroken, match="never made"):
        answer()
    assert not FindingAnswer.objects.exists()
    assert not due.findings(establishment).exists()
