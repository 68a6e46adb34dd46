"""Two who answer one proposed receipt at the same moment. PostgreSQL only: SQLite lets one writer in at a time."""

from contextlib import ExitStack
from typing import Any
from unittest.mock import patch

import pytest
from django.db import connection

from batches.despatches import proposing
from batches.despatches.lines import Despatch, Line
from batches.models import Lot, Material, ProposalAnswer, ProposedReceipt, TradingPartner
from config.api.refusals import RuleBroken
from tests.ledger.test_races import while_the_first_is_not_committed

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(
        connection.vendor == "sqlite", reason="SQLite keeps writers apart by itself (IMMEDIATE)"
    ),
]


@pytest.fixture
def proposal(act: Any, supplier: TradingPartner) -> ProposedReceipt:
    read = {"lot": "N-77", "quantity": "25", "unit": "KGM"}
    line = Line("D-1/1", "row 2", {"read": read})
    file = proposing.File("note.csv", "0" * 64)
    return proposing.propose(act=act(), supplier=supplier, file=file, despatch=Despatch([line], [])).new[0]


@pytest.fixture
def confirm(act: Any, proposal: ProposedReceipt, hazelnuts: Material) -> Any:
    return lambda: proposing.confirm(act=act(), proposal=proposal, material=hazelnuts)


def test_of_two_who_confirm_the_same_line_at_once_the_later_is_refused_and_one_lot_came(confirm: Any) -> None:
    first, second = while_the_first_is_not_committed(confirm, confirm)
    assert isinstance(second, RuleBroken)
    assert second.code == "answered-before"
    assert list(ProposalAnswer.objects.all()) == [first]
    assert Lot.objects.count() == 1


def test_who_declines_what_is_confirmed_meanwhile_is_told(
    act: Any, proposal: ProposedReceipt, confirm: Any
) -> None:
    _, second = while_the_first_is_not_committed(
        confirm, lambda: proposing.decline(act=act(), proposal=proposal, because="Never came.")
    )
    assert isinstance(second, RuleBroken)
    assert proposing.states([proposal])[proposal.pk].state == "confirmed"


def test_without_the_lock_only_the_database_would_refuse_the_second(
    act: Any, proposal: ProposedReceipt, confirm: Any
) -> None:
    """Shows that the tests above can fail: the one who declines would be told of a broken constraint."""
    with ExitStack() as stack:
        for module in ("despatches.proposing", "movements", "lots"):
            stack.enter_context(patch(f"batches.{module}.lock_material"))
        _, second = while_the_first_is_not_committed(
            confirm, lambda: proposing.decline(act=act(), proposal=proposal, because="Never came.")
        )
    assert isinstance(second, Exception)
    assert not isinstance(second, RuleBroken)
