"""Contact on random days against the plainest reckoning: pairs of batches, again and again until nothing changes."""

from collections import defaultdict
from datetime import timedelta
from typing import Any, NamedTuple
from uuid import UUID, uuid5

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from batches.near import NamedBatch, Stay
from haccp.allergens.bits import Bits, Plane
from haccp.allergens.facts import Facts, KnownLot
from haccp.allergens.floor import Clearing, Floor
from haccp.allergens.spread import Web
from haccp.allergens.touched import Contacts
from tests.conftest import NOON
from tests.haccp.allergens.test_lists import words

BITS = Bits(words())
CODES = ("milk", "hazelnut", "wheat")
PLACES = [uuid5(UUID(int=0), name) for name in ("kettle", "table")]


class Day(NamedTuple):
    """``holds``: what the lot of each batch contains. ``uses``: (earlier batch, later batch) whose lot went in."""

    holds: list[int]
    uses: list[tuple[int, int]]
    stays: list[Stay]
    clearings: dict[UUID, list[Clearing]]


def hour(number: int) -> Any:
    return NOON + timedelta(hours=number)


@st.composite
def days(draw: Any) -> Day:
    count = draw(st.integers(2, 5))
    holds = draw(st.lists(st.sets(st.sampled_from(CODES), max_size=2), min_size=count, max_size=count))
    pairs = st.tuples(st.integers(0, count - 1), st.integers(0, count - 1))
    uses = draw(st.sets(pairs.filter(lambda pair: pair[0] < pair[1]), max_size=4))
    stays = [
        Stay(batch, place, hour(since), None if lasts is None else hour(since + lasts))
        for batch in range(count)
        for place in draw(st.sets(st.sampled_from(PLACES), max_size=2))
        for since, lasts in [(draw(st.integers(0, 7)), draw(st.sampled_from([1, 1, 2, None])))]
    ]
    clearings: defaultdict[UUID, list[Clearing]] = defaultdict(list)
    for place, at, codes in draw(
        st.lists(
            st.tuples(
                st.sampled_from(PLACES), st.integers(0, 8), st.sets(st.sampled_from(CODES), max_size=2)
            ),
            max_size=5,
        )
    ):
        clearings[place].append(Clearing(hour(at), BITS.plain(codes)))
    for each in clearings.values():
        each.sort(key=lambda clearing: clearing.at)
    return Day([BITS.plain(codes) for codes in holds], sorted(uses), stays, dict(clearings))


def settled(day: Day) -> Contacts:
    lots = {
        key: KnownLot(key, UUID(int=key), f"L{key}", NOON.date(), UUID(int=0), "intermediate", key, None)
        for key in range(len(day.holds))
    }
    facts = Facts(BITS, lots, Web(day.uses), [], {}, lambda facts: {})
    facts.own = {key: BITS.on(Plane.CONTAINS, bits) for key, bits in enumerate(day.holds)}
    facts.respread()
    moved = {
        key: {key, *(source for source, target in day.uses if target == key)} for key in range(len(day.holds))
    }
    named = {key: NamedBatch(UUID(int=key), f"B{key}", UUID(int=0)) for key in moved}
    contacts = Contacts(facts, Floor(day.stays, day.clearings, BITS.every), moved, named)
    contacts.settle()
    return contacts


def left(day: Day, one: Stay, other: Stay, carried: int) -> int:
    """What one stay leaves to another, of what its batch carries."""
    if one.equipment != other.equipment or one.batch == other.batch:
        return 0
    if other.until is not None and one.since >= other.until and one.since != other.since:
        return 0
    if one.until is None or one.until > other.since:
        return carried
    for clearing in day.clearings.get(one.equipment, []):
        if one.until <= clearing.at <= other.since:
            carried &= ~clearing.bits
    return carried


def reckoned(day: Day) -> list[int]:
    """By batch: what it was touched by."""
    count = len(day.holds)
    contains, touched, lots_touched = list(day.holds), [0] * count, [0] * count
    while True:
        before = (list(contains), list(touched), list(lots_touched))
        for source, target in day.uses:
            contains[target] |= contains[source]
            lots_touched[target] |= lots_touched[source]
        carried = [contains[each] | touched[each] | lots_touched[each] for each in range(count)]
        for one in day.stays:
            for other in day.stays:
                touched[other.batch] |= left(day, one, other, carried[one.batch])
        for each in range(count):
            lots_touched[each] |= touched[each]
        if before == (contains, touched, lots_touched):
            return lots_touched


@settings(max_examples=300)
@given(days())
def test_contact_is_what_pairs_of_batches_come_to(day: Day):
    contacts = settled(day)
    found = [BITS.of(Plane.TOUCHED, contacts.facts.found[key]) for key in range(len(day.holds))]
    contains = [BITS.of(Plane.CONTAINS, contacts.facts.found[key]) for key in range(len(day.holds))]
    wanted = reckoned(day)
    # what a lot contains is not told as contact, so only the rest is compared
    assert [f & ~c for f, c in zip(found, contains, strict=True)] == [
        w & ~c for w, c in zip(wanted, contains, strict=True)
    ]


@given(days())
def test_whoever_is_named_stood_there_and_carried_it(day: Day):
    contacts = settled(day)
    for key in range(len(day.holds)):
        direct = contacts.touched[key]
        for code in BITS.codes_in(direct):
            named = contacts.left_by(key, code)
            assert named is not None
            batch, place = named
            carries = contacts.carries(batch.uid.int)[0]
            assert carries & BITS.plain([code])
            assert any(stay.equipment == place for stay in day.stays if stay.batch == batch.uid.int)


@given(days(), st.integers(0, 4))
def test_whatever_one_batch_changes_is_among_what_it_may_reach(day: Day, which: int):
    one = which % len(day.holds)
    without = day._replace(holds=[0 if key == one else bits for key, bits in enumerate(day.holds)])
    changed = {
        key for key, (new, old) in enumerate(zip(reckoned(day), reckoned(without), strict=True)) if new != old
    }
    floor, reached = Floor(day.stays, day.clearings, BITS.plain(CODES)), {one}
    while more := floor.onward(reached) | {target for source, target in day.uses if source in reached}:
        if more <= reached:
            break
        reached |= more
    assert changed <= reached


@pytest.mark.parametrize(
    ("cleaned", "there"),
    [([], True), ([["milk"]], True), ([["milk"], ["hazelnut", "wheat"]], False), ([list(CODES)], False)],
)
def test_only_a_cleaning_of_everything_ends_what_a_late_fact_may_reach(
    cleaned: list[list[str]], there: bool
) -> None:
    stays = [Stay(0, PLACES[0], hour(0), hour(1)), Stay(1, PLACES[0], hour(3), hour(4))]
    clearings = {PLACES[0]: [Clearing(hour(2), BITS.plain(codes)) for codes in cleaned]}
    assert Floor(stays, clearings, BITS.plain(CODES)).onward({0}) == ({0, 1} if there else {0})
