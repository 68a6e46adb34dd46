"""Lines of a recipe of which no use is recorded: what they name is possible in the lots, and where the batch stands."""

# ruff: noqa: F811 - fixtures of another file

from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches import recipes
from batches.models import Batch, Equipment, Lot, Material, RecipeVersion
from haccp.allergens import contact, content
from haccp.allergens.content import Content
from haccp.allergens.saying import Says
from haccp.changeovers import starting
from ledger import signatures
from ledger.models import Establishment, Person
from tests.haccp.allergens.test_contact import all_free, hour, nutty, plain, stay, table  # noqa: F401
from tests.haccp.conftest import MORNING

pytestmark = pytest.mark.django_db


@pytest.fixture
def approve(act: Any, lead: Person) -> Callable[..., RecipeVersion]:
    def do(code: str, material: Material, *inputs: str) -> RecipeVersion:
        line = {"quantity": "3", "unit": "KGM", "tolerance_permille": "10"}
        document = {
            "batch_size": {"quantity": "6", "unit": "KGM"},
            "lines": [line | {"material": each} for each in inputs],
        }
        recipe = recipes.draft(act=act(lead), code=code, name=code, material=material, document=document)
        return recipes.approve(act=act(lead, at=MORNING), recipe=recipe, proof=signatures.Proof(lead))

    return do


@pytest.fixture
def of_nuts(approve: Any, products: dict[str, Material], sugar: Material, nuts: Material) -> RecipeVersion:
    """Caramels of sugar (line 1) and hazelnuts (line 2)."""
    return approve("R-NUT", products["SBC"], "SUG", "NUT")


@pytest.fixture
def nutty_batch(begin: Any, of_nuts: RecipeVersion, plain: Lot, use: Any) -> Batch:
    """One of them, of which the sugar is recorded and the nuts are not."""
    batch: Batch = begin(recipe_version=of_nuts)
    use(plain, batch)
    return batch


def of(lot: Lot, **how: Any) -> Content:
    return content.of_lots(lot.establishment, [lot], **how)[lot.pk]


@pytest.mark.parametrize("by_contact", [True, False])
def test_what_an_unrecorded_line_brings_is_possible_and_the_line_is_named(
    nutty: Lot, nutty_batch: Batch, make_lot: Any, end: Any, by_contact: bool
):
    lot = make_lot(nutty_batch)
    end(nutty_batch)
    found = of(lot, contact=by_contact)
    assert (set(found.contains), set(found.may), found.unknown) == (set(), {"hazelnut"}, frozenset())
    assert str(found.may["hazelnut"]) == (
        f"by line 2 of the recipe, of which batch {nutty_batch.code} records no use (NUT -> {lot.code})"
    )
    assert not found.may["hazelnut"].by_contact
    assert {code: str(why) for code, why in found.by_line.items()} == {"hazelnut": str(found.may["hazelnut"])}


@pytest.mark.parametrize("by_contact", [True, False])
def test_what_its_material_only_may_contain_is_kept_apart_from_what_it_contains(
    nutty: Lot, nuts: Material, nutty_batch: Batch, make_lot: Any, state: Any, by_contact: bool
):
    state(nuts, "hazelnut", "may-contain:almond")
    found = of(make_lot(nutty_batch), contact=by_contact)
    assert (set(found.may), set(found.by_line)) == ({"hazelnut", "almond"}, {"hazelnut"})
    assert "by line 2 of the recipe" in str(found.may["almond"])


def test_a_supplier_s_word_that_it_may_contain_hides_no_line_that_does(
    nuts: Material, plain: Lot, nutty: Lot, nutty_batch: Batch, make_lot: Any, state: Any
):
    state(plain.material, "may-contain:hazelnut", lot=plain)
    found = of(make_lot(nutty_batch))
    assert set(found.by_line) == {"hazelnut"}
    assert "by line 2 of the recipe" in str(found.may["hazelnut"])


def test_what_nobody_stated_of_its_material_is_unknown_and_the_material_is_named(
    nuts: Material, nutty_batch: Batch, make_lot: Any, establishment: Establishment
):
    lot = make_lot(nutty_batch)
    found = of(lot)
    assert "milk" in found.unknown
    assert str(found.unstated["milk"]) == f"NUT -> {lot.code}"


def test_a_use_of_its_material_answers_the_line(nutty: Lot, nutty_batch: Batch, use: Any, make_lot: Any):
    use(nutty, nutty_batch)
    found = of(make_lot(nutty_batch))
    assert (set(found.contains), set(found.may), set(found.by_line)) == ({"hazelnut"}, set(), set())


def test_what_else_was_recorded_for_the_line_answers_it(
    nutty: Lot, plain: Lot, nutty_batch: Batch, use: Any, make_lot: Any
):
    use(plain, nutty_batch, recipe_line=2)
    found = of(make_lot(nutty_batch))
    assert (set(found.may), set(found.by_line)) == (set(), set())


def test_what_else_was_recorded_without_a_line_does_not(
    nutty: Lot, plain: Lot, nutty_batch: Batch, use: Any, make_lot: Any
):
    use(plain, nutty_batch)
    assert set(of(make_lot(nutty_batch)).may) == {"hazelnut"}


def test_a_batch_that_nothing_is_recorded_of_may_hold_all_its_recipe_names(
    nutty: Lot, begin: Any, of_nuts: RecipeVersion, make_lot: Any
):
    found = of(make_lot(begin(recipe_version=of_nuts)))
    assert (set(found.may), "milk" in found.unknown) == ({"hazelnut"}, True)


def test_it_goes_on_into_what_is_made_of_the_lot(
    nutty: Lot, nutty_batch: Batch, begin: Any, use: Any, make_lot: Any
):
    first, second = make_lot(nutty_batch), begin()
    use(first, second, recipe_line=1)
    made = make_lot(second)
    assert str(of(made).by_line["hazelnut"].path) == f"NUT -> {first.code} -> {made.code}"


def test_a_line_of_what_is_made_here_brings_what_its_own_recipe_names(
    approve: Any,
    establishment: Establishment,
    products: Any,
    nutty: Lot,
    plain: Lot,
    begin: Any,
    make_lot: Any,
):
    paste = Material.objects.create(
        establishment=establishment, code="PST", name="Paste", short_name="PST", kind="intermediate"
    )
    approve("R-PST", paste, "NUT")
    batch = begin(recipe_version=approve("R-X", products["SBC"], "PST"))
    assert set(of(make_lot(batch)).by_line) == {"hazelnut"}


def test_a_statement_of_a_later_day_says_nothing_of_the_batch(
    nutty: Lot, nuts: Material, nutty_batch: Batch, make_lot: Any, state: Any
):
    state(nuts, "free-of:hazelnut", in_force_from=MORNING.date().replace(year=2027))
    assert set(of(make_lot(nutty_batch)).may) == {"hazelnut"}


# -- where the batch stands ---------------------------------------------------------------------------------


def test_what_is_planned_and_not_weighed_in_may_stand_on_the_equipment(
    nutty: Lot, nutty_batch: Batch, table: Equipment
):
    stay(nutty_batch, table, 8, None)
    left = contact.left_on([table], hour(9))[table.pk]["hazelnut"]
    assert (left.says, left.batch, left.by_recipe) == (Says.MAY_CONTAIN, nutty_batch.code, True)


def test_what_was_weighed_in_is_not_told_as_planned(
    nutty: Lot, nutty_batch: Batch, table: Equipment, use: Any
):
    use(nutty, nutty_batch)
    stay(nutty_batch, table, 8, None)
    left = contact.left_on([table], hour(9))[table.pk]["hazelnut"]
    assert (left.says, left.by_recipe) == (Says.CONTAINS, False)


def test_the_next_batch_on_the_equipment_may_contain_it(
    nutty: Lot, plain: Lot, nutty_batch: Batch, table: Equipment, begin: Any, use: Any, make_lot: Any
):
    stay(nutty_batch, table, 8, 9)
    after = begin()
    use(plain, after)
    stay(after, table, 10, 11)
    found = of(make_lot(after))
    assert (found.may["hazelnut"].batch, set(found.by_line)) == (nutty_batch.code, set())


def test_the_start_gate_says_why_it_counts_on_it(
    nutty: Lot, nutty_batch: Batch, table: Equipment, caramel_recipe: RecipeVersion
):
    stay(nutty_batch, table, 8, 9)
    (reason,) = starting.ask(caramel_recipe, [table], hour(10), hour(10).date()).refused
    assert f"bears hazelnut of batch {nutty_batch.code}" in reason.detail
    assert "Only its recipe names it: no use of it is recorded." in reason.detail


def test_more_batches_with_unrecorded_lines_cost_no_more_statements(
    nutty: Lot, plain: Lot, of_nuts: RecipeVersion, begin: Any, use: Any, make_lot: Any, establishment: Any
):
    counted, lots = [], []
    for count in (1, 4):
        for number in range(count):
            batch = begin(recipe_version=of_nuts, at=MORNING.replace(day=3 + number + count))
            use(plain, batch)
            lots.append(make_lot(batch))
        with CaptureQueriesContext(connection) as queries:
            found = content.of_lots(establishment, lots, contact=False)
        counted.append(len(queries))
    assert counted[0] == counted[1]
    assert all(set(found[lot.pk].may) == {"hazelnut"} for lot in lots)
