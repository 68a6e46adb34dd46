"""A notice and a receipt at the same moment. PostgreSQL only: SQLite lets one writer in at a time."""

import threading
from typing import Any
from unittest.mock import patch

import pytest
from django.db import connection, transaction

from batches.models import LotState, LotStatus
from haccp.models import Deviation, Hold, NoticeArrived
from ledger.ids import uuid7
from tests.haccp.recalls.conftest import LATER
from tests.ledger.test_races import PATIENCE, Worker, while_the_first_is_not_committed

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(
        connection.vendor == "sqlite", reason="SQLite keeps writers apart by itself (IMMEDIATE)"
    ),
]


def test_the_same_notice_entered_twice_at_once_is_one_notice_and_one_case(
    take_in: Any, receive: Any, act: Any
) -> None:
    receive(supplier_code="HN-7")
    same = act(at=LATER, id=uuid7())
    first, second = while_the_first_is_not_committed(lambda: take_in(same), lambda: take_in(same))
    assert (second.pk, second.repeated) == (first.pk, True)
    assert (NoticeArrived.objects.count(), Deviation.objects.count(), Hold.objects.count()) == (1, 1, 1)


def test_a_receipt_while_a_notice_is_taken_in_is_held(take_in: Any, receive: Any) -> None:
    _, lot = while_the_first_is_not_committed(take_in, lambda: receive(supplier_code="HN-7"))
    assert LotState.objects.get(lot=lot).status == LotStatus.HELD


def test_a_notice_while_a_receipt_is_recorded_finds_it(take_in: Any, receive: Any) -> None:
    lot, notice = while_the_first_is_not_committed(lambda: receive(supplier_code="HN-7"), take_in)
    assert [row["code"] for row in notice.found] == [lot.code]


def test_without_the_lock_the_receipt_would_slip_past(take_in: Any, receive: Any) -> None:
    """Shows that the tests above can fail."""
    with (
        patch("batches.movements.lock_material"),
        patch("batches.lots.lock_material"),
        patch("haccp.recalls.arriving.lock_material"),
    ):
        received, taken_in = threading.Event(), threading.Event()

        def receive_and_wait() -> Any:
            with transaction.atomic():
                lot = receive(supplier_code="HN-7")
                received.set()
                taken_in.wait(PATIENCE)
                return lot

        receiving = Worker(receive_and_wait)
        assert received.wait(PATIENCE)
        notice = take_in()
        taken_in.set()
        lot = receiving.result()
    assert notice.found == []
    assert LotState.objects.get(lot=lot).status == LotStatus.AWAITING
