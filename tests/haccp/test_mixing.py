"""What a mix comes to, held to published and computed values; each names its source."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches.recipe_documents import CookedTo
from haccp import mixing
from haccp.composition_documents import Stated
from haccp.mixing import Ingredient
from haccp.science.answers import Computed, NotComputed
from haccp.science.solutes import GLUCOSE, SUCROSE, Norrish, Solute
from tests.haccp.science.tables import rows


def stated(water=0.0, uncertainty=0.0, *dissolved, glass=False, **undissolved):
    return Stated(water, uncertainty, dissolved, undissolved, glass)


SUGAR = stated(0.0, 0.0, (SUCROSE, 100.0))
DEXTROSE = stated(0.0, 0.0, (GLUCOSE, 100.0))
WATER = stated(100.0)
NUTS = stated(4.0, 1.0, (SUCROSE, 4.0), fat=62.0, protein=15.0, other=15.0)


def syrup(sugar=67.5, water=32.5, cooked_to=None):
    return mixing.mixed([Ingredient("Sugar", sugar, SUGAR), Ingredient("Water", water, WATER)], cooked_to)


def said(mix):
    return {each.model: each for each in mix.models}


LASTING = [
    row
    for row in rows("water-activity-checks")
    if row["solute"] == "sucrose" and float(row["mass_pct_solute"]) <= 67.5
]


@pytest.mark.parametrize("row", LASTING, ids=lambda row: row["mass_pct_solute"])
def test_a_mix_of_sugar_and_water_holds_the_published_water_activity(row):
    """Starzak and Peacock (read), Robinson and Stokes (from memory): up to 67.5 %, where sucrose stays dissolved."""
    solids = float(row["mass_pct_solute"])
    band = syrup(solids, 100 - solids).band
    assert band.low - 0.001 <= float(row["aw_reference"]) <= band.high + 0.001


def test_two_sugars_in_water_give_the_computed_value_of_each_model():
    """40 g sucrose, 30 g glucose, 30 g water: computed from the equations, no measured value is confirmed."""
    row = rows("water-activity-mixtures")[0]
    lines = [
        Ingredient("Sugar", 0.4, SUGAR),
        Ingredient("Dextrose", 0.3, DEXTROSE),
        Ingredient("Water", 0.3, WATER),
    ]
    found = said(mixing.mixed(lines, None))
    for model, column in (
        ("Norrish, mixture", "aw_norrish_mixture"),
        ("Ross", "aw_ross"),
        ("Grover", "aw_grover"),
    ):
        assert found[model].value == pytest.approx(float(row[column]), abs=0.0002)
    assert found["Raoult"].value == pytest.approx(float(row["aw_raoult"]), abs=0.0002)
    assert isinstance(found["Sucrose reference"], NotComputed)


def test_syrup_cooked_to_a_total_loses_water_and_keeps_its_solids():
    """100 kg at 30 % cooked to 72.165 kg stand at 3 %: conservation of solids (computed)."""
    assert "72.165 kg product" in rows("moisture-balance")[0]["answer"]
    mix = syrup(70, 30, CookedTo(None, Decimal("72165000"), Decimal(0)))
    assert mix.moisture.value == pytest.approx(3.0, abs=0.001)


def test_syrup_cooked_to_a_moisture_stands_at_it():
    mix = syrup(70, 30, CookedTo(Decimal("25"), None, Decimal("2")))
    assert (mix.moisture.value, mix.moisture.low, mix.moisture.high) == pytest.approx((25, 23, 27))
    assert mix.notes[0] == mixing.AS_COOKED


def test_the_uncertainty_of_a_total_is_uncertainty_of_the_water_left():
    mix = syrup(60, 60, CookedTo(None, Decimal("100000000"), Decimal("2000000")))
    assert (mix.moisture.low, mix.moisture.high) == pytest.approx((100 * 38 / 98, 100 * 42 / 102))


def test_a_mix_that_is_not_said_to_be_cooked_is_of_the_weighed_lines_and_says_so():
    mix = syrup(60, 40)
    assert mix.moisture.value == pytest.approx(40)
    assert mix.notes == (mixing.AS_WEIGHED,)


def test_without_one_composition_nothing_is_guessed():
    mix = mixing.mixed([Ingredient("Sugar", 1, SUGAR), Ingredient("Cream", 1, None)], None)
    assert isinstance(mix.moisture, NotComputed)
    assert "The composition of Cream is not stated." in mix.moisture.sentence
    assert "cannot be computed" in mix.band.sentence
    assert mix.models == ()


def test_without_the_mass_of_a_piece_nothing_is_guessed():
    mix = mixing.mixed([Ingredient("Eggs", None, NUTS)], None)
    assert "The mass of one piece of Eggs is not stated." in mix.band.sentence


def test_an_empty_recipe_has_no_prediction():
    assert isinstance(mixing.mixed([], None).moisture, NotComputed)


def test_the_uncertainty_of_each_water_widens_moisture_and_water_activity():
    sharp, wide = (
        mixing.mixed([Ingredient("Syrup", 1, stated(40.0, spread, (SUCROSE, 60.0)))], None)
        for spread in (0.0, 2.0)
    )
    assert (wide.moisture.low, wide.moisture.high) == pytest.approx((38, 42))
    assert wide.band.low < sharp.band.low
    assert wide.band.high > sharp.band.high


def test_fat_and_protein_are_no_solute():
    with_fat = mixing.mixed(
        [
            Ingredient("Sugar", 0.6, SUGAR),
            Ingredient("Water", 0.4, WATER),
            Ingredient("Fat", 1, stated(fat=100.0)),
        ],
        None,
    )
    assert with_fat.band == syrup(0.6, 0.4).band
    assert with_fat.moisture.value == pytest.approx(20)


def test_a_nut_paste_with_sugar_is_too_dry_for_any_model():
    mix = mixing.mixed([Ingredient("Nuts", 6, NUTS), Ingredient("Sugar", 4, SUGAR)], None)
    assert isinstance(mix.band, NotComputed)
    assert all(isinstance(each, NotComputed) for each in mix.models)
    assert mix.moisture.value == pytest.approx(2.4)


def test_a_glass_in_the_mix_silences_every_model():
    glass = stated(2.0, 0.5, (SUCROSE, 98.0), glass=True)
    mix = mixing.mixed([Ingredient("Drops", 1, glass), Ingredient("Water", 1, WATER)], None)
    assert isinstance(mix.band, NotComputed)


@pytest.mark.parametrize(
    "cooked_to",
    [
        CookedTo(Decimal(50), None, Decimal(1)),
        CookedTo(None, Decimal("120000000"), Decimal(0)),
        CookedTo(None, Decimal("60000000"), Decimal(0)),
    ],
    ids=["wetter than weighed in", "more than weighed in", "less than the solids"],
)
def test_a_cook_that_cannot_be_is_said_to_be_none(cooked_to):
    mix = syrup(70, 30, cooked_to)
    assert isinstance(mix.moisture, NotComputed)
    assert "The recipe says it is cooked to" in mix.moisture.sentence


def test_fat_alone_has_no_water_activity_and_no_moisture_but_none():
    mix = mixing.mixed([Ingredient("Fat", 1, stated(fat=100.0))], None)
    assert mix.moisture.value == 0
    assert isinstance(mix.band, NotComputed)


def test_one_solute_with_two_sets_of_constants_is_not_computed():
    own = Solute("maltose", "sugar", 342.3, Norrish(4.5, 0.5, "one sheet"))
    other = Solute("maltose", "sugar", 342.3, Norrish(5.0, 0.5, "another sheet"))
    lines = [
        Ingredient(name, 1, stated(50.0, 0.0, (each, 50.0))) for name, each in (("A", own), ("B", other))
    ]
    mix = mixing.mixed(lines, None)
    assert "two sets of constants" in mix.band.sentence
    assert mix.moisture.value == pytest.approx(50)


def test_above_75_percent_only_the_moisture_is_told():
    mix = syrup(80, 20)
    assert isinstance(mix.band, NotComputed)
    assert mix.upper_bound is None


def test_at_the_edge_of_the_models_it_is_said_that_one_end_is_silent():
    line = Ingredient("Syrup", 1, stated(33.0, 2.0, (SUCROSE, 30.0), (GLUCOSE, 37.0)))
    mix = mixing.mixed([line], CookedTo(Decimal("25.2"), None, Decimal("3")))
    assert mixing.ONE_END in mix.notes


@given(
    sugar=st.floats(1, 60),
    dextrose=st.floats(0, 30),
    water=st.floats(20, 100),
    spread=st.floats(0, 3),
    fat=st.floats(0, 50),
)
def test_the_band_holds_every_model_and_lies_below_the_bound(sugar, dextrose, water, spread, fat):
    lines = [
        Ingredient("Sugar", sugar, SUGAR),
        Ingredient("Dextrose", dextrose, DEXTROSE),
        Ingredient("Water", water, stated(95.0, spread, fat=5.0)),
        Ingredient("Fat", fat, stated(fat=100.0)),
    ]
    mix = mixing.mixed(lines, None)
    assert mix.moisture.low <= mix.moisture.value <= mix.moisture.high
    if isinstance(mix.band, NotComputed):
        return
    assert 0 <= mix.band.low <= mix.band.high <= 1
    spoke = [each for each in mix.models if isinstance(each, Computed) and each.model in mix.band.models]
    assert all(mix.band.low <= each.value <= mix.band.high for each in spoke)


@given(water=st.floats(10, 60), off=st.floats(0, 1))
def test_cooking_never_adds_water_nor_loses_solids(water, off):
    before = syrup(40, water)
    left = int((40 + water * (1 - off)) * 1e6)
    after = syrup(40, water, CookedTo(None, Decimal(left), Decimal(0)))
    assert after.moisture.value <= before.moisture.value + 1e-6
    kg = left / 1e6
    assert kg * (100 - after.moisture.value) / 100 == pytest.approx(40)
