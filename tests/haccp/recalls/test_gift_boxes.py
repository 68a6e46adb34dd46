"""Gift boxes: packed of several finished lots, and traced, labelled, released and recalled as what is in them."""

from datetime import date, timedelta
from typing import Any

import pytest

from batches import recipes, traces, using
from batches.flags import Flag
from batches.models import Batch, Edge, Lot, Material, RecipeVersion
from batches.trace_questions import FromLots, TraceQuestion
from batches.trace_results import Direction
from config.api.refusals import RuleBroken
from haccp import gates
from haccp.allergens import content
from ledger.models import Establishment, Person
from ledger.signatures import Proof
from tests.conftest import NOON
from tests.haccp.conftest import HOUR, MORNING, PRODUCTS
from tests.haccp.recalls.conftest import codes

pytestmark = pytest.mark.django_db
MAY, JUNE = date(2026, 5, 1), date(2026, 6, 1)
PACKED = NOON + HOUR / 2


@pytest.fixture
def box(establishment: Establishment) -> Material:
    made: Material = Material.objects.create(
        establishment=establishment,
        code="BOX",
        name="Gift box",
        short_name="BOX",
        kind="finished-product",
        dimension="count",
        piece_mass_mg=500_000,
        shelf_life_days=200,
    )
    return made


@pytest.fixture
def document(document: dict[str, Any], box: Material) -> dict[str, Any]:
    """The plan speaks of boxes too; every control point is about what is cooked."""
    for point in document["control_points"]:
        point["products"] = list(PRODUCTS)
    return document | {"products": [*document["products"], "BOX"]}


@pytest.fixture
def box_recipe(act: Any, lead: Person, products: Any, box: Material) -> RecipeVersion:
    """Ten boxes of half a kilogram: two kilograms of pillows and three of drops."""
    draft = {
        "batch_size": {"quantity": "10", "unit": "H87"},
        "lines": [
            {"material": "HZP", "quantity": "2", "unit": "KGM", "tolerance_permille": "10"},
            {"material": "LMD", "quantity": "3", "unit": "KGM", "tolerance_permille": "10"},
        ],
    }
    recipe = recipes.draft(act=act(lead), code="R-BOX", name="Gift box", material=box, document=draft)
    return recipes.approve(act=act(lead, at=MORNING), recipe=recipe, proof=Proof(lead))


@pytest.fixture
def sweet(act: Any, batch: Batch, products: Any, nuts: Lot, use: Any) -> Any:
    """Five kilograms of a product come out of the batch with a best before."""

    def do(code: str, ends: date) -> Lot:
        said = {"material": products[code], "quantity": "5", "unit": "KGM", "best_before": ends}
        return using.make(act=act(at=NOON), batch=batch, **said).lot

    return do


@pytest.fixture
def packing(act: Any, box_recipe: RecipeVersion) -> Batch:
    started = gates.start_batch(
        act=act(at=NOON + HOUR / 4), recipe_version=box_recipe, quantity="10", unit="H87"
    )
    return started.batch


@pytest.fixture
def pack(act: Any, use: Any, packing: Batch, box: Material) -> Any:
    """Ten boxes of lots of pillows and drops."""

    def do(pillows: Lot, drops: Lot, **values: Any) -> Any:
        use(pillows, packing, at=PACKED, quantity="2", recipe_line=1)
        use(drops, packing, at=PACKED, quantity="3", recipe_line=2)
        said = {"material": box, "quantity": "10", "unit": "H87"} | values
        return using.make(act=act(at=PACKED), batch=packing, **said)

    return do


def test_a_box_lot_carries_the_shares_of_each_lot_in_it(sweet: Any, pack: Any) -> None:
    pillows, drops = sweet("HZP", JUNE), sweet("LMD", MAY)
    boxes = pack(pillows, drops).lot
    shares = {edge.source_id: edge.share for edge in Edge.objects.filter(target=boxes)}
    assert shares == {pillows.pk: pytest.approx(0.4), drops.pk: pytest.approx(0.6)}


def test_a_box_traces_back_to_every_lot_in_it_and_what_that_is_made_of(
    establishment: Establishment, batch: Batch, use: Any, nuts: Lot, sweet: Any, pack: Any
) -> None:
    use(nuts, batch)
    pillows, drops = sweet("HZP", JUNE), sweet("LMD", MAY)
    boxes = pack(pillows, drops).lot
    found = traces.trace(establishment, TraceQuestion(FromLots((boxes.uid,)), Direction.BACK))
    assert {each.code for each in found.lots} == {boxes.code, pillows.code, drops.code, nuts.code}


def test_a_recall_of_what_went_into_one_sweet_reaches_the_box_and_the_stall_that_sold_it(
    batch: Batch, use: Any, nuts: Lot, sweet: Any, pack: Any, stall: Any, act: Any, decide: Any, freeze: Any
) -> None:
    from batches import shipping

    use(nuts, batch)
    boxes = pack(sweet("HZP", JUNE), sweet("LMD", MAY)).lot
    shipping.ship(
        act=act(at=PACKED + HOUR),
        lot=boxes,
        customer=stall,
        quantity="4",
        unit="H87",
        already_happened=True,
    )
    scope = freeze(decide(), nuts)
    assert boxes.code in codes(scope)
    assert [row["with_buyers"] for each in scope.outlets for row in each["lots"]] == ["4"]


def test_a_box_contains_the_allergens_of_what_is_in_it(
    establishment: Establishment,
    act: Any,
    lead: Person,
    batch: Batch,
    use: Any,
    nuts: Lot,
    sweet: Any,
    pack: Any,
) -> None:
    from haccp.allergens import statements

    statements.record(
        act=act(lead),
        material=nuts.material,
        says=[{"allergen": "hazelnut", "says": "contains"}],
        document="Sheet 12",
        document_day=date(2026, 1, 1),
        in_force_from=date(2026, 1, 1),
    )
    use(nuts, batch)
    boxes = pack(sweet("HZP", JUNE), sweet("LMD", MAY)).lot
    assert "hazelnut" in content.of_lots(establishment, [boxes], contact=False)[boxes.pk].contains


# -- best before ---------------------------------------------------------------------------------------


def test_a_box_ends_with_what_ends_first_in_it(sweet: Any, pack: Any) -> None:
    movement = pack(sweet("HZP", JUNE), sweet("LMD", MAY))
    assert (movement.best_before, movement.flags) == (MAY, [])


def test_a_box_whose_own_shelf_life_is_shorter_keeps_to_that(sweet: Any, pack: Any, box: Material) -> None:
    box.shelf_life_days = 10
    box.save()
    assert pack(sweet("HZP", JUNE), sweet("LMD", MAY)).best_before == NOON.date() + timedelta(days=10)


@pytest.mark.parametrize(
    ("said", "flags"), [(MAY, []), (MAY + timedelta(days=1), [Flag.LATER_THAN_CONTENTS])]
)
def test_a_later_date_than_what_is_in_it_is_taken_and_flagged(
    sweet: Any, pack: Any, said: date, flags: Any
) -> None:
    movement = pack(sweet("HZP", JUNE), sweet("LMD", MAY), best_before=said)
    assert (movement.best_before, movement.flags) == (said, flags)


def test_what_is_packed_late_and_ends_sooner_is_flagged(
    act: Any, sweet: Any, pack: Any, packing: Batch
) -> None:
    pack(sweet("HZP", JUNE), sweet("LMD", JUNE))
    late = sweet("LMD", MAY)
    said = {"lot": late, "batch": packing, "quantity": "1", "unit": "KGM", "recipe_line": 2}
    assert Flag.SOONER_THAN_BOX in using.use(act=act(at=PACKED + HOUR), **said).flags


def test_what_is_made_of_finished_sweets_and_other_things_keeps_by_its_own_shelf_life(
    act: Any, batch: Batch, products: Any, sweet: Any, begin: Any, use: Any
) -> None:
    """Crumbs in a new filling are an ingredient: the new product has a date of its own."""
    crumbs, other = sweet("HZP", MAY), begin(at=NOON)
    use(crumbs, other, at=PACKED)
    products["SBC"].shelf_life_days = 365
    products["SBC"].save()
    said = {"material": products["SBC"], "quantity": "1", "unit": "KGM"}
    made = using.make(act=act(at=PACKED), batch=other, **said)
    assert made.best_before == NOON.date() + timedelta(days=365)


# -- release -------------------------------------------------------------------------------------------


def _release(act: Any, lead: Person, lot: Lot) -> None:
    gates.release(act=act(lead, at=PACKED + 2 * HOUR), lot=lot, proof=Proof(lead))


def codes_of(refused: Any) -> set[str]:
    return {each.code for each in refused.value.reasons}


def test_a_box_is_released_by_the_same_gate(
    act: Any, lead: Person, sweet: Any, pack: Any, end: Any, packing: Batch
) -> None:
    boxes = pack(sweet("HZP", JUNE), sweet("LMD", MAY)).lot
    with pytest.raises(RuleBroken) as refused:
        _release(act, lead, boxes)
    assert "batch-running" in codes_of(refused)
    assert "later-than-contents" not in codes_of(refused)


def test_a_box_that_says_a_later_date_than_what_is_in_it_is_not_released(
    act: Any, lead: Person, sweet: Any, pack: Any
) -> None:
    boxes = pack(sweet("HZP", JUNE), sweet("LMD", MAY), best_before=JUNE).lot
    with pytest.raises(RuleBroken) as refused:
        _release(act, lead, boxes)
    assert "later-than-contents" in codes_of(refused)


def test_a_held_lot_in_it_keeps_the_box_from_release(
    act: Any, lead: Person, sweet: Any, pack: Any, end: Any, packing: Batch
) -> None:
    from haccp import deviations
    from haccp.holds import Touched
    from haccp.models import HoldSubject

    pillows = sweet("HZP", JUNE)
    boxes = pack(pillows, sweet("LMD", MAY)).lot
    end(packing, at=PACKED + HOUR)
    deviations.report(
        act=act(at=PACKED), title="A screw is missing.", hold=Touched(HoldSubject.LOT, pillows.uid)
    )
    with pytest.raises(RuleBroken) as refused:
        _release(act, lead, boxes)
    assert "ingredient-held" in codes_of(refused)
