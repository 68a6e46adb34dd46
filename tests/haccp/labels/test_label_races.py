"""Who works on labels at the same moment. PostgreSQL only: SQLite lets one writer in at a time."""

from collections.abc import Callable
from datetime import date
from typing import Any
from unittest.mock import patch

import pytest
from django.db import connection

from batches.models import Lot, LotState, LotStatus, Material
from config.api.refusals import RuleBroken
from haccp.allergens import content, statements
from haccp.models import Label, LabelVersion
from ledger.models import Establishment, Person
from tests.haccp.labels import test_release
from tests.ledger.test_races import while_the_first_is_not_committed

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(
        connection.vendor == "sqlite", reason="SQLite keeps writers apart by itself (IMMEDIATE)"
    ),
]
lot, release, state = test_release.lot, test_release.release, test_release.state


def approve_twice(make_label: Callable[..., Label], approve: Callable[..., LabelVersion]) -> Any:
    label = make_label()
    return while_the_first_is_not_committed(lambda: approve(label), lambda: approve(label))


def test_of_two_who_approve_one_draft_at_once_the_later_is_told_that_it_is_approved(
    make_label: Callable[..., Label], approve: Callable[..., LabelVersion]
) -> None:
    first, second = approve_twice(make_label, approve)
    assert isinstance(second, RuleBroken)
    assert [(each.code, each.ids) for each in second.reasons] == [("unchanged", [str(first.pk)])]
    assert list(LabelVersion.objects.all()) == [first]


def test_without_the_lock_on_the_label_the_database_would_refuse_the_second(
    make_label: Callable[..., Label], approve: Callable[..., LabelVersion]
) -> None:
    """Shows that the test above can fail."""
    with patch.object(Label.objects, "select_for_update", lambda **_: Label.objects.all()):
        _, second = approve_twice(make_label, approve)
    assert "label_versions_are_numbered_once" in str(second)


def test_two_who_state_the_opposite_of_one_material_at_once_are_both_kept_and_it_contains(
    establishment: Establishment, sugar: Material, act: Any, lead: Person, receive: Any
) -> None:
    lot = receive()

    def say(word: str) -> Any:
        return statements.record(
            act=act(lead),
            material=sugar,
            says=[{"allergen": "milk", "says": word, "because": "their sheet"}],
            document="Sheet 7",
            document_day=date(2026, 2, 1),
            in_force_from=date(2026, 2, 1),
        )

    both = while_the_first_is_not_committed(lambda: say("contains"), lambda: say("free-of"))
    assert {each.pk for each in statements.standing([sugar.pk])} == {each.pk for each in both}
    assert "milk" in content.of_lots(establishment, [lot])[lot.pk].contains


def test_a_statement_that_comes_while_a_lot_is_released_holds_it(lot: Lot, release: Any, state: Any) -> None:
    """Read before the release was committed, a lot that bears no label yet would be none to hold."""
    state()
    source = lot.batch.movements.get(what="used").lot
    answers = while_the_first_is_not_committed(lambda: release(lot), lambda: state(source, egg="contains"))
    assert not [each for each in answers if isinstance(each, Exception)]
    assert LotState.objects.get(lot=lot).status == LotStatus.HELD
