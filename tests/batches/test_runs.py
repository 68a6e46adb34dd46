"""Batches begin, run on equipment, and end; what their records say can be rebuilt at any time."""

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st

from batches import noting, runs
from batches.models import (
    Batch,
    BatchEnd,
    BatchStart,
    BatchState,
    Equipment,
    EquipmentUse,
    Occupation,
)
from batches.projections import rebuild
from config.api.refusals import OtherContent, RuleBroken, Unknown, Unusable
from ledger.ids import uuid7
from ledger.models import AlreadyRecorded
from tests.batches.conftest import HOUR, MORNING
from tests.conftest import NOON

MINUTE = timedelta(minutes=1)


def state(batch):
    return BatchState.objects.get(batch=batch)


def occupied(batch):
    """(equipment name, since, until) of a batch, in order."""
    rows = Occupation.objects.filter(batch=batch).order_by("since", "equipment__name")
    return list(rows.values_list("equipment__name", "since", "until"))


@pytest.fixture
def end(act):
    def do(batch, at=NOON, **said):
        return runs.end(act=act(at=at, **said), batch=batch)

    return do


@pytest.fixture
def note(act):
    """Equipment was taken or freed."""

    def do(batch, equipment, deed, at=NOON, **said):
        return runs.note_equipment(act=act(at=at, **said), batch=batch, equipment=equipment, deed=deed)

    return do


@pytest.fixture
def differences():
    """What the comparison of the projection with the records finds."""
    return lambda: list(runs._compare())


# -- start ------------------------------------------------------------------------------------------


def test_a_batch_bears_the_id_of_its_start_and_pins_recipe_and_plan(begin, approved):
    record = begin()
    assert (record.batch.uid, record.batch.recipe_version) == (record.pk, approved)
    assert (record.batch.plan_version_id, record.batch.birth_id) == (approved.pk, record.pk)
    assert (record.planned, record.entered) == (1000, "1000 H87")


def test_a_batch_code_is_short_name_year_day_of_year_and_running_number(begin):
    assert [begin().code for _ in range(2)] == ["B-PIL-26061-1", "B-PIL-26061-2"]  # 2 March 2026 is day 61


def test_a_batch_has_no_start_without_a_permission(begin):
    batch = begin().batch
    with pytest.raises(IntegrityError), transaction.atomic():
        Batch(
            uid=uuid7(),
            establishment=batch.establishment,
            code="X",
            recipe_version=batch.recipe_version,
            plan_version_id=batch.plan_version_id,
            permission=None,
            birth_id=batch.permission_id,
        ).save(force_insert=True)


def test_a_start_sent_again_is_the_same_batch(act, begin, kettle):
    said = act(at=MORNING, id=uuid7())
    begin(said, equipment=[kettle])
    with pytest.raises(AlreadyRecorded) as known, transaction.atomic():
        begin(said, equipment=[kettle])
    assert (known.value.record.repeated, Batch.objects.count()) == (True, 1)


def test_the_order_in_which_equipment_is_named_says_nothing(act, begin, kettle, table):
    said = act(at=MORNING, id=uuid7())
    begin(said, equipment=[kettle, table])
    with pytest.raises(AlreadyRecorded), transaction.atomic():
        begin(said, equipment=[table, kettle, table])
    assert Occupation.objects.count() == 2


def test_a_start_with_the_same_id_and_another_amount_is_refused(act, begin):
    said = act(at=MORNING, id=uuid7())
    begin(said)
    with pytest.raises(OtherContent):
        begin(said, quantity="900")
    assert BatchStart.objects.get().planned == 1000


@pytest.mark.parametrize(
    ("quantity", "unit", "field"),
    [("0", "H87", "quantity"), ("-1", "H87", "quantity"), ("NaN", "H87", "quantity"), ("12", "KGM", "unit")],
)
def test_an_amount_that_cannot_be_is_refused(begin, quantity, unit, field):
    with pytest.raises(Unusable) as refused:
        begin(quantity=quantity, unit=unit)
    assert refused.value.reasons[0].field == field
    assert not Batch.objects.exists()


def test_another_establishments_equipment_is_not_found(begin, elsewhere):
    theirs = Equipment.objects.create(establishment=elsewhere, code="K", name="Kettle", kind="kettle")
    with pytest.raises(Unknown) as refused:
        begin(equipment=[theirs])
    assert refused.value.reasons[0].field == "equipment"


def test_a_start_does_not_correct_another(act, begin):
    first = begin()
    with pytest.raises(RuleBroken) as refused:
        begin(act(at=MORNING, corrects=first.pk, reason="typed wrong"))
    assert refused.value.code == "corrects-a-start"


def test_a_corrected_start_moves_the_batch_and_its_equipment(act, begun, kettle, table, differences):
    runs.correct_start(
        act=act(at=MORNING - HOUR, corrects=begun.uid, reason="clock"),
        batch=begun,
        quantity="900",
        unit="H87",
        equipment=[table],
    )
    assert state(begun).started_at == MORNING - HOUR
    assert occupied(begun) == [("Table", MORNING - HOUR, None)]
    assert BatchStart.objects.standing().get(batch=begun).planned == 900
    assert differences() == []


def test_a_start_is_not_corrected_to_after_the_end(act, begun, end):
    end(begun)
    with pytest.raises(Unusable) as refused:
        runs.correct_start(
            act=act(at=NOON + MINUTE, corrects=begun.uid, reason="clock"),
            batch=begun,
            quantity="1",
            unit="H87",
        )
    assert refused.value.reasons[0].field == "performed_at"


@pytest.mark.parametrize("said", [{}, {"corrects": True, "reason": "x", "withdraws": True}])
def test_correcting_a_start_names_it_and_does_not_withdraw_it(act, begun, said):
    said = said | ({"corrects": begun.uid} if said else {})
    with pytest.raises(RuleBroken) as refused:
        runs.correct_start(act=act(at=MORNING, **said), batch=begun, quantity="1", unit="H87")
    assert refused.value.code == "nothing-to-correct"


# -- end --------------------------------------------------------------------------------------------


def test_an_end_frees_the_equipment(begun, end):
    end(begun)
    assert state(begun).ended_at == NOON
    assert occupied(begun) == [("Kettle", MORNING, NOON)]


def test_a_late_end_counts_from_when_it_was(begun, end):
    end(begun, at=MORNING + HOUR)
    assert state(begun).ended_at == MORNING + HOUR


def test_an_end_sent_again_is_the_same(begun, end):
    key = uuid7()
    end(begun, id=key)
    assert end(begun, id=key).repeated
    assert BatchEnd.objects.count() == 1


def test_a_batch_ends_once(begun, end):
    end(begun)
    with pytest.raises(RuleBroken) as refused:
        end(begun, at=NOON + HOUR)
    assert refused.value.code == "ended-already"


def test_an_end_before_the_start_contradicts_itself(begun, end):
    with pytest.raises(Unusable) as refused:
        end(begun, at=MORNING - MINUTE)
    assert refused.value.reasons[0].field == "performed_at"
    assert not BatchEnd.objects.exists()


def test_a_batch_may_end_the_moment_it_began(begun, end):
    assert end(begun, at=MORNING).performed_at == MORNING


def test_a_corrected_end_moves(begun, end, differences):
    first = end(begun)
    end(begun, at=NOON + HOUR, corrects=first.pk, reason="clock")
    assert state(begun).ended_at == NOON + HOUR
    assert differences() == []


def test_a_withdrawn_end_lets_the_batch_run_on(act, begun, end, differences):
    first = end(begun)
    said = act(corrects=first.pk, reason="wrong batch", withdraws=True)
    runs.withdraw(act=said, batch=begun, kind=BatchEnd)
    assert state(begun).ended_at is None
    assert occupied(begun) == [("Kettle", MORNING, None)]
    assert end(begun, at=NOON + HOUR).performed_at == NOON + HOUR
    assert differences() == []


def test_an_end_of_one_batch_is_not_corrected_into_another(begin, begun, end):
    first, other = end(begun), begin().batch
    with pytest.raises(RuleBroken) as refused:
        end(other, corrects=first.pk, reason="wrong batch")
    assert refused.value.code == "corrects-another-batch"


def test_what_was_noted_of_another_batch_is_not_withdrawn_here(act, begin, begun, end):
    first, other = end(begun), begin().batch
    said = act(corrects=first.pk, reason="wrong batch", withdraws=True)
    with pytest.raises(Unknown):
        runs.withdraw(act=said, batch=other, kind=BatchEnd)


@pytest.mark.parametrize(
    ("at", "ran"),
    [
        (MORNING - timedelta(microseconds=1), False),
        (MORNING, True),
        (NOON, True),
        (NOON + timedelta(microseconds=1), False),
    ],
)
def test_a_batch_ran_from_its_start_to_its_end(begun, end, at, ran):
    end(begun)
    assert runs.was_running(Batch.objects.get(pk=begun.pk), at) is ran


def test_a_batch_without_an_end_still_runs(begun):
    assert runs.was_running(Batch.objects.get(pk=begun.pk), NOON + 1000 * HOUR)


# -- parts ------------------------------------------------------------------------------------------


def test_a_part_has_a_number_of_its_own_in_its_batch(act, begin, begun):
    runs.open_part(act=act(), batch=begun, number=1, name="Boil 1")
    runs.open_part(act=act(), batch=begin().batch, number=1, name="Boil 1")
    with pytest.raises(RuleBroken) as refused:
        runs.open_part(act=act(), batch=begun, number=1, name="Slab 1")
    assert refused.value.code == "part-taken"


def test_a_part_sent_again_is_the_same(act, begun):
    said = act(id=uuid7())
    runs.open_part(act=said, batch=begun, number=1, name="Boil 1")
    assert runs.open_part(act=said, batch=begun, number=1, name="Boil 1").repeated


@pytest.mark.parametrize("name", ["", "a\nb", "x" * 61])
def test_a_part_has_a_name_of_one_line(act, begun, name):
    with pytest.raises(Unusable) as refused:
        runs.open_part(act=act(), batch=begun, number=1, name=name)
    assert refused.value.reasons[0].field == "name"


def test_a_part_is_not_corrected(act, begun):
    part = runs.open_part(act=act(), batch=begun, number=1, name="Boil 1")
    with pytest.raises(RuleBroken) as refused:
        runs.open_part(act=act(corrects=part.pk, reason="x"), batch=begun, number=2, name="Boil 2")
    assert refused.value.code == "a-part-is-not-corrected"


# -- equipment --------------------------------------------------------------------------------------


def test_equipment_is_taken_and_freed_while_the_batch_runs(begun, table, kettle, note):
    note(begun, table, "taken", MORNING + HOUR)
    note(begun, kettle, "freed", MORNING + 2 * HOUR)
    assert occupied(begun) == [
        ("Kettle", MORNING, MORNING + 2 * HOUR),
        ("Table", MORNING + HOUR, None),
    ]


def test_equipment_taken_again_is_occupied_twice(begun, kettle, note):
    note(begun, kettle, "freed", MORNING + HOUR)
    note(begun, kettle, "taken", MORNING + 2 * HOUR)
    assert occupied(begun) == [("Kettle", MORNING, MORNING + HOUR), ("Kettle", MORNING + 2 * HOUR, None)]


def test_equipment_that_was_heated_before_the_start_is_occupied_from_then(begun, kettle, note):
    note(begun, kettle, "taken", MORNING - HOUR)
    assert occupied(begun) == [("Kettle", MORNING - HOUR, None)]


def test_taking_what_the_batch_is_on_already_does_not_shorten_it(begun, kettle, note):
    note(begun, kettle, "taken", NOON)
    assert occupied(begun) == [("Kettle", MORNING, None)]


def test_freeing_what_was_not_taken_changes_nothing(begun, kettle, table, note):
    note(begun, table, "freed")
    note(begun, kettle, "freed", MORNING - HOUR)
    assert occupied(begun) == [("Kettle", MORNING, None)]


def test_equipment_taken_after_the_end_was_on_it_for_no_time(begun, table, note, end):
    end(begun)
    note(begun, table, "taken", NOON + HOUR)
    assert occupied(begun)[1] == ("Table", NOON + HOUR, NOON + HOUR)


def test_a_withdrawn_use_never_was(act, begun, table, note, differences):
    use = note(begun, table, "taken")
    runs.withdraw(act=act(corrects=use.pk, reason="x", withdraws=True), batch=begun, kind=EquipmentUse)
    assert occupied(begun) == [("Kettle", MORNING, None)]
    assert differences() == []


def test_equipment_is_taken_or_freed_and_nothing_else(begun, table, note):
    with pytest.raises(Unusable) as refused:
        note(begun, table, "polished")
    assert refused.value.reasons[0].field == "deed"


def conflicts(equipment, at=NOON, **more):
    return [(c.equipment.name, c.batch, c.since) for c in runs.equipment_conflicts(equipment, at, **more)]


def test_occupied_equipment_is_named_with_the_batch_that_is_on_it(begun, kettle, table):
    assert conflicts([kettle, table]) == [("Kettle", begun, MORNING)]


def test_shared_equipment_is_never_in_the_way(begin, make_equipment):
    store = make_equipment("Cold store", shared=True)
    begin(equipment=[store])
    assert conflicts([store]) == []


def test_a_batch_is_not_in_its_own_way(begun, kettle):
    assert conflicts([kettle], but=begun) == []


@pytest.mark.parametrize(
    ("at", "free"), [(NOON, True), (NOON - MINUTE, False), (MORNING, False), (MORNING - MINUTE, True)]
)
def test_equipment_is_free_outside_the_run_of_a_batch_that_ended(begun, kettle, end, at, free):
    end(begun)
    assert (conflicts([kettle], at) == []) is free


def test_a_batch_that_began_later_and_still_runs_is_in_the_way_of_an_earlier_start(begun, kettle):
    assert conflicts([kettle], MORNING - HOUR) == [("Kettle", begun, MORNING)]


# -- steps, readings, trim --------------------------------------------------------------------------


def test_a_step_ends_after_it_begins(act, begun):
    noting.note_step(act=act(), batch=begun, step="COOK", ended_at=NOON)
    with pytest.raises(Unusable) as refused:
        noting.note_step(act=act(), batch=begun, step="COOK", ended_at=NOON - MINUTE)
    assert refused.value.reasons[0].field == "ended_at"


def test_a_part_of_another_batch_is_not_found(act, begin, begun):
    other = runs.open_part(act=act(), batch=begin().batch, number=1, name="Boil 1")
    own = runs.open_part(act=act(), batch=begun, number=1, name="Boil 1")
    for deed, values, field in (
        (noting.note_step, {"step": "COOK", "part": other}, "part"),
        (noting.note_quality, {"what": "colour", "value": "amber", "part": other}, "part"),
        (noting.return_trim, {"from_part": other, "to_part": own}, "from_part"),
        (noting.return_trim, {"from_part": own, "to_part": other}, "to_part"),
    ):
        extra = {"quantity": "1", "unit": "KGM"} if deed is noting.return_trim else {}
        with pytest.raises(Unknown) as refused:
            deed(act=act(), batch=begun, **values, **extra)
        assert refused.value.reasons[0].field == field


def test_trim_is_kept_in_milligrams_and_may_go_back_into_its_own_part(act, begun):
    part = runs.open_part(act=act(), batch=begun, number=1, name="Boil 1")
    trim = noting.return_trim(
        act=act(), batch=begun, from_part=part, to_part=part, quantity="250.5", unit="GRM"
    )
    assert (trim.quantity, trim.entered) == (250_500, "250.5 GRM")


@pytest.mark.parametrize(
    ("quantity", "unit", "field"),
    [("3", "H87", "unit"), ("1", "LTR", "unit"), ("0", "KGM", "quantity"), ("1e309", "KGM", "quantity")],
)
def test_trim_is_weighed(act, begun, quantity, unit, field):
    part = runs.open_part(act=act(), batch=begun, number=1, name="Boil 1")
    with pytest.raises(Unusable) as refused:
        noting.return_trim(act=act(), batch=begun, from_part=part, to_part=part, quantity=quantity, unit=unit)
    assert refused.value.reasons[0].field == field


@pytest.mark.parametrize("field", ["what", "value", "unit"])
def test_a_quality_reading_is_one_line(act, begun, field):
    values = {"what": "colour", "value": "amber", "unit": ""} | {field: "a\x07"}
    with pytest.raises(Unusable) as refused:
        noting.note_quality(act=act(), batch=begun, **values)
    assert refused.value.reasons[0].field == field


def test_another_establishments_batch_is_not_found(act, begun, elsewhere, make_person):
    there = replace(act(), establishment=elsewhere)
    for deed, values in (
        (runs.end, {}),
        (runs.open_part, {"number": 1, "name": "Boil"}),
        (noting.note_step, {"step": "COOK"}),
        (noting.note_quality, {"what": "colour", "value": "amber"}),
    ):
        with pytest.raises(Unknown):
            deed(act=there, batch=begun, **values)


# -- projection -------------------------------------------------------------------------------------

TIMES = st.integers(-3, 6).map(lambda hours: MORNING + hours * HOUR)
HISTORY = st.lists(st.tuples(st.sampled_from(["taken", "freed"]), st.integers(0, 1), TIMES), max_size=6)


@given(history=HISTORY, ended=st.none() | st.integers(0, 6))
def test_whatever_was_noted_no_equipment_is_doubly_occupied_or_for_less_than_no_time(history, ended):
    keys = [uuid7(), uuid7()]
    begun = BatchStart(performed_at=MORNING, equipment=[str(keys[0])], batch_id=1)
    uses = [EquipmentUse(equipment_id=keys[n], deed=deed, performed_at=at) for deed, n, at in history]
    uses.sort(key=lambda use: use.performed_at)
    end_at = None if ended is None else MORNING + ended * HOUR
    found = sorted(runs._occupations(begun, uses, end_at), key=lambda row: (str(row.equipment_id), row.since))
    assert all(row.until is None or row.until >= row.since for row in found)
    if end_at is not None:
        assert all(row.until is not None for row in found)
    for one, next_one in pairwise(found):
        if one.equipment_id == next_one.equipment_id:
            assert one.until is not None
            assert one.until <= next_one.since


def test_rebuilt_states_are_those_that_were_kept(act, begin, begun, kettle, table, note, end, establishment):
    note(begun, table, "taken")
    note(begun, kettle, "freed", NOON + MINUTE)
    end(begun, NOON + HOUR)
    second = begin(equipment=[kettle]).batch
    kept = [(occupied(batch), state(batch).started_at, state(batch).ended_at) for batch in (begun, second)]
    Occupation.objects.all().delete()
    BatchState.objects.all().delete()
    assert rebuild(establishment)["batch states"] == 2
    assert [(occupied(b), state(b).started_at, state(b).ended_at) for b in (begun, second)] == kept


@pytest.mark.parametrize(
    ("harm", "says"),
    [
        (lambda batch: BatchState.objects.update(started_at=NOON), "state"),
        (lambda batch: BatchState.objects.all().delete(), "state"),
        (lambda batch: Occupation.objects.all().delete(), "equipment"),
        (lambda batch: Occupation.objects.update(until=NOON), "equipment"),
        (lambda batch: Occupation.objects.update(within_hours=24), "equipment"),
    ],
)
def test_a_projection_that_is_not_as_records_say_is_found(begun, differences, harm, says):
    assert differences() == []
    harm(begun)
    assert [says in sentence and str(begun.uid) in sentence for sentence in differences()] == [True]


def test_comparing_costs_the_same_for_one_batch_as_for_ten(begin, kettle, differences):
    def cost():
        with CaptureQueriesContext(connection) as queries:
            assert differences() == []
        return len(queries)

    begin(equipment=[kettle])
    alone = cost()
    for _ in range(9):
        begin(equipment=[kettle])
    assert cost() == alone
