"""The list of ingredients of an approved recipe: what is made here and what is bought, opened into brackets."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from batches import recipes
from batches.models import Material, RecipeVersion
from config.api.refusals import RuleBroken, Unusable
from haccp.labels import made_of, recipe_lists
from haccp.models import Label, LabelVersion, StatedParts
from ledger.acts import Act
from ledger.models import Establishment, Person
from ledger.signatures import Proof
from tests.conftest import NOON, Client
from tests.haccp.conftest import MORNING

pytestmark = pytest.mark.django_db
TODAY = NOON.date()
MILK_CHOCOLATE = {
    "parts": [{"name": "sugar"}, {"name": "milk powder", "allergens": ["milk"]}, {"name": "cocoa butter"}]
}


@pytest.fixture
def material(establishment: Establishment) -> Callable[..., Material]:
    def make(code: str, name: str, **values: Any) -> Material:
        usual = {"short_name": code, "kind": "ingredient"} | values
        return Material.objects.create(establishment=establishment, code=code, name=name, **usual)

    return make


@pytest.fixture
def recipe(act: Callable[..., Act], lead: Person) -> Callable[..., RecipeVersion]:
    """An approved recipe of so many grams (pieces for H87) of each."""

    def make(makes: Material, *inputs: tuple[str, str] | tuple[str, str, str]) -> RecipeVersion:
        lines = [
            {"material": code, "quantity": quantity, "unit": (*unit, "GRM")[0], "tolerance_permille": "10"}
            for code, quantity, *unit in inputs
        ]
        document = {"batch_size": {"quantity": "1", "unit": "KGM"}, "lines": lines}
        drafted = recipes.draft(
            act=act(lead), code=f"R-{makes.code}", name=makes.name, material=makes, document=document
        )
        return recipes.approve(act=act(lead, at=MORNING), recipe=drafted, proof=Proof(lead))

    return make


@pytest.fixture
def state(act: Callable[..., Act], lead: Person) -> Callable[..., StatedParts]:
    def make(material: Material, **values: Any) -> StatedParts:
        usual = {"code": f"P-{material.code}", "name": material.name, "material": material}
        usual |= {"document": MILK_CHOCOLATE, "source": "The maker's sheet", "provenance": "read"}
        return made_of.make(act=act(lead), values=usual | {"in_force_from": date(2026, 1, 1)} | values)

    return make


@pytest.fixture
def pillows(
    products: dict[str, Material],
    sugar: Material,
    material: Callable[..., Material],
    recipe: Callable[..., RecipeVersion],
    state: Callable[..., StatedParts],
) -> RecipeVersion:
    """500 g sugar, 300 g filling (200 nuts to 100 sugar), 200 g chocolate, 50 bags."""
    material("NUT", "Hazelnuts")
    material("BAG", "Bags", kind="packaging", dimension="count")
    state(material("CHO", "Chocolate"))
    recipe(material("FIL", "Nut filling", kind="intermediate"), ("SUG", "100"), ("NUT", "200"))
    return recipe(products["HZP"], ("CHO", "200"), ("BAG", "50", "H87"), ("FIL", "300"), ("SUG", "500"))


def test_what_is_made_here_and_what_its_supplier_lists_stand_in_brackets(pillows: RecipeVersion) -> None:
    found = recipe_lists.of(pillows, TODAY)
    assert found.words == (
        "Sugar, Nut filling (Hazelnuts 20.0 %, Sugar), Chocolate (sugar, *milk* powder, cocoa butter)"
    )
    assert found.left_out == ("Bags",)


def test_parts_that_are_stated_from_a_later_day_on_do_not_count_yet(pillows: RecipeVersion) -> None:
    assert recipe_lists.of(pillows, date(2025, 12, 31)).words.endswith("Chocolate")


def test_the_newest_version_of_the_filling_counts(
    pillows: RecipeVersion, act: Callable[..., Act], lead: Person
) -> None:
    filling = recipe_lists.version_of(Material.objects.get(code="FIL"))
    assert filling is not None
    draft = filling.document | {"lines": filling.document["lines"][1:]}
    changed = recipes.redraft(act=act(lead), recipe=filling.recipe, values={"draft": draft})
    recipes.approve(act=act(lead), recipe=changed, proof=Proof(lead))
    assert "Nut filling (Hazelnuts 30.0 %)" in recipe_lists.of(pillows, TODAY).words


def test_pieces_without_a_mass_leave_nothing_to_compute(
    products: dict[str, Material], material: Callable[..., Material], recipe: Callable[..., RecipeVersion]
) -> None:
    material("WAF", "Wafers", dimension="count")
    found = recipe_lists.of(recipe(products["HZP"], ("WAF", "5", "H87")), TODAY)
    assert (found.found.listed, found.found.cannot[0][:19]) == ((), "Cannot be computed:")


def test_rework_of_the_product_itself_is_not_opened_for_ever(
    products: dict[str, Material], sugar: Material, recipe: Callable[..., RecipeVersion]
) -> None:
    found = recipe_lists.of(recipe(products["HZP"], ("SUG", "900"), ("HZP", "100")), TODAY)
    assert found.words.startswith("Sugar, Layered hazelnut pillows")


def test_more_ingredients_cost_no_more_statements(
    pillows: RecipeVersion, caramel_recipe: RecipeVersion, django_assert_max_num_queries: Any
) -> None:
    for version in (caramel_recipe, pillows):
        with django_assert_max_num_queries(10):
            recipe_lists.of(version, TODAY)


def test_a_total_in_the_recipe_tells_percentages_of_the_finished_product(
    lead_api: Client, products: dict[str, Material], sugar: Material, act: Callable[..., Act], lead: Person
) -> None:
    document = {
        "batch_size": {"quantity": "800", "unit": "GRM"},
        "lines": [{"material": "SUG", "quantity": "1", "unit": "KGM", "tolerance_permille": "10"}],
        "cooked_to": {
            "total": {"quantity": "800", "unit": "GRM"},
            "total_uncertainty": {"quantity": "5", "unit": "GRM"},
        },
    }
    drafted = recipes.draft(
        act=act(lead), code="R", name="Drops", material=products["LMD"], document=document
    )
    version = recipes.approve(act=act(lead), recipe=drafted, proof=Proof(lead))
    (listed,) = lead_api.ask(f"recipe-versions/{version.pk}/ingredients").json()["ingredients"]
    assert (listed["percent"], listed["percent_of_finished"]) == ("100.0", "125.0")


# -- against a label ----------------------------------------------------------------------------------

INGREDIENTS = [
    {"name": {"en": "filling"}, "material": "FIL", "percent": "31"},
    {"name": {"en": "sugar"}, "material": "SUG"},
    {"name": {"en": "vanilla"}},
]


def test_a_label_is_held_against_the_recipe(
    lead_api: Client,
    pillows: RecipeVersion,
    make_label: Callable[..., Label],
    approve: Callable[..., LabelVersion],
) -> None:
    label = make_label(material=pillows.material, ingredients=INGREDIENTS)
    version = approve(label)
    answers = [
        lead_api.ask(f"{path}/differences").json()
        for path in (f"labels/{label.pk}", f"label-versions/{version.pk}")
    ]
    assert answers[0] == answers[1]
    told = [
        (each["kind"], each["name"], each["printed"], each["computed"]) for each in answers[0]["differences"]
    ]
    assert (
        told
        == [
            ("missing", "Chocolate", "", "Chocolate (sugar, *milk* powder, cocoa butter)"),
            ("extra", "vanilla", "vanilla", ""),
            ("order", "Sugar", "2", "1"),
            ("percentage", "Nut filling", "31", "30"),
        ]
        or told[2][0] == "order"
    )


def test_the_list_is_answered_with_its_note(lead_api: Client, pillows: RecipeVersion) -> None:
    said = lead_api.ask(f"recipe-versions/{pillows.pk}/ingredients", day="2026-03-02").json()
    assert [(each["code"], each["percent"]) for each in said["ingredients"]] == [
        ("SUG", "50.0"),
        ("FIL", "30.0"),
        ("CHO", "20.0"),
    ]
    assert said["ingredients"][2]["parts"][1]["allergens"] == ["milk"]
    assert "at mixing" in said["note"]


def test_a_draft_that_cannot_be_read_is_told_so(
    lead_api: Client, pillows: RecipeVersion, make_label: Callable[..., Label]
) -> None:
    label = make_label(material=pillows.material, ingredients=[])
    answer = lead_api.ask(f"labels/{label.pk}/differences")
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (409, "ingredients")


def test_without_a_recipe_there_is_nothing_to_hold_it_against(
    lead_api: Client, products: dict[str, Material], make_label: Callable[..., Label]
) -> None:
    assert lead_api.ask(f"labels/{make_label().pk}/differences").status_code == 404


# -- stated parts -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"document": {}}, "document.parts"),
        ({"document": {"parts": []}}, "document.parts"),
        ({"document": {"parts": ["sugar"]}}, "document.parts.0"),
        ({"document": {"parts": [{"name": ""}]}}, "document.parts.0.name"),
        ({"document": {"parts": [{"name": "x", "colour": "red"}]}}, "document.parts.0.colour"),
        ({"document": {"parts": [{"name": "x", "allergens": "milk"}]}}, "document.parts.0.allergens"),
        ({"document": {"parts": [{"name": "x", "allergens": ["mlik"]}]}}, "document.parts"),
        ({"document": {"parts": [{"name": "x", "parts": [{}]}]}}, "document.parts.0.parts.0.name"),
        ({"source": " "}, "source"),
        ({"provenance": ""}, "provenance"),
    ],
)
def test_parts_that_cannot_be_kept_are_refused_by_name(
    values: Any, field: str, state: Callable[..., StatedParts], sugar: Material
) -> None:
    with pytest.raises(Unusable) as caught:
        state(sugar, **values)
    assert field in {reason.field for reason in caught.value.reasons}
    assert not StatedParts.objects.exists()


def test_two_of_a_material_do_not_begin_on_one_day(
    state: Callable[..., StatedParts], sugar: Material
) -> None:
    state(sugar)
    with pytest.raises(RuleBroken) as caught:
        state(sugar, code="P-2")
    assert caught.value.code == "day-taken"


def test_parts_go_in_and_out_and_change_under_if_match(lead_api: Client, sugar: Material) -> None:
    body = {"code": "P-1", "name": "x", "material": str(sugar.pk), "document": MILK_CHOCOLATE}
    body |= {"source": "Sheet", "provenance": "read", "in_force_from": "2026-01-01"}
    answer = lead_api.send("stated-parts", body)
    assert (answer.status_code, answer.json()["document"]) == (201, MILK_CHOCOLATE)
    path = f"stated-parts/{answer.json()['id']}"
    assert lead_api.change(path, {"source": "Sheet 2"}).status_code == 428
    assert lead_api.change(path, {"source": "Sheet 2"}, 1).json()["source"] == "Sheet 2"
    assert lead_api.send("stated-parts", body | {"document": {"parts": 3}}).status_code == 400
