"""What is in a lot: by its genealogy, from statements, never by heat; against set propagation over networkx."""

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import networkx as nx
import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from batches.models import Batch, Lot, Material
from haccp.allergens import content, files, lists
from haccp.allergens.content import Content
from ledger.models import Establishment
from tests.batches.test_traces import genealogies, plant
from tests.conftest import NOON
from tests.haccp.allergens.conftest import OIL_IN_BOTH, entry

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
MORNING = NOON - 4 * HOUR
DAY = date(2026, 3, 2)
MEMBERS = "milk egg hazelnut wheat"


@pytest.fixture
def all_free(establishment: Establishment) -> list[str]:
    """Every member that is listed, said to be free of."""
    return [f"free-of:{code}" for code in sorted(lists.vocabulary(establishment).listed_on(DAY))]


@pytest.fixture
def free_but(all_free: list[str]) -> Callable[..., list[Any]]:
    """Free of everything listed, but for what is told."""

    def make(*said: Any) -> list[Any]:
        told = {each["allergen"] if isinstance(each, dict) else each.split(":")[-1] for each in said}
        return [*said, *(each for each in all_free if each.split(":")[-1] not in told)]

    return make


@pytest.fixture
def caramel(batch: Batch, receive: Any, use: Any, make_lot: Any) -> Callable[..., Lot]:
    """A lot made of what was received."""

    def make(*sources: Lot, **quantities: Any) -> Lot:
        for source in sources:
            use(source, batch, **quantities)
        return make_lot(batch)

    return make


@pytest.fixture
def answered(batch: Batch, receive: Any, use: Any) -> Batch:
    """A batch of which something is recorded for the line of its recipe."""
    use(receive(), batch, recipe_line=1)
    return batch


def of(lot: Lot) -> Content:
    return content.of_lots(lot.establishment, [lot], contact=False)[lot.pk]


# -- genealogy --------------------------------------------------------------------------------------


def test_what_an_ingredient_contains_is_in_the_product_with_the_path_and_the_statement(
    state: Any, sugar: Material, receive: Any, caramel: Any, free_but: Any
):
    said = state(sugar, *free_but("milk"))
    source = receive()
    lot = caramel(source)
    found = of(lot)
    assert (set(found.contains), set(found.may), found.unknown) == ({"milk"}, set(), frozenset())
    assert str(found.contains["milk"]) == f"{source.code} -> {lot.code}"
    assert found.contains["milk"].statements == (said.pk,)


def test_a_suppliers_may_contain_is_inherited_as_may(
    state: Any, sugar: Material, receive: Any, caramel: Any, free_but: Any
):
    state(sugar, *free_but("may-contain:almond"))
    source = receive()
    lot = caramel(source)
    found = of(lot)
    assert (set(found.contains), set(found.may)) == (set(), {"almond"})
    assert str(found.may["almond"]) == f"by the supplier's word ({source.code} -> {lot.code})"


def test_an_ingredient_without_a_statement_makes_everything_unknown_and_names_it(
    establishment: Establishment, receive: Any, caramel: Any
):
    source = receive()
    lot = caramel(source)
    found = of(lot)
    assert found.unknown == lists.vocabulary(establishment).listed_on(DAY)
    assert str(found.unstated["milk"]) == f"{source.code} -> {lot.code}"


def test_one_silent_ingredient_is_enough_to_make_an_allergen_unknown(
    state: Any, sugar: Material, nuts: Material, receive: Any, caramel: Any, all_free: Any
):
    state(sugar, *all_free)
    state(nuts, *[each for each in all_free if each != "free-of:sesame"])
    lot = caramel(receive(), receive(material=nuts))
    assert of(lot).unknown == {"sesame"}


def test_a_batch_of_which_nothing_that_went_in_is_known_makes_a_lot_of_unknown_content(
    establishment: Establishment, batch: Batch, make_lot: Any
):
    assert of(make_lot(batch)).unknown == lists.vocabulary(establishment).listed_on(DAY)


def test_packaging_without_a_statement_makes_nothing_unknown(
    state: Any, sugar: Material, establishment: Establishment, receive: Any, caramel: Any, all_free: Any
):
    state(sugar, *all_free)
    wrapper = Material.objects.create(
        establishment=establishment, code="WRP", name="Film", short_name="WRP", kind="packaging"
    )
    lot = caramel(receive(), receive(material=wrapper))
    assert of(lot).unknown == frozenset()


def test_packaging_that_is_said_to_contain_an_allergen_brings_it(
    state: Any, sugar: Material, establishment: Establishment, receive: Any, caramel: Any, all_free: Any
):
    state(sugar, *all_free)
    wrapper = Material.objects.create(
        establishment=establishment, code="WRP", name="Edible film", short_name="WRP", kind="packaging"
    )
    state(wrapper, "wheat")
    assert set(of(caramel(receive(), receive(material=wrapper))).contains) == {"wheat"}


def test_contains_stands_over_free_of_and_may_contain_over_exempt(
    state: Any, sugar: Material, supplier: Any, receive: Any, free_but: Any
):
    state(sugar, *free_but(entry("soybean", "exempt", because=OIL_IN_BOTH)))
    state(sugar, "milk", "may-contain:soybean", supplier=supplier)
    found = of(receive())
    assert (set(found.contains), set(found.may), set(found.exempt)) == ({"milk"}, {"soybean"}, set())


def test_a_statement_for_one_lot_takes_nothing_away(state: Any, sugar: Material, receive: Any, free_but: Any):
    state(sugar, *free_but("milk"))
    lot = receive()
    state(sugar, "free-of:milk", "egg", lot=lot)
    assert set(of(lot).contains) == {"milk", "egg"}


def test_a_finding_in_a_made_lot_adds_and_its_free_of_takes_nothing_away(
    state: Any, sugar: Material, receive: Any, caramel: Any, free_but: Any
):
    state(sugar, *free_but("milk"))
    lot = caramel(receive())
    state(lot.material, "free-of:milk", "peanut", lot=lot)
    assert set(of(lot).contains) == {"milk", "peanut"}


def test_an_exempt_derivative_is_shown_apart_with_its_path(
    state: Any, sugar: Material, receive: Any, caramel: Any, free_but: Any
):
    said = state(sugar, *free_but(entry("soybean", "exempt", because=OIL_IN_BOTH)))
    found = of(caramel(receive()))
    assert (set(found.contains), set(found.exempt), found.unknown) == (set(), {"soybean"}, frozenset())
    assert found.exempt["soybean"].statements == (said.pk,)


def test_what_one_law_exempts_and_another_list_in_force_names_is_contained(
    state: Any, sugar: Material, receive: Any, caramel: Any, free_but: Any
):
    """Glucose syrup of wheat: exempt in the EU (Annex II, 1 (a), read), and on the list of the US."""
    said = state(sugar, *free_but("exempt:wheat"))
    found = of(caramel(receive()))
    assert (set(found.contains), set(found.exempt)) == ({"wheat"}, set())
    assert found.contains["wheat"].statements == (said.pk,)
    assert "Codex and US" in found.contains["wheat"].note


def test_where_only_the_exempting_law_counts_it_is_exempt(
    state: Any,
    sugar: Material,
    receive: Any,
    caramel: Any,
    all_free: Any,
    act: Any,
    lead: Any,
    establishment: Establishment,
):
    lists.bring_in(act=act(lead), said=files.shipped_list("eu"))
    known = lists.vocabulary(establishment).codes
    rest = [each for each in all_free if each.split(":")[1] in known - {"wheat"}]
    state(sugar, "exempt:wheat", *rest)
    found = of(caramel(receive()))
    assert (set(found.contains), set(found.exempt)) == (set(), {"wheat"})


def test_a_group_that_is_free_of_speaks_for_its_members_and_one_that_is_there_does_not(
    state: Any, sugar: Material, nuts: Material, receive: Any, all_free: Any
):
    rest = [each for each in all_free if each.split(":")[1] not in ("almond", "hazelnut")]
    state(sugar, "free-of:tree-nuts", *rest)
    state(nuts, "tree-nuts", *rest)
    assert of(receive()).unknown == frozenset()
    found = of(receive(material=nuts))
    assert (set(found.contains), found.unknown) == ({"tree-nuts"}, {"almond", "hazelnut"})


def test_what_left_every_list_is_shown_as_on_none(state: Any, sugar: Material, receive: Any, free_but: Any):
    state(sugar, *free_but("coconut"))
    found = of(receive())
    assert (set(found.contains), set(found.unlisted)) == (set(), {"coconut"})


# -- late words -------------------------------------------------------------------------------------


def test_a_late_word_for_one_lot_is_in_everything_made_of_it(
    state: Any, sugar: Material, receive: Any, caramel: Any, all_free: Any
):
    state(sugar, *all_free)
    source = receive()
    lot = caramel(source)
    assert set(of(lot).contains) == set()
    state(sugar, "milk", lot=source, document_day=DAY, in_force_from=DAY)
    assert set(of(lot).contains) == {"milk"}


# -- sulphites --------------------------------------------------------------------------------------


def so2(amount: str = "", says: str = "contains") -> dict[str, str]:
    return entry("sulphites", says, **({"mg_per_kg": amount} if amount else {}))


@pytest.mark.parametrize(
    ("stated", "low", "high", "where"),
    [
        # 2 kg of 4 in the batch, of which 1 kg came out: half of it by share, and up to 4 times that if all was water.
        ("4", "2", "8", "below"),
        ("20", "10", "40", "contains"),
        ("8", "4", "16", "contains"),
        ("", "0", None, "contains"),
    ],
)
def test_sulphites_are_summed_by_shares_and_compared_with_what_the_lists_ask(
    state: Any,
    sugar: Material,
    nuts: Material,
    receive: Any,
    caramel: Any,
    free_but: Any,
    all_free: Any,
    stated: str,
    low: str,
    high: str | None,
    where: str,
):
    state(sugar, *free_but(so2(stated)))
    state(nuts, *all_free)
    found = of(caramel(receive(), receive(material=nuts)))
    band = found.sulphites_mg_per_kg
    assert band is not None
    assert (band.low, band.high) == (Decimal(low), None if high is None else Decimal(high))
    assert "sulphites" in getattr(found, where)
    assert ("sulphites" in found.contains) != ("sulphites" in found.below)


def test_few_sulphites_and_one_silent_ingredient_are_unknown_not_absent(
    state: Any, sugar: Material, nuts: Material, receive: Any, caramel: Any, free_but: Any, all_free: Any
):
    state(sugar, *free_but(so2("1")))
    state(nuts, *[each for each in all_free if each != "free-of:sulphites"])
    found = of(caramel(receive(), receive(material=nuts)))
    assert "sulphites" in found.unknown
    assert "sulphites" not in found.contains


def test_an_amount_beside_a_statement_that_tells_none_is_no_upper_bound(
    state: Any, sugar: Material, receive: Any, caramel: Any, free_but: Any
):
    source = receive()
    state(sugar, *free_but(so2("4")))
    state(sugar, so2(), lot=source)
    found = of(caramel(source))
    assert found.sulphites_mg_per_kg is not None
    assert found.sulphites_mg_per_kg.high is None
    assert "sulphites" in found.contains


def test_without_sulphites_no_amount_is_told(
    state: Any, sugar: Material, receive: Any, caramel: Any, all_free: Any
):
    state(sugar, *all_free)
    assert of(caramel(receive())).sulphites_mg_per_kg is None


# -- against networkx, and what it costs -------------------------------------------------------------


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=15)
@given(genealogy=genealogies(), data=st.data())
def test_random_genealogies_are_those_of_plain_set_propagation(
    genealogy: Any, data: Any, answered: Batch, state: Any, establishment: Establishment
):
    count, links = genealogy
    listed = lists.vocabulary(establishment).listed_on(DAY)
    with transaction.atomic():
        lots = plant(answered, count, links)
        says = [
            data.draw(
                st.dictionaries(
                    st.sampled_from(MEMBERS.split()), st.sampled_from(["contains", "may-contain"])
                )
            )
            for _ in lots
        ]
        for lot, said in zip(lots, says, strict=True):
            if said:
                state(lot.material, says=[entry(*each) for each in said.items()], lot=lot)
        found = content.of_lots(establishment, lots, contact=False)
        transaction.set_rollback(True)
    graph = nx.DiGraph([link[:2] for link in links])
    graph.add_nodes_from(range(count))
    for number, lot in enumerate(lots):
        whole = nx.ancestors(graph, number) | {number}
        contains = {code for each in whole for code, word in says[each].items() if word == "contains"}
        may = {code for each in whole for code, word in says[each].items() if word == "may-contain"}
        leaves = [each for each in whole if not graph.in_degree(each)]
        unknown = {code for each in leaves for code in listed - set(says[each])}
        answer = found[lot.pk]
        assert set(answer.contains) == contains
        assert set(answer.may) == may - contains
        assert answer.unknown == unknown - contains
        for code in contains:
            origins = [each for each in whole if says[each].get(code) == "contains"]
            steps = min(nx.shortest_path_length(graph, each, number) for each in origins)
            assert len(answer.contains[code].steps) == steps + 1


def test_a_lot_costs_six_statements_and_a_thousand_cost_no_more(
    answered: Batch, state: Any, establishment: Establishment
):
    lots = plant(answered, 60, [(n, n + 1, 1, 0.5) for n in range(59)])
    state(lots[0].material, "milk", so2("4"))
    counted = []
    for asked in (lots[-1:], lots):
        with CaptureQueriesContext(
            connection,
        ) as queries:
            content.of_lots(establishment, asked, contact=False)
        counted.append(len(queries))
    assert counted == [6, 6]  # one asks whether any place is refilled
    many = content.of_lots(establishment, lots, contact=False)
    assert all("milk" in each.contains for each in many.values())


def test_many_lots_answer_as_each_of_them_alone(batch: Batch, state: Any, establishment: Establishment):
    lots = plant(batch, 12, [(n, m, 1, 0.1) for n in range(12) for m in range(n + 1, 12) if (n * m) % 3 == 1])
    state(lots[0].material, "milk", lot=lots[1])
    alone = {lot.pk: of(lot) for lot in lots}
    for key, together in content.of_lots(establishment, lots, contact=False).items():
        assert dict(together.contains) == dict(alone[key].contains)
        assert together.unknown == alone[key].unknown
