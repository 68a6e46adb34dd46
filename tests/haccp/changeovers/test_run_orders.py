"""Minutes of cleaning for a run order that nobody sent: from the table of changeovers and what stands on the table."""

from datetime import timedelta
from typing import Any

import pytest

from batches.models import Batch, Equipment, Material, Occupation
from haccp.allergens import lists
from tests.conftest import NOON
from tests.haccp.allergens.conftest import state as state_fixture
from tests.haccp.changeovers.procedures import WET
from tests.haccp.changeovers.test_matrix import recipe_of as recipe_fixture

state, recipe_of = state_fixture, recipe_fixture
pytestmark = pytest.mark.django_db
START = NOON.isoformat()
FIRST = [{"after": None, "before": name, "minutes": 0} for name in ("pillows", "drops")]


@pytest.fixture
def house(establishment: Any, recipe_of: Any, nuts: Material, sugar: Material, state: Any) -> None:
    """Pillows of hazelnuts, drops of sugar; of all else both are said to be free."""
    every = sorted(lists.vocabulary(establishment).listed_on(NOON.date()))
    state(nuts, "hazelnut", *[f"free-of:{code}" for code in every if code != "hazelnut"])
    state(sugar, *[f"free-of:{code}" for code in every])
    recipe_of("HZP", nuts)
    recipe_of("LMD", sugar)


@pytest.fixture
def ask(api: Any, products: dict[str, Material]) -> Any:
    """Pillows, then drops, from noon on."""

    def do(cleaning: Any = (), **more: Any) -> Any:
        named = {"pillows": "HZP", "drops": "LMD"}
        batches = [
            {"name": name, "material": str(products[code].pk), "minutes": 60} for name, code in named.items()
        ]
        return api.send(
            "run-orders", {"batches": batches, "cleaning": list(cleaning), "starts_at": START} | more
        )

    return do


@pytest.fixture
def stands(begin: Any, use: Any, accept: Any, receive: Any, table: Equipment) -> Any:
    """A batch of what was received stood on the table in the morning."""

    def do(material: Material) -> Batch:
        batch = begin()
        use(accept(receive(material=material)), batch)
        times = {"since": NOON - timedelta(hours=3), "until": NOON - timedelta(hours=2)}
        Occupation.objects.create(batch=batch, equipment=table, **times)
        return batch

    return do


def test_minutes_between_two_products_come_from_the_table(house, approve, ask):
    approve(WET)
    told = ask(FIRST).json()
    assert (told["order"], told["run"]["cleaning"], told["saves"]) == (["drops", "pillows"], 0, 45)
    given = told["given"]["run"]["slots"]
    assert [(slot["cleaning"], slot["why"]) for slot in given] == [
        (0, "As it was sent."),
        (45, "WET clears: hazelnut."),
    ]
    assert any("what no document states is unknown" in sentence for sentence in told["sentences"])


def test_two_that_no_procedure_clears_are_kept_apart_and_it_is_said_why(house, ask):
    told = ask(FIRST).json()
    assert told["order"] == ["drops", "pillows"]
    assert told["given"]["impossible"] == [
        {"after": "pillows", "before": "drops", "why": "No approved procedure clears: hazelnut."}
    ]


def test_what_was_sent_goes_before_what_is_derived(house, approve, ask):
    approve(WET)
    sent = [*FIRST, {"after": "pillows", "before": "drops", "minutes": 5}]
    assert ask(sent).json()["given"]["run"]["cleaning"] == 5


def test_without_the_equipment_nothing_is_held_to_be_clean_at_the_beginning(house, approve, ask):
    approve(WET)
    answer = ask()
    assert answer.status_code == 400
    assert all("from the present state" in error["detail"] for error in answer.json()["errors"])


def test_what_stands_on_the_equipment_counts_for_what_comes_first(house, approve, ask, stands, nuts, table):
    approve(WET)
    stands(nuts)
    told = ask(equipment=str(table.pk)).json()
    firsts = {slot["name"]: slot for slot in told["run"]["slots"]}
    assert told["order"] == ["pillows", "drops"]
    assert (firsts["pillows"]["cleaning"], firsts["drops"]["cleaning"]) == (0, 45)
    assert firsts["pillows"]["why"] == "Nothing to clear, by contents and labels."


def test_what_nobody_stated_of_what_stood_there_is_never_taken_as_clean(house, approve, ask, stands, table,
                                                                        establishment):  # fmt: skip
    """Caramel colour without a word on its allergens was there; no procedure clears all that it may hold."""
    approve(WET)
    stands(Material.objects.create(establishment=establishment, code="COL", name="Colour", short_name="COL",
                                   kind="ingredient"))  # fmt: skip
    answer = ask(equipment=str(table.pk))
    assert answer.status_code == 409, answer.json()


def test_an_empty_table_needs_no_cleaning_first(house, approve, ask, table):
    approve(WET)
    told = ask(equipment=str(table.pk)).json()
    assert told["run"]["slots"][0]["cleaning"] == 0


def test_a_product_without_an_approved_recipe_is_not_guessed(ask):
    answer = ask(FIRST)
    assert answer.status_code == 400
    assert "after pillows before drops are missing" in str(answer.json()["errors"])


def test_another_batch_of_the_same_product_needs_no_clearing(house, approve, api, products):
    """Nothing of it is unknown or undeclared to itself."""
    approve(WET)
    batches = [{"name": name, "material": str(products["HZP"].pk), "minutes": 60} for name in ("one", "two")]
    sent = [{"after": None, "before": name, "minutes": 0} for name in ("one", "two")]
    told = api.send("run-orders", {"batches": batches, "cleaning": sent}).json()
    assert (told["order"], told["run"]["cleaning"]) == (["one", "two"], 0)


def test_many_batches_cost_no_more_statements(house, approve, api, products, django_assert_max_num_queries):
    approve(WET)

    def body(count: int) -> dict[str, Any]:
        named = [(f"{code} {at}", code) for at in range(count) for code in ("HZP", "LMD")]
        return {
            "batches": [
                {"name": name, "material": str(products[code].pk), "minutes": 10} for name, code in named
            ],
            "cleaning": [{"after": None, "before": name, "minutes": 0} for name, _ in named],
        }

    api.send("run-orders", body(1))
    with django_assert_max_num_queries(20):
        assert api.send("run-orders", body(6)).status_code == 200


def test_where_there_is_no_order_the_pair_and_the_allergen_in_the_way_are_named(house, ask):
    refused = ask(FIRST, before=[{"first": "pillows", "then": "drops"}])
    assert refused.status_code == 409
    errors = {error["code"]: error["detail"] for error in refused.json()["errors"]}
    assert errors["not-after"] == "drops after pillows: No approved procedure clears: hazelnut."
