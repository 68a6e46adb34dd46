"""Whether what came of a lot or material is known to have gone or to be there."""

from datetime import timedelta
from itertools import pairwise
from typing import Any

import pytest

from batches import mass_balance, movements, receiving, shipping, storing, using
from batches.models import Lot, LotState, LotStatus
from tests.conftest import NOON

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def lot(act: Any, sugar: Any, supplier: Any) -> Lot:
    """25 kg of sugar, received at noon."""
    received = receiving.receive(
        act=act(at=NOON), material=sugar, supplier=supplier, supplier_code="N-1", quantity="25", unit="KGM"
    )
    return received.lot


def test_what_is_on_hand_and_never_counted_is_accounted_for_and_says_so(lot: Lot):
    found = mass_balance.of_lot(lot)
    assert (found.closing, found.gap, found.counted_at) == (25_000_000, 0, None)
    assert found.accounted == found.in_all


def test_everything_that_went_is_a_line_of_its_own(act: Any, lot: Lot, make_batch: Any):
    using.use(act=act(at=NOON), lot=lot, batch=make_batch(), quantity="5", unit="KGM")
    storing.sample(act=act(at=NOON), lot=lot, quantity="0.2", unit="KGM")
    storing.destroy(act=act(at=NOON), lot=lot, quantity="1", unit="KGM")
    found = mass_balance.of_lot(lot)
    assert found.went == {"used": 5_000_000, "sampled": 200_000, "destroyed": 1_000_000}
    assert (
        found.opening + sum(found.came.values()) == sum(found.went.values()) + found.closing + found.missing
    )


def test_what_a_count_does_not_find_is_unexplained(act: Any, lot: Lot):
    storing.count(act=act(at=NOON + DAY), lot=lot, quantity="24", unit="KGM")
    found = mass_balance.of_lot(lot)
    assert (found.missing, found.gap, found.counted_at) == (1_000_000, 1_000_000, NOON + DAY)


def test_more_shipped_than_made_is_a_gap_and_not_accounted_twice(act: Any, lot: Lot, customer: Any):
    LotState.objects.filter(lot=lot).update(status=LotStatus.RELEASED)
    shipping.ship(
        act=act(at=NOON), lot=lot, customer=customer, quantity="26", unit="KGM", already_happened=True
    )
    found = mass_balance.of_lot(lot)
    assert (found.closing, found.gap) == (-1_000_000, -1_000_000)


def test_a_withdrawn_movement_is_in_no_balance(act: Any, lot: Lot):
    done = storing.destroy(act=act(at=NOON), lot=lot, quantity="1", unit="KGM")
    movements.withdraw(act=act(corrects=done.pk, reason="Not this lot", withdraws=True))
    assert mass_balance.of_lot(lot).went == {}


def test_a_period_opens_with_what_was_there_before(act: Any, lot: Lot, establishment: Any, sugar: Any):
    storing.destroy(act=act(at=NOON + DAY), lot=lot, quantity="1", unit="KGM")
    ((material, found),) = mass_balance.of_period(establishment, since=NOON + DAY / 2, until=NOON + 2 * DAY)
    assert material == sugar
    assert (found.opening, found.came, found.went) == (25_000_000, {}, {"destroyed": 1_000_000})


def test_the_end_of_a_period_is_not_in_it(lot: Lot, establishment: Any):
    assert mass_balance.of_period(establishment, since=NOON - DAY, until=NOON) == []


def test_periods_that_follow_each_other_close_on_each_other(act: Any, lot: Lot, establishment: Any):
    storing.destroy(act=act(at=NOON + DAY), lot=lot, quantity="1", unit="KGM")
    ends = [NOON - DAY, NOON + DAY / 2, NOON + 2 * DAY]
    (_, first), (_, second) = (
        mass_balance.of_period(establishment, since=since, until=until)[0] for since, until in pairwise(ends)
    )
    assert first.closing == second.opening


def test_a_period_costs_two_statements_for_any_number_of_materials(
    act: Any, lot: Lot, make_material: Any, supplier: Any, establishment: Any, django_assert_num_queries: Any
):
    for number in range(5):
        receiving.receive(
            act=act(at=NOON),
            material=make_material(f"Nut {number}"),
            supplier=supplier,
            quantity="1",
            unit="KGM",
        )
    with django_assert_num_queries(2):
        assert len(mass_balance.of_period(establishment, since=NOON - DAY, until=NOON + DAY)) == 6
