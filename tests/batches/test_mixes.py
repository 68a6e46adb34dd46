"""Lots mixed in refilled places, against sets carried through time by hand."""

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from hypothesis import given
from hypothesis import strategies as st

from batches.mixes import Emptied, Mixes, Put

BIN, TANK, SHELF, DOOR = (UUID(int=number) for number in range(1, 5))
REFILLED = {BIN: "BIN", TANK: "TANK"}
START = datetime(2026, 3, 2, 8, tzinfo=UTC)
L1, L2, L3, L4 = range(1, 5)


def at(minutes: float) -> datetime:
    return START + timedelta(minutes=minutes)


def mixes(*events: Put | Emptied) -> Mixes:
    puts = [each for each in events if isinstance(each, Put)]
    return Mixes(puts, [each for each in events if isinstance(each, Emptied)], REFILLED)


def under(found: Mixes, lot: int, place: UUID | None, minutes: float) -> set[int]:
    """The lots that may be in what is taken out as one of them."""
    return {lot} | found.within(found.behind(lot, place, at(minutes)))[1]


def came(minutes: float, lot: int, place: UUID = BIN) -> Put:
    return Put(at(minutes), lot, place)


def moved(minutes: float, lot: int, place: UUID, out_of: UUID | None) -> Put:
    return Put(at(minutes), lot, place, out_of, fresh=False)


@st.composite
def days(draw: Any) -> tuple[list[Put | Emptied], list[tuple[int, UUID, float, set[int]]]]:
    """Events a minute apart, and what a plain simulation says was taken out half a minute after each."""
    lies: dict[UUID, dict[int, set[int]]] = {place: {} for place in (BIN, TANK, SHELF, DOOR)}
    events: list[Put | Emptied] = []
    taken: list[tuple[int, UUID, float, set[int]]] = []
    lots = iter(range(1, 30))
    for minute in range(draw(st.integers(1, 14))):
        kind = draw(st.sampled_from(("came", "came", "moved", "moved", "emptied")))
        place = draw(st.sampled_from((BIN, TANK, SHELF, DOOR)))
        full = [(lot, where) for where, here in lies.items() for lot in here if where != place]
        if kind == "came" or (kind == "moved" and not full):
            lot = next(lots)
            events.append(came(minute, lot, place))
            _lay(lies, place, lot, {lot})
        elif kind == "moved":
            lot, where = draw(st.sampled_from(sorted(full)))
            events.append(moved(minute, lot, place, where))
            _lay(lies, place, lot, _taken(lies, where, lot))
        elif place in REFILLED:
            events.append(Emptied(at(minute), place))
            lies[place] = {}
        for where, here in lies.items():
            taken += [(lot, where, minute + 0.5, _taken(lies, where, lot)) for lot in here]
    return events, taken


def _lay(lies: dict[UUID, dict[int, set[int]]], place: UUID, lot: int, what: set[int]) -> None:
    lies[place].setdefault(lot, {lot}).update(what)


def _taken(lies: dict[UUID, dict[int, set[int]]], place: UUID, lot: int) -> set[int]:
    here = lies[place]
    return set().union(*here.values()) if place in REFILLED else set(here[lot])


@given(days())
def test_what_is_taken_out_is_what_sets_carried_through_time_say(day: Any):
    events, taken = day
    found = mixes(*events)
    for lot, place, minute, wanted in taken:
        assert under(found, lot, place, minute) == wanted


def test_only_what_came_in_before_may_be_in_it():
    found = mixes(came(0, L1), came(10, L2))
    assert under(found, L1, BIN, 5) == {L1}
    assert under(found, L1, BIN, 15) == {L1, L2}


def test_what_comes_in_and_is_taken_out_at_one_time_is_mixed():
    assert under(mixes(came(0, L1), came(10, L2)), L1, BIN, 10) == {L1, L2}


def test_what_comes_in_when_it_is_found_empty_came_after_and_what_is_taken_out_was_there_before():
    found = mixes(came(0, L1), came(10, L2), Emptied(at(10), BIN), came(20, L3))
    assert under(found, L2, BIN, 10) == {L1, L2}
    assert under(found, L3, BIN, 30) == under(found, L2, BIN, 30) == {L2, L3}


def test_a_lot_that_came_in_before_and_again_when_it_was_found_empty_is_in_it_still():
    found = mixes(came(0, L1), came(10, L1), Emptied(at(10), BIN), came(20, L2))
    assert under(found, L2, BIN, 30) == {L1, L2}


def test_where_nobody_said_from_which_place_it_may_be_from_any():
    found = mixes(came(0, L1, SHELF), came(0, L2), moved(10, L1, BIN, SHELF))
    assert under(found, L1, SHELF, 20) == {L1}
    assert under(found, L1, None, 20) == {L1, L2}
    assert under(found, L1, None, 5) == {L1}


def test_what_is_taken_out_though_it_did_not_come_in_again_shows_that_it_was_not_empty():
    found = mixes(came(0, L1), came(1, L2), Emptied(at(10), BIN), came(20, L3))
    assert under(found, L1, BIN, 30) == {L1, L2, L3}


def test_what_was_carried_from_one_mix_into_another_brings_all_that_was_in_the_first():
    found = mixes(came(0, L1), came(1, L2), came(2, L3, TANK), moved(3, L2, TANK, BIN), came(4, L4))
    assert under(found, L3, TANK, 5) == {L1, L2, L3}
    assert found.lying_in(TANK, at(5)) == {L1: None, L2: at(3), L3: at(2)}


def test_a_lot_alone_in_its_place_is_mixed_with_nothing():
    found = mixes(came(0, L1), came(5, L1))
    assert not found.are_others(L1, found.behind(L1, BIN, at(10)))


def test_ten_thousand_lots_make_no_more_mixes_than_lots():
    found = mixes(*(came(minute, minute + 1) for minute in range(10_000)))
    assert len(found.sources) == 10_000
    assert len(under(found, L1, BIN, 10_001)) == 10_000
