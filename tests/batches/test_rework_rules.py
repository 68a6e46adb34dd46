"""Rules for rework without a database: what a document may say, what a use breaks, shares and generations.

Outside check: generations on random genealogies against longest paths of networkx.
"""

import networkx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches import recipe_documents
from batches.flags import Flag
from batches.recipe_documents import RecipeDocument
from batches.rework_rules import Rules, Share, Use, broken, generation

RULES = Rules(("TRIM",), (), permille=100, days=7, generations=1)
GOOD = Use(from_allowed=True, days=7, generation=1, came_from="trim", origin_known=True)
SAID = {"materials": ["TRIM"], "most_permille": "100", "most_days": "7", "most_generations": "1"}


def read(**rework):
    line = {"material": "SUG", "quantity": "1", "unit": "KGM", "tolerance_permille": "10"}
    document = {"batch_size": {"quantity": "1", "unit": "KGM"}, "lines": [line]}
    return recipe_documents.read(document | {"rework": rework})


def test_rules_are_read_from_the_recipe():
    found = read(**SAID, recipes=["R-1"])
    assert isinstance(found, RecipeDocument)
    assert found.rework == Rules(("TRIM",), ("R-1",), 100, 7, 1)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"materials": []}, "rework.materials"),
        ({"materials": "TRIM"}, "rework.materials"),
        ({"materials": ["TRIM", "TRIM"]}, "rework.materials.1"),
        ({"recipes": [""]}, "rework.recipes.0"),
        ({"most_permille": "0"}, "rework.most_permille"),
        ({"most_permille": "1001"}, "rework.most_permille"),
        ({"most_permille": "-5"}, "rework.most_permille"),
        ({"most_days": "1.5"}, "rework.most_days"),
        ({"most_generations": "0"}, "rework.most_generations"),
        ({"from_floor": True}, "rework.from_floor"),
    ],
)
def test_rules_that_cannot_be_meant_are_refused_where_they_stand(change, field):
    found = read(**(SAID | change))
    assert isinstance(found, list)
    assert field in [reason.field for reason in found]


def test_every_bound_must_be_said():
    found = read(materials=["TRIM"])
    assert isinstance(found, list)
    assert [reason.field for reason in found] == [
        "rework.most_permille",
        "rework.most_days",
        "rework.most_generations",
    ]


def test_what_keeps_to_the_rules_breaks_none():
    assert broken(RULES, GOOD) == []


@pytest.mark.parametrize(
    ("change", "flag"),
    [
        ({"from_allowed": False}, Flag.REWORK_SOURCE),
        ({"days": 8}, Flag.REWORK_TOO_OLD),
        ({"generation": 2}, Flag.REWORK_GENERATIONS),
        ({"came_from": "floor"}, Flag.REWORK_FROM_FLOOR),
        ({"came_from": "returns"}, Flag.REWORK_FROM_RETURNS),
        ({"origin_known": False}, Flag.REWORK_ORIGIN_UNKNOWN),
    ],
)
def test_each_rule_is_told_by_its_own_flag(change, flag):
    assert broken(RULES, Use(**{**GOOD.__dict__, **change})) == [flag]


def test_without_rules_no_rework_is_allowed():
    assert broken(None, GOOD) == [Flag.REWORK_NOT_FORESEEN]


def test_what_was_on_the_floor_is_told_also_where_no_rework_is_allowed():
    assert Flag.REWORK_FROM_FLOOR in broken(None, Use(True, 0, 1, "floor", True))


@pytest.mark.parametrize(("rework", "flag"), [(100, None), (101, Flag.REWORK_SHARE)])
def test_the_largest_share_is_still_allowed(rework, flag):
    assert Share(rework, 1000, unknown=False).breaks(RULES) == flag


def test_a_share_is_rounded_up_so_that_too_much_never_looks_right():
    assert Share(1_000_001, 10_000_000, unknown=False).permille == 101


@pytest.mark.parametrize("share", [Share(0, 1000, unknown=True), Share(5, 0, unknown=False)])
def test_a_share_that_cannot_be_computed_breaks_the_rules(share):
    assert share.permille is None
    assert share.breaks(RULES) == Flag.REWORK_SHARE_UNKNOWN


LOTS = 8


@given(
    st.sets(
        st.tuples(st.integers(0, LOTS - 1), st.integers(0, LOTS - 1)).filter(lambda pair: pair[0] < pair[1])
    ),
    st.sets(st.integers(0, LOTS - 1)),
)
def test_generations_are_the_rework_lots_on_the_longest_way_back(links, reworks):
    """Every edge is from a lower to a higher lot; asked of the last one."""
    graph = networkx.DiGraph(links)
    graph.add_node(LOTS - 1)
    ways = [
        path
        for lot in graph
        for path in ([[lot]] if lot == LOTS - 1 else networkx.all_simple_paths(graph, lot, LOTS - 1))
    ]
    wanted = max(sum(lot in reworks for lot in path) for path in ways)
    back = networkx.ancestors(graph, LOTS - 1) | {LOTS - 1}
    seen = [(source, target) for source, target in links if target in back]
    assert generation(LOTS - 1, seen, reworks & back) == wanted


def test_where_a_forged_edge_makes_a_loop_every_rework_lot_counts():
    assert generation(1, [(2, 1), (1, 2)], {1, 2}) == 2
