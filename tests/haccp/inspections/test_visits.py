"""Somebody comes, is shown things, and leaves: taken however late, put right with a reason, told of no private names."""

import json
from datetime import timedelta
from typing import Any

import pytest

from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.inspections import visits, withdrawals
from haccp.models import Inspection, InspectionNote
from ledger import evidence
from ledger.ids import uuid7
from ledger.models import Entry, Person
from reports import jobs
from tests.conftest import NOON
from tests.haccp.conftest import HOUR

pytestmark = pytest.mark.django_db


def test_a_visit_keeps_who_came_why_and_who_went_along(arrive: Any, operator: Person) -> None:
    visit = arrive(about="Records of winter", accompanied_by=[operator], reference="Order 7")
    kept = Inspection.objects.get(pk=visit.pk)
    assert (kept.by_whom, kept.body, kept.why, kept.about) == (
        "authority",
        "Town food office",
        "routine",
        "Records of winter",
    )
    assert kept.accompanied_by == [str(operator.pk)]
    assert kept.visitors == [{"name": "Rosalind Quiet", "function": "food inspector"}]


def test_the_names_of_who_came_are_hidden_in_the_evidence_which_still_verifies(visit: Inspection) -> None:
    told = json.dumps(evidence.evidence([visit]))
    assert "Rosalind Quiet" not in told
    assert '"visitors": {"hidden": "' in told


def test_a_visit_written_down_later_is_taken_and_shown_as_late(visit: Inspection) -> None:
    """Noon of 2 March; the clock of the tests is later."""
    assert visit.is_late


def test_another_reason_says_which(arrive: Any) -> None:
    with pytest.raises(Unusable, match="what they came for"):
        arrive(why="other")
    assert arrive(why="other", about="A neighbour's question").pk


def test_somebody_of_another_house_did_not_go_along(arrive: Any, make_person: Any, elsewhere: Any) -> None:
    stranger = make_person("Rita Other")
    with pytest.raises(Unknown):
        arrive(accompanied_by=[stranger])


def test_the_same_visit_sent_again_is_the_same_record(arrive: Any, act: Any) -> None:
    once = act(id=uuid7())
    assert arrive(once).pk == arrive(once).pk
    assert Inspection.objects.count() == 1


# -- what was shown --------------------------------------------------------------------------------------


def test_a_note_names_a_document_a_record_or_says_it_in_words(
    act: Any, visit: Inspection, lead: Person
) -> None:
    job = jobs.ask(establishment=visit.establishment, asked_by=lead, kind="people-list")
    record = Entry.objects.get(pk=visit.pk)
    for said in ({"text": "The log of the store"}, {"document": job.number}, {"record": record}):
        assert visits.note(act=act(), inspection=visit, what="shown", **said).pk
    with pytest.raises(Unusable, match="Say what it was"):
        visits.note(act=act(), inspection=visit, what="shown", text="  ")


def test_a_document_that_is_not_here_is_refused(act: Any, visit: Inspection) -> None:
    with pytest.raises(Unknown, match="no document 000999"):
        visits.note(act=act(), inspection=visit, what="copied", document=999)
    assert not InspectionNote.objects.exists()


def test_what_is_told_after_they_left_is_taken(act: Any, visit: Inspection) -> None:
    visits.leave(act=act(at=NOON + HOUR), inspection=visit)
    note = visits.note(act=act(at=NOON + 48 * HOUR), inspection=visit, what="remark", text="By letter.")
    assert note.inspection_id == visit.pk


# -- leaving ---------------------------------------------------------------------------------------------


def test_they_leave_with_an_outcome_and_a_report(act: Any, visit: Inspection) -> None:
    end = visits.leave(
        act=act(at=NOON + 2 * HOUR), inspection=visit, outcome="One finding.", reference="Protocol 12"
    )
    assert visits.end_of(visit.pk) == end
    assert end.arrived_at == visit.performed_at


def test_nobody_leaves_before_they_came(act: Any, visit: Inspection) -> None:
    with pytest.raises(Unusable, match="before they came"):
        visits.leave(act=act(at=NOON - timedelta(minutes=1)), inspection=visit)
    assert visits.leave(act=act(at=NOON), inspection=visit).pk


def test_a_visit_is_not_put_right_to_begin_after_its_end(act: Any, arrive: Any, visit: Inspection) -> None:
    visits.leave(act=act(at=NOON + HOUR), inspection=visit)
    with pytest.raises(Unusable, match="before they came"):
        arrive(act(at=NOON + 2 * HOUR, corrects=visit.pk, reason="It was later."))


def test_a_house_that_disagrees_says_so_in_its_own_words(act: Any, visit: Inspection) -> None:
    with pytest.raises(Unusable, match="own words"):
        visits.leave(act=act(at=NOON + HOUR), inspection=visit, disagrees=True)


def test_they_leave_once_and_that_is_put_right_by_a_correction(act: Any, visit: Inspection) -> None:
    end = visits.leave(act=act(at=NOON + HOUR), inspection=visit)
    with pytest.raises(RuleBroken, match="recorded already"):
        visits.leave(act=act(at=NOON + 2 * HOUR), inspection=visit)
    again = act(at=NOON + 2 * HOUR, corrects=end.pk, reason="The clock.")
    later = visits.leave(act=again, inspection=visit)
    assert visits.end_of(visit.pk) == later


# -- lines of corrections ----------------------------------------------------------------------------------


def test_all_that_hangs_on_a_visit_stays_with_it_when_it_is_put_right(
    act: Any, arrive: Any, visit: Inspection
) -> None:
    note = visits.note(act=act(), inspection=visit, what="remark", text="Dry.")
    right = arrive(act(corrects=visit.pk, reason="Misheard."), body="County food office")
    again = arrive(act(corrects=right.pk, reason="Misheard again."), body="Lake county food office")
    later = visits.note(act=act(), inspection=again, what="remark", text="Clean.")
    assert {note.inspection_id, later.inspection_id} == {visit.pk}
    assert visits.standing(visit.pk).body == "Lake county food office"


def test_a_correction_stays_with_its_visit(act: Any, arrive: Any, visit: Inspection) -> None:
    note = visits.note(act=act(), inspection=visit, what="remark", text="Dry.")
    with pytest.raises(RuleBroken, match="another inspection"):
        visits.note(
            act=act(corrects=note.pk, reason="Slip."), inspection=arrive(), what="remark", text="Dry."
        )


def test_a_visit_that_never_was_is_withdrawn_once_nothing_hangs_on_it(act: Any, visit: Inspection) -> None:
    note = visits.note(act=act(), inspection=visit, what="remark", text="Dry.")
    gone = act(corrects=visit.pk, reason="The wrong day.", withdraws=True)
    with pytest.raises(RuleBroken, match="Something was recorded"):
        withdrawals.withdraw(act=gone, inspection=visit, what="visit")
    of_note = act(corrects=note.pk, reason="The wrong visit.", withdraws=True)
    withdrawals.withdraw(act=of_note, inspection=visit, what="note")
    withdrawals.withdraw(act=gone, inspection=visit, what="visit")
    assert not Inspection.objects.standing().exists()
    with pytest.raises(RuleBroken, match="never was"):
        visits.note(act=act(), inspection=visit, what="remark", text="Dry.")


def test_what_belongs_to_another_visit_is_not_withdrawn_here(
    act: Any, arrive: Any, visit: Inspection
) -> None:
    note = visits.note(act=act(), inspection=visit, what="remark", text="Dry.")
    gone = act(corrects=note.pk, reason="Slip.", withdraws=True)
    with pytest.raises(Unknown):
        withdrawals.withdraw(act=gone, inspection=arrive(), what="note")
