"""Where a trace may begin: which lots are found, and what is said where that is not clear."""

from datetime import timedelta
from uuid import UUID

import pytest

from batches import shipping, using
from batches.models import Occupation
from batches.movements import withdraw
from batches.trace_questions import (
    FromBatch,
    FromEquipment,
    FromLots,
    FromPartner,
    FromSupplierCode,
    Period,
    TraceQuestion,
)
from batches.trace_results import Direction
from config.api.refusals import RuleBroken, Unknown, Unusable
from tests.batches.conftest import HOUR, MORNING
from tests.conftest import NOON, unknown_id


def codes(start, here):
    return [each.uid for each in start.lots(here)]


def test_lots_are_found_by_uid_each_once(establishment, receive):
    first, second = receive().lot, receive().lot
    assert codes(FromLots((second.uid, first.uid, second.uid)), establishment) == [first.uid, second.uid]


def test_every_lot_that_does_not_exist_is_named(establishment, receive, elsewhere):
    known, missing = receive().lot.uid, [unknown_id(), unknown_id()]
    with pytest.raises(Unknown) as refused:
        FromLots((known, *missing)).lots(establishment)
    assert [reason.ids for reason in refused.value.reasons] == [[each] for each in missing]
    with pytest.raises(Unknown):
        FromLots((known,)).lots(elsewhere)


def test_two_deliveries_of_one_supplier_lot_are_both_traced(establishment, receive):
    first, second = receive().lot, receive().lot
    assert codes(FromSupplierCode("N-77"), establishment) == [first.uid, second.uid]
    assert codes(FromSupplierCode("  N-77 "), establishment) == [first.uid, second.uid]


def test_a_supplier_code_that_several_bear_is_refused_with_all_candidates(
    establishment, receive, sugar, make_partner, hazelnuts
):
    other = make_partner("Sugar House", is_supplier=True)
    lots = [receive().lot, receive(material=sugar).lot, receive(supplier=other).lot]
    with pytest.raises(RuleBroken) as refused:
        FromSupplierCode("N-77").lots(establishment)
    assert refused.value.code == "ambiguous-code"
    assert [reason.ids[0] for reason in refused.value.reasons] == [str(lot.uid) for lot in lots]
    assert "Sugar House" in refused.value.reasons[2].detail
    assert codes(FromSupplierCode("N-77", every=True), establishment) == [lot.uid for lot in lots]
    assert codes(FromSupplierCode("N-77", supplier=other.pk), establishment) == [lots[2].uid]
    assert codes(FromSupplierCode("N-77", material=sugar.pk), establishment) == [lots[1].uid]


@pytest.mark.parametrize("written", ["n-77", "N 77", "n77", "N.7/7"])
def test_a_supplier_code_in_other_letters_is_offered_and_not_taken(establishment, receive, written):
    lot = receive().lot
    with pytest.raises(RuleBroken) as refused:
        FromSupplierCode(written).lots(establishment)
    assert [reason.ids[0] for reason in refused.value.reasons] == [str(lot.uid)]


def test_what_is_advised_of_a_supplier_code_in_other_letters_works(establishment, receive, sugar, supplier):
    lots = [receive().lot, receive(material=sugar).lot]
    with pytest.raises(RuleBroken) as refused:
        FromSupplierCode("n-77", supplier=supplier.pk).lots(establishment)
    assert "2 differ from it in capitals, spaces or marks only" in refused.value.detail
    assert "Name the supplier" not in refused.value.detail
    for each, reason in zip(lots, refused.value.reasons, strict=True):
        assert "N-77" in reason.detail
        assert codes(FromLots((UUID(reason.ids[0]),)), establishment) == [each.uid]
    assert codes(FromSupplierCode("n-77", every=True), establishment) == [each.uid for each in lots]
    assert codes(FromSupplierCode("n-77", material=sugar.pk, every=True), establishment) == [lots[1].uid]


def test_an_unknown_supplier_code_is_not_found(establishment, receive):
    receive()
    with pytest.raises(Unknown):
        FromSupplierCode("N-78").lots(establishment)
    with pytest.raises(Unusable):
        FromSupplierCode("  ").lots(establishment)


def test_a_lot_whose_birth_was_withdrawn_is_no_candidate(establishment, receive, act):
    gone = receive()
    withdraw(act=act(corrects=gone.pk, reason="another house's", withdraws=True))
    with pytest.raises(Unknown):
        FromSupplierCode("N-77").lots(establishment)


def test_a_supplier_leads_to_all_received_and_a_customer_to_all_shipped_in_a_period(
    establishment, act, receive, supplier, customer, batch, make_pillows, release
):
    received, made = receive().lot, make_pillows(batch).lot
    release(made)
    shipping.ship(act=act(at=NOON + HOUR), lot=made, customer=customer, quantity="1", unit="H87")
    assert codes(FromPartner(supplier.pk), establishment) == [received.uid]
    assert codes(FromPartner(customer.pk), establishment) == [made.uid]
    assert codes(FromPartner(customer.pk, Period(NOON + HOUR, NOON + HOUR)), establishment) == [made.uid]
    assert codes(FromPartner(customer.pk, Period(until=NOON)), establishment) == []


def test_a_carrier_leads_to_all_they_carried_in_a_period(
    establishment, act, receive, make_partner, customer, batch, make_pillows, release
):
    van = make_partner("Cold Van", is_carrier=True)
    came, other, made = receive(carrier=van).lot, receive().lot, make_pillows(batch).lot
    release(made)
    at = NOON + HOUR
    shipping.ship(act=act(at=at), lot=made, customer=customer, quantity="1", unit="H87", carrier=van)
    assert codes(FromPartner(van.pk), establishment) == [came.uid, made.uid]
    assert codes(FromPartner(van.pk, Period(since=at)), establishment) == [made.uid]
    assert other.uid not in codes(FromPartner(van.pk), establishment)


def test_what_a_customer_sent_back_in_a_period_was_in_their_hands_then(
    establishment, act, customer, batch, make_pillows, release
):
    made = make_pillows(batch).lot
    release(made)
    shipping.ship(act=act(at=NOON + HOUR), lot=made, customer=customer, quantity="2", unit="H87")
    shipping.take_back(act=act(at=NOON + 3 * HOUR), lot=made, customer=customer, quantity="1", unit="H87")
    assert codes(FromPartner(customer.pk, Period(since=NOON + 2 * HOUR)), establishment) == [made.uid]


def test_equipment_leads_to_what_was_made_on_it_in_a_period(establishment, kettle, make_batch, make_pillows):
    early, late = make_batch(), make_batch()
    for batch, since in ((early, MORNING), (late, NOON)):
        Occupation.objects.create(batch=batch, equipment=kettle, since=since, until=since + HOUR)
    first, second = make_pillows(early).lot, make_pillows(late).lot
    assert codes(FromEquipment(kettle.pk), establishment) == [first.uid, second.uid]
    assert codes(FromEquipment(kettle.pk, Period(MORNING + HOUR, NOON - HOUR)), establishment) == [first.uid]
    second_on = Period(since=MORNING + HOUR + timedelta(seconds=1))
    assert codes(FromEquipment(kettle.pk, second_on), establishment) == [second.uid]


def test_a_batch_that_made_nothing_yet_leads_to_what_went_into_it(
    establishment, act, paste, batch, make_pillows
):
    using.use(act=act(), lot=paste, batch=batch, quantity="1", unit="KGM")
    assert codes(FromBatch(batch.uid), establishment) == [paste.uid]
    made = make_pillows(batch).lot
    assert codes(FromBatch(batch.uid), establishment) == [made.uid]


@pytest.mark.parametrize("start", [FromBatch, FromPartner, FromEquipment])
def test_what_does_not_exist_here_is_not_found(start, establishment, elsewhere, batch, supplier, kettle):
    known = {FromBatch: batch.uid, FromPartner: supplier.pk, FromEquipment: kettle.pk}[start]
    start(known).lots(establishment)
    for here, key in ((elsewhere, known), (establishment, unknown_id())):
        with pytest.raises(Unknown):
            start(key).lots(here)


def test_a_question_that_makes_no_sense_is_refused():
    with pytest.raises(Unusable):
        Period(NOON, MORNING)
    for share in (0.0, 1.0, -0.5, float("nan")):
        with pytest.raises(Unusable):
            TraceQuestion(FromLots(()), Direction.BACK, least_share=share)
