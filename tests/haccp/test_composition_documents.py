"""What 100 g of a material consist of: read strictly, everything wrong named at once."""

import copy
import re

import pytest

from config.api.refusals import Unusable
from haccp import composition_documents
from haccp.science.solutes import GLUCOSE, SUCROSE

MALTOSE = {
    "solute": "maltose",
    "grams": "48",
    "kind": "sugar",
    "molar_mass": "342.3",
    "norrish": {"k": "4.5", "highest": "0.5", "source": "an invented sheet"},
}
SYRUP = {
    "water": "22",
    "water_uncertainty": "1",
    "tolerance": "0",
    "dissolved": [{"solute": "sucrose", "grams": "10"}, {"solute": "glucose", "grams": "20"}, MALTOSE],
}


def reasons_of(document):
    with pytest.raises(Unusable) as caught:
        composition_documents.read(document)
    return {(reason.code, reason.field) for reason in caught.value.reasons}


def changed(path, value):
    """The syrup with one thing changed; ``path`` is dotted, below the document."""
    made = copy.deepcopy(SYRUP)
    *way, last = [int(part) if re.fullmatch(r"\d+", part) else part for part in path.split(".")]
    place = made
    for part in way:
        place = place[part]
    place[last] = value
    return made


def test_a_composition_is_read_as_grams_of_100():
    stated = composition_documents.read(SYRUP)
    assert (stated.water, stated.water_uncertainty, stated.glass) == (22, 1, False)
    assert stated.dissolved[:2] == ((SUCROSE, 10), (GLUCOSE, 20))


def test_a_solute_of_the_house_keeps_its_constants_and_their_source():
    maltose = composition_documents.read(SYRUP).dissolved[2][0]
    assert (maltose.molar_mass, maltose.norrish.k, maltose.norrish.given) == (342.3, 4.5, True)
    assert maltose.norrish.source == "an invented sheet"


def test_a_solute_of_the_house_may_have_no_constants():
    only_kind = {"solute": "glucose syrup solids", "grams": "48", "kind": "sugar"}
    found = composition_documents.read(changed("dissolved.2", only_kind)).dissolved[2][0]
    assert (found.molar_mass, found.norrish, found.grover) == (None, None, None)


def test_what_does_not_dissolve_is_kept_apart():
    nuts = {
        "water": "4",
        "water_uncertainty": "1",
        "tolerance": "2",
        "undissolved": {"fat": "62", "other": "33"},
    }
    assert composition_documents.read(nuts).undissolved == {"fat": 62, "other": 33}


def test_parts_may_lie_from_100_by_the_stated_tolerance_and_no_further():
    assert composition_documents.read(changed("water", "21.5") | {"tolerance": "0.5"})
    assert reasons_of(changed("water", "21.4") | {"tolerance": "0.5"}) == {("does-not-sum", "document")}


@pytest.mark.parametrize(
    ("path", "value", "code"),
    [
        ("water", "NaN", "not-a-number"),
        ("water", "-1", "negative"),
        ("water", 22, "not-text"),
        ("water", "101", "out-of-range"),
        ("water_uncertainty", "", "number-missing"),
        ("tolerance", "1e3", "not-a-number"),
        ("dissolved.0.grams", "100.1", "out-of-range"),
        ("dissolved.0.grams", "-0.1", "negative"),
        ("dissolved.0.solute", "kryptonite", "unknown-solute"),
        ("dissolved.0.solute", "", "missing"),
        ("dissolved.0.solute", "glucose\x00", "missing"),
        ("dissolved.1.solute", "sucrose", "doubled"),
        ("dissolved.0.molar_mass", "300", "unknown-field"),
        ("dissolved.2.kind", "metal", "unknown-name"),
        ("dissolved.2.molar_mass", "0", "not-positive"),
        ("dissolved.2.norrish.k", "-4", "negative"),
        ("dissolved.2.norrish.highest", "1.1", "out-of-range"),
        ("dissolved.2.norrish.source", " ", "missing"),
        ("dissolved.2.norrish", "4.5", "shape"),
        ("dissolved.2.grover", {"factor": "1"}, "missing"),
        ("dissolved.0", "sucrose", "shape"),
        ("dissolved", "sucrose", "shape"),
        ("undissolved", ["fat"], "shape"),
        ("undissolved", {"sand": "1"}, "unknown-field"),
        ("undissolved", {"fat": "101"}, "out-of-range"),
        ("glass", "no", "not-yes-or-no"),
        ("colour", "brown", "unknown-field"),
    ],
)
def test_what_is_wrong_is_named_with_its_place(path, value, code):
    found = reasons_of(changed(path, value))
    assert code in {each for each, _ in found}
    assert all(field.startswith("document.") for _, field in found)
    assert any(path.split(".")[0] in field for _, field in found)


def test_solids_over_100_percent_are_refused():
    assert reasons_of(SYRUP | {"undissolved": {"fat": "30"}}) == {("does-not-sum", "document")}


@pytest.mark.parametrize("document", [None, [], "sugar", {}, {"water": "100"}])
def test_what_is_no_composition_says_what_is_missing(document):
    assert reasons_of(document)


def test_a_list_of_solutes_has_an_end():
    assert ("shape", "document.dissolved") in reasons_of(changed("dissolved", [MALTOSE] * 41))
