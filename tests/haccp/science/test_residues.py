"""Allergen residues against reference-doses.csv (FAO/WHO consultation, read) and allergen-action-levels.csv (notice
24-2017 of a Belgian scientific committee with its own, lower doses, read; further rows computed).

What a swab means in the first product, and the carry-over figures, are mass balances (computed).
"""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp.figures import figure
from haccp.limit_kinds import ResidueLimit
from haccp.readings import Reading
from haccp.science import residues
from haccp.science.answers import NotComputed
from haccp.science.residues import Found, ReferenceDose
from tests.haccp.science.tables import rows

MASSES = st.floats(1, 1e5)


@pytest.mark.parametrize("row", rows("reference-doses"), ids=lambda row: row["allergen"])
def test_the_doses_are_those_of_the_consultation(row):
    dose = residues.FAO_WHO[row["allergen"]]
    printed = row["reference_dose_mg_total_protein"]
    assert dose.mg == (None if printed == "none set" else float(printed))
    assert dose.dose_set == "FAO/WHO"
    assert ("part 5" in dose.source) == ("part 5" in row["source"])


def test_no_dose_is_missing_or_made_up():
    assert set(residues.FAO_WHO) == {row["allergen"] for row in rows("reference-doses")}


@pytest.mark.parametrize(
    "row", rows("allergen-action-levels"), ids=lambda row: f"{row['allergen']} {row['portion_g']} g"
)
def test_action_levels_are_as_printed(row):
    dose = ReferenceDose(row["allergen"], float(row["reference_dose_mg"]), "of the row", row["source"])
    answer = residues.action_level(dose, float(row["portion_g"]))
    assert answer.value == pytest.approx(float(row["computed"]))
    if row["published_mg_protein_per_kg"]:
        assert answer.value == pytest.approx(float(row["published_mg_protein_per_kg"]), abs=0.0501)


def test_a_whole_bag_lowers_the_level_that_one_piece_would_give():
    hazelnut = residues.FAO_WHO["hazelnut"]
    assert residues.action_level(hazelnut, 20).value == pytest.approx(150)
    assert residues.action_level(hazelnut, 200).value == pytest.approx(15)


def test_the_set_stays_with_the_result():
    assert "Dose set: FAO/WHO." in residues.action_level(residues.FAO_WHO["milk"], 40).notes[0]


def test_where_no_dose_is_set_nothing_is_computed():
    assert isinstance(residues.action_level(residues.FAO_WHO["oats"], 40), NotComputed)


def test_doses_of_two_sets_are_refused():
    other = ReferenceDose("milk", 1.2, "Belgian notice 24-2017", "notice 24-2017 (read)")
    with pytest.raises(Unusable, match="never mixed"):
        residues.action_levels([residues.FAO_WHO["hazelnut"], other], 25)
    assert residues.action_levels([other], 25)["milk"].value == pytest.approx(48)


@pytest.mark.parametrize("field", ["allergen", "dose_set", "source"])
def test_a_dose_needs_its_origin(field):
    given_dose = {"allergen": "milk", "dose_set": "a set", "source": "a page", field: ""}
    with pytest.raises(Unusable):
        ReferenceDose(mg=1.0, **given_dose)


def test_a_swab_goes_into_the_first_product():
    answer = residues.swab_in_product(Found(5), contact_cm2=2000, first_product_g=400, batch_g=60_000)
    assert answer.value == pytest.approx(0.25)  # 5 ug on each of 20 patches is 100 ug in 400 g
    assert answer.unit == residues.MG_PER_KG


def test_a_limit_brings_a_swab_to_the_food_by_the_same_arithmetic():
    limit = ResidueLimit(
        "swab", "59", Decimal(1), "milk", "protein of milk", Decimal(100), Decimal(2000), Decimal("0.4")
    )
    reading = Reading("swab", entered="0.005", value=Decimal("0.005"), unit="MGM")
    answer = residues.swab_in_product(Found(5), contact_cm2=2000, first_product_g=400, batch_g=60_000)
    assert float(figure(limit, reading).value) == answer.value


def test_the_whole_batch_is_refused_as_first_product():
    with pytest.raises(Unusable, match="not of the whole batch"):
        residues.swab_in_product(Found(5), 2000, 60_000, 60_000)


def test_below_detection_is_kept_as_such_and_taken_at_the_limit():
    swab = Found(2.5, below=True)
    answer = residues.swab_in_product(swab, 2000, 400, 60_000)
    assert swab.text == "< 2.5"
    assert answer.value == residues.swab_in_product(Found(2.5), 2000, 400, 60_000).value
    assert answer.low == 0
    assert any("< 2.5" in note for note in answer.notes)


@given(st.floats(0, 100), MASSES, st.floats(1, 1e4), st.floats(1.01, 10))
def test_less_first_product_never_holds_less_per_kilogram(swab, area, first, times):
    more = residues.swab_in_product(Found(swab), area, first, 1e9).value
    less = residues.swab_in_product(Found(swab), area, first * times, 1e9).value
    assert more >= less


def test_a_method_must_find_less_than_the_level():
    level = residues.action_level(residues.FAO_WHO["hazelnut"], 200)
    assert residues.detection_suffices(2.5, level)
    assert not residues.detection_suffices(15, level)
    assert not residues.detection_suffices(1, residues.action_level(residues.FAO_WHO["oats"], 200))


def test_a_paste_left_in_a_machine_carries_over():
    answer = residues.carried_over(150, 0.25, 60)
    assert answer.value == pytest.approx(625)
    assert answer.value * 25 / 1000 == pytest.approx(15.6, abs=0.05)


def test_the_largest_residue_that_stays_at_two_milligrams_in_25_g():
    level = residues.action_level(ReferenceDose("a nut", 2.0, "a set", "a page"), 25)
    assert residues.largest_residue(level, 0.25, 60).value == pytest.approx(19.2)


@given(st.floats(0.01, 1), st.floats(1, 1e4), st.floats(0.1, 1e3))
def test_the_largest_residue_carries_over_exactly_the_level(protein, mass, eaten):
    level = residues.action_level(residues.FAO_WHO["milk"], eaten)
    largest = residues.largest_residue(level, protein, mass)
    assert residues.carried_over(largest.value, protein, mass).value == pytest.approx(level.value)


def test_no_level_no_residue():
    level = residues.action_level(residues.FAO_WHO["oats"], 25)
    assert isinstance(residues.largest_residue(level, 0.2, 60), NotComputed)


@pytest.mark.parametrize(
    "asked",
    [
        lambda: residues.action_level(residues.FAO_WHO["milk"], 0),
        lambda: Found(-1),
        lambda: Found(0, below=True),
        lambda: residues.carried_over(1, 1.5, 60),
        lambda: residues.carried_over(1, 0.5, 0),
    ],
)
def test_amounts_that_mean_nothing_are_unusable(asked):
    with pytest.raises(Unusable):
        asked()
