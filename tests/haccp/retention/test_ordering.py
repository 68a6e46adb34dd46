"""In which order parts may be taken away. Pure."""

import random

import networkx
import pytest

from haccp.retention.ordering import components


@pytest.mark.parametrize("seed", range(20))
def test_parts_are_those_of_networkx_and_each_comes_after_what_it_leads_to(seed: int) -> None:
    """Tarjan 1972, SIAM Journal on Computing 1(2): components come out in the order in which none leads to a later one."""
    chance = random.Random(seed)
    edges = {(chance.randrange(40), chance.randrange(40)) for _ in range(50)}
    onward = {one: [there for here, there in edges if here == one] for one in range(40)}
    found = list(components(40, onward.__getitem__))
    graph = networkx.DiGraph(edges)
    graph.add_nodes_from(range(40))
    assert {frozenset(part) for part in found} == set(
        map(frozenset, networkx.strongly_connected_components(graph))
    )
    turn = {each: at for at, part in enumerate(found) for each in part}
    assert all(turn[there] <= turn[here] for here, there in edges)
