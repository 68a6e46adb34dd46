"""What a product is going to contain by its recipe, before anything is made."""

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from batches import recipes
from batches.models import Material, RecipeVersion, TradingPartner
from haccp.allergens import content, lists
from haccp.allergens.content import Content
from ledger import signatures
from ledger.models import Establishment, Person
from tests.haccp.allergens.conftest import entry
from tests.haccp.allergens.test_content import DAY
from tests.haccp.conftest import MORNING

pytestmark = pytest.mark.django_db


@pytest.fixture
def all_free(establishment: Establishment) -> list[str]:
    return [f"free-of:{code}" for code in sorted(lists.vocabulary(establishment).listed_on(DAY))]


@pytest.fixture
def approve(act: Any, lead: Person) -> Callable[..., RecipeVersion]:
    """A recipe of a material: ``approve(product, {"SUG": "4", "NUT": "2"}, size="6")``, all in kilograms."""

    def make(material: Material, lines: dict[str, str], size: str = "6", code: str = "") -> RecipeVersion:
        document = {
            "batch_size": {"quantity": size, "unit": "KGM"},
            "lines": [
                {"material": name, "quantity": amount, "unit": "KGM", "tolerance_permille": "10"}
                for name, amount in lines.items()
            ],
        }
        recipe = recipes.draft(
            act=act(lead), code=code or f"R-{material.code}", name="R", material=material, document=document
        )
        return recipes.approve(act=act(lead, at=MORNING), recipe=recipe, proof=signatures.Proof(lead))

    return make


def planned(version: RecipeVersion, on: date = DAY) -> Content:
    return content.of_recipe(version, on)


def test_a_product_is_going_to_contain_what_its_lines_do(
    approve: Any, products: Any, state: Any, sugar: Material, nuts: Material, all_free: Any
):
    version = approve(products["HZP"], {"SUG": "4", "NUT": "2"})
    state(sugar, *all_free)
    said = state(nuts, "hazelnut", *[each for each in all_free if each != "free-of:hazelnut"])
    found = planned(version)
    assert (set(found.contains), found.unknown) == ({"hazelnut"}, frozenset())
    assert (str(found.contains["hazelnut"]), found.contains["hazelnut"].statements) == (
        "NUT -> HZP",
        (said.pk,),
    )


def test_a_line_that_nobody_stated_makes_everything_unknown(
    approve: Any, products: Any, state: Any, sugar: Material, nuts: Material, all_free: Any
):
    version = approve(products["HZP"], {"SUG": "4", "NUT": "2"})
    state(sugar, *all_free)
    assert "milk" in planned(version).unknown
    assert str(planned(version).unstated["milk"]) == "NUT -> HZP"


def test_what_is_made_here_is_followed_into_its_own_recipe(
    approve: Any,
    establishment: Establishment,
    products: Any,
    state: Any,
    sugar: Any,
    nuts: Any,
    all_free: Any,
):
    filling = Material.objects.create(
        establishment=establishment, code="FIL", name="Filling", short_name="FIL", kind="intermediate"
    )
    approve(filling, {"NUT": "6"})
    version = approve(products["HZP"], {"SUG": "4", "FIL": "2"})
    state(sugar, *all_free)
    state(nuts, "hazelnut", *[each for each in all_free if each != "free-of:hazelnut"])
    found = planned(version)
    assert (str(found.contains["hazelnut"]), found.unknown) == ("NUT -> FIL -> HZP", frozenset())


def test_rework_of_the_product_into_itself_ends(
    approve: Any, products: Any, state: Any, sugar: Material, all_free: Any
):
    state(sugar, "milk", *[each for each in all_free if each != "free-of:milk"])
    version = approve(products["SBC"], {"SUG": "5", "SBC": "1"})
    assert set(planned(version).contains) == {"milk"}


def test_of_several_suppliers_each_ones_word_counts_and_silence_of_one_is_unknown(
    approve: Any,
    establishment: Establishment,
    products: Any,
    state: Any,
    sugar: Material,
    supplier: TradingPartner,
    all_free: Any,
):
    other = TradingPartner.objects.create(
        establishment=establishment, code="OTH", name="Mill South", is_supplier=True
    )
    version = approve(products["SBC"], {"SUG": "6"})
    state(sugar, "milk", *[each for each in all_free if each != "free-of:milk"], supplier=supplier)
    state(sugar, *[each for each in all_free if each != "free-of:egg"], supplier=other)
    found = planned(version)
    assert (set(found.contains), found.unknown) == ({"milk"}, {"egg"})


def test_a_statement_of_a_later_day_is_not_foretold(approve: Any, products: Any, state: Any, sugar: Material):
    version = approve(products["SBC"], {"SUG": "6"})
    state(sugar, "milk", in_force_from=DAY)
    assert set(planned(version, date(2026, 3, 1)).contains) == set()
    assert set(planned(version).contains) == {"milk"}


def test_planned_sulphites_lie_between_the_shares_and_all_that_goes_off(
    approve: Any, products: Any, state: Any, sugar: Material, nuts: Material, all_free: Any
):
    """40 mg/kg in a quarter of 8 kg that become 6: 10 by share, 40 x 2 / 6 = 13.3 at most."""
    version = approve(products["HZP"], {"SUG": "2", "NUT": "6"})
    state(sugar, entry("sulphites", mg_per_kg="40"))
    state(nuts, *all_free)
    band = planned(version).sulphites_mg_per_kg
    assert band is not None
    assert band.high is not None
    assert (band.low, round(band.high, 6)) == (Decimal(10), Decimal("13.333333"))


def test_a_recipe_costs_four_statements(
    approve: Any, products: Any, state: Any, sugar: Material, django_assert_num_queries: Any
):
    version = approve(products["SBC"], {"SUG": "6"})
    state(sugar, entry("sulphites", mg_per_kg="40"))
    version = RecipeVersion.objects.select_related("material", "establishment").get(pk=version.pk)
    with django_assert_num_queries(4):
        planned(version)
