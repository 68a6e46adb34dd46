"""Laminating, sampling plans and residues asked over HTTP: a number with model, source and band, or why there is none.

Figures of the trade (common practice, no source): five letter folds make 243 filling and 244 sugar layers; at 12.7 mm the
mean pair is 52.3 um; a block of 185 x 185 x 10 mm with 20 mm borders needs a sheet of 225 x 420 mm and covers 72.4 %; a
flat of 300 x 160 mm gives 24 pieces of 76.2 x 19.05 mm, and 21 where the blade takes 2 mm. Sixty samples without a bad one
accept a lot with 5 % bad units at 0.95^60 = 0.046070 (binomial, arithmetic), and 59 find one with 95 % (arithmetic).
Doses: FAO/WHO expert consultation, part 2 (read).
"""

from typing import Any

import pytest

from tests.conftest import Client

pytestmark = pytest.mark.django_db
FLAT = {"length_mm": "300", "width_mm": "160", "piece_length_mm": "76.2", "piece_width_mm": "19.05"}


def answers(api: Client, path: str, said: dict[str, Any]) -> dict[str, dict[str, Any]]:
    answer = api.send(path, said)
    assert answer.status_code == 200, answer.json()
    assert answer.json()["cautions"]
    return {each["model"]: each for each in answer.json()["answers"]}


def refused(api: Client, path: str, said: dict[str, Any]) -> set[str]:
    answer = api.send(path, said)
    assert answer.status_code == 400, answer.json()
    return {error["field"] for error in answer.json()["errors"]}


# --- laminating


def test_five_letter_folds_are_answered_with_the_mean_pair(api: Client):
    found = answers(api, "laminating", {"layers": {"folds": ["letter"] * 5, "slab_mm": "12.7"}})
    assert (found["Filling layers"]["value"], found["Sugar layers"]["value"]) == ("243.000", "244.000")
    pair = found["Mean layer pair"]
    assert (pair["value"], pair["unit"], pair["low"], pair["high"]) == ("0.0523", "MMT", "0.0523", "0.0523")
    assert "from memory" in pair["source"]


def test_the_sheet_over_a_block(api: Client):
    block = {"width_mm": "185", "length_mm": "185", "thickness_mm": "10", "border_mm": "20"}
    found = answers(api, "laminating", {"sheet": block})
    assert (found["Sheet width"]["value"], found["Sheet length"]["value"]) == ("225.0000", "420.0000")
    assert found["Folded area covered by the block"]["value"] == "72.43"
    assert "common practice, no source" in found["Sheet width"]["notes"][0]


@pytest.mark.parametrize(("blade", "pieces"), [({}, "24.000"), ({"blade_mm": "2"}, "21.000")])
def test_pieces_with_and_without_blade_loss(api: Client, blade: dict[str, str], pieces: str):
    found = answers(api, "laminating", {"pieces": FLAT | blade})
    assert (found["Whole pieces"]["value"], found["Area of a piece"]["value"]) == (pieces, "1451.6")


def test_a_slab_and_the_yield_by_mass(api: Client):
    slab = {"volume_mm3": "1000000", "thickness_mm": "10", "g_per_cm3": "1.4"}
    said = {"slab": slab, "mass_yield": {"good_g": "850", "worked_g": "1000"}}
    found = answers(api, "laminating", said)
    assert (found["Slab area"]["value"], found["Slab mass"]["value"]) == ("100000.0", "1400.0")
    assert (found["Yield by mass"]["value"], found["Yield by mass"]["unit"]) == ("85.00", "P1")


def test_the_burn_caution_stands_first_and_folding_controls_nothing(api: Client):
    said = api.send("laminating", {"layers": {"folds": ["book"]}}).json()["cautions"]
    assert said[0].startswith("Hot sugar sticks and burns")
    assert "no control of any hazard" in said[1]


@pytest.mark.parametrize(
    ("said", "field"),
    [
        ({}, "layers"),
        ({"layers": {"folds": []}}, "layers.folds"),
        ({"layers": {"folds": ["letter"] * 13}}, "layers.folds"),
        ({"layers": {"folds": ["letter"], "slab_mm": "0"}}, "layers.slab_mm"),
        ({"layers": {"folds": ["letter"], "slab_mm": "NaN"}}, "layers.slab_mm"),
        ({"pieces": FLAT | {"blade_mm": "-1"}}, "blade_mm"),
        ({"pieces": FLAT | {"width_mm": "1e3"}}, "pieces.width_mm"),
        ({"mass_yield": {"good_g": "2", "worked_g": "1"}}, "good_g"),
        ({"slab": {"volume_mm3": "1"}}, "slab.thickness_mm"),
    ],
)
def test_lengths_that_mean_nothing_are_named(api: Client, said: dict[str, Any], field: str):
    found = refused(api, "laminating", said)
    assert any(each == field or each.startswith(f"{field}.") for each in found), found


# --- sampling plans


def test_sixty_samples_without_a_finding(api: Client):
    found = answers(api, "sampling-plans", {"n": 60, "c": 0, "bad_share": "0.05", "confidence": "0.95"})
    chance = found["Chance that a lot is accepted"]
    assert (chance["value"], chance["unit"]) == ("0.046070", "C62")
    assert "A lot that passes may still hold bad units." in chance["notes"][0]
    assert found["Samples needed"]["value"] == "59.000000"


def test_a_lot_of_counted_units_is_drawn_without_putting_back(api: Client):
    """Two of ten bad, one drawn: accepted at 0.8; two drawn: 8/10 x 7/9 (arithmetic)."""
    said = {"n": 1, "c": 0, "lot": 10, "bad": 2}
    assert answers(api, "sampling-plans", said)["Chance that a lot is accepted"]["value"] == "0.800000"
    said["n"] = 2
    assert answers(api, "sampling-plans", said)["Chance that a lot is accepted"]["value"] == "0.622222"


def test_three_classes(api: Client):
    """None bad and at most one marginal of two: 0.8^2 + 2 x 0.1 x 0.8 = 0.8 (arithmetic)."""
    said = {"n": 2, "c": 1, "bad_share": "0.1", "marginal_share": "0.1"}
    assert answers(api, "sampling-plans", said)["Chance that a lot is accepted"]["value"] == "0.800000"
    units = {"n": 1, "c": 0, "lot": 10, "bad": 1, "marginal": 2}
    assert answers(api, "sampling-plans", units)["Chance that a lot is accepted"]["value"] == "0.700000"


def test_no_plan_is_a_release(api: Client):
    (caution,) = api.send("sampling-plans", {"n": 1, "c": 0, "bad_share": "0"}).json()["cautions"]
    assert "is no release" in caution


@pytest.mark.parametrize(
    ("said", "field"),
    [
        ({"n": 0, "c": 0, "bad_share": "0.1"}, "n"),
        ({"n": 1001, "c": 0, "bad_share": "0.1"}, "n"),
        ({"n": 5, "c": 0}, "bad_share"),
        ({"n": 5, "c": 0, "bad_share": "0.1", "lot": 5, "bad": 1}, "bad_share"),
        ({"n": 5, "c": 0, "marginal_share": "0.1"}, "bad_share"),
        ({"n": 5, "c": 0, "lot": 10}, "bad"),
        ({"n": 5, "c": 0, "bad_share": "1.1"}, "bad_share"),
        ({"n": 5, "c": 0, "bad_share": "0.7", "marginal_share": "0.7"}, "marginal_share"),
        ({"n": 5, "c": 0, "lot": 4, "bad": 1}, "lot"),
        ({"n": 5, "c": 0, "bad_share": "0.1", "confidence": "1"}, "confidence"),
        ({"n": 5, "c": 0, "bad_share": "0", "confidence": "0.9"}, "bad_share"),
    ],
)
def test_plans_that_mean_nothing_are_named(api: Client, said: dict[str, Any], field: str):
    assert field in refused(api, "sampling-plans", said)


@pytest.mark.parametrize(
    "said",
    [
        {"n": 1000, "c": 1000, "bad_share": "0.5"},
        {"n": 1000, "c": 500, "lot": 10_000, "bad": 5000, "marginal": 4000, "confidence": "0.999"},
        {"n": 1, "c": 0, "lot": 10_000, "bad": 1, "confidence": "0.999"},
    ],
)
def test_the_largest_plans_are_answered(api: Client, said: dict[str, Any]):
    assert answers(api, "sampling-plans", said)


# --- residues


def levels(api: Client, **said: Any) -> dict[str, dict[str, Any]]:
    answer = api.send("residues/action-levels", said)
    assert answer.status_code == 200, answer.json()
    assert "Heat and dilution clear no allergen." in answer.json()["cautions"]
    return {each["allergen"]: each for each in answer.json()["levels"]}


def test_a_whole_bag_decides_the_action_level(api: Client):
    found = levels(api, eaten_g="200", allergens=["hazelnut"], detection_limit="2.5")["hazelnut"]
    assert (found["level"]["value"], found["level"]["unit"], found["method_suffices"]) == (
        "15.000",
        "59",
        True,
    )
    assert (found["dose_mg"], found["dose_set"]) == ("3", "FAO/WHO")
    assert "(read)" in found["source"]


def test_every_known_dose_is_shown_where_none_is_named_and_none_is_made_up(api: Client):
    found = levels(api, eaten_g="25")
    assert len(found) > 10
    assert (found["oats"]["level"]["computed"], found["oats"]["method_suffices"]) == (False, None)
    assert "sets no dose" in found["oats"]["level"]["why_not"]


def test_own_doses_keep_their_set_and_source(api: Client):
    own = {"allergen": "milk", "mg": "1.2", "dose_set": "Notice 24-2017", "source": "notice 24-2017"}
    found = levels(api, eaten_g="25", doses=[own])
    assert (list(found), found["milk"]["level"]["value"]) == (["milk"], "48.000")
    answer = api.send("residues/action-levels", {"eaten_g": "25", "allergens": ["hazelnut"], "doses": [own]})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "doses")


@pytest.mark.parametrize(
    ("said", "field"),
    [
        ({"eaten_g": "0"}, "eaten_g"),
        ({"eaten_g": "-5"}, "eaten_g"),
        ({}, "eaten_g"),
        ({"eaten_g": "25", "allergens": ["sunshine"]}, "allergens.0"),
        ({"eaten_g": "25", "detection_limit": "0"}, "detection_limit"),
        ({"eaten_g": "25", "doses": [{"allergen": "milk", "mg": "1"}]}, "doses.0.source"),
    ],
)
def test_levels_that_mean_nothing_are_named(api: Client, said: dict[str, Any], field: str):
    assert field in refused(api, "residues/action-levels", said)


SWAB = {"found": "5", "contact_cm2": "2000", "first_product_g": "400", "batch_g": "60000"}


def test_a_swab_goes_into_the_first_product_and_not_the_batch(api: Client):
    found = answers(api, "residues/swab", SWAB)["Swab in the first product"]
    assert (found["value"], found["low"], found["unit"]) == ("0.250", "0.250", "59")
    assert "the whole batch must not be used" in found["notes"][0]


def test_below_detection_is_taken_at_that_limit(api: Client):
    found = answers(api, "residues/swab", SWAB | {"found": "<2.5"})["Swab in the first product"]
    assert (found["value"], found["low"]) == ("0.125", "0.000")


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"first_product_g": "60000"}, "first_product_g"),
        ({"found": "<0"}, "found"),
        ({"found": "-1"}, "found"),
        ({"found": "a lot"}, "found"),
        ({"contact_cm2": "0"}, "contact_cm2"),
        ({"whole_batch": True}, "whole_batch"),
    ],
)
def test_swabs_that_mean_nothing_are_named(api: Client, changes: dict[str, Any], field: str):
    assert field in refused(api, "residues/swab", SWAB | changes)


# --- who may ask


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("laminating", {"layers": {"folds": ["book"]}}),
        ("sampling-plans", {"n": 1, "c": 0, "bad_share": "0"}),
        ("residues/swab", SWAB),
        ("residues/action-levels", {"eaten_g": "25"}),
    ],
)
def test_nothing_is_stored(api: Client, path: str, said: dict[str, Any]):
    from ledger.models import Entry

    before = Entry.objects.count()
    assert api.send(path, said).status_code == 200
    assert Entry.objects.count() == before
