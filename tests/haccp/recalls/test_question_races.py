"""Two who answer whether to recall, or ship meanwhile, at the same moment. PostgreSQL only: SQLite has one writer at a time."""

import threading
from collections.abc import Callable
from typing import Any
from unittest.mock import patch

import pytest
from django.db import connection, transaction
from django.utils import timezone

from batches import lots
from batches.models import Lot
from haccp import deviations
from haccp.deviations import Touched
from haccp.models import HoldSubject, RecallQuestion, RecallVerdict
from haccp.recalls import questions
from ledger.models import Person
from tests.conftest import NOON
from tests.haccp.conftest import HOUR
from tests.ledger.test_races import PATIENCE, Worker, while_the_first_is_not_committed

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(
        connection.vendor == "sqlite", reason="SQLite keeps writers apart by itself (IMMEDIATE)"
    ),
]


@pytest.fixture
def more(make_lot: Any, batch: Any) -> Lot:
    """A second lot of the batch that made the sweets."""
    return make_lot(batch, quantity="1")


@pytest.fixture
def question(sweets: Lot, more: Lot, shop: Any, ship: Any, act: Any, batch: Any) -> RecallQuestion:
    """The batch is held after some of its first lot was shipped."""
    lots.decide(act=act(at=NOON - HOUR), lots=[sweets], status="released", because=sweets.birth)
    ship(sweets, shop)
    deviations.report(act=act(at=NOON + HOUR), title="Grit", hold=Touched(HoldSubject.BATCH, batch.uid))
    return RecallQuestion.objects.get()


@pytest.fixture
def decide(act: Any, lead: Person, proof: Any, question: RecallQuestion) -> Callable[..., RecallVerdict]:
    def do(because: str = "It came back unopened.") -> RecallVerdict:
        at = timezone.now().astimezone(NOON.tzinfo)
        return questions.decide(act=act(lead, at=at), proof=proof, question=question, because=because)

    return do


def open_now(question: RecallQuestion) -> bool:
    return questions.open_ones(RecallQuestion.objects.filter(pk=question.pk)).exists()


def test_of_two_who_decide_at_once_both_are_kept_and_the_later_one_stands(
    decide: Any, question: RecallQuestion
) -> None:
    first, second = while_the_first_is_not_committed(decide, lambda: decide("None was opened."))
    assert first.recorded_at < second.recorded_at
    assert list(question.verdicts.order_by("recorded_at")) == [first, second]


def test_a_verdict_while_more_is_shipped_decides_on_that_too(
    decide: Any, ship: Any, shop: Any, more: Lot, question: RecallQuestion
) -> None:
    _, verdict = while_the_first_is_not_committed(lambda: ship(more, shop, "0.5"), decide)
    assert str(more.uid) in verdict.lots


def test_what_is_shipped_while_somebody_decides_opens_the_question_again(
    decide: Any, ship: Any, shop: Any, more: Lot, question: RecallQuestion
) -> None:
    verdict, _ = while_the_first_is_not_committed(decide, lambda: ship(more, shop, "0.5"))
    assert str(more.uid) not in verdict.lots
    assert open_now(question)


def test_without_the_lock_a_lot_would_be_lost_between_the_two(
    decide: Any, ship: Any, shop: Any, more: Lot, question: RecallQuestion
) -> None:
    """Shows that the tests above can fail: nobody decided on the lot, and nobody is asked."""
    shipped, decided = threading.Event(), threading.Event()

    def ship_and_wait() -> None:
        with transaction.atomic():
            ship(more, shop, "0.5")
            shipped.set()
            decided.wait(PATIENCE)

    shipping = Worker(ship_and_wait)
    assert shipped.wait(PATIENCE)
    with patch("haccp.recalls.questions.lock_material"):
        verdict = decide()
    decided.set()
    shipping.result()
    assert str(more.uid) not in verdict.lots
    assert not open_now(question)
