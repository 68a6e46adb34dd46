"""How what was used is spread over what was made: nothing lost, nothing made up."""

from datetime import timedelta
from fractions import Fraction

import pytest
from django.core.management import call_command
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from batches import edges, using
from batches.genealogy import Amount, carry, connected, links
from batches.models import Edge, LotState, Movement
from batches.movements import withdraw
from ledger.verification import verify
from tests.conftest import NOON

base_steps = st.integers(min_value=1, max_value=10**13)
amounts = st.lists(st.tuples(base_steps, st.none() | st.integers(0, 10**13)), min_size=1, max_size=8)


def as_amounts(pairs, start):
    return [Amount(start + place, quantity, mass) for place, (quantity, mass) in enumerate(pairs)]


# -- pure -------------------------------------------------------------------------------------------


@given(amounts, amounts)
def test_the_parts_of_a_source_add_up_to_exactly_what_was_used(used, made):
    sources, targets = as_amounts(used, 0), as_amounts(made, 100)
    found = links(sources, targets)
    for source in sources:
        assert sum(link.quantity for link in found if link.source == source.lot) == source.quantity
    assert len(found) == len(sources) * len(targets)


@given(amounts, amounts)
def test_the_shares_of_an_output_add_up_to_one_where_any_mass_is_known(used, made):
    sources, targets = as_amounts(used, 0), as_amounts(made, 100)
    for target in targets:
        total = sum(link.share for link in links(sources, targets) if link.target == target.lot)
        assert total == pytest.approx(1 if any(source.mass for source in sources) else 0, abs=1e-12)


@given(st.lists(base_steps, min_size=1, max_size=8), st.lists(base_steps, min_size=1, max_size=8))
def test_a_part_is_less_than_one_step_from_its_exact_portion(used, made):
    sources = as_amounts([(mass, mass) for mass in used], 0)
    targets = as_amounts([(mass, mass) for mass in made], 100)
    for link in links(sources, targets):
        exact = Fraction(used[link.source] * made[link.target - 100], sum(made))
        assert abs(link.quantity - exact) < 1


def test_a_worked_example():
    """8 kg of paste and 2 kg of sugar, boiled down and cut into slabs of 6 kg and 3 kg; wrappers besides.

    Computed by hand: the slabs take 2/3 and 1/3 of each; the paste is 0.8 of the mass used.
    """
    paste, sugar, wrap = Amount(1, 8_000_000, 8_000_000), Amount(2, 2_000_000, 2_000_000), Amount(3, 10, 0)
    found = links([paste, sugar, wrap], [Amount(4, 6_000_000, 6_000_000), Amount(5, 3_000_000, 3_000_000)])
    assert [link[:4] for link in found] == [
        (1, 4, 5_333_333, 0.8),
        (1, 5, 2_666_667, 0.8),
        (2, 4, 1_333_333, 0.2),
        (2, 5, 666_667, 0.2),
        (3, 4, 7, 0.0),
        (3, 5, 3, 0.0),
    ]
    assert {link[4:] for link in found} == {
        (8_000_000, 8_000_000, 10_000_000, None),
        (2_000_000, 2_000_000, 10_000_000, None),
        (10, 0, 10_000_000, None),
    }


def test_a_link_names_the_batch_that_made_its_source():
    bought, made = Amount(1, 90, 90), Amount(2, 10, 10, maker=7)
    assert [link.maker for link in links([bought, made], [Amount(3, 100, 100, maker=8)])] == [None, 7]


def test_outputs_without_a_known_mass_are_weighed_by_pieces():
    found = links([Amount(1, 90, 90)], [Amount(2, 200, None), Amount(3, 100, None)])
    assert [link.quantity for link in found] == [60, 30]


def test_outputs_of_which_some_have_a_known_mass_are_weighed_alike():
    found = links([Amount(1, 90, 90)], [Amount(2, 200, None), Amount(3, 5_000_000, 5_000_000)])
    assert [link.quantity for link in found] == [45, 45]


def test_nothing_made_yet_means_no_edge():
    assert links([Amount(1, 90, 90)], []) == []
    assert links([], [Amount(1, 90, 90)]) == []


def test_a_share_is_carried_over_every_way():
    found = carry({1: 1.0}, [(1, 2, 0.5), (1, 3, 0.25), (2, 4, 0.5), (3, 4, 0.5), (1, 4, 0.125)])
    assert found.values == {1: 1.0, 2: 0.5, 3: 0.25, 4: 0.5}
    assert (found.generation, found.loop) == ({1: 0, 2: 1, 3: 1, 4: 2}, False)


def test_a_start_that_another_went_into_stays_suspect_as_a_whole_but_adds_up_on_the_way_back():
    ways = [(1, 2, 0.5), (2, 3, 0.5), (1, 3, 0.5)]
    assert carry({1: 1.0, 2: 1.0}, ways, fixed=True).values == {1: 1.0, 2: 1.0, 3: 1.0}
    assert carry({1: 0.5, 2: 0.5}, ways).values == {1: 0.5, 2: 0.75, 3: 0.625}


def test_a_loop_leaves_shares_uncomputed_and_is_reported():
    found = carry({1: 1.0}, [(1, 2, 0.5), (2, 3, 0.5), (3, 2, 0.5), (1, 4, 0.5)])
    assert (found.values, found.loop) == ({1: 1.0, 2: None, 3: None, 4: 0.5}, True)


def test_a_loop_through_the_start_is_reported_too():
    found = carry({1: 1.0}, [(1, 2, 0.5), (2, 1, 0.5)], fixed=True)
    assert (found.values, found.loop) == ({1: 1.0, 2: None}, True)


def test_a_lot_is_connected_with_every_start_it_comes_from_also_round_a_loop():
    ways = [(1, 3, 0.5), (2, 3, 0.5), (3, 4, 0.5), (4, 3, 0.5), (2, 5, 0.5)]
    found = connected([1, 2], ways, carry({1: 1.0, 2: 1.0}, ways).order)
    assert found == {1: 0b01, 2: 0b10, 3: 0b11, 4: 0b11, 5: 0b10}


# -- kept as a table --------------------------------------------------------------------------------


def edge_rows():
    return sorted(Edge.objects.values_list("source", "target", "batch", "quantity", "share"))


@pytest.fixture
def use(act, paste, batch):
    def do(said_act=None, **values):
        usual = {"lot": paste, "batch": batch, "quantity": "2", "unit": "KGM"}
        return using.use(act=said_act or act(), **(usual | values))

    return do


def test_edges_stand_as_soon_as_something_is_made(use, paste, make_pillows, batch):
    use()
    assert edge_rows() == []
    target = make_pillows(batch).lot
    assert edge_rows() == [(paste.pk, target.pk, batch.pk, 2_000_000, 1.0)]


def test_a_late_use_and_a_second_output_are_spread_anew(use, paste, make_pillows, batch, receive, wrappers):
    use()
    first, second = make_pillows(batch).lot, make_pillows(batch, quantity="300").lot
    use(lot=receive(material=wrappers, quantity="400", unit="H87").lot, quantity="400", unit="H87")
    quantities = Edge.objects.order_by("source_id", "target_id").values_list("target", "quantity", "share")
    assert list(quantities) == [
        (first.pk, 500_000, 1.0),
        (second.pk, 1_500_000, 1.0),
        (first.pk, 100, 0.0),
        (second.pk, 300, 0.0),
    ]


def test_pieces_of_food_carry_the_mass_they_had_then(act, make_pillows, make_batch, batch, pillows):
    centres = make_pillows(batch).lot
    pillows.piece_mass_mg = 99
    pillows.save()
    coated = using.use(act=act(), lot=centres, batch=make_batch(), quantity="10", unit="H87")
    assert (coated.mass, centres.movements.get(what="made").mass) == (990, 1_200_000)


def test_the_table_is_rebuilt_from_records_and_compared(use, make_pillows, batch):
    use()
    made = make_pillows(batch).lot
    rows = edge_rows()
    Edge.objects.update(quantity=5)
    LotState.objects.filter(lot=made).update(on_hand=5, status="released")
    found = verify().findings
    assert any(sentence.startswith("edges: ") for sentence in found)
    assert any("on_hand is 5" in sentence for sentence in found)
    call_command("rebuild")
    assert (edge_rows(), verify().findings) == (rows, [])


def test_a_missing_and_a_forged_edge_are_named(use, make_pillows, batch):
    use()
    made = make_pillows(batch).lot
    Edge.objects.all().delete()
    assert "is missing" in verify().findings[0]
    use_edge = {"establishment": batch.establishment, "batch": batch, "quantity": 1, "share": 0}
    use_edge |= {"used": 1, "mass": 0, "of_mass": 0}
    Edge.objects.create(source=made, target=use().lot, **use_edge)
    assert any("records say None" in sentence for sentence in verify().findings)


def test_an_edge_that_names_another_maker_of_its_source_is_named(use, make_pillows, batch):
    use()
    make_pillows(batch)
    assert set(Edge.objects.values_list("maker", flat=True)) == {None}  # the paste was bought
    Edge.objects.update(maker=batch)
    assert any(sentence.startswith("edges: ") and "records say" in sentence for sentence in verify().findings)


def test_an_edge_names_the_batch_that_made_its_source(use, make_pillows, batch, make_batch):
    made = make_pillows(batch).lot
    later = make_batch()
    use(lot=made, batch=later, quantity="10", unit="H87")
    make_pillows(later)
    assert list(Edge.objects.values_list("source", "maker")) == [(made.pk, batch.pk)]


# -- random houses, through the deeds ---------------------------------------------------------------


@st.composite
def houses(draw):
    """Batches in turn: what each uses (places in the list of lots so far) and how many outputs it makes."""
    lots, batches = 3, []
    for _ in range(draw(st.integers(1, 4))):
        used = draw(st.lists(st.integers(0, lots - 1), min_size=1, max_size=4))
        made = draw(st.lists(st.integers(1, 900), min_size=1, max_size=3))
        batches.append((used, made))
        lots += len(made)
    return batches


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(house=houses(), data=st.data())
def test_after_any_history_rebuilt_edges_are_those_that_were_kept(
    house, data, act, receive, make_batch, pillows
):
    with transaction.atomic():
        lots, moves = [receive().lot for _ in range(3)], []
        for used, made in house:
            batch = make_batch()
            moves += [_use(act, lots[place], batch) for place in used]
            for number in made:
                made_lot = using.make(
                    act=act(), batch=batch, material=pillows, quantity=str(number), unit="H87"
                ).lot
                lots.append(made_lot)
        for move in data.draw(st.lists(st.sampled_from(moves), unique_by=id, max_size=3)):
            withdraw(act=act(corrects=move.pk, reason="no", withdraws=True))
        kept = edge_rows()
        edges.rebuild(lots[0].establishment)
        assert edge_rows() == kept
        assert verify().findings == []
        for source in {row[0] for row in kept}:
            used_up = sum(
                Movement.objects.standing().filter(lot=source, what="used").values_list("quantity", flat=True)
            )
            assert sum(row[3] for row in kept if row[0] == source) == used_up
        transaction.set_rollback(True)


def _use(act, lot, batch):
    unit, quantity = ("KGM", "0.7") if lot.material.dimension == "mass" else ("H87", "7")
    return using.use(
        act=act(at=NOON - timedelta(minutes=5)), lot=lot, batch=batch, quantity=quantity, unit=unit
    )
