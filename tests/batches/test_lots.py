"""The status of lots, the rules their tables keep, and the lock that lets no lot slip past a hold."""

import threading
from contextlib import contextmanager
from datetime import date, timedelta
from unittest.mock import patch

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from batches import codes, lots, movements, using
from batches.locks import lock_material
from batches.models import Lot, LotDecision, LotState, MaterialLock
from batches.signals import lot_made, lots_decided
from config.api.refusals import OtherContent, Unknown, Unusable
from ledger.ids import uuid7
from ledger.models import Entry, Unsealed
from tests.conftest import NOON


def status(lot):
    return LotState.objects.get(lot=lot).status


def an_entry(establishment):
    return Entry.objects.filter(establishment=establishment).latest("id")


# -- deciding ---------------------------------------------------------------------------------------


def test_a_decision_is_a_record_with_its_reason_and_sets_the_status(receive, act, establishment):
    lot, because = receive().lot, an_entry(establishment)
    (decision,) = lots.decide(act=act(), lots=[lot], status="held", because=because)
    assert (status(lot), decision.because) == ("held", because)
    assert Entry.objects.get(pk=decision.pk).digest == decision.digest
    assert Unsealed.objects.filter(entry=decision.pk).exists()


def test_deciding_on_many_lots_costs_as_much_as_on_one(receive, act, establishment):
    many, because = [receive().lot for _ in range(12)], an_entry(establishment)

    def cost(some):
        with CaptureQueriesContext(connection) as queries:
            lots.decide(act=act(), lots=some, status="held", because=because)
        return len(queries)

    assert cost(many[:1]) == cost(many)
    assert {status(lot) for lot in many} == {"held"}


def test_deciding_tells_who_listens(receive, act, establishment):
    lot, heard = receive().lot, []
    listen = lambda **carried: heard.append((carried["lots"], carried["status"]))  # noqa: E731
    lots_decided.connect(listen)
    lots.decide(act=act(), lots=[lot], status="held", because=an_entry(establishment))
    lots_decided.disconnect(listen)
    assert heard == [([lot], "held")]


def test_another_establishments_lot_is_not_decided_on(receive, act, elsewhere, establishment):
    lot = receive().lot
    from dataclasses import replace

    with pytest.raises(Unknown):
        lots.decide(
            act=replace(act(), establishment=elsewhere),
            lots=[lot],
            status="held",
            because=an_entry(establishment),
        )
    assert not LotDecision.objects.exists()


def test_the_last_recorded_decision_counts(receive, release):
    lot = receive().lot
    release(lot, at=NOON)
    release(lot, status="held", at=NOON - timedelta(hours=1))  # a late failing check
    assert status(lot) == "held"
    assert lots.status_when(lot, NOON) == "held"


# -- codes ------------------------------------------------------------------------------------------


def test_batch_codes_count_apart_from_lot_codes(establishment, pillows):
    day = date(2026, 3, 2)
    given = {"establishment": establishment, "material": pillows, "day": day}
    assert codes.next_batch_code(**given) == "B-PIL-26061-1"
    assert codes.next_lot_code(**given) == "PIL-26061-1"
    assert codes.next_batch_code(**given) == "B-PIL-26061-2"


def test_two_materials_with_one_short_name_share_the_running_number(receive, make_material):
    first = receive(material=make_material("Almonds", short_name="NUT")).lot
    second = receive(material=make_material("Walnuts", short_name="NUT")).lot
    assert [first.code, second.code] == ["NUT-26061-1", "NUT-26061-2"]


def test_a_material_has_its_own_pattern(receive, make_material):
    material = make_material("Lemon oil", short_name="LEM", lot_code_pattern="L{n}-{short}")
    assert receive(material=material).lot.code == "L1-LEM"


# -- many records at once ---------------------------------------------------------------------------


def decision_of(act, lot, because, **values):
    return LotDecision.new(act(**values), lot=lot, status="held", because=because)


def test_each_of_many_records_answers_for_itself(receive, act, establishment):
    lot, because, key = receive().lot, an_entry(establishment), uuid7()
    decision_of(act, lot, because, id=key).insert()
    fresh, repeat, other, unusable, twin = (
        decision_of(act, lot, because, id=(twice := uuid7())),
        decision_of(act, lot, because, id=key),
        decision_of(act, lot, because, id=key, note="else"),
        decision_of(act, lot, because, note="\x00"),
        decision_of(act, lot, because, id=twice),
    )
    answers = LotDecision.insert_many([fresh, repeat, other, unusable, twin])
    assert (answers[0], answers[0].repeated, answers[1].pk, answers[1].repeated) == (fresh, False, key, True)
    assert (type(answers[2]), type(answers[3])) == (OtherContent, Unusable)
    assert (answers[4].pk, answers[4].repeated) == (twice, True)
    assert LotDecision.objects.count() == 2


@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite sees one writer at a time")
def test_a_record_that_somebody_else_stored_meanwhile_answers_as_a_repeat(receive, act, establishment):
    lot, because, key = receive().lot, an_entry(establishment), uuid7()
    first = decision_of(act, lot, because, id=key).insert()
    with patch.object(type(LotDecision.objects.all()), "in_bulk", autospec=True) as look:
        look.side_effect = [{}, {key: first}]  # not there when first looked for
        (answer,) = LotDecision.insert_many([decision_of(act, lot, because, id=key)])
    assert (answer.repeated, answer.digest) == (True, first.digest)


# -- the lock ---------------------------------------------------------------------------------------

on_postgresql = pytest.mark.skipif(
    connection.vendor == "sqlite", reason="SQLite keeps writers apart by itself (IMMEDIATE)"
)


@contextmanager
def nobody_locks():
    """Every deed as it would be without the material lock."""
    with patch.object(movements, "lock_material"), patch.object(lots, "lock_material"):
        yield


def hold_the_batch_while_a_lot_is_made(batch, act, pillows):
    """What a failing check does to a batch, while somebody takes another lot out of it.

    The maker is stopped after it has looked at nothing but before it commits; the hold then runs, or waits.
    haccp holds a lot made by a held batch as soon as it is made: ``hold_new`` stands for it.
    """
    at_the_door, may_finish = threading.Event(), threading.Event()
    held_batches = set()

    def hold_new(lot, movement, act, **_):
        if lot.batch_id in held_batches:
            lots.decide(act=act, lots=[lot], status="held", because=movement)
        at_the_door.set()
        may_finish.wait(1)

    def make():
        try:
            using.make(act=act, batch=batch, material=pillows, quantity="10", unit="H87")
        finally:
            connection.close()

    def hold():
        try:
            with transaction.atomic():
                lots.lock_material(act.establishment)
                held_batches.add(batch.pk)
                found = list(Lot.objects.filter(batch=batch))
                because = Entry.objects.filter(establishment=act.establishment).latest("id")
                lots.decide(act=act, lots=found, status="held", because=because)
        finally:
            connection.close()

    lot_made.connect(hold_new)
    try:
        maker, holder = threading.Thread(target=make), threading.Thread(target=hold)
        maker.start()
        at_the_door.wait(5)
        holder.start()
        holder.join(0.5)  # without the lock it is through by now; with it, it waits for the maker
        may_finish.set()
        maker.join()
        holder.join()
    finally:
        lot_made.disconnect(hold_new)
    return set(LotState.objects.filter(lot__batch=batch).values_list("status", flat=True))


@on_postgresql
@pytest.mark.django_db(transaction=True)
def test_no_lot_made_during_a_hold_slips_past_it(make_batch, act, pillows):
    batch = make_batch()
    assert hold_the_batch_while_a_lot_is_made(batch, act(), pillows) == {"held"}


@on_postgresql
@pytest.mark.django_db(transaction=True)
def test_without_the_lock_a_lot_would_slip_past_the_hold(make_batch, act, pillows):
    """Shows that the test above can fail."""
    batch = make_batch()
    with nobody_locks():
        assert hold_the_batch_while_a_lot_is_made(batch, act(), pillows) == {"awaiting"}


@on_postgresql
@pytest.mark.django_db(transaction=True)
def test_two_who_take_the_first_lock_at_once_both_get_it(establishment):
    passed = []

    def take():
        try:
            with transaction.atomic():
                lock_material(establishment)
                passed.append(1)
        finally:
            connection.close()

    threads = [threading.Thread(target=take) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(passed), MaterialLock.objects.count()) == (4, 1)
