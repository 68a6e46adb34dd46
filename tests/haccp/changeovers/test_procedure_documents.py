"""A cleaning procedure's document: what it may not claim, and every reason at once. No number here is a limit."""

from typing import Any

import pytest

from haccp.changeovers import procedure_documents
from haccp.changeovers.procedure_documents import Procedure
from haccp.changeovers.scopes import Scope, from_json
from tests.haccp.changeovers.procedures import FAO_WHO, WET, dry, wet


def reasons(document: Any) -> dict[str, str]:
    found = procedure_documents.read(document)
    assert isinstance(found, list), "it could be read"
    return {reason.field: reason.code for reason in found}


def read(document: Any) -> Procedure:
    found = procedure_documents.read(document)
    assert isinstance(found, Procedure), found
    return found


def test_a_whole_procedure_is_read():
    procedure = read(WET)
    assert procedure.clears == Scope(frozenset({"milk", "hazelnut"}), False, True)
    assert [step.by for step in procedure.steps] == ["scrape", "wash", "dry"]
    assert procedure.doses["milk"].dose.mg == 2.0


def test_push_through_and_dry_cleaning_are_methods_like_others():
    assert read(dry()).method == "dry"
    flushed = dry(
        method="push-through", steps=[{"code": "FLUSH", "what": "Push 5 kg through", "by": "flush"}]
    )
    assert read(flushed).method == "push-through"


def test_heat_alone_clears_no_allergen():
    hot = [{"code": "HEAT", "what": "Heat the empty kettle to 180 degrees", "by": "heat"}]
    assert reasons(wet(steps=hot)) == {"steps": "heat-clears-no-allergen"}


def test_heat_beside_a_step_that_takes_the_food_away_is_no_matter():
    hot = {"code": "HEAT", "what": "Dry in the hot cabinet", "by": "heat"}
    assert read(wet(steps=[*WET["steps"], hot])).minutes == 45


def test_heat_that_claims_no_allergen_is_taken():
    hot = [{"code": "HEAT", "what": "Steam", "by": "heat"}]
    clears = {"allergens": [], "microbiological": True, "foreign-bodies": False}
    assert read(wet(steps=hot, clears=clears, verify=[], levels=None)).clears.microbiological


def test_steps_that_take_nothing_away_clear_no_allergen():
    looked = [{"code": "LOOK", "what": "Look at it", "by": "look"}]
    assert reasons(wet(steps=looked)) == {"steps": "nothing-takes-it-away"}


def test_what_is_pushed_through_kills_no_microbe():
    clears = WET["clears"] | {"microbiological": True}
    found = reasons(wet(method="push-through", clears=clears))
    assert found == {"clears.microbiological": "push-through-kills-nothing"}


@pytest.mark.parametrize("by", ["atp", "protein"])
def test_atp_and_total_protein_clear_no_allergen(by: str):
    shown = {"by": by, "allergens": ["milk"], "where": "Plate", "upper": "150", "unit": "RLU"}
    assert reasons(wet(verify=[*WET["verify"], shown])) == {
        "verify.2.allergens": "cleanliness-clears-no-allergen"
    }


def test_cleanliness_alone_shows_no_allergen():
    shown = {"by": "atp", "where": "Plate", "upper": "150", "unit": "RLU"}
    looks = {"by": "visual", "where": "Plate", "allergens": ["milk"]}
    assert reasons(wet(verify=[shown, looks])) == {"verify": "nothing-shows-it"}


def test_all_allergens_are_shown_by_a_look_at_all_of_it():
    clears = {"allergens": "all", "microbiological": False, "foreign-bodies": False}
    assert read(dry(clears=clears)).clears.allergens is None
    named = [{"by": "visual", "where": "Plate", "allergens": ["milk"]}]
    assert reasons(dry(clears=clears, verify=named)) == {"verify": "nothing-shows-it"}


def test_what_is_looked_for_must_be_claimed():
    looked = [*WET["verify"], {"by": "visual", "where": "Plate", "allergens": ["egg"]}]
    assert reasons(wet(verify=looked)) == {"verify.2.allergens": "not-claimed"}


def test_a_claim_without_validation_is_refused():
    assert reasons(wet(validation=" ")) == {"validation": "not-validated"}


def test_a_residue_needs_a_dose_and_what_is_eaten_at_once():
    assert reasons(wet(levels=None)) == {"levels.eaten_g": "missing", "levels.doses": "no-dose"}


def test_doses_of_two_sets_are_not_mixed():
    doses = [
        {"allergen": "milk", "mg": "2.0", **FAO_WHO},
        {"allergen": "hazelnut", "mg": "0.5", **FAO_WHO, "dose_set": "Notice 24-2017"},
    ]
    found = reasons(wet(levels={"eaten_g": "40", "doses": doses}))
    assert found == {"levels.doses": "dose-sets-mixed"}


def test_every_reason_is_told_at_once():
    found = reasons(
        wet(
            method="boil",
            minutes="-3",
            steps=[{"code": "HEAT", "what": "Heat it", "by": "heat"}],
            validation="",
            colour="red",
        )
    )
    assert found == {
        "colour": "unknown-field",
        "method": "unknown-name",
        "minutes": "not-positive",
        "steps": "heat-clears-no-allergen",
        "validation": "not-validated",
    }


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"minutes": "1e3"}, "minutes"),
        ({"minutes": "99999"}, "minutes"),
        ({"minutes": None}, "minutes"),
        ({"steps": []}, "steps"),
        ({"steps": [WET["steps"][0], WET["steps"][0]]}, "steps"),
        ({"steps": ["scrape"]}, "steps.0"),
        ({"steps": [{"code": "A", "what": "Scrape", "by": "magic"}]}, "steps.0.by"),
        ({"steps": [{"code": "A" * 21, "what": "Scrape", "by": "scrape"}]}, "steps.0.code"),
        ({"clears": None}, "clears"),
        ({"clears": {"allergens": "milk"}}, "clears.allergens"),
        ({"clears": {"allergens": ["milk", "milk"]}}, "clears.allergens"),
        ({"clears": WET["clears"] | {"foreign-bodies": "yes"}}, "clears.foreign-bodies"),
        ({"verify": "swab"}, "verify"),
        ({"verify": [{"by": "swab", "where": "Plate"}]}, "verify.0.allergens"),
        ({"verify": [{"by": "sniff", "where": "Plate"}]}, "verify.0.by"),
        ({"levels": ["milk"]}, "levels"),
        ({"levels": WET["levels"] | {"eaten_g": "0"}}, "levels.eaten_g"),
        (
            {"levels": {"eaten_g": "40", "doses": [{"allergen": "milk", "mg": "-1", **FAO_WHO}]}},
            "levels.doses.0.mg",
        ),
        ({"levels": {"eaten_g": "40", "doses": WET["levels"]["doses"] * 2}}, "levels.doses.2.allergen"),
        ({"validation": 7}, "validation"),
        ({"equipment_kinds": "table"}, "equipment_kinds"),
    ],
)
def test_what_cannot_be_read_is_refused_where_it_stands(changes: dict[str, Any], field: str):
    assert field in reasons(wet(**changes))


@pytest.mark.parametrize(
    "document", [None, [], "wet", {}, {"steps": {}, "clears": [], "levels": 3, "verify": 1}]
)
def test_nonsense_is_refused_in_words(document: Any):
    assert reasons(document)


def test_every_allergen_named_is_found_wherever_it_stands():
    named = procedure_documents.allergens_named(wet(clears={"allergens": ["mlik"]}))
    assert named["clears.allergens"] == ["mlik"]
    assert named["verify.1.allergens"] == ["hazelnut", "milk"]
    assert named["levels.doses.0.allergen"] == ["milk"]
    assert procedure_documents.allergens_named([]) == {}


# --- scopes


def test_a_scope_comes_back_as_it_was_written():
    for scope in (Scope(), Scope(None, True, False), Scope(frozenset({"milk"}), False, True)):
        assert from_json(scope.to_json()) == scope


def test_a_scope_names_an_allergen_by_itself_or_by_its_group_only():
    assert Scope(frozenset({"tree-nuts"})).names("hazelnut", {"tree-nuts"})
    assert not Scope(frozenset({"hazelnut"})).names("tree-nuts")
    assert Scope(None).names("anything")


def test_a_scope_that_says_nothing_clears_nothing():
    assert from_json({}) == Scope()


def test_a_scope_is_narrowed_to_what_it_claims():
    assert Scope(frozenset({"milk", "egg"})).narrowed(["milk", "soy"]).allergens == {"milk"}
    assert Scope(None).narrowed(["milk"]).allergens == {"milk"}
