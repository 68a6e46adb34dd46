"""Which allergens must be cleared between two products, and by what: derived from contents, labels and procedures."""

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches import recipes
from batches.models import Material, RecipeVersion
from haccp.allergens import content
from haccp.allergens.vocabulary import Vocabulary
from haccp.changeovers import matrix, procedure_documents
from haccp.changeovers.bearing import Bears, of
from haccp.changeovers.matrix import Cell, Product
from haccp.changeovers.procedures import Means
from ledger import signatures
from ledger.models import Person
from tests.conftest import NOON
from tests.haccp.allergens.conftest import state as state_fixture
from tests.haccp.changeovers.procedures import WET, dry
from tests.haccp.conftest import MORNING

state = state_fixture
NO_GROUPS = Vocabulary([])
CODES = ["egg", "hazelnut", "milk", "soy"]
DAY = NOON.date()


def product(holds: str = "", declares: str = "", unknown: str = "") -> Product:
    material: Any = SimpleNamespace(pk=holds + declares)
    version: Any = None
    return Product(
        material,
        version,
        frozenset(holds.split()),
        frozenset(unknown.split()),
        Bears(frozenset(declares.split()), "its label"),
    )


def means(document: dict[str, Any], code: str) -> Means:
    read = procedure_documents.read(document)
    assert not isinstance(read, list)
    version: Any = SimpleNamespace(procedure=SimpleNamespace(code=code))
    return Means(version, read)


KNOWN = [means(WET, "WET"), means(dry(), "DRY")]


def cell(before: Product, after: Product) -> Cell:
    return matrix.cell(before, after, KNOWN, NO_GROUPS)


def codes_of(versions: Any) -> list[str]:
    return [version.procedure.code for version in versions]


# --- one after another


def test_what_the_later_product_does_not_declare_must_be_cleared():
    found = cell(product("milk hazelnut"), product(declares="milk"))
    assert (found.clear, codes_of(found.by), found.minutes) == (("hazelnut",), ["WET"], Decimal(45))


def test_where_both_bear_it_nothing_is_to_clear():
    found = cell(product("milk"), product(declares="milk"))
    assert (found.clear, found.unknown, found.by, found.minutes) == ((), (), (), Decimal(0))


def test_the_quickest_procedure_stands_first():
    found = cell(product("milk"), product())
    assert (codes_of(found.by), found.minutes) == (["DRY", "WET"], Decimal(15))


def test_what_is_unknown_is_shown_as_unknown_and_no_minutes_are_told():
    found = cell(product("milk", unknown="egg"), product())
    assert (found.clear, found.unknown, found.minutes) == (("milk",), ("egg",), None)
    assert (found.by, codes_of(found.by_known)) == ((), ["DRY", "WET"])


def test_unknown_alone_is_not_nothing():
    found = cell(product(unknown="egg"), product())
    assert (found.clear, found.unknown, found.minutes) == ((), ("egg",), None)


def test_a_procedure_that_clears_the_unknown_as_well_has_its_minutes():
    found = cell(product("hazelnut", unknown="milk"), product())
    assert (codes_of(found.by), found.minutes) == (["WET"], Decimal(45))


def test_what_no_procedure_clears_is_named():
    found = cell(product("egg milk"), product())
    assert (found.none_clears, found.by, found.minutes) == (("egg",), (), None)


def test_a_group_declared_covers_its_members():
    groups = SimpleNamespace(groups_of=lambda code: frozenset({"tree-nuts"}))
    found = matrix.cell(product("hazelnut"), product(declares="tree-nuts"), KNOWN, groups)  # type: ignore[arg-type]
    assert found.clear == ()


def test_each_pair_has_one_level_and_unknown_is_no_nothing():
    levels = [
        cell(product(**before), product(**after)).level.value
        for before, after in (
            ({"holds": "milk"}, {"declares": "milk"}),
            ({"holds": "milk"}, {}),
            ({"holds": "milk", "unknown": "egg"}, {}),
            ({"unknown": "egg"}, {}),
            ({"holds": "egg"}, {}),
        )
    ]
    assert levels == ["nothing-to-clear", "clean", "clean-and-unknown", "unknown", "no-procedure"]


def test_what_only_several_procedures_clear_together_is_a_level_of_its_own():
    known = [means(dry(), "DRY"), means(dry(clears=WET["clears"] | {"allergens": ["egg"]}), "EGG")]
    found = matrix.cell(product("milk egg"), product(), known, NO_GROUPS)
    assert (found.none_clears, found.by, found.level.value) == ((), (), "no-single-procedure")


SETS = st.sets(st.sampled_from(CODES)).map(frozenset)


@given(SETS, SETS, SETS)
def test_nothing_undeclared_is_ever_left_out(holds: Any, unknown: Any, declares: Any):
    """Plain set arithmetic beside it: to clear = held less declared; unknown = unknown less held and declared."""
    before = product(" ".join(holds), unknown=" ".join(unknown))
    found = cell(before, product(declares=" ".join(declares)))
    assert set(found.clear) == holds - declares
    assert set(found.unknown) == unknown - holds - declares
    for by in KNOWN:
        all_of_it = (holds | unknown) - declares
        able = bool(all_of_it) and all_of_it <= (by.procedure.clears.allergens or set())
        assert (by.version.procedure.code in codes_of(found.by)) == able


def test_a_label_declares_what_every_label_in_use_declares():
    own: Any = SimpleNamespace(contains={"milk": 1}, may={}, unknown=frozenset())
    one: Any = SimpleNamespace(declared=frozenset({"milk", "egg"}), precautionary=frozenset({"soy"}))
    other: Any = SimpleNamespace(declared=frozenset({"milk"}), precautionary=frozenset({"soy"}))
    assert of(own, [one, other]).codes == {"milk", "soy"}
    assert of(own, []).codes == {"milk"}


# --- a house


@pytest.fixture
def recipe_of(act: Any, lead: Person, products: dict[str, Material]) -> Callable[..., RecipeVersion]:
    """A recipe of a product of one ingredient, approved in the morning."""

    def do(product: str, ingredient: Material) -> RecipeVersion:
        size = {"quantity": "6", "unit": "KGM"}
        line = {"material": ingredient.code, "tolerance_permille": "10", **size}
        document = {"batch_size": size, "lines": [line]}
        recipe = recipes.draft(
            act=act(lead), code=f"R-{product}", name=product, material=products[product], document=document
        )
        return recipes.approve(act=act(lead, at=MORNING), recipe=recipe, proof=signatures.Proof(lead))

    return do


@pytest.fixture
def house(recipe_of: Any, nuts: Material, sugar: Material, state: Any, approve: Any) -> None:
    state(nuts, "hazelnut", "milk")
    state(sugar, "free-of:milk", "free-of:hazelnut")
    recipe_of("HZP", nuts)
    recipe_of("LMD", sugar)
    approve(WET)
    approve(dry(equipment_kinds=["mixer"]), "DRY")


def of_house(establishment: Any, products: Any, **values: Any) -> dict[tuple[str, str], Cell]:
    found = matrix.of_day(establishment, DAY, **values)
    code = {material.pk: material.code for material in products.values()}
    return {(code[each.before], code[each.after]): each for each in found.cells}


def test_a_house_is_derived_from_its_recipes_and_procedures(house: None, establishment: Any, products: Any):
    cells = of_house(establishment, products)
    assert set(cells) == {(a, b) for a in ("HZP", "LMD") for b in ("HZP", "LMD")}
    assert {"hazelnut", "milk"} <= set(cells["HZP", "LMD"].clear)
    assert cells["LMD", "HZP"].clear == ()
    assert "egg" in cells["LMD", "HZP"].unknown


def test_only_procedures_for_the_equipment_are_offered(house: None, establishment: Any, products: Any):
    for kind, clears in (("table", ()), ("mixer", ("hazelnut",)), ("belt", ("hazelnut", "milk"))):
        cells = of_house(establishment, products, equipment_kind=kind)
        assert cells["HZP", "LMD"].none_clears == clears


def test_many_products_cost_no_more_statements(
    house: None, recipe_of: Any, sugar: Material, establishment: Any, django_assert_max_num_queries: Any
):
    recipe_of("SBC", sugar)
    with django_assert_max_num_queries(10):
        assert len(matrix.of_day(establishment, DAY).cells) == 9


def test_contents_of_many_recipes_are_those_of_each(house: None):
    """Asked together and one by one; the pillows and the drops share no ingredient."""
    known = list(RecipeVersion.objects.select_related("material", "establishment").order_by("id"))
    together = content.of_recipes(known, DAY)
    for version, own in zip(known, together, strict=True):
        alone = content.of_recipe(version, DAY)
        assert (set(own.contains), set(own.may), own.unknown) == (
            set(alone.contains),
            set(alone.may),
            alone.unknown,
        )
    assert content.of_recipes([], DAY) == []


def test_the_table_over_http(house: None, api: Any, products: Any):
    shown = api.ask("changeovers/matrix", on="2026-03-02", equipment_kind="table").json()
    (found,) = [
        each
        for each in shown["cells"]
        if each["before"] == str(products["HZP"].pk) and each["after"] == str(products["LMD"].pk)
    ]
    assert set(found["clear"]) == {"hazelnut", "milk"}
    assert found["minutes"] is None  # of the nuts much is unknown
    assert [each["code"] for each in found["procedures_for_what_is_known"]] == ["WET"]
    (pillows,) = [each for each in shown["products"] if each["code"] == "HZP"]
    assert {"code": "milk", "name": "milk"} in [
        {"code": each["code"], "name": each["name"].lower()} for each in pillows["holds"]
    ]


def test_only_some_products_are_asked_for(house: None, api: Any, products: Any):
    shown = api.ask("changeovers/matrix", material=str(products["LMD"].pk)).json()
    assert [each["code"] for each in shown["products"]] == ["LMD"]


def test_a_day_before_everything_shows_what_was_stated_then(house: None, establishment: Any):
    found = matrix.of_day(establishment, date(2025, 1, 1))
    assert all("hazelnut" not in each.holds for each in found.products)
