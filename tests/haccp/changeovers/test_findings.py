"""What a look, a swab or rinse water comes to.

Outside checks: allergen-action-levels.csv (doses, amounts eaten and levels of notice 24-2017 of a Belgian scientific
committee, read; further rows computed from FAO/WHO doses) and reference-doses.csv (FAO/WHO consultation, read). The
mass balance of a swab is computed by hand beside each figure.
"""

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp.changeovers import findings, procedure_documents
from haccp.changeovers.findings import Finding, find
from haccp.changeovers.procedure_documents import Procedure
from haccp.limits import Result
from haccp.science.residues import Found, swab_in_product
from tests.haccp.changeovers.procedures import FAO_WHO, WET, wet
from tests.haccp.science.tables import rows

SWAB = {
    "value": "5",
    "unit": "MC",
    "wiped_cm2": "100",
    "contact_cm2": "8000",
    "first_product_kg": "2",
    "counts": "protein",
    "validated_for": {"food": "Sugar on steel", "evidence": "Kit maker's study, sheet 4"},
}
RINSE = {name: value for name, value in SWAB.items() if not name.endswith("cm2")} | {
    "tested_ml": "10",
    "rinse_ml": "4000",
}


def procedure(**changes: Any) -> Procedure:
    read = procedure_documents.read(wet(**changes))
    assert isinstance(read, Procedure), read
    return read


def swab(allergen: str = "milk", under: Procedure | None = None, **changes: Any) -> Finding:
    said = {name: value for name, value in (SWAB | changes).items() if value}
    return find("swab", allergen, said, under or procedure())


def refused(**changes: Any) -> dict[str, str]:
    with pytest.raises(Unusable) as caught:
        swab(**changes)
    return {reason.field: reason.code for reason in caught.value.reasons}


# --- action levels


@pytest.mark.parametrize(
    "row", rows("allergen-action-levels"), ids=lambda row: f"{row['allergen']} {row['portion_g']} g"
)
def test_the_level_is_as_printed_for_each_dose_and_amount(row: dict[str, str]):
    dose = {
        "allergen": row["allergen"],
        "mg": row["reference_dose_mg"],
        "dose_set": "of the row",
        "dated": "2017",
        "source": row["source"],
    }
    doses = [dose] + [each for each in WET["levels"]["doses"] if each["allergen"] != row["allergen"]]
    doses = [each | {"dose_set": "of the row"} for each in doses]
    level = findings.level_of(
        row["allergen"], procedure(levels={"eaten_g": row["portion_g"], "doses": doses})
    )
    assert float(level["value"]) == pytest.approx(float(row["computed"]))
    if row["published_mg_protein_per_kg"]:
        assert float(level["value"]) == pytest.approx(float(row["published_mg_protein_per_kg"]), abs=0.0501)


@pytest.mark.parametrize("row", rows("reference-doses"), ids=lambda row: row["allergen"])
def test_a_dose_of_the_consultation_gives_its_level(row: dict[str, str]):
    """Dose / 0.040 kg, by hand; where no dose is set none can be written down."""
    mg = row["reference_dose_mg_total_protein"]
    dose = {"allergen": row["allergen"], "mg": mg, "dose_set": "FAO/WHO", "dated": "2022", "source": "read"}
    document = wet(
        levels={"eaten_g": "40", "doses": [*WET["levels"]["doses"][:0], dose]}, verify=[], clears={}
    )
    read = procedure_documents.read(document)
    if mg == "none set":
        assert isinstance(read, list)
    else:
        assert isinstance(read, Procedure)
        assert Decimal(findings.level_of(row["allergen"], read)["value"]) == Decimal(mg) / Decimal("0.040")


def test_the_dose_its_set_and_its_date_stay_with_the_result():
    level = swab().level
    assert level == {
        "value": "50",
        "unit": "59",
        "dose_mg": "2",
        "eaten_g": "40",
        **FAO_WHO,
    }


# --- a swab in the first product


def test_five_micrograms_on_a_swab_are_a_fifth_of_a_milligram_in_a_kilogram():
    """5 ug/100 cm2 on 0.8 m2 are 400 ug = 0.4 mg; into the first 2 kg that is 0.2 mg/kg (computed)."""
    found = swab()
    assert (found.figures["value"], found.result) == ("0.2", Result.WITHIN)


def test_the_unit_is_that_of_the_value():
    assert swab(value="0.005", unit="MGM").figures["value"] == "0.2"


def test_more_than_the_level_is_outside():
    """1300 ug/100 cm2: 104 mg into 2 kg, 52 mg/kg, over 50."""
    assert (swab(value="1300").figures["value"], swab(value="1300").result) == ("52", Result.OUTSIDE)


def test_the_sentence_says_where_the_level_is_written():
    for found in (swab(), swab(value="1300")):
        assert "(cleaning procedure)" in found.sentence
        assert "plan" not in found.sentence


def test_the_level_itself_is_outside():
    assert swab(value="1250").result is Result.OUTSIDE


def test_below_detection_is_kept_as_such_and_taken_at_the_limit_of_detection():
    """2.5 ug/100 cm2: 0.2 mg into 2 kg, 0.1 mg/kg at most."""
    found = swab(value="< 2.5")
    assert (found.figures["low"], found.figures["value"], found.result) == ("0", "0.1", Result.WITHIN)
    assert "less than" in found.sentence


def test_a_method_that_could_not_have_found_the_level_decides_nothing():
    """< 1300 ug may be 0 or over the level."""
    assert swab(value="< 1300").result is Result.UNDECIDED


@pytest.mark.parametrize("value", ["0", "1", "< 1", "< 2.5"])
def test_whatever_is_written_under_the_detection_limit_is_taken_at_it(value: str):
    found = swab(value=value, detection_limit="2.5")
    assert (found.figures["low"], found.figures["high"]) == ("0", "0.1")


def test_over_the_detection_limit_the_value_is_the_value():
    assert swab(value="5", detection_limit="2.5").figures["low"] == "0.2"


@given(
    value=st.decimals("0.1", "5000", places=1),
    contact=st.integers(100, 50_000),
    first=st.decimals("0.1", "50", places=1),
)
def test_the_swab_is_brought_to_the_product_as_the_model_does_it(value: Any, contact: int, first: Any):
    """``haccp.science.residues`` by floats, this by decimals: the same mass balance."""
    found = swab(value=str(value), contact_cm2=str(contact), first_product_kg=str(first))
    other = swab_in_product(Found(float(value)), float(contact), float(first) * 1000, float(first) * 2000)
    assert float(found.figures["value"]) == pytest.approx(other.value, rel=1e-9)


# --- rinse water


def test_rinse_water_is_counted_whole():
    """5 ug in 10 ml of 4 l: 2 mg in all; into 2 kg that is 1 mg/kg (computed)."""
    found = find("rinse", "milk", RINSE, procedure())
    assert (found.figures["value"], found.result) == ("1", Result.WITHIN)
    assert findings.RINSED in found.sentence


# --- what clears nothing


def test_a_method_that_was_not_shown_to_work_in_this_food_clears_nothing():
    for said in (None, {}):
        found = swab(validated_for=said)
        assert found.result is Result.UNDECIDED
        assert findings.NOT_VALIDATED in found.sentence


@pytest.mark.parametrize("word", ["", "  ", "x", "-", "7", "n/a", "N/A", "k. A.", "t.b.d.", "12/2025"])
@pytest.mark.parametrize("name", ["food", "evidence"])
def test_without_a_food_and_a_paper_nothing_is_validated(name: str, word: str):
    found = swab(validated_for=SWAB["validated_for"] | {name: word})
    assert found.result is Result.UNDECIDED
    assert findings.NOT_VALIDATED in found.sentence


@pytest.mark.parametrize("name", ["food", "evidence"])
def test_one_of_the_two_alone_validates_nothing(name: str):
    assert swab(validated_for={name: "Sugar on steel, report 4"}).result is Result.UNDECIDED


@pytest.mark.parametrize("word", ["none", "sin validar", "kein Nachweis", "to be validated"])
def test_one_text_for_both_validates_nothing(word: str):
    said = {"food": word, "evidence": word.upper()}
    assert swab(validated_for=said).result is Result.UNDECIDED


@pytest.mark.parametrize(
    "said",
    [
        {"food": "Zucker auf Stahl", "evidence": "PB-7"},
        {"food": "\u7cd6\u679c", "evidence": "\u62a5\u544a 4"},
    ],
)
def test_a_food_and_its_paper_validate_in_any_script(said: dict[str, str]):
    found = swab(validated_for=said)
    assert found.result is Result.WITHIN
    assert findings.NOT_VALIDATED not in found.sentence


def test_what_is_outside_stays_outside_whatever_the_method():
    assert swab(value="1300", validated_for=None).result is Result.OUTSIDE
    assert swab(value="1300", counts="other").result is Result.OUTSIDE


def test_a_value_of_part_of_the_protein_clears_nothing():
    assert swab(counts="other").result is Result.UNDECIDED


def test_a_value_of_the_whole_food_holds_less_protein_and_is_judged_as_it_is():
    assert swab(counts="food").result is Result.WITHIN


def test_without_a_dose_nothing_is_said():
    found = swab(allergen="egg")
    assert (found.result, found.level) == (Result.UNDECIDED, {})


# --- what is refused


@pytest.mark.parametrize(
    ("changes", "field", "code"),
    [
        ({"value": "-1"}, "value", "negative"),
        ({"value": "many"}, "value", "not-a-number"),
        ({"value": ""}, "value", "one-way-to-say-it"),
        ({"value": "< 0"}, "value", "not-positive"),
        ({"value": "0"}, "detection_limit", "detection-limit-missing"),
        ({"unit": ""}, "unit", "missing"),
        ({"unit": "59"}, "unit", "unit-does-not-convert"),
        ({"unit": "ug"}, "unit", "unknown-unit"),
        ({"detection_limit": "-2"}, "detection_limit", "not-positive"),
        ({"counts": ""}, "counts", "unknown-name"),
        ({"validated_for": "Sugar; report 4"}, "validated_for", "unknown-shape"),
        ({"validated_for": {"validated": "yes"}}, "validated_for", "unknown-shape"),
        ({"validated_for": {"food": "Sugar", "evidence": "a\nb"}}, "validated_for.evidence", "not-one-line"),
        ({"validated_for": {"food": "S" * 301}}, "validated_for.food", "not-one-line"),
        ({"wiped_cm2": "9000"}, "wiped_cm2", "more-than-all"),
        ({"tested_ml": "10"}, "tested_ml", "not-of-this-method"),
    ],
)
def test_what_cannot_be_judged_is_refused(changes: dict[str, str], field: str, code: str):
    assert refused(**changes)[field] == code


def test_everything_that_is_missing_is_told_at_once():
    assert set(refused(wiped_cm2="", contact_cm2="0", first_product_kg="")) == {
        "wiped_cm2",
        "contact_cm2",
        "first_product_kg",
    }


def test_the_whole_batch_is_not_the_first_product():
    with pytest.raises(Unusable, match="first product"):
        find("swab", "milk", SWAB | {"first_product_kg": "6"}, procedure(), Decimal(6))


# --- looks and cleanliness


def test_a_look_is_clean_or_not():
    assert find("visual", "", {"outcome": "clean"}, procedure()).result is Result.WITHIN
    assert find("visual", "", {"outcome": "not-clean"}, procedure()).result is Result.OUTSIDE
    with pytest.raises(Unusable):
        find("visual", "", {"outcome": "nearly"}, procedure())


ATP = {"by": "atp", "where": "Plate", "upper": "150", "unit": "RLU"}


@pytest.mark.parametrize(
    ("said", "result"),
    [
        ({"value": "150", "unit": "RLU"}, Result.WITHIN),
        ({"value": "< 10", "unit": "RLU"}, Result.WITHIN),
        ({"value": "151", "unit": "RLU"}, Result.OUTSIDE),
        ({"value": "10", "unit": "zones"}, Result.UNDECIDED),
    ],
)
def test_cleanliness_is_judged_by_the_houses_own_bound(said: dict[str, str], result: Result):
    under = procedure(verify=[*WET["verify"], ATP])
    assert find("atp", "", said, under).result is result


def test_cleanliness_without_a_bound_decides_nothing():
    assert find("protein", "", {"value": "3", "unit": "ug"}, procedure()).result is Result.UNDECIDED


@pytest.mark.parametrize("said", [{"value": "10"}, {"value": "-1", "unit": "RLU"}, {"unit": "RLU"}])
def test_cleanliness_needs_its_unit_and_no_negative_value(said: dict[str, str]):
    with pytest.raises(Unusable):
        find("atp", "", said, procedure(verify=[*WET["verify"], ATP]))
