"""Who changes over, releases and starts at the same moment. PostgreSQL only: SQLite lets one writer in at a time."""

from typing import Any

import pytest
from django.db import connection

from batches.models import BatchStart, Equipment
from config.api.refusals import RuleBroken
from haccp.changeovers import procedures
from haccp.models import Changeover, ChangeoverRelease, CleaningProcedureVersion
from ledger import signatures
from ledger.models import Person
from tests.haccp.changeovers import test_starting
from tests.haccp.changeovers.procedures import WET
from tests.ledger.test_races import while_the_first_is_not_committed

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(
        connection.vendor == "sqlite", reason="SQLite keeps writers apart by itself (IMMEDIATE)"
    ),
]
state = test_starting.state
drops_recipe, nutty, start_drops = test_starting.drops_recipe, test_starting.nutty, test_starting.start_drops


def test_of_two_who_release_one_changeover_at_once_the_later_is_told_that_it_is_released(
    changed_over: Changeover, free: Any, table: Equipment, breaks: Any
) -> None:
    first, second = while_the_first_is_not_committed(lambda: free(changed_over), lambda: free(changed_over))
    assert isinstance(second, RuleBroken)
    assert [(each.code, each.ids) for each in second.reasons] == [("released-already", [str(first.pk)])]
    assert [each.because_id for each in breaks(table)] == [first.pk]
    assert ChangeoverRelease.objects.count() == 1


def test_a_start_that_comes_while_the_equipment_is_released_waits_and_is_permitted(
    nutty: Any, changed_over: Changeover, free: Any, start_drops: Any
) -> None:
    _, second = while_the_first_is_not_committed(lambda: free(changed_over), start_drops)
    assert isinstance(second, BatchStart)


def test_of_two_who_approve_one_procedure_at_once_the_later_is_told_that_it_is_approved(
    act: Any, lead: Person
) -> None:
    made = procedures.draft(act=act(lead), code="TWO", name="Twice", document=WET)

    def approve() -> CleaningProcedureVersion:
        return procedures.approve(act=act(lead), procedure=made, proof=signatures.Proof(lead))

    first, second = while_the_first_is_not_committed(approve, approve)
    assert isinstance(second, RuleBroken)
    assert [(each.code, each.ids) for each in second.reasons] == [("unchanged", [str(first.pk)])]
