"""Where lots lie and how much of them: sums over what was done."""

from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from batches import stock, storing, using
from batches.flags import Flag
from batches.models import LotState
from batches.stock import _carry
from tests.conftest import NOON


@pytest.fixture
def shelf(make_place):
    return make_place("Shelf")


@pytest.fixture
def cellar(make_place):
    return make_place("Cellar")


@pytest.fixture
def shelved(receive, release, shelf):
    """Ten kilograms on the shelf, released."""
    lot = receive(to_place=shelf).lot
    release(lot)
    return lot


def places(lot):
    return stock.by_place([lot]).get(lot.pk, {})


def test_a_lot_lies_where_it_was_received_to(shelved, shelf):
    assert places(shelved) == {shelf.pk: 10_000_000}


def test_moving_some_divides_a_lot_over_two_places_and_leaves_its_stock(shelved, shelf, cellar, act):
    storing.move(act=act(), lot=shelved, quantity="4", unit="KGM", from_place=shelf, to_place=cellar)
    assert places(shelved) == {shelf.pk: 6_000_000, cellar.pk: 4_000_000}
    assert LotState.objects.get(lot=shelved).on_hand == 10_000_000


def test_what_is_taken_without_saying_where_leaves_the_only_place(shelved, shelf, act, batch):
    using.use(act=act(), lot=shelved, batch=batch, quantity="1", unit="KGM")
    assert places(shelved) == {shelf.pk: 9_000_000}


def test_what_is_taken_from_one_of_several_places_unsaid_stands_apart(shelved, shelf, cellar, act, batch):
    storing.move(act=act(), lot=shelved, quantity="4", unit="KGM", to_place=cellar)
    using.use(act=act(), lot=shelved, batch=batch, quantity="1", unit="KGM")
    assert places(shelved) == {shelf.pk: 6_000_000, cellar.pk: 4_000_000, None: -1_000_000}


def test_moving_from_one_of_several_places_unsaid_is_flagged(shelved, cellar, shelf, act):
    storing.move(act=act(), lot=shelved, quantity="4", unit="KGM", to_place=cellar)
    again = storing.move(act=act(), lot=shelved, quantity="1", unit="KGM", to_place=shelf)
    assert again.flags == [Flag.PLACES_UNCLEAR]


def test_a_count_in_one_place_expects_what_lay_there(shelved, shelf, cellar, act):
    storing.move(
        act=act(at=NOON - timedelta(hours=1)), lot=shelved, quantity="4", unit="KGM", to_place=cellar
    )
    movement = storing.count(act=act(), lot=shelved, quantity="3.5", unit="KGM", in_place=cellar)
    assert (movement.effect, movement.flags) == (-500_000, [Flag.PLACES_UNCLEAR])
    assert places(shelved) == {shelf.pk: 6_000_000, cellar.pk: 3_500_000}


def test_where_a_lot_lay_can_be_asked_of_the_past(shelved, shelf, cellar, act):
    storing.move(act=act(), lot=shelved, quantity="10", unit="KGM", to_place=cellar)
    before = stock.by_place([shelved], at=NOON - timedelta(hours=1))
    assert (before[shelved.pk], places(shelved)) == ({shelf.pk: 10_000_000}, {cellar.pk: 10_000_000})


def test_a_place_lists_what_lies_in_it(shelved, shelf, cellar, act, receive):
    receive(to_place=cellar)
    used_up = receive(to_place=shelf).lot
    storing.destroy(act=act(), lot=used_up, quantity="10", unit="KGM")
    assert stock.in_place(shelf) == [(shelved, 10_000_000)]


moves = st.lists(
    st.tuples(
        st.sampled_from(["received", "returned", "made", "used", "moved", "shipped", "destroyed", "counted"]),
        st.integers(0, 10**9),
        st.integers(-(10**9), 10**9),
        st.sampled_from(["a", "b", None]),
        st.sampled_from(["a", "b", None]),
    )
)


@given(moves)
def test_the_places_of_a_lot_add_up_to_its_stock(history):
    found, total = {}, 0
    for what, quantity, difference, from_place, to_place in history:
        taken = what in ("used", "shipped", "destroyed")
        effect = {"moved": 0, "counted": difference}.get(what, -quantity if taken else quantity)
        _carry(found, what, quantity, effect, from_place, to_place)
        total += effect
    assert sum(found.values()) == total


@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(grams=st.lists(st.integers(1, 12_000_000), min_size=1, max_size=5))
def test_what_came_in_is_used_counted_off_or_on_hand(grams, receive, act, batch):
    lot = receive().lot
    for amount in grams:
        using.use(act=act(), lot=lot, batch=batch, quantity=str(amount), unit="MGM")
    counted = storing.count(act=act(), lot=lot, quantity="1", unit="KGM")
    assert 10_000_000 - sum(grams) + counted.effect == LotState.objects.get(lot=lot).on_hand == 1_000_000
