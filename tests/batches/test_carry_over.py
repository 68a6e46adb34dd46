"""What shared equipment carries over: how far, up to which cleaning, and how each lot was reached."""

from datetime import timedelta

import networkx as nx
import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from batches import noting, runs, traces, using
from batches.carry_over import Hazard
from batches.models import CleaningBreak, Occupation, QualityReading
from batches.trace_questions import FromLots, TraceQuestion
from batches.trace_results import Direction
from config.api.refusals import Unusable
from ledger.models import Entry
from tests.batches.conftest import MORNING

HOUR = timedelta(hours=1)
NUTS, MICROBES, SHARDS = Hazard(("hazelnut",)), Hazard(microbiological=True), Hazard(foreign_bodies=True)


def at(hours):
    return MORNING + hours * HOUR


@pytest.fixture
def stand():
    def do(batch, equipment, since, until):
        until = until if until is None else at(until)
        return Occupation.objects.create(batch=batch, equipment=equipment, since=at(since), until=until)

    return do


@pytest.fixture
def clean(act, batch):
    """A cleaning of ``equipment``, for a record that stands."""

    def do(equipment, hours, **scope):
        because = noting.note_quality(act=act(), batch=batch, what="table", value="clean")
        return CleaningBreak.objects.create(
            equipment=equipment, at=at(hours), scope=scope, because=Entry.objects.get(pk=because.pk)
        )

    return do


@pytest.fixture
def made(make_batch, make_pillows):
    """A batch that made one lot."""
    return lambda: make_pillows(make_batch()).lot


@pytest.fixture
def reached():
    """The lots that a hazard reaches from a lot, by equipment or by what was made of those."""

    def do(lot, hazard):
        question = TraceQuestion(FromLots((lot.uid,)), Direction.FORWARD, hazard=hazard)
        trace = traces.trace(lot.establishment, question)
        return trace, {each.code for each in trace.lots if each.side == "contact"}

    return do


def test_who_comes_later_is_reached_and_says_by_what_whom_and_when(made, table, stand, reached):
    nutty, plain = made(), made()
    stand(nutty.batch, table, 0, 1)
    stand(plain.batch, table, 2, 3)
    trace, codes = reached(nutty, NUTS)
    assert codes == {plain.code}
    (contact,) = trace.contacts
    assert (contact.equipment, contact.left_by, contact.batch) == (table.pk, nutty.batch.uid, plain.batch.uid)
    assert (contact.since, contact.until, contact.at, contact.hazards) == (at(0), at(1), at(2), ("hazelnut",))
    (lot,) = [each for each in trace.lots if each.side == "contact"]
    assert (lot.share, lot.part, lot.starts, lot.contact) == (None, None, 0, 0)


def test_who_was_there_before_is_not_reached_and_who_was_there_with_it_is(made, table, stand, reached):
    nutty, before, beside, brief = made(), made(), made(), made()
    stand(nutty.batch, table, 2, 4)
    stand(before.batch, table, 0, 1)
    stand(beside.batch, table, 1, 3)
    stand(brief.batch, table, 2, 2)
    assert reached(nutty, NUTS)[1] == {beside.code, brief.code}


def test_a_cleaning_stops_what_it_is_valid_for_and_nothing_else(made, table, stand, clean, reached):
    nutty, plain = made(), made()
    stand(nutty.batch, table, 0, 1)
    clean(table, 1.5, allergens=["hazelnut"])
    stand(plain.batch, table, 2, 3)
    assert reached(nutty, NUTS)[1] == set()
    assert reached(nutty, MICROBES)[1] == {plain.code}
    assert reached(nutty, Hazard(("hazelnut", "milk")))[0].contacts[0].hazards == ("milk",)
    clean(table, 1.5, microbiological=True)
    assert reached(nutty, MICROBES)[1] == set()
    assert reached(nutty, SHARDS)[1] == {plain.code}


def test_a_cleaning_that_names_all_or_the_group_of_an_allergen_stops_it(made, table, stand, clean, reached):
    nutty, plain = made(), made()
    stand(nutty.batch, table, 0, 1)
    stand(plain.batch, table, 2, 3)
    clean(table, 1, allergens=["tree-nuts"])
    assert reached(nutty, NUTS)[1] == {plain.code}
    assert reached(nutty, Hazard(("hazelnut",), cleared_by={"hazelnut": {"tree-nuts"}}))[1] == set()
    clean(table, 1, allergens="all")
    assert reached(nutty, NUTS)[1] == set()


def test_a_cleaning_while_it_is_there_or_one_that_was_withdrawn_stops_nothing(
    made, table, stand, clean, reached, act, batch
):
    nutty, plain = made(), made()
    stand(nutty.batch, table, 0, 2)
    stand(plain.batch, table, 4, 5)
    clean(table, 1, allergens="all")
    assert reached(nutty, NUTS)[1] == {plain.code}
    valid = clean(table, 3, allergens="all")
    assert reached(nutty, NUTS)[1] == set()
    gone = act(corrects=valid.because_id, reason="Another table.", withdraws=True)
    runs.withdraw(act=gone, batch=batch, kind=QualityReading)
    assert reached(nutty, NUTS)[1] == {plain.code}


def test_it_goes_on_over_other_equipment_and_into_what_is_made_of_it(
    made, table, kettle, stand, reached, act, make_batch, make_pillows
):
    """Nuts on the table; plain is folded there, then boiled; far is boiled later; coated is made of far."""
    nutty, plain, far, coating = made(), made(), made(), make_batch()
    stand(nutty.batch, table, 0, 1)
    stand(plain.batch, table, 2, 3)
    stand(plain.batch, kettle, 3, 4)
    stand(far.batch, kettle, 5, 6)
    using.use(act=act(), lot=far, batch=coating, quantity="10", unit="H87")
    coated = make_pillows(coating).lot
    trace, codes = reached(nutty, NUTS)
    assert codes == {plain.code, far.code, coated.code}
    by_code = {each.code: each for each in trace.lots}
    assert by_code[far.code].contact == by_code[coated.code].contact != by_code[plain.code].contact
    assert [(step.source, step.target) for step in trace.steps] == [(far.uid, coated.uid)]


def test_a_batch_that_used_the_lot_and_made_nothing_yet_leaves_it_too(
    made, table, stand, reached, act, make_batch, paste
):
    running, plain = make_batch(), made()
    using.use(act=act(), lot=paste, batch=running, quantity="1", unit="KGM")
    stand(running, table, 0, None)
    stand(plain.batch, table, 1, 2)
    trace, codes = reached(paste, NUTS)
    assert codes == {plain.code}
    assert [each.batch for each in trace.in_process] == [running.uid]


def test_what_one_batch_made_together_is_reached_without_a_contact(make_batch, make_pillows, reached):
    batch = make_batch()
    first, second = make_pillows(batch).lot, make_pillows(batch).lot
    trace, codes = reached(first, MICROBES)
    assert (codes, trace.contacts) == ({second.code}, ())


def test_a_lot_that_was_reached_with_a_share_keeps_it(
    made, table, stand, reached, act, make_batch, make_pillows
):
    nutty, coating = made(), make_batch()
    using.use(act=act(), lot=nutty, batch=coating, quantity="10", unit="H87")
    coated = make_pillows(coating).lot
    stand(nutty.batch, table, 0, 1)
    stand(coating, table, 2, 3)
    trace, codes = reached(nutty, NUTS)
    assert codes == set()
    assert {each.code: each.share for each in trace.lots}[coated.code] == 1.0


def test_it_asks_what_may_have_been_carried_over_and_which_way():
    with pytest.raises(Unusable):
        Hazard()
    with pytest.raises(Unusable):
        TraceQuestion(FromLots(()), Direction.BACK, hazard=NUTS)
    with pytest.raises(Unusable):
        TraceQuestion(FromLots(()), Direction.FORWARD, hazard=NUTS, least_share=0.1)


def test_a_trace_that_is_not_widened_reaches_nothing_by_contact(made, table, stand):
    nutty, plain = made(), made()
    stand(nutty.batch, table, 0, 1)
    stand(plain.batch, table, 2, 3)
    assert len(traces.forward(nutty).lots) == 1


# -- random days on three pieces of equipment, against reach in a graph of who touches whom ---------------

hours = st.integers(0, 12)
stays = st.lists(st.tuples(st.integers(0, 5), st.integers(0, 2), hours, st.none() | hours), max_size=12)
cleanings = st.lists(st.tuples(st.integers(0, 2), hours, st.booleans(), st.booleans()), max_size=6)


def touches(one, other, breaks, clears):
    """By the definition alone: same place, not gone before it came, and no valid cleaning between."""
    (_, where, since, until), (_, there, from_, to) = one, other
    gone_before = to is not None and to <= since and from_ < since
    if where != there or gone_before:
        return False
    return until is None or not any(
        place == where and until <= hour <= from_ and cleared[clears] for place, hour, *cleared in breaks
    )


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(stays=stays, breaks=cleanings)
def test_random_days_are_those_of_reach_over_who_touches_whom(
    stays, breaks, six, act, batch, table, kettle, make_knife, reached
):
    tidy = [(b, e, since, None if until is None else max(since, until)) for b, e, since, until in stays]
    equipment = [table, kettle, make_knife]
    with transaction.atomic():
        for number, where, since, until in tidy:
            end = None if until is None else at(until)
            Occupation.objects.create(
                batch=six[number].batch, equipment=equipment[where], since=at(since), until=end
            )
        for where, hour, nuts, microbes in breaks:
            because = noting.note_quality(act=act(), batch=batch, what="table", value="clean")
            scope = {"allergens": ["hazelnut"] if nuts else [], "microbiological": microbes}
            CleaningBreak.objects.create(
                equipment=equipment[where], at=at(hour), scope=scope, because=Entry.objects.get(pk=because.pk)
            )
        found = {
            0: reached(six[0], NUTS)[1],
            1: reached(six[0], MICROBES)[1],
            2: reached(six[0], Hazard(("hazelnut",), microbiological=True))[1],
        }
        transaction.set_rollback(True)
    for clears in (0, 1):
        graph = nx.DiGraph()
        graph.add_nodes_from(range(6))
        graph.add_edges_from(
            (one[0], other[0]) for one in tidy for other in tidy if touches(one, other, breaks, clears)
        )
        expected = {six[number].code for number in nx.descendants(graph, 0) - {0}}
        assert found[clears] == expected
    assert found[2] == found[0] | found[1]


@pytest.fixture
def six(made):
    return [made() for _ in range(6)]


@pytest.fixture
def make_knife(make_equipment):
    return make_equipment("Knife")
