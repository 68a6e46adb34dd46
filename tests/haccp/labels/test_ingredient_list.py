"""The list of ingredients by the recipe: exact, in order, the same whichever way the lines are written."""

from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haccp.labels.documents import Ingredient
from haccp.labels.ingredient_list import (
    Line,
    Listed,
    computed,
    differences,
    emphasised,
    in_words,
    percent,
    told_by_name,
    untold,
)

NUTS = Line("NUT", "Hazelnut kernels", 1_400_000, {"hazelnut": "hazelnut"})
FILLING = Line("FIL", "Nut filling", 2_000_000, None, (Line("ICS", "Icing sugar", 600_000), NUTS))
CHOCOLATE = Line(
    "CHO",
    "Chocolate",
    900_000,
    {"milk": "milk"},
    (Line("1", "sugar"), Line("2", "milk powder", None, {"milk": "milk"}), Line("3", "cocoa butter")),
)
PILLOWS = [Line("GLU", "Glucose syrup", 400_000), FILLING, Line("SUG", "Sugar", 2_100_000), CHOCOLATE]


def codes(listed: Any) -> list[str]:
    return [each.code for each in listed]


def printed(each: Listed, **values: Any) -> Ingredient:
    usual: dict[str, Any] = {
        "name": {"en": emphasised(each.name, untold(each))},
        "material": each.code,
        "allergens": tuple(each.allergens),
        "parts": tuple(printed(part) for part in each.parts),
    }
    return Ingredient(**(usual | values))


def test_the_heaviest_stands_first() -> None:
    assert codes(computed(PILLOWS).listed) == ["SUG", "FIL", "CHO", "GLU"]


def test_a_compound_made_here_is_listed_by_weight_and_a_bought_one_as_its_supplier_lists_it() -> None:
    _, filling, chocolate, _ = computed(PILLOWS).listed
    assert (codes(filling.parts), codes(chocolate.parts)) == (["NUT", "ICS"], ["1", "2", "3"])


def test_shares_are_exact_down_into_a_compound() -> None:
    """2 of 5.4 kg are filling, and 1.4 of its 2 kg are nuts: 7/27 (computed by hand)."""
    filling = computed(PILLOWS).listed[1]
    assert (filling.share, filling.parts[0].share) == (Fraction(10, 27), Fraction(7, 27))


def test_it_says_that_it_is_by_weight_at_mixing() -> None:
    assert "before anything is cooked off" in computed(PILLOWS).note


def test_equal_weights_stand_by_name_then_code() -> None:
    lines = [Line("B", "salt", 5), Line("C", "Agar", 5), Line("A", "salt", 5)]
    assert codes(computed(lines).listed) == ["C", "A", "B"]


def test_the_same_material_on_two_lines_is_one_ingredient() -> None:
    lines = [Line("SUG", "Sugar", 10), Line("NUT", "Nuts", 15), Line("SUG", "Sugar", 10)]
    assert [(each.code, each.share) for each in computed(lines).listed] == [
        ("SUG", Fraction(4, 7)),
        ("NUT", Fraction(3, 7)),
    ]


@pytest.mark.parametrize("lines", [[Line("A", "Wafers", None), Line("B", "Sugar", 1)], []])
def test_without_a_mass_nothing_is_computed_and_it_says_why(lines: list[Line]) -> None:
    found = computed(lines)
    assert found.listed == ()
    assert found.cannot[0].startswith("Cannot be computed")


def test_a_compound_with_an_unknown_mass_inside_tells_no_order() -> None:
    parts = (Line("A", "wafers", None), Line("B", "sugar", 5))
    found = computed([Line("X", "Crumble", 10, None, parts)])
    assert [each.share for each in found.listed[0].parts] == [None, None]
    assert found.cannot == ("The order within Crumble cannot be computed: not every mass is known.",)


# -- words --------------------------------------------------------------------------------------------


def test_in_words_compounds_stand_in_brackets_and_allergens_between_asterisks() -> None:
    assert in_words(computed(PILLOWS).listed, {"NUT"}) == (
        "Sugar, Nut filling (*Hazelnut* kernels 25.9 %, Icing sugar), "
        "Chocolate (sugar, *milk* powder, cocoa butter), Glucose syrup"
    )


def test_an_allergen_that_the_name_does_not_tell_is_added_in_brackets() -> None:
    assert emphasised("Butter", {"milk": "milk"}) == "Butter (*milk*)"
    assert emphasised("Roasted hazelnuts", {"hazelnut": "hazelnut"}) == "Roasted *hazelnuts*"
    assert emphasised("Praline", {"hazelnut": "hazelnut", "milk": "milk"}) == "Praline (*hazelnut*, *milk*)"


def test_an_allergen_of_a_compound_that_no_part_tells_stands_with_its_name() -> None:
    parts = (Line("a", "cocoa mass"), Line("b", "lecithin"), Line("c", "whey", None, {"milk": "milk"}))
    chocolate = Line("CHO", "milk chocolate", 1, {"milk": "milk", "soybean": "soybeans"}, parts)
    words = in_words(computed([chocolate]).listed)
    assert words == "milk chocolate (*soybeans*) (cocoa mass, lecithin, whey (*milk*))"


@pytest.mark.parametrize("name", ["chopped nuts", "nutmeg", "hazelnut"])
def test_a_part_of_a_word_or_of_a_name_tells_no_kind(name: str) -> None:
    assert emphasised(name, {"brazil-nut": "Brazil nuts"}) == f"{name} (*Brazil nuts*)"


@pytest.mark.parametrize(
    ("name", "allergens", "told"),
    [
        ("Brazil nuts, chopped", {"brazil-nut": "Brazil nuts"}, "*Brazil nuts*, chopped"),
        ("whole *milk* powder", {"milk": "milk"}, "whole *milk* powder"),
        ("black walnut", {"black-walnut": "black walnut", "walnut": "walnut"}, "*black walnut*"),
    ],
)
def test_the_kind_is_emphasised_once(name: str, allergens: dict[str, str], told: str) -> None:
    assert emphasised(name, allergens) == told


def test_what_the_name_of_the_product_tells_of_bears_a_percentage() -> None:
    assert told_by_name(computed(PILLOWS).listed, "Layered hazelnuts in chocolate") == {"NUT", "CHO"}


@pytest.mark.parametrize(
    ("share", "places", "told"),
    [(Fraction(1, 8), 0, "13"), (Fraction(1, 3), 1, "33.3"), (Fraction(1), 2, "100.00")],
)
def test_a_percentage_is_rounded_half_up(share: Fraction, places: int, told: str) -> None:
    assert str(percent(share, places)) == told


# -- against a label ----------------------------------------------------------------------------------


def test_a_label_as_computed_differs_in_nothing() -> None:
    listed = computed(PILLOWS).listed
    assert differences(listed, [printed(each) for each in listed]) == []


def test_what_is_missing_and_what_is_printed_besides_are_told() -> None:
    listed = computed(PILLOWS).listed
    as_printed = [*(printed(each) for each in listed[:-1]), Ingredient({"en": "vanilla"})]
    found = [(each.kind, each.name) for each in differences(listed, as_printed)]
    assert found == [("missing", "Glucose syrup"), ("extra", "vanilla")]


def test_only_what_would_have_to_move_is_told_as_out_of_order() -> None:
    listed = computed(PILLOWS).listed
    glucose_first = [printed(each) for each in (listed[3], *listed[:3])]
    (found,) = differences(listed, glucose_first)
    assert (found.kind, found.name, found.printed, found.computed) == ("order", "Glucose syrup", "1", "4")


def test_equal_weights_may_stand_either_way() -> None:
    listed = computed([Line("A", "sugar", 5), Line("B", "honey", 5)]).listed
    assert differences(listed, [printed(each) for each in reversed(listed)]) == []


def test_a_percentage_is_compared_to_the_decimals_it_is_printed_with() -> None:
    listed = computed(PILLOWS).listed

    def told(text: str) -> list[str]:
        return [
            each.computed for each in differences([listed[1]], [printed(listed[1], percent=Decimal(text))])
        ]

    assert told("37") == told("37.0") == []
    assert told("38") == ["37"]
    assert told("37.1") == ["37.0"]


def test_butter_cookies_may_tell_their_butter_of_the_baked_cookie() -> None:
    """Commission Notice 2017/C 393/05 on QUID: 50 g butter of 240 g mixed, 200 g baked, are 25 % (from memory)."""
    mixed = [Line("F", "flour", 100), Line("S", "sugar", 40), Line("E", "eggs", 50), Line("B", "butter", 50)]
    found = computed(mixed, left=200)
    butter = next(each for each in found.listed if each.code == "B")

    def told(text: str) -> list[str]:
        as_printed = [printed(butter, percent=Decimal(text))]
        return [each.computed for each in differences([butter], as_printed, (), found.thicker)]

    assert told("25") == told("20.8") == []
    assert told("30") == ["21 or, of the finished product, 25"]


def test_where_nothing_goes_off_there_is_one_percentage() -> None:
    assert computed([NUTS], left=1_400_000).thicker is None
    assert computed([NUTS]).thicker is None


def test_a_named_ingredient_without_a_percentage_is_told() -> None:
    listed = computed(PILLOWS).listed
    (found,) = differences(listed, [printed(each) for each in listed], {"NUT"})
    assert (found.kind, found.within, found.computed) == ("no-percentage", "Nut filling", "25.9")


def test_an_allergen_that_the_printed_ingredient_does_not_name_is_told() -> None:
    listed = computed([NUTS]).listed
    (found,) = differences(listed, [printed(listed[0], allergens=())])
    assert (found.kind, found.computed) == ("allergen", "hazelnut")


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ({"en": "*Hazelnuts*, roasted"}, True),
        ({"en-GB": "roasted *hazelnut* kernels"}, True),
        ({"en": "*roasted* hazelnuts"}, False),
        ({"en": "*kernels*"}, False),
        ({"de": "*Haselnüsse*"}, True),
        ({"de": "Haselnüsse"}, False),
        ({"de": "*Haselnüsse*", "en": "*nuts*"}, False),
    ],
)
def test_words_that_emphasise_no_name_of_the_allergen_are_told(name: dict[str, str], told: bool) -> None:
    listed = computed([NUTS]).listed
    found = differences(listed, [printed(listed[0], name=name)])
    assert [each.kind for each in found] == ([] if told else ["not-told"])


@pytest.mark.parametrize("text", ["*soya* lecithin", "lecithin (*soybeans*)", "*soy* lecithin"])
def test_an_allergen_may_be_told_by_another_of_its_english_names(text: str) -> None:
    """Common practice, no source."""
    (lecithin,) = computed([Line("LEC", "lecithin", 1, {"soybean": "soybeans"})]).listed
    assert differences([lecithin], [Ingredient({"en": text}, "LEC", allergens=("soybean",))]) == []


def test_brackets_that_are_left_out_and_an_allergen_no_part_tells_are_told() -> None:
    parts = (Line("a", "cocoa mass"), Line("b", "whey", None, {"milk": "milk"}))
    listed = computed([Line("CHO", "chocolate", 1, {"milk": "milk", "soybean": "soybeans"}, parts)]).listed
    found = differences(listed, [Ingredient({"en": "*milk* chocolate"}, "CHO", allergens=("milk",))])
    assert [(each.kind, each.name, each.computed) for each in found] == [
        ("allergen", "chocolate", "soybean"),
        ("missing", "cocoa mass", "cocoa mass"),
        ("missing", "whey", "whey (*milk*)"),
    ]


def test_an_ingredient_without_a_material_is_known_by_its_name_in_any_language() -> None:
    listed = computed([NUTS]).listed
    names = {"de": "*Haselnüsse*", "en": "*Hazelnut* kernels"}
    assert differences(listed, [printed(listed[0], name=names, material="")]) == []


# -- whatever the recipe ------------------------------------------------------------------------------

MASSES = st.lists(st.tuples(st.sampled_from("ABCDEFGH"), st.integers(1, 10**12)), min_size=1, max_size=12)


def lines_of(masses: Any) -> list[Line]:
    return [Line(code, f"n{code}", mass) for code, mass in masses]


@given(MASSES)
def test_shares_sum_to_one_and_never_rise(masses: Any) -> None:
    shares = [each.share or Fraction(0) for each in computed(lines_of(masses)).listed]
    assert sum(shares) == 1
    assert all(one >= other for one, other in pairwise(shares))


@given(MASSES)
def test_rounded_percentages_sum_to_one_hundred_within_their_rounding(masses: Any) -> None:
    listed = computed(lines_of(masses)).listed
    total = sum(percent(each.share or Fraction(0)) for each in listed)
    assert abs(total - 100) <= Decimal("0.05") * len(listed)


@given(MASSES, st.randoms())
def test_the_order_of_the_lines_changes_nothing(masses: Any, random: Any) -> None:
    mixed = list(masses)
    random.shuffle(mixed)
    assert computed(lines_of(mixed)) == computed(lines_of(masses))


@given(MASSES, MASSES)
def test_the_parts_of_a_compound_are_the_whole_of_it(outer: Any, inner: Any) -> None:
    compound = Line("X", "compound", 7, None, tuple(lines_of(inner)))
    found = next(each for each in computed([*lines_of(outer), compound]).listed if each.code == "X")
    assert sum(part.share or Fraction(0) for part in found.parts) == found.share


@given(MASSES, st.randoms())
def test_what_stays_put_never_rises_and_moving_the_rest_mends_it(masses: Any, random: Any) -> None:
    listed = computed(lines_of(masses)).listed
    mixed = list(listed)
    random.shuffle(mixed)
    moved = {each.name for each in differences(listed, [printed(each) for each in mixed])}
    kept = [each.share or Fraction(0) for each in mixed if each.name not in moved]
    assert all(one >= other for one, other in pairwise(kept))
    assert len(moved) < max(2, len(listed))
