"""The sweep for checks that were not made in time: one deviation each, once."""

import threading
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection, connections

from batches.models import Batch, Lot, LotState
from haccp import deviations, missed, tasks
from haccp.models import Deviation, Hold
from ledger.people import service_person
from tests.haccp.conftest import HOUR, MINUTE, MORNING

SOON = MORNING + 16 * MINUTE  # the metal detector's start check is missed, and the label's


def cases(code: str) -> list[Deviation]:
    return [case for case in Deviation.objects.order_by("recorded_at") if case.slot.startswith(code)]


def test_a_missed_ccp_check_opens_a_deviation_with_hold(batch: Batch, make_lot: Callable[..., Lot]):
    lot = make_lot(batch)
    missed.sweep(SOON)
    (case,) = cases("CP-METAL-1")
    assert case.holds.get().lots == [str(lot.uid)]
    assert LotState.objects.get(lot=lot).status == "held"


def test_it_is_the_service_that_notes_it(batch: Batch):
    missed.sweep(SOON)
    assert cases("CP-METAL-1")[0].performed_by == service_person()


def test_a_missed_oprp_check_asks_for_the_reason_and_holds_nothing(
    batch: Batch, make_lot: Callable[..., Lot]
):
    make_lot(batch)
    missed.sweep(SOON)
    assert not cases("CP-LABEL-1")[0].holds.exists()


def test_the_sweep_run_twice_opens_nothing_twice(batch: Batch):
    assert missed.sweep(SOON) == 2
    assert missed.sweep(SOON) == 0
    assert Deviation.objects.count() == 2


def test_each_missed_check_has_a_deviation_of_its_own(batch: Batch):
    missed.sweep(MORNING + 2 * HOUR + 16 * MINUTE)
    assert len(cases("CP-METAL-1")) == 3  # start, and two in between


def test_a_check_that_was_made_opens_nothing(batch: Batch, act: Any, look: Any):
    for code in ("CP-METAL-1", "CP-LABEL-1"):
        look(batch, code, said_act=act(at=MORNING + MINUTE))
    assert missed.sweep(SOON) == 0


def test_what_was_made_before_the_last_good_check_is_not_held(
    batch: Batch, act: Any, look: Any, make_lot: Callable[..., Lot]
):
    early = make_lot(batch, at=MORNING)
    look(batch, said_act=act(at=MORNING + MINUTE))
    missed.sweep(MORNING + HOUR + 16 * MINUTE)
    assert str(early.uid) not in deviations.held_under(cases("CP-METAL-1")[0])


def test_a_late_entry_of_a_check_made_in_time_leaves_the_deviation(batch: Batch, act: Any, look: Any):
    missed.sweep(SOON)
    look(batch, said_act=act(at=MORNING + MINUTE))
    assert missed.sweep(SOON) == 0
    assert len(cases("CP-METAL-1")) == 1


def test_a_forgotten_batch_does_not_open_cases_without_end(batch: Batch):
    missed.sweep(MORNING + timedelta(days=30))
    count = Deviation.objects.count()
    assert missed.sweep(MORNING + timedelta(days=60)) == 0
    assert len(cases("CP-METAL-1")) == 9  # the start and eight in a row
    assert count == Deviation.objects.count()


def test_a_batch_that_ended_long_ago_is_looked_at_while_a_lot_awaits_a_decision(
    batch: Batch, make_lot: Callable[..., Lot], end: Any
):
    lot = make_lot(batch, at=MORNING + MINUTE)
    end(batch, at=MORNING + 10 * MINUTE)
    late = MORNING + timedelta(days=60)
    assert missed.sweep(late) > 0
    Lot.objects.get(pk=lot.pk)


def test_a_batch_that_ended_long_ago_and_left_nothing_open_is_left_alone(batch: Batch, end: Any):
    end(batch, at=MORNING + 10 * MINUTE)
    assert missed.sweep(MORNING + timedelta(days=60)) == 0


def test_one_batch_that_cannot_be_looked_at_does_not_keep_the_others_away(
    begin: Any, monkeypatch: pytest.MonkeyPatch, caplog: Any
):
    one, other = begin(), begin()
    real = missed.open_missed

    def fail(batch: Batch, now: Any) -> Any:
        if batch == one:
            raise ValueError("boom")
        return real(batch, now)

    monkeypatch.setattr(missed, "open_missed", fail)
    missed.sweep(SOON)
    assert {case.subject for case in Deviation.objects.all()} == {other.uid}
    assert str(one.uid) in caplog.text


def test_the_task_is_the_sweep(batch: Batch):
    tasks.sweep_missed_checks()  # on the server's clock, long after
    assert cases("CP-METAL-1")


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer at a time")
def test_two_sweeps_at_once_open_nothing_twice(batch: Batch):
    counts: list[int] = []

    def sweep() -> None:
        try:
            counts.append(missed.sweep(MORNING + 2 * HOUR + 16 * MINUTE))
        finally:
            connections.close_all()

    threads = [threading.Thread(target=sweep) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(counts) == 4
    assert len(cases("CP-METAL-1")) == 3
    assert Hold.objects.filter(deviation__in=cases("CP-METAL-1")).count() == 3
