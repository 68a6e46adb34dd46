"""What a recipe predicts, what was measured of its lots against it, and what that still allows to grow."""

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.template.loader import render_to_string
from django.test.utils import CaptureQueriesContext

from batches import recipes
from batches.models import Batch, Material, RecipeVersion
from haccp import checks, compositions, growing, mixing, predictions
from haccp.models import Check, Deviation
from haccp.science.answers import NotComputed
from ledger import signatures
from ledger.acts import Act
from ledger.models import Establishment, Person
from reports import predicted
from tests.conftest import Client
from tests.haccp.conftest import MORNING, SAMPLE

pytestmark = pytest.mark.django_db
SUGAR = {
    "water": "0",
    "water_uncertainty": "0",
    "tolerance": "0",
    "dissolved": [{"solute": "sucrose", "grams": "100"}],
}
WATER = {"water": "100", "water_uncertainty": "0", "tolerance": "0"}
TO_60_PERCENT = {"moisture": "40", "moisture_uncertainty": "0.5"}


@pytest.fixture
def document(document: dict[str, Any]) -> dict[str, Any]:
    """The plan asks for moisture and pH of the caramel too."""
    point = next(each for each in document["control_points"] if each["code"] == "CP-AW-2")
    wide = {"kind": "range", "lower": "0", "source": {"provenance": "site"}}
    point["limits"] = [
        *point["limits"],
        wide | {"quantity": "moisture", "unit": "P1", "asks": ["method"]},
        wide | {"quantity": "pH", "unit": "Q30"},
    ]
    return document


@pytest.fixture
def water(establishment: Establishment) -> Material:
    return Material.objects.create(
        establishment=establishment, code="WAT", name="Water", short_name="WAT", kind="processing-aid"
    )


@pytest.fixture
def wrappers(establishment: Establishment) -> Material:
    return Material.objects.create(
        establishment=establishment,
        code="WRP",
        name="Wrappers",
        short_name="WRP",
        kind="packaging",
        dimension="count",
    )


@pytest.fixture
def syrup_draft(water: Material, wrappers: Material) -> dict[str, Any]:
    """Six kilograms of sugar in six of water, cooked to 60 % solids; wrappers are not eaten."""
    line = {"unit": "KGM", "tolerance_permille": "10"}
    return {
        "batch_size": {"quantity": "10", "unit": "KGM"},
        "lines": [
            {"material": "SUG", "quantity": "6", **line},
            {"material": "WAT", "quantity": "6", **line},
            {"material": "WRP", "quantity": "100", "unit": "H87", "tolerance_permille": "10"},
        ],
        "cooked_to": TO_60_PERCENT,
    }


@pytest.fixture
def approve(
    act: Callable[..., Act], lead: Person, products: dict[str, Material], sugar: Material
) -> Callable[..., RecipeVersion]:
    def do(document: dict[str, Any], code: str = "R-SYR") -> RecipeVersion:
        recipe = recipes.draft(
            act=act(lead), code=code, name="Syrup", material=products["SBC"], document=document
        )
        return recipes.approve(act=act(lead, at=MORNING), recipe=recipe, proof=signatures.Proof(lead))

    return do


@pytest.fixture
def caramel_recipe(approve: Callable[..., RecipeVersion], syrup_draft: dict[str, Any]) -> RecipeVersion:
    """Batches are begun on this one."""
    return approve(syrup_draft)


@pytest.fixture
def state(act: Callable[..., Act], lead: Person) -> Callable[..., Any]:
    """Write down what a material consists of, from 2026 on."""

    def do(material: Material, document: dict[str, Any], **values: Any) -> Any:
        usual = {
            "code": f"C-{material.code}",
            "name": material.name,
            "material": material,
            "document": document,
            "method": "label",
            "source": "An invented sheet",
            "provenance": "read",
            "in_force_from": date(2026, 1, 1),
        }
        return compositions.make(act=act(lead), values=usual | values)

    return do


@pytest.fixture
def known(state: Callable[..., Any], sugar: Material, water: Material) -> None:
    state(sugar, SUGAR)
    state(water, WATER)


@pytest.fixture
def read(act: Callable[..., Act], point: Any, meter: Any) -> Callable[..., Check]:
    """Water activity, moisture and pH of a batch, or of one of its lots, by one check."""

    def do(batch: Batch, aw: str = "0.895", moisture: str = "40", ph: str = "5.5", **values: Any) -> Check:
        said = [
            {"quantity": "water activity", "value": aw, "unit": "C62", **SAMPLE},
            {"quantity": "moisture", "value": moisture, "unit": "P1", "method": "oven, 70 °C under vacuum"},
            {"quantity": "pH", "value": ph, "unit": "Q30"},
        ]
        said_act = values.pop("said_act", None) or act()
        subject = checks.Subject(point("CP-AW-2"), batch=batch, instrument=meter, **values)
        return checks.record(act=said_act, subject=subject, said=said)

    return do


# --- what a recipe predicts


def test_a_recipe_predicts_the_published_water_activity_of_60_percent_sucrose(
    caramel_recipe: RecipeVersion, known: None
):
    """0.8947 at 60 % by Starzak and Peacock (read)."""
    found = predictions.of_recipe(caramel_recipe, date(2026, 3, 2))
    assert (found.mix.moisture.value, found.mix.moisture.low) == pytest.approx((40, 39.5))
    assert found.mix.band.low <= 0.8947 <= found.mix.band.high
    assert found.mix.notes == (mixing.AS_COOKED,)


def test_a_material_without_a_composition_leaves_no_number(
    caramel_recipe: RecipeVersion, state: Any, sugar: Material
):
    state(sugar, SUGAR)
    found = predictions.of_recipe(caramel_recipe, date(2026, 3, 2))
    assert "cannot be computed. The composition of Water is not stated." in found.mix.moisture.sentence


def test_a_composition_of_a_later_day_is_not_used(caramel_recipe: RecipeVersion, known: None):
    found = predictions.of_recipe(caramel_recipe, date(2025, 12, 31))
    assert isinstance(found.mix.moisture, NotComputed)
    assert [each.composition for each in found.basis] == [None, None]


def test_what_is_counted_needs_the_mass_of_a_piece(
    approve: Any, syrup_draft: dict[str, Any], state: Any, known: None, establishment: Establishment
):
    eggs = Material.objects.create(
        establishment=establishment,
        code="EGG",
        name="Egg whites",
        short_name="EGG",
        kind="ingredient",
        dimension="count",
    )
    state(eggs, WATER)
    syrup_draft["lines"].append(
        {"material": "EGG", "quantity": "2", "unit": "H87", "tolerance_permille": "0"}
    )
    version = approve(syrup_draft, "R-EGG")
    on = date(2026, 3, 2)
    assert "The mass of one piece of Egg whites" in predictions.of_recipe(version, on).mix.moisture.sentence
    Material.objects.filter(pk=eggs.pk).update(piece_mass_mg=30_000)
    assert predictions.of_recipe(version, on).mix.moisture.value == pytest.approx(40)


def test_a_prediction_costs_the_same_statements_for_any_number_of_lines(
    approve: Any, syrup_draft: dict[str, Any], known: None, django_assert_num_queries: Any
):
    short = approve(syrup_draft)
    syrup_draft["lines"] += [syrup_draft["lines"][0]] * 20
    long = approve(syrup_draft, "R-LONG")
    for version in (short, long):
        with django_assert_num_queries(2):
            predictions.of_recipe(version, date(2026, 3, 2))


# --- what was measured against it


def test_a_measured_value_inside_the_band_is_no_gap(batch: Batch, known: None, read: Any):
    read(batch)
    found = predictions.of_batch(batch).gaps
    assert [(each.measured.quantity, each.flagged, each.gap) for each in found] == [
        ("water activity", False, 0),
        ("moisture", False, 0),
    ]


def test_a_value_further_off_than_the_models_accuracy_is_flagged_and_opens_nothing(
    batch: Batch, known: None, read: Any
):
    read(batch, aw="0.60", moisture="42")
    before = Deviation.objects.count()
    activity, moisture = predictions.of_batch(batch).gaps
    assert (activity.flagged, moisture.flagged) == (True, True)
    assert activity.gap < -0.2
    assert moisture.gap == pytest.approx(1.5)
    assert "1.50 above it" in moisture.sentence
    assert "oven, 70 °C under vacuum" in moisture.sentence
    assert "±0.01" in activity.sentence
    assert Deviation.objects.count() == before


def test_less_than_a_value_above_the_band_is_no_gap(batch: Batch, known: None, read: Any):
    read(batch, moisture="<45")
    assert not predictions.of_batch(batch).gaps[1].flagged


def test_less_than_a_value_below_the_band_is_a_gap(batch: Batch, known: None, read: Any):
    read(batch, moisture="<5")
    assert predictions.of_batch(batch).gaps[1].flagged


def test_parts_per_million_are_read_as_percent(
    batch: Batch, known: None, act: Callable[..., Act], point: Any, meter: Any
):
    said = [
        {"quantity": "water activity", "value": "0.6", "unit": "C62", **SAMPLE},
        {"quantity": "moisture", "value": "400000", "unit": "59", "method": "oven"},
        {"quantity": "pH", "value": "5", "unit": "Q30"},
    ]
    checks.record(
        act=act(), subject=checks.Subject(point("CP-AW-2"), batch=batch, instrument=meter), said=said
    )
    assert predictions.of_batch(batch).gaps[1].measured.value == pytest.approx(40)


def test_a_corrected_check_no_longer_counts(batch: Batch, known: None, read: Any, act: Callable[..., Act]):
    first = read(batch, moisture="44")
    read(batch, said_act=act(corrects=first.pk, reason="Misread."))
    assert [each.flagged for each in predictions.of_batch(batch).gaps] == [False, False]


def test_without_a_prediction_a_measured_value_says_why_it_is_not_compared(batch: Batch, read: Any):
    read(batch)
    found = predictions.of_batch(batch).gaps
    assert {(each.flagged, each.gap) for each in found} == {(False, None)}
    assert "The composition of Sugar, Water is not stated." in found[0].sentence


def test_a_lot_is_compared_by_its_own_checks_and_its_batchs_not_by_its_sisters(
    batch: Batch, known: None, read: Any, make_lot: Any
):
    mine, sister = make_lot(batch), make_lot(batch)
    read(batch, moisture="40")
    read(batch, moisture="41", lot=mine)
    read(batch, moisture="45", lot=sister)
    assert [
        each.measured.value for each in predictions.of_lot(mine).gaps if each.measured.quantity == "moisture"
    ] == [
        40,
        41,
    ]
    assert len(predictions.of_batch(batch).gaps) == 6


def test_a_received_lot_has_no_prediction(receive: Any):
    found = predictions.of_lot(receive())
    assert predictions.NOT_MADE_HERE in found.prediction.sentence
    assert found.gaps == ()


# --- what may still grow


def test_the_highest_reading_of_a_lot_is_judged_at_its_unsafe_side(batch: Batch, read: Any, make_lot: Any):
    lot = make_lot(batch)
    read(batch, aw="0.85")
    worst = read(batch, aw="0.925", lot=lot)
    found = growing.of_lot(lot)
    assert (found.water_activity.check, found.growth.aw) == (worst.pk, pytest.approx(0.935))
    may = {each.organism for each in found.growth.may_grow}
    assert "Escherichia coli" in may  # 0.935 by growth tables read; 0.925 alone would not reach it
    assert "Salmonella spp." in may


def test_the_reading_judged_is_the_highest_by_its_own_uncertainty(
    batch: Batch, make_lot: Any, act: Callable[..., Act], point: Any, make_instrument: Any
):
    """0.91 known to 0.03 reaches further than 0.92 known to 0.001."""
    lot, highest = make_lot(batch), None
    for value, spread in (("0.92", "0.001"), ("0.91", "0.03")):
        meter = make_instrument(kind="meter", unit="C62", expanded_uncertainty=Decimal(spread))
        said = [
            {"quantity": "water activity", "value": value, "unit": "C62", **SAMPLE},
            {"quantity": "moisture", "value": "40", "unit": "P1", "method": "oven, 70 °C under vacuum"},
            {"quantity": "pH", "value": "5.5", "unit": "Q30"},
        ]
        subject = checks.Subject(point("CP-AW-2"), batch=batch, instrument=meter, lot=lot)
        highest = checks.record(act=act(), subject=subject, said=said)
    assert highest is not None
    found = growing.of_lot(lot)
    assert found.water_activity is not None
    assert (found.water_activity.check, found.growth.aw) == (highest.pk, pytest.approx(0.94))


def test_acid_is_taken_into_account_where_it_was_measured(batch: Batch, read: Any, make_lot: Any):
    """Listeria from pH 4.4 on: growth tables (read)."""
    lot = make_lot(batch)
    read(batch, aw="0.95", ph="3.9")
    below = {each.organism for each in growing.of_lot(lot).growth.below_limits}
    assert "Listeria monocytogenes" in below
    read(batch, aw="0.95", ph="5", lot=lot)
    may = {each.organism for each in growing.of_lot(lot).growth.may_grow}
    assert "Listeria monocytogenes" in may


def test_ph_below_a_value_may_be_anything_below_it(batch: Batch, read: Any, make_lot: Any):
    lot = make_lot(batch)
    read(batch, aw="0.95", ph="<5")
    assert "Listeria monocytogenes" in {each.organism for each in growing.of_lot(lot).growth.may_grow}


def test_a_ph_without_a_stated_uncertainty_is_said_to_be_taken_as_read(
    batch: Batch, read: Any, make_lot: Any
):
    read(batch)
    notes = growing.of_lot(make_lot(batch)).notes
    assert growing.EXACT.format("pH") in notes
    assert growing.EXACT.format("water activity") not in notes


def test_a_lot_that_nobody_measured_has_no_answer_but_the_caution(receive: Any):
    found = growing.of_lot(receive())
    assert growing.NOT_MEASURED in found.growth.sentence
    assert any("Salmonella survives" in each for each in found.notes)


@pytest.mark.parametrize("aw", ["1.01", "1.2"])
def test_a_reading_that_is_no_water_activity_is_named_and_not_judged(
    aw: str, batch: Batch, read: Any, make_lot: Any
):
    read(batch, aw=aw)
    found = growing.of_lot(make_lot(batch))
    assert isinstance(found.growth, NotComputed)
    assert growing.NO_MEANING.format(aw) in found.notes


# --- over HTTP


def test_the_prediction_comes_with_models_basis_sources_and_cautions(
    api: Client, caramel_recipe: RecipeVersion, known: None
):
    said = api.ask(f"recipe-versions/{caramel_recipe.pk}/prediction").json()
    assert (said["moisture"]["value"], said["moisture"]["unit"]) == ("40.00", "P1")
    assert said["water_activity"]["computed"]
    spoke = {each["model"]: each["computed"] for each in said["models"]}
    assert (spoke["Sucrose reference"], spoke["Ross"]) == (True, False)
    assert all(each["source"] if each["computed"] else each["why_not"] for each in said["models"])
    assert [each["source"] for each in said["basis"]] == ["An invented sheet"] * 2
    assert said["cautions"][0].startswith("Hot sugar sticks and burns")


def test_a_batch_and_a_lot_answer_their_gaps(
    api: Client, batch: Batch, known: None, read: Any, make_lot: Any
):
    lot = make_lot(batch)
    check = read(batch, moisture="42")
    for path in (f"batches/{batch.uid}/prediction", f"lots/{lot.uid}/prediction"):
        gap = api.ask(path).json()["gaps"][1]
        assert (gap["flagged"], gap["gap"], gap["low"], gap["high"]) == (True, "1.50", "39.50", "40.50")
        assert gap["measured"]["check"] == str(check.pk)


def test_gaps_cost_the_same_statements_for_any_number_of_checks(
    api: Client, batch: Batch, known: None, read: Any
):
    counts = []
    for number in (1, 5):
        for _ in range(number):
            read(batch)
        with CaptureQueriesContext(connection) as seen:
            assert api.ask(f"batches/{batch.uid}/prediction").status_code == 200
        counts.append(len(seen))
    assert counts[0] == counts[1] <= 7


def test_growth_cites_its_table_and_never_says_that_a_lot_is_safe(
    api: Client, batch: Batch, read: Any, make_lot: Any
):
    lot = make_lot(batch)
    read(batch, aw="0.50")
    answer = api.ask(f"lots/{lot.uid}/growth")
    said = answer.json()
    assert (said["may_grow"], said["judged_by"]) == ([], "0.510")
    assert all(each["source"] for each in said["below_limits_of_growth"])
    assert any("Salmonella survives at any of these values" in each for each in said["cautions"])
    assert "safe" not in answer.content.decode().lower()


def test_a_lot_of_another_establishment_is_not_there(
    client_of: Any, lead: Person, receive: Any, make_establishment: Any
):
    lot = receive()
    other = client_of(lead, make_establishment(lead, name="Other"))
    for what in ("growth", "prediction"):
        assert other.ask(f"lots/{lot.uid}/{what}").status_code == 404


# --- in the batch record


def test_the_batch_record_shows_prediction_and_gap(batch: Batch, known: None, read: Any):
    read(batch, moisture="42")
    found = predicted.of_batch(batch)
    assert found.moisture == "39.50 to 40.50 %"
    assert [each.flagged for each in found.gaps] == [False, True]
    assert any(said.startswith("Ross: cannot be computed.") for said in found.models)


def test_the_section_of_the_batch_record_marks_the_gap_in_words(batch: Batch, known: None, read: Any):
    read(batch, moisture="42")
    section = render_to_string("reports/_predicted.html", {"predicted": predicted.of_batch(batch)})
    assert section.count("<strong>Gap:</strong>") == 1
    assert "39.50 to 40.50 %" in section
    assert "A prediction never replaces a measurement" in section


def test_without_a_measured_value_the_batch_record_predicts_nothing(batch: Batch, known: None):
    assert predicted.of_batch(batch) is None


def test_the_sheet_at_the_stove_bears_the_burn_caution(api: Client, batch: Batch):
    assert api.ask(f"batches/{batch.uid}/sheet").json()["caution"].startswith("Hot sugar sticks and burns")
