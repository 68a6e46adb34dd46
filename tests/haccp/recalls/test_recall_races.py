"""Two who work on one recall at the same moment. PostgreSQL only: SQLite lets one writer in at a time."""

from typing import Any
from unittest.mock import patch

import pytest
from django.db import connection

from batches.models import Lot
from config.api.refusals import RuleBroken
from haccp.models import RecallScope
from haccp.recalls import deciding
from ledger.models import Person
from ledger.signatures import Proof
from tests.haccp.recalls.conftest import LATER
from tests.ledger.test_races import while_the_first_is_not_committed

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(
        connection.vendor == "sqlite", reason="SQLite keeps writers apart by itself (IMMEDIATE)"
    ),
]


def test_of_two_who_freeze_the_same_at_once_the_later_is_told_of_the_first(
    decide: Any, freeze: Any, nuts: Lot
) -> None:
    recall = decide()
    first, second = while_the_first_is_not_committed(
        lambda: freeze(recall, nuts), lambda: freeze(recall, nuts)
    )
    assert isinstance(second, RuleBroken)
    assert second.code == "frozen-already"
    assert list(RecallScope.objects.all()) == [first]


def test_without_the_lock_the_database_would_refuse_the_second(decide: Any, freeze: Any, nuts: Lot) -> None:
    """Shows that the test above can fail."""
    recall = decide(is_exercise=True)
    with patch("haccp.recalls.scoping.lock_material"):
        _, second = while_the_first_is_not_committed(
            lambda: freeze(recall, nuts), lambda: freeze(recall, nuts)
        )
    assert not isinstance(second, RuleBroken)
    assert isinstance(second, Exception)


def test_nobody_is_told_of_a_recall_that_ends_meanwhile(
    act: Any, lead: Person, proof: Proof, decide: Any, freeze: Any, tell: Any, nuts: Lot, shop: Any
) -> None:
    recall = decide()
    freeze(recall, nuts)
    _, second = while_the_first_is_not_committed(
        lambda: deciding.end(act=act(lead, at=LATER), proof=proof, recall=recall, because="All back."),
        lambda: tell(recall, shop),
    )
    assert isinstance(second, RuleBroken)
    assert second.code == "ended-already"
