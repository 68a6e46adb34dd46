"""Sets along random genealogies against plain set propagation over networkx; shortest ways; amounts by hand."""

from decimal import Decimal
from typing import Any

import networkx as nx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from haccp.allergens.spread import Band, Mixed, Web, bands, shortest, spread

Genealogy = tuple[int, list[tuple[int, int]], list[int]]


@st.composite
def genealogies(draw: Any, loops: bool = False) -> Genealogy:
    """(how many lots, links, own bits by lot); without loops every link leads from an earlier to a later lot."""
    count = draw(st.integers(1, 12))
    lots = st.integers(0, count - 1)
    pairs = st.tuples(lots, lots).filter(lambda pair: pair[0] != pair[1] if loops else pair[0] < pair[1])
    links = draw(st.sets(pairs, max_size=30)) if count > 1 else set()
    return count, sorted(links), draw(st.lists(st.integers(0, 15), min_size=count, max_size=count))


def graph_of(count: int, links: list[tuple[int, int]]) -> nx.DiGraph:
    graph = nx.DiGraph(links)
    graph.add_nodes_from(range(count))
    return graph


@pytest.mark.parametrize("loops", [False, True])
@given(data=st.data())
def test_a_lot_has_what_everything_it_came_from_has(loops: bool, data: Any):
    count, links, own = data.draw(genealogies(loops))
    graph, found = graph_of(count, links), spread(Web(links), dict(enumerate(own)))
    for lot in range(count):
        wanted = own[lot]
        for ancestor in nx.ancestors(graph, lot):
            wanted |= own[ancestor]
        assert found.get(lot, own[lot]) == wanted


@given(genealogies(), st.data())
def test_a_bit_that_a_lot_does_not_hand_on_stays_there(genealogy: Genealogy, data: Any):
    count, links, own = genealogy
    keeper = data.draw(st.integers(0, count - 1))
    found = spread(Web(links), dict(enumerate(own)), {keeper: ~1})
    graph = graph_of(count, links)
    cut = graph_of(count, [link for link in links if link[0] != keeper])
    for lot in range(count):
        ways = [(cut, 1), (graph, 14)]
        wanted = own[lot]
        for each, bits in ways:
            for ancestor in nx.ancestors(each, lot):
                wanted |= own[ancestor] & bits
        assert found.get(lot, own[lot]) == wanted


@given(genealogies())
def test_the_way_is_the_shortest_and_of_several_the_first_by_name(genealogy: Genealogy):
    count, links, own = genealogy
    web, graph, bits = Web(links), graph_of(count, links), dict(enumerate(own))
    names = {lot: f"L{(lot * 7) % count:02d}{lot}" for lot in range(count)}
    found = spread(web, bits)
    for lot in range(count):
        starts = [each for each in range(count) if own[each] & 1 and nx.has_path(graph, each, lot)]
        way = shortest(lot, 1, web=web, own=bits, found=found, names=names)
        if not starts:
            assert way == ()
            continue
        ways = [path for start in starts for path in nx.all_shortest_paths(graph, start, lot)]
        least = min(map(len, ways))
        by_name = min(
            (tuple(names[each] for each in reversed(path[:-1])), tuple(path))
            for path in ways
            if len(path) == least
        )
        assert way == by_name[1]


@given(genealogies())
def test_links_in_another_order_answer_the_same(genealogy: Genealogy):
    count, links, own = genealogy
    bits = dict(enumerate(own))
    names = {lot: str(lot) for lot in range(count)}
    answers = []
    for each in (links, links[::-1]):
        web = Web(each)
        found = spread(web, bits)
        answers.append(
            [shortest(lot, 1, web=web, own=bits, found=found, names=names) for lot in range(count)]
        )
    assert answers[0] == answers[1]


# -- amounts ----------------------------------------------------------------------------------------


def band(low: str, high: str | None = "") -> Band:
    return Band(Decimal(low), None if high is None else Decimal(high or low))


def mixed(*parts: tuple[int, str], thicker: str | None = "1", shares_known: bool = True) -> Mixed:
    return Mixed(
        [(source, Decimal(share)) for source, share in parts],
        None if thicker is None else Decimal(thicker),
        shares_known,
    )


SYRUP_AND_SUGAR = Web([(1, 3), (2, 3)])


def test_shares_of_stated_amounts_are_summed():
    """400 mg/kg in a quarter of the mass and 20 mg/kg in the rest are 100 + 15 = 115 mg/kg."""
    own = {1: band("400"), 2: band("20")}
    assert bands(SYRUP_AND_SUGAR, own, {3: mixed((1, "0.25"), (2, "0.75"))})[3] == band("115")


def test_what_was_lost_may_all_have_been_water():
    """Of 10 kg used 8 came out: what was not water is thicker by 10/8."""
    own = {1: band("400")}
    found = bands(SYRUP_AND_SUGAR, own, {3: mixed((1, "0.25"), (2, "0.75"), thicker="1.25")})[3]
    assert found == band("100", "125")


def test_an_amount_that_was_not_told_is_not_known_in_the_product():
    found = bands(SYRUP_AND_SUGAR, {1: band("0", None)}, {3: mixed((1, "0.25"), (2, "0.75"))})[3]
    assert found == band("0", None)


def test_without_known_shares_nothing_is_known():
    found = bands(SYRUP_AND_SUGAR, {1: band("400")}, {3: mixed((1, "1"), (2, "0"), shares_known=False)})[3]
    assert found == band("0", None)


def test_where_nothing_contains_it_missing_masses_do_no_harm():
    found = bands(SYRUP_AND_SUGAR, {}, {3: mixed((1, "1"), (2, "0"), thicker=None, shares_known=False)})[3]
    assert found == band("0")


def test_what_was_found_in_the_lot_itself_adds_and_takes_nothing_away():
    own = {1: band("400"), 3: band("50")}
    assert bands(SYRUP_AND_SUGAR, own, {3: mixed((1, "0.25"), (2, "0.75"))})[3] == band("100")


def test_in_a_loop_nothing_is_known():
    web = Web([(1, 2), (2, 3), (3, 2)])
    parts = {2: mixed((1, "0.5"), (3, "0.5")), 3: mixed((2, "1"))}
    assert bands(web, {1: band("400")}, parts)[3] == band("0", None)
