"""A corrected start or end: what is due, missed, held and released follows; what was recorded stays."""

from collections.abc import Callable
from typing import Any

import pytest

from batches import runs
from batches.models import Batch, BatchEnd, BatchStart, Equipment, Lot, LotState
from haccp import deviations, gates, judging, missed, monitoring
from haccp.deviations import Touched
from haccp.models import Check, Deviation, Hold, HoldSubject, StartPermission
from ledger.models import Person
from tests.haccp.conftest import HOUR, MINUTE, MORNING

METAL = "CP-METAL-1"


@pytest.fixture
def restart(act: Callable[..., Any]) -> Callable[..., None]:
    """The batch began at another time, or on other equipment, than was said."""

    def do(batch: Batch, at: Any, **values: Any) -> None:
        last = BatchStart.objects.standing().get(batch=batch)
        said = act(at=at, corrects=last.pk, reason="Read the wrong clock.")
        runs.correct_start(act=said, batch=batch, quantity="6", unit="KGM", **values)
        batch.state.refresh_from_db()

    return do


@pytest.fixture
def move_end(act: Callable[..., Any]) -> Callable[..., None]:
    def do(batch: Batch, at: Any) -> None:
        last = BatchEnd.objects.standing().get(batch=batch)
        runs.end(act=act(at=at, corrects=last.pk, reason="Read the wrong clock."), batch=batch)
        batch.state.refresh_from_db()

    return do


def states(batch: Batch, now: Any) -> dict[str, str]:
    found = monitoring.of_batch(Batch.objects.get(pk=batch.pk), now)
    return {each.due.occasion: each.state.value for each in found if each.due.spec.code == METAL}


def status(lot: Lot) -> str:
    return LotState.objects.get(lot=lot).status


@pytest.fixture
def released(
    begin: Any, end: Any, make_lot: Any, check_all: Any, lead: Person, accept: Any
) -> tuple[Batch, Lot]:
    """A batch from eight to nine, checked as its plan asks, and its lot released."""
    batch = begin()
    lot = make_lot(batch, at=MORNING + 50 * MINUTE)
    end(batch, at=MORNING + HOUR)
    check_all(batch)
    accept(lot, at=MORNING + 2 * HOUR)
    return batch, lot


def test_checks_are_due_by_the_corrected_start(batch: Batch, act: Any, look: Any, restart: Any):
    look(batch, METAL, said_act=act(at=MORNING + 20 * MINUTE))
    assert states(batch, MORNING + HOUR)["start"] == "missed"
    restart(batch, MORNING + 10 * MINUTE)
    assert states(batch, MORNING + HOUR)["start"] == "made"


def test_the_sweep_reads_the_corrected_start(batch: Batch, restart: Any):
    restart(batch, MORNING + HOUR)
    assert missed.sweep(MORNING + HOUR + 15 * MINUTE) == 0
    restart(batch, MORNING - HOUR)
    missed.sweep(MORNING - HOUR + 16 * MINUTE)
    assert Deviation.objects.filter(slot=f"{METAL} batch start").count() == 1


def test_a_case_of_a_missed_check_outlives_the_time_it_was_missed_by(batch: Batch, restart: Any):
    missed.sweep(MORNING + 20 * MINUTE)
    before = set(Deviation.objects.values_list("pk", flat=True))
    restart(batch, MORNING + 19 * MINUTE)
    assert before
    assert set(Deviation.objects.values_list("pk", flat=True)) == before
    assert not Deviation.objects.filter(closing__isnull=False).exists()


def test_the_permission_stays_as_it_was_recorded(batch: Batch, restart: Any):
    before = StartPermission.objects.get(pk=batch.permission_id).digest
    restart(batch, MORNING + HOUR)
    permission = StartPermission.objects.get()
    assert (permission.digest, permission.performed_at) == (before, MORNING)


def test_a_check_that_now_lies_before_the_run_is_flagged_not_rewritten(
    batch: Batch, act: Any, look: Any, restart: Any
):
    check = look(batch, METAL, said_act=act(at=MORNING + MINUTE), occasion="start")
    restart(batch, MORNING + 5 * MINUTE)
    again = Check.objects.get(pk=check.pk)
    assert (again.flags, judging.run_flags(again), again.digest) == ([], ["before-the-run"], check.digest)


def test_a_check_before_the_run_answers_nothing(batch: Batch, act: Any, look: Any, restart: Any):
    look(batch, METAL, said_act=act(at=MORNING + MINUTE), occasion="start")
    restart(batch, MORNING + 5 * MINUTE)
    assert states(batch, MORNING + HOUR)["start"] == "missed"


def test_a_check_that_now_lies_after_the_run_is_flagged(
    batch: Batch, act: Any, look: Any, end: Any, move_end: Any
):
    end(batch, at=MORNING + 2 * HOUR)
    check = look(batch, METAL, said_act=act(at=MORNING + 2 * HOUR - MINUTE), occasion="end")
    assert judging.run_flags(check) == []
    move_end(batch, MORNING + HOUR)
    assert judging.run_flags(Check.objects.get(pk=check.pk)) == ["after-its-time"]
    assert states(batch, MORNING + 3 * HOUR)["end"] == "missed"


def test_a_check_that_now_lies_in_the_run_keeps_the_flag_of_its_day(
    batch: Batch, act: Any, look: Any, end: Any, move_end: Any
):
    end(batch, at=MORNING + HOUR)
    check = look(batch, METAL, said_act=act(at=MORNING + 2 * HOUR))
    move_end(batch, MORNING + 3 * HOUR)
    again = Check.objects.get(pk=check.pk)
    assert (again.flags, judging.run_flags(again)) == (["after-its-time"], [])


def test_a_late_failing_check_that_the_run_now_covers_still_holds(
    batch: Batch, act: Any, look: Any, end: Any, move_end: Any, make_lot: Any
):
    end(batch, at=MORNING + HOUR)
    look(batch, METAL, good=False, said_act=act(at=MORNING + 2 * HOUR))
    move_end(batch, MORNING + 3 * HOUR)
    assert status(make_lot(batch, at=MORNING + 2 * HOUR)) == "held"
    assert Deviation.objects.filter(closing__isnull=True).count() == 1


@pytest.mark.parametrize("what", ["start", "end", "end withdrawn"])
def test_a_released_lot_awaits_a_decision_again(
    released: Any, act: Any, restart: Any, move_end: Any, what: str
):
    batch, lot = released
    assert status(lot) == "released"
    if what == "start":
        restart(batch, MORNING + MINUTE)
    elif what == "end":
        move_end(batch, MORNING + HOUR + MINUTE)
    else:
        last = BatchEnd.objects.get(batch=batch)
        said = act(corrects=last.pk, reason="It runs still.", withdraws=True)
        runs.withdraw(act=said, batch=batch, kind=BatchEnd)
    assert status(lot) == "awaiting"


def test_a_held_lot_stays_held(released: Any, act: Any, lead: Person, restart: Any):
    batch, lot = released
    deviations.report(act=act(lead), title="A scraper broke.", hold=Touched(HoldSubject.LOT, lot.uid))
    restart(batch, MORNING + MINUTE)
    assert status(lot) == "held"


def test_the_first_end_reopens_nothing(begin: Any, make_lot: Any, release_plainly: Any, end: Any):
    batch = begin()
    lot = make_lot(batch, at=MORNING + MINUTE)
    release_plainly(lot)
    end(batch, at=MORNING + HOUR)
    assert status(lot) == "released"


@pytest.fixture
def release_plainly(act: Any) -> Callable[[Lot], None]:
    from batches import lots
    from ledger.models import Entry

    def do(lot: Lot) -> None:
        lots.decide(act=act(), lots=[lot], status="released", because=Entry.objects.order_by("-id")[0])

    return do


def test_a_hold_on_equipment_reaches_what_the_corrected_start_puts_on_it(
    begin: Any, make_lot: Any, act: Any, lead: Person, kettle: Equipment, restart: Any
):
    batch = begin()
    lot = make_lot(batch, at=MORNING + HOUR)
    deviations.report(act=act(lead), title="Flaking rim.", hold=Touched(HoldSubject.EQUIPMENT, kettle.pk))
    assert status(lot) == "awaiting"
    restart(batch, MORNING, equipment=[kettle])
    assert status(lot) == "held"
    assert Hold.objects.count() == 2


def test_a_hold_on_equipment_reaches_a_batch_noted_on_it_later(
    begin: Any, make_lot: Any, act: Any, lead: Person, kettle: Equipment
):
    batch = begin()
    lot = make_lot(batch, at=MORNING + HOUR)
    deviations.report(act=act(lead), title="Flaking rim.", hold=Touched(HoldSubject.EQUIPMENT, kettle.pk))
    runs.note_equipment(act=act(at=MORNING), batch=batch, equipment=kettle, deed="taken")
    assert status(lot) == "held"


def test_a_corrected_end_is_judged_anew_at_the_release_gate(released: Any, move_end: Any, accept: Any):
    batch, lot = released
    move_end(batch, MORNING + 3 * HOUR)
    with pytest.raises(gates.RuleBroken) as refusal:
        accept(lot, at=MORNING + 4 * HOUR)
    assert {"check-missed"} <= {reason.code for reason in refusal.value.reasons}


def test_the_list_of_checks_shows_both_flags(api: Any, batch: Batch, act: Any, look: Any, restart: Any):
    look(batch, METAL, said_act=act(at=MORNING + MINUTE))
    restart(batch, MORNING + 5 * MINUTE)
    (shown,) = api.ask("checks").json()["results"]
    assert (shown["flags"], shown["run_flags"]) == ([], ["before-the-run"])
