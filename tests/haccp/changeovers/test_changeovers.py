"""Changeovers are recorded as they were done; what is missing is told, and a release waits for it."""

from typing import Any

import pytest

from batches.models import Batch, CleaningBreak, Equipment
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.changeovers import lines, recording, releasing
from haccp.models import Changeover
from ledger.ids import uuid7
from tests.conftest import NOON
from tests.haccp.changeovers.conftest import BEGUN, CLEARED, ENDED, HOUR, MINUTE, ticked
from tests.haccp.changeovers.procedures import dry


def missing(changeover: Changeover) -> dict[str, str]:
    return {reason.code: reason.detail for reason in lines.shortcomings(changeover)}


def test_a_whole_changeover_lacks_nothing(change_over: Any, table: Equipment, operator: Any):
    made = change_over()
    assert missing(made) == {}
    assert (made.equipment, made.ended_at) == ([str(table.pk)], ENDED)
    assert {each["person"] for each in made.steps} == {str(operator.pk)}


def test_missing_steps_are_recorded_as_missing(change_over: Any, wet_version: Any):
    made = change_over(steps=ticked(wet_version)[:2])
    assert missing(made) == {"step-missing": "Not ticked: DRY, Dry until nothing shines."}


def test_a_step_ticked_outside_the_changeover_is_told(change_over: Any, wet_version: Any):
    steps = ticked(wet_version)
    steps[0]["done_at"] = BEGUN - MINUTE
    assert set(missing(change_over(steps=steps))) == {"step-outside"}


@pytest.mark.parametrize(("said", "code"), [(False, "not-dry"), (None, "dry-not-said")])
def test_whether_it_was_dry_is_asked_after_water(change_over: Any, said: bool | None, code: str):
    assert set(missing(change_over(dry_before_start=said))) == {code}


def test_after_dry_cleaning_only_a_no_is_told(change_over: Any, approve: Any):
    version = approve(dry(), "DRY")
    assert missing(change_over(procedure_version=version, dry_before_start=None)) == {}
    again = change_over(procedure_version=version, dry_before_start=False, ended_at=BEGUN + 20 * MINUTE)
    assert "not-dry" in missing(again)


def test_what_was_left_of_the_product_before_is_told(change_over: Any):
    told = missing(change_over(clearance={"product": True, "packaging": False}))
    assert set(told) == {"line-not-cleared", "not-counted"}
    reasons = lines.shortcomings(Changeover.objects.get())
    assert [reason.field for reason in reasons[:2]] == ["clearance.packaging", "clearance.labels"]


def test_without_a_count_the_old_packaging_and_labels_are_not_reconciled(change_over: Any):
    told = missing(change_over(clearance=CLEARED | {"none_issued": False}))
    assert set(told) == {"not-counted"}
    assert "packaging and labels" in told["not-counted"]


def test_counts_and_nothing_to_count_do_not_go_together(change_over: Any):
    with pytest.raises(Unusable) as refused:
        change_over(clearance=CLEARED | {"counts": [{"what": "Labels", "issued": "1", "used": "1"}]})
    assert [reason.code for reason in refused.value.reasons] == ["contradictory"]


@pytest.mark.parametrize(("returned", "told"), [("20", None), ("19", "1 missing"), ("22", "2 too many")])
def test_counts_come_out_even_or_it_is_told(change_over: Any, returned: str, told: str | None):
    count = {"what": "Labels", "issued": "200", "used": "178", "spoiled": "2", "returned": returned}
    found = missing(change_over(clearance=CLEARED | {"none_issued": False, "counts": [count]}))
    assert found == ({} if told is None else {"not-reconciled": f"Labels: {told} by the count."})


def test_one_that_nobody_ended_is_recorded(change_over: Any):
    assert set(missing(change_over(ended_at=None))) == {"not-ended"}


def test_a_procedure_for_other_equipment_is_told(change_over: Any, establishment: Any):
    belt = Equipment.objects.create(establishment=establishment, code="B-1", name="Belt", kind="belt")
    assert set(missing(change_over(equipment=[belt]))) == {"procedure-not-for-this"}


def test_a_superseded_version_is_told(change_over: Any, approve: Any, wet_version: Any):
    approve(wet_version.document | {"minutes": "50"})
    assert set(missing(change_over(procedure_version=wet_version))) == {"procedure-not-in-force"}


def test_what_follows_must_be_said(change_over: Any):
    with pytest.raises(Unusable, match="made next"):
        change_over(to_material=None)


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"ended_at": BEGUN - MINUTE}, "ended_at"),
        ({"equipment": []}, "equipment"),
        ({"steps": [{"step": "POLISH", "done_at": BEGUN}]}, "steps.0.step"),
        ({"clearance": {"counts": [{"what": "Labels", "issued": "-1"}]}}, "clearance.counts.0.issued"),
        ({"clearance": {"counts": [{"what": "Labels", "issued": "1.5"}]}}, "clearance.counts.0.issued"),
        ({"clearance": {"counts": [{"what": "", "issued": "1"}]}}, "clearance.counts.0.what"),
    ],
)
def test_what_cannot_be_read_is_refused(change_over: Any, values: dict[str, Any], field: str):
    with pytest.raises(Unusable) as caught:
        change_over(**values)
    assert [reason.field for reason in caught.value.reasons] == [field]
    assert not Changeover.objects.exists()


def test_equipment_of_another_house_is_not_there(change_over: Any, elsewhere: Any):
    foreign = Equipment.objects.create(establishment=elsewhere, code="T-9", name="Table", kind="table")
    with pytest.raises(Unknown):
        change_over(equipment=[foreign])


def test_a_repeat_is_one_changeover(change_over: Any, act: Any):
    said = act(at=BEGUN, id=uuid7())
    assert change_over(said).pk == change_over(said).pk
    assert Changeover.objects.count() == 1


# --- overlaps


def test_overlapping_changeovers_of_one_table_are_recorded_and_told(change_over: Any, act: Any):
    one, other = change_over(), change_over(act(at=BEGUN + 10 * MINUTE))
    (reason,) = [each for each in lines.shortcomings(one) if each.code == "overlapping-changeover"]
    assert reason.ids == [str(other.pk)]
    assert "overlapping-changeover" in missing(other)


def test_one_after_the_other_is_no_overlap(change_over: Any, act: Any):
    one = change_over()
    later = change_over(act(at=ENDED), ended_at=ENDED + HOUR)
    assert "overlapping-changeover" not in {**missing(one), **missing(later)}


def test_two_that_begin_at_once_overlap(change_over: Any):
    one = change_over(ended_at=BEGUN)
    change_over(ended_at=BEGUN)
    assert "overlapping-changeover" in missing(one)


def test_one_that_never_ended_overlaps_whatever_comes_after(change_over: Any, act: Any):
    change_over(ended_at=None)
    assert "overlapping-changeover" in missing(
        change_over(act(at=ENDED + 9 * HOUR), ended_at=ENDED + 10 * HOUR)
    )


def test_other_equipment_at_the_same_time_is_no_overlap(change_over: Any, establishment: Any):
    one = change_over()
    other = Equipment.objects.create(establishment=establishment, code="T-2", name="Table", kind="table")
    assert missing(change_over(equipment=[other])) == missing(one) == {}


def test_a_withdrawn_one_overlaps_nothing(change_over: Any, act: Any):
    one, other = change_over(), change_over()
    recording.withdraw(act=act(corrects=other.pk, reason="Entered twice."))
    assert missing(one) == {}


def test_a_corrected_one_does_not_overlap_itself(change_over: Any, act: Any):
    first = change_over(ended_at=None)
    mended = change_over(act(at=BEGUN, corrects=first.pk, reason="It had ended."))
    assert missing(mended) == {}


# --- what was on the equipment meanwhile


def test_a_batch_that_was_on_it_meanwhile_is_told(change_over: Any, begin: Any, table: Equipment):
    batch = begin(equipment=[table])
    assert "equipment-occupied" in missing(change_over(from_batch=batch))


def test_a_batch_that_ended_before_is_no_matter(change_over: Any, begin: Any, end: Any, table: Equipment):
    batch = begin(equipment=[table])
    end(batch, at=BEGUN)
    assert missing(change_over(from_batch=batch)) == {}


# --- correcting and withdrawing


def test_what_was_shown_stays_shown_when_the_changeover_is_corrected(
    changed_over: Changeover, change_over: Any, act: Any, free: Any
):
    said = act(at=BEGUN, corrects=changed_over.pk, reason="Another batch before.")
    assert free(change_over(said)).basis


def test_a_correction_lets_the_release_fall_and_its_break_counts_no_more(
    changed_over: Changeover, change_over: Any, act: Any, free: Any, table: Equipment, breaks: Any
):
    release = free(changed_over)
    assert len(breaks(table)) == 1
    change_over(act(at=BEGUN, corrects=changed_over.pk, reason="Wrong time."))
    release.refresh_from_db()
    assert release.corrected_by.withdrawn
    assert breaks(table) == []
    assert CleaningBreak.objects.filter(equipment=table).count() == 1


def test_a_withdrawal_lets_the_release_fall(
    changed_over: Changeover, act: Any, free: Any, table: Equipment, breaks: Any
):
    free(changed_over)
    recording.withdraw(act=act(corrects=changed_over.pk, reason="Another table."))
    assert breaks(table) == []


def test_a_withdrawn_changeover_is_not_released(changed_over: Changeover, act: Any, free: Any):
    recording.withdraw(act=act(at=NOON + 2 * HOUR, corrects=changed_over.pk, reason="Another table."))
    with pytest.raises(RuleBroken) as refusal:
        free(changed_over)
    assert "withdrawn" in {reason.code for reason in refusal.value.reasons}
    assert "withdrawn" in {reason.code for reason in releasing.missing(changed_over)}


def test_the_line_of_corrections_goes_back_to_the_first(change_over: Any, act: Any):
    first = change_over()
    second = change_over(act(at=BEGUN, corrects=first.pk, reason="a"))
    third = change_over(act(at=BEGUN, corrects=second.pk, reason="b"))
    assert lines.line_of(third) == [third.pk, second.pk, first.pk]


def test_from_batch_is_kept(change_over: Any, batch: Batch):
    assert change_over(from_batch=batch).from_batch == batch
