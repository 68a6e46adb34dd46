"""Buyers of web orders are kept as long as a recall may need them, and no day longer."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection

from batches.models import Buyer, BuyerForgotten, Lot, LotState, WebOrder
from config.api.refusals import NotAllowed, RuleBroken
from haccp import buyers, deviations, tasks
from haccp.holds import Touched
from haccp.models import HoldSubject, RecallQuestion
from haccp.recalls import deciding, questions
from ledger.models import Establishment, Person
from ledger.models.people import THE_SERVICE
from ledger.signatures import Proof
from tests.conftest import NOON
from tests.haccp.recalls.conftest import LATER
from tests.ledger.test_races import while_the_first_is_not_committed

LONG_AFTER = NOON + timedelta(days=3000)


@pytest.fixture
def kept(order: Any, sweets: Lot, act: Any, lead: Person, proof: Proof) -> WebOrder:
    made: WebOrder = order(sweets)
    LotState.objects.update(status="released")  # whatever case its making opened has been closed
    for question in RecallQuestion.objects.all():
        questions.decide(act=act(lead, at=LATER), proof=proof, question=question, because="Nothing is wrong.")
    return made


@pytest.mark.django_db
class TestSweep:
    def test_the_sweep_forgets_whom_no_recall_can_need(self, kept: WebOrder) -> None:
        assert buyers.sweep(LONG_AFTER) == 1
        record = BuyerForgotten.objects.get()
        assert (Buyer.objects.count(), record.order, record.performed_by.sign_in_name) == (
            0,
            kept,
            THE_SERVICE,
        )

    def test_the_sweep_leaves_whom_one_may_still_need(self, kept: WebOrder) -> None:
        assert (buyers.sweep(LATER), Buyer.objects.count()) == (0, 1)

    def test_the_sweep_run_twice_forgets_nobody_twice(self, kept: WebOrder) -> None:
        assert [buyers.sweep(LONG_AFTER) for _ in range(2)] == [1, 0]

    def test_a_buyer_in_a_recall_is_kept_until_it_has_ended(
        self, act: Any, lead: Person, proof: Proof, kept: WebOrder, decide: Any, freeze: Any, nuts: Lot
    ) -> None:
        recall = decide()
        freeze(recall, nuts)
        LotState.objects.update(status="released")  # not for the hold's sake
        assert buyers.sweep(LONG_AFTER) == 0
        deciding.end(act=act(lead, at=LATER), proof=proof, recall=recall, because="All back.")
        assert buyers.sweep(LONG_AFTER) == 1

    def test_an_exercise_keeps_nobody(self, kept: WebOrder, decide: Any, freeze: Any, nuts: Lot) -> None:
        freeze(decide(is_exercise=True), nuts)
        assert buyers.sweep(LONG_AFTER) == 1

    def test_a_buyer_of_a_held_lot_is_kept(self, act: Any, kept: WebOrder, sweets: Lot) -> None:
        touched = Touched(HoldSubject.LOT, sweets.uid)
        deviations.report(act=act(), title="A screw is missing.", hold=touched)
        assert buyers.sweep(LONG_AFTER) == 0

    def test_a_buyer_is_kept_while_it_is_open_whether_to_recall(
        self, act: Any, lead: Person, proof: Proof, kept: WebOrder, sweets: Lot
    ) -> None:
        touched = Touched(HoldSubject.LOT, sweets.uid)
        case = deviations.report(act=act(), title="A screw is missing.", hold=touched)
        LotState.objects.update(status="released")  # not for the hold's sake
        assert buyers.sweep(LONG_AFTER) == 0
        question = RecallQuestion.objects.get(deviation=case)
        questions.decide(
            act=act(lead, at=LATER), proof=proof, question=question, because="It was found here."
        )
        assert buyers.sweep(LONG_AFTER) == 1

    def test_the_task_asks_the_servers_clock(self, kept: WebOrder) -> None:
        Establishment.objects.update(buyers_kept_days=0)
        tasks.sweep_buyers()
        assert Buyer.objects.count() == 0

    def test_a_lead_forgets_a_buyer_who_asks_for_it(self, act: Any, lead: Person, kept: WebOrder) -> None:
        buyers.forget(act=act(lead), order=kept, because="Asked for it.")
        assert Buyer.objects.count() == 0

    def test_nobody_else_forgets_a_buyer(self, act: Any, operator: Person, kept: WebOrder) -> None:
        with pytest.raises(NotAllowed):
            buyers.forget(act=act(operator), order=kept, because="Asked for it.")

    def test_a_buyer_in_a_recall_is_not_forgotten_when_asked(
        self, act: Any, lead: Person, kept: WebOrder, decide: Any, freeze: Any, nuts: Lot
    ) -> None:
        freeze(decide(), nuts)
        with pytest.raises(RuleBroken) as refused:
            buyers.forget(act=act(lead), order=kept, because="Asked for it.")
        assert refused.value.code == "needed-by-a-recall"


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite keeps writers apart by itself (IMMEDIATE)")
class TestRaces:
    def test_a_buyer_is_not_forgotten_while_a_recall_freezes(
        self, kept: WebOrder, decide: Any, freeze: Any, nuts: Lot
    ) -> None:
        recall = decide()
        _, forgotten = while_the_first_is_not_committed(
            lambda: freeze(recall, nuts), lambda: buyers.sweep(LONG_AFTER)
        )
        assert (forgotten, Buyer.objects.count()) == (0, 1)
