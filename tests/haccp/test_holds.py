"""What a hold reaches: by batch, part, lot, equipment, area, instrument, supplier's lot; then and later."""

import threading
from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest
from django.db import connection, connections

from batches.models import Area, Batch, Equipment, Lot, LotState
from config.api.refusals import Unknown
from haccp import checks, deviations, holds
from haccp.deviations import Touched
from haccp.models import Check, Deviation, Hold, HoldSubject
from ledger.ids import uuid7
from tests.haccp.conftest import HOUR, MINUTE, MORNING, water


def held(*lots: Lot) -> list[bool]:
    return [LotState.objects.get(lot=lot).status == "held" for lot in lots]


@pytest.fixture
def hold(act: Any) -> Callable[..., Deviation]:
    def do(kind: str, subject: Any, since: datetime | None = None) -> Deviation:
        return deviations.report(act=act(), title="Something.", hold=Touched(kind, subject, since))

    return do


@pytest.fixture
def equipment(establishment: Any) -> Callable[..., Equipment]:
    def make(code: str, area: Area | None = None) -> Equipment:
        return Equipment.objects.create(
            establishment=establishment, code=code, name=code, kind="tool", area=area
        )

    return make


# --- then


def test_a_batch_hold_reaches_its_lots_only(begin: Any, make_lot: Any, hold: Any):
    one, other = begin(), begin()
    lots = make_lot(one), make_lot(other)
    hold("batch", one.uid)
    assert held(*lots) == [True, False]


def test_a_hold_reaches_what_was_made_of_it(begin: Any, make_lot: Any, use: Any, hold: Any):
    first, second = begin(), begin()
    rework = make_lot(first, at=MORNING + MINUTE)
    use(rework, second)
    made_of_it = make_lot(second)
    hold("lot", rework.uid)
    assert held(rework, made_of_it) == [True, True]


def test_a_rejected_lot_stays_rejected(act: Any, lead: Any, batch: Batch, make_lot: Any, hold: Any):
    lot = make_lot(batch)
    case = hold("lot", lot.uid)
    deviations.dispose(act=act(lead), deviation=case, lot=lot, decision="reject", because="Wet.")
    hold("batch", batch.uid)
    assert LotState.objects.get(lot=lot).status == "rejected"


def test_equipment_reaches_lots_of_batches_that_were_on_it_since(
    begin: Any, end: Any, make_lot: Any, equipment: Any, hold: Any
):
    table = equipment("T-1")
    early = begin(equipment=[table])
    old = make_lot(early, at=MORNING + MINUTE)
    end(early, at=MORNING + HOUR)
    late = begin(at=MORNING + 2 * HOUR, equipment=[table])
    new = make_lot(late)
    elsewhere = make_lot(begin())
    hold("equipment", table.pk, MORNING + HOUR + MINUTE)
    assert held(old, new, elsewhere) == [False, True, False]


def test_other_equipment_that_was_freed_does_not_hide_a_batch(
    act: Any, begin: Any, make_lot: Any, equipment: Any, hold: Any
):
    from batches import runs

    kettle, table = equipment("K-2"), equipment("T-1")
    batch = begin(equipment=[kettle, table])
    runs.note_equipment(act=act(at=MORNING + HOUR), batch=batch, equipment=kettle, deed="freed")
    lot = make_lot(batch)
    hold("equipment", table.pk, MORNING + 2 * HOUR)
    assert held(lot) == [True]


def test_an_area_reaches_what_was_on_its_equipment(
    establishment: Any, begin: Any, make_lot: Any, equipment: Any, hold: Any
):
    room = Area.objects.create(establishment=establishment, code="A-1", name="Kitchen")
    inside = make_lot(begin(equipment=[equipment("T-1", room)]))
    outside = make_lot(begin(equipment=[equipment("T-2")]))
    hold("area", room.pk)
    assert held(inside, outside) == [True, False]


def test_an_instrument_reaches_what_it_was_used_to_check_since(
    act: Any, begin: Any, make_lot: Any, measure: Any, meter: Any, hold: Any
):
    before, after, never = begin(), begin(), begin()
    lots = [make_lot(each) for each in (before, after, never)]
    measure(before, said_act=act(at=MORNING + HOUR))
    measure(after, said_act=act(at=MORNING + 3 * HOUR))
    hold("instrument", meter.pk, MORNING + 2 * HOUR)
    assert held(*lots) == [False, True, False]


def test_a_suppliers_lot_reaches_every_delivery_that_bears_its_code(receive: Any, hold: Any):
    lots = [receive(supplier_code="N-77"), receive(supplier_code="N-77"), receive(supplier_code="N-78")]
    hold("supplier-lot", lots[0].uid)
    assert held(*lots) == [True, True, False]


def test_a_delivery_without_a_suppliers_code_stands_alone(receive: Any, hold: Any):
    lots = [receive(), receive()]
    hold("supplier-lot", lots[0].uid)
    assert held(*lots) == [True, False]


@pytest.mark.parametrize("kind", HoldSubject.values)
def test_what_is_not_there_is_unknown(batch: Batch, hold: Any, kind: str):
    with pytest.raises(Unknown):
        hold(kind, uuid7())
    assert not Hold.objects.exists()


# --- later


def test_a_lot_made_after_the_hold_is_held_with_its_batch(batch: Batch, make_lot: Any, hold: Any):
    case = hold("batch", batch.uid)
    lot = make_lot(batch)
    assert held(lot) == [True]
    assert str(lot.uid) in deviations.held_under(case)


def test_a_lot_made_without_a_part_said_is_held_with_a_part(
    batch: Batch, open_part: Any, make_lot: Any, hold: Any
):
    part, other = open_part(batch, 1), open_part(batch, 2)
    hold("part", part.pk)
    assert held(make_lot(batch), make_lot(batch, part=part), make_lot(batch, part=other)) == [
        True,
        True,
        False,
    ]


def test_a_lot_made_of_what_was_held_meanwhile_is_held(
    batch: Batch, receive: Any, accept: Any, use: Any, make_lot: Any, hold: Any
):
    sugar = accept(receive())
    use(sugar, batch)
    hold("lot", sugar.uid)
    assert held(make_lot(batch)) == [True]


def test_a_use_that_is_entered_late_brings_what_was_made_of_it_under_the_hold(
    batch: Batch, receive: Any, accept: Any, use: Any, make_lot: Any, hold: Any
):
    sugar, lot = accept(receive()), make_lot(batch)
    hold("lot", sugar.uid)
    assert held(lot) == [False]
    use(sugar, batch, at=MORNING + HOUR)
    assert held(lot) == [True]


def test_a_lot_of_a_batch_still_on_held_equipment_is_held(
    begin: Any, make_lot: Any, equipment: Any, hold: Any
):
    table = equipment("T-1")
    batch = begin(equipment=[table])
    hold("equipment", table.pk)
    assert held(make_lot(batch)) == [True]


def test_what_is_made_after_the_case_was_closed_is_free(batch: Batch, make_lot: Any, hold: Any, settle: Any):
    settle(hold("batch", batch.uid))
    assert held(make_lot(batch)) == [False]


def test_each_new_lot_is_added_once(batch: Batch, make_lot: Any, hold: Any):
    case = hold("batch", batch.uid)
    make_lot(batch)
    make_lot(batch)
    assert [len(each.lots) for each in case.holds.order_by("recorded_at", "id")] == [0, 1, 1]


# --- at the same time


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer at a time")
def test_a_lot_made_while_a_check_fails_is_held(
    act: Any, batch: Batch, make_lot: Any, point: Any, meter: Any, monkeypatch: pytest.MonkeyPatch
):
    """The check has looked at the batch's lots and not committed yet when the lot is made."""
    looked, made = threading.Event(), threading.Event()
    real = holds.touched_by

    def slow(*args: Any) -> Any:
        found = real(*args)
        if not looked.is_set():
            looked.set()
            made.wait(2)
        return found

    monkeypatch.setattr(holds, "touched_by", slow)
    subject = checks.Subject(point("CP-AW-2"), batch=batch, instrument=meter)
    said = act()

    def fail() -> None:
        try:
            checks.record(act=said, subject=subject, said=water("0.7"))
        finally:
            connections.close_all()

    thread = threading.Thread(target=fail)
    thread.start()
    assert looked.wait(10)
    lot = make_lot(batch)
    made.set()
    thread.join(20)
    assert Check.objects.get().result == "outside"
    assert held(lot) == [True]
