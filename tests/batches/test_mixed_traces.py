"""Traces through places that are topped up before they are empty: who may be concerned, and in which shares nobody knows."""

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches import shipping, traces
from batches.carry_over import Hazard
from batches.mixed_places import MixedPlaces
from batches.models import Batch, Lot, Occupation, StoragePlace, TradingPartner
from batches.trace_questions import FromLots, TraceQuestion
from batches.trace_results import Direction, Trace
from batches.whereabouts import whereabouts
from ledger.models import Establishment
from tests.batches.conftest import HOUR, MORNING
from tests.batches.test_mixed_places import bulk_bin, put, use  # noqa: F401

pytestmark = pytest.mark.django_db


@pytest.fixture
def made(put: Any, use: Any, make_batch: Any, make_pillows: Any) -> dict[str, Lot]:  # noqa: F811
    """``first`` and ``second`` lie in the bin; pillows are made of 1 kg that was taken out as the second."""
    first, second, batch = put(0), put(1), make_batch()
    use(second, batch, 2)
    return {"first": first, "second": second, "pillows": make_pillows(batch).lot}


def named(lots: dict[str, Lot], trace: Trace) -> dict[str, Any]:
    names = {lot.uid: name for name, lot in lots.items()}
    return {names[lot.uid]: lot for lot in trace.lots}


def sides(lots: dict[str, Lot], trace: Trace) -> dict[str, str]:
    return {name: str(lot.side) for name, lot in named(lots, trace).items()}


def test_forward_a_lot_may_be_in_what_was_taken_out_under_the_name_of_another(made: dict[str, Lot]):
    trace = traces.forward(made["first"])
    found = named(made, trace)
    assert sides(made, trace) == {"first": "start", "second": "maybe-forward", "pillows": "maybe-forward"}
    assert [found[name].share for name in ("first", "second", "pillows")] == [1.0, None, None]


def test_back_a_lot_may_hold_another_and_names_its_supplier(made: dict[str, Lot], supplier: TradingPartner):
    trace = traces.back(made["pillows"])
    assert sides(made, trace) == {"first": "maybe-back", "second": "back", "pillows": "start"}
    came = {each.lot for each in trace.consignments if each.what == "received"}
    assert came == {made["first"].uid, made["second"].uid}


def test_how_it_was_mixed_is_told_by_place_time_and_what_was_taken_out(
    made: dict[str, Lot],
    bulk_bin: StoragePlace,  # noqa: F811
):
    trace = traces.back(made["pillows"])
    earlier, later = trace.mixes
    assert (earlier.lots, earlier.mixes) == ((made["first"].uid,), ())
    assert (later.lots, later.mixes) == ((made["second"].uid,), (earlier.number,))
    assert (later.place, later.place_code, later.since) == (bulk_bin.pk, bulk_bin.code, MORNING + HOUR)
    (taken,) = trace.taken_as
    assert (taken.lot, taken.batch, taken.mixes) == (
        made["second"].uid, made["pillows"].batch.uid, (later.number,)
    )  # fmt: skip


def test_a_share_that_rests_on_a_name_says_so(made: dict[str, Lot], use: Any, make_pillows: Any):  # noqa: F811
    ahead = named(made, traces.forward(made["second"]))
    assert (ahead["pillows"].share, ahead["pillows"].share_by_name) == (1.0, 1.0)
    behind = named(made, traces.back(made["pillows"]))
    assert (behind["second"].part, behind["second"].part_by_name) == (1.0, 1.0)


def test_a_share_half_of_which_came_from_a_shelf_rests_on_a_name_by_half(
    act: Any,
    put: Any,  # noqa: F811
    use: Any,  # noqa: F811
    batch: Batch,
    make_pillows: Any,
    make_place: Any,
):
    """By hand: 1 kg of the lot from the shelf, where it lay alone, and 1 kg from the bin, in two batches, then both in one."""
    put(0)
    lot = put(1)
    apart = put(1, to_place=make_place("Shelf"))
    use(lot, batch, 2)
    use(apart, batch, 2, from_place=apart.movements.get(what="received").to_place)
    pillows = make_pillows(batch).lot
    here, start = lot.establishment, FromLots((lot.uid, apart.uid))
    found = traces.trace(here, TraceQuestion(start, Direction.FORWARD))
    (told,) = [each for each in found.lots if each.uid == pillows.uid]
    assert (told.share, told.share_by_name, told.starts) == (1.0, 0.5, 2)


def test_the_mass_closes_and_what_rests_on_a_name_is_stated_apart(
    act: Any, made: dict[str, Lot], release: Any, customer: TradingPartner
):
    """By hand, in kg: of 10 that came 9 lie in the bin, 1 is in pillows of 1.2; all of it but what was lost by name only."""
    release(made["pillows"])
    shipping.ship(act=act(), lot=made["pillows"], customer=customer, quantity="25", unit="H87")
    found = whereabouts(traces.forward(made["second"]))
    assert found is not None
    assert abs(found.gap) <= 1e-9 * found.came
    assert found.by_name == pytest.approx(found.on_hand + found.shipped)
    assert whereabouts(traces.forward(made["first"])).by_name == pytest.approx(10e6)  # type: ignore[union-attr]


def test_what_was_never_mixed_rests_on_no_name(
    put: Any,  # noqa: F811
    use: Any,  # noqa: F811
    batch: Batch,
    make_pillows: Any,
    make_place: Any,
):
    put(0)
    shelf = make_place("Shelf")
    lot = put(1, to_place=shelf)
    use(lot, batch, 2, from_place=shelf)
    make_pillows(batch)
    trace = traces.forward(lot)
    assert ([each.share_by_name for each in trace.lots], trace.mixes, trace.taken_as) == ([0, 0], (), ())


def test_a_trace_reaches_the_lots_that_a_hold_reaches(
    establishment: Establishment,
    put: Any,  # noqa: F811
    use: Any,  # noqa: F811
    make_batch: Any,
    make_pillows: Any,
):
    first, early, late = put(0), make_batch(), make_batch()
    use(first, early, 0.5)
    make_pillows(early)
    second = put(1)
    use(first, late, 2)
    make_pillows(late)
    for lot in (first, second):
        walk = MixedPlaces(establishment).forward([lot.pk])
        found = traces.reached(establishment, TraceQuestion(FromLots((lot.uid,)), Direction.FORWARD))
        assert found == walk.lots | walk.under.keys()


def test_two_lots_that_may_have_one_source_by_a_bin_are_both_connected_with_it(
    put: Any,  # noqa: F811
    use: Any,  # noqa: F811
    make_batch: Any,
    make_pillows: Any,
):
    source, other, pillows = put(0), put(1), []
    for lot, batch in ((source, make_batch()), (other, make_batch())):
        use(lot, batch, 2)
        pillows.append(make_pillows(batch).lot)
    start = FromLots(tuple(lot.uid for lot in pillows))
    found = traces.trace(source.establishment, TraceQuestion(start, Direction.BACK))
    assert {each.uid: each.starts for each in found.lots if each.starts == 2} == {source.uid: 2, other.uid: 2}


def test_pages_hold_each_lot_step_mix_and_taking_once(
    establishment: Establishment,
    put: Any,  # noqa: F811
    use: Any,  # noqa: F811
    make_batch: Any,
    make_pillows: Any,
):
    lots = [put(hours) for hours in range(4)]
    for lot in lots:
        batch = make_batch()
        use(lot, batch, 5)
        make_pillows(batch)
    question = TraceQuestion(FromLots((lots[0].uid,)), Direction.WHOLE)
    full, pages = traces.trace(establishment, question), []
    after = None
    while not pages or after is not None:
        pages.append(traces.trace(establishment, question, after=after, limit=2))
        after = pages[-1].following
    for what in ("lots", "steps", "mixes", "taken_as"):
        told = [each for page in pages for each in getattr(page, what)]
        assert sorted(map(repr, told)) == sorted(map(repr, getattr(full, what)))
    assert {page.size for page in pages} == {full.size}


def test_more_deliveries_into_a_bin_cost_no_further_statement(
    put: Any,  # noqa: F811
    use: Any,  # noqa: F811
    make_batch: Any,
    make_pillows: Any,
):
    def asked() -> list[int]:
        found = []
        for trace, lot in ((traces.forward, first), (traces.back, pillows)):
            with CaptureQueriesContext(connection) as queries:
                trace(lot)
            found.append(len(queries))
        return found

    first, batch = put(0), make_batch()
    use(put(1), batch, 2)
    pillows = make_pillows(batch).lot
    few = asked()
    for hours in range(3, 7):
        batch = make_batch()
        use(put(hours), batch, hours)
        pillows = make_pillows(batch).lot
    assert asked() == few
    assert max(few) <= 14


def test_a_hazard_goes_on_from_equipment_into_a_bin_and_out_again(
    put: Any,  # noqa: F811
    use: Any,  # noqa: F811
    make_batch: Any,
    make_pillows: Any,
    table: Any,
    act: Any,
    bulk_bin: StoragePlace,  # noqa: F811
):
    batches = [make_batch() for _ in range(4)]
    for batch, since in ((batches[0], 0), (batches[1], 2)):
        Occupation.objects.create(
            batch=batch, equipment=table, since=MORNING + since * HOUR, until=MORNING + (since + 1) * HOUR
        )
    nutty = make_pillows(batches[0], act(at=MORNING + HOUR)).lot
    touched = make_pillows(batches[1], act(at=MORNING + 3 * HOUR), to_place=bulk_bin).lot
    mate = make_pillows(batches[2], act(at=MORNING + 3 * HOUR), to_place=bulk_bin).lot
    use(mate, batches[3], 4, quantity="1", unit="H87")
    last = make_pillows(batches[3]).lot
    question = TraceQuestion(FromLots((nutty.uid,)), Direction.FORWARD, hazard=Hazard(microbiological=True))
    lots = {"nutty": nutty, "touched": touched, "mate": mate, "last": last}
    trace = traces.trace(nutty.establishment, question)
    assert sides(lots, trace) == {
        "nutty": "start", "touched": "contact", "mate": "maybe-forward", "last": "contact"
    }  # fmt: skip
    assert {taken.lot for taken in trace.taken_as} == {touched.uid, mate.uid}


def test_a_bounded_trace_follows_refilled_places_all_the_same(made: dict[str, Lot]):
    question = TraceQuestion(FromLots((made["first"].uid,)), Direction.FORWARD, least_share=0.5)
    found = traces.trace(made["first"].establishment, question)
    assert sides(made, found)["pillows"] == "maybe-forward"
