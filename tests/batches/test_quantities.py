"""Quantities: strict in, exact inside, no drift. Published factors stand beside their source."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches.quantities import (
    BIGGEST_BASE,
    Dimension,
    NeedsDensity,
    UnitDoesNotConvert,
    UnknownUnit,
    convert,
    convert_difference,
    exactly,
    in_base,
    parse,
    parse_number,
    scale,
    shown,
    to_unit,
    within_tolerance,
)
from config.api.refusals import Unusable

D = Decimal
MASS_UNITS = ["KGM", "GRM", "MGM", "TNE", "LBR", "ONZ"]
milligrams = st.integers(0, 10**13)


def refused(text, unit="KGM", **options):
    with pytest.raises(Unusable) as refusal:
        parse(text, unit, **options)
    return refusal.value


# --- numbers as text ---


@pytest.mark.parametrize(
    "text",
    [
        "NaN",
        "nan",
        "sNaN",
        "Infinity",
        "-inf",
        "1e309",
        "1e3",
        "1E-400",
        "0x10",
        "1_000",
        "1 000",
        "1,000",
        "12,5",
        *[
            "",
            " ",
            "-",
            ".",
            "5.",
            "+",
            "1.2.3",
            "١٢",
            "１２",
            "½",
            "12\n",
            "12\x00",
            "\u00a012",
            "--1",
            "1;2",
        ],
    ],
)
def test_what_is_not_a_plain_number_is_refused(text):
    reason = refused(text, field="weighed").reasons[0]
    assert reason.field == "weighed"
    assert reason.code in ("not-a-number", "number-missing")


@pytest.mark.parametrize("value", [None, 12, 12.5, True, b"12", ["12"]])
def test_only_text_is_read_so_that_no_float_slips_in(value):
    assert refused(value).code == "not-text"


def test_a_comma_is_a_decimal_mark_only_when_asked_for():
    assert parse("12,5", "KGM", decimal_comma=True).base == 12_500_000
    assert "12.5" in refused("12,5").detail


def test_where_a_comma_is_taken_a_point_is_too():
    assert (
        parse("1.250", "KGM", decimal_comma=True).base
        == parse("1,250", "KGM", decimal_comma=True).base
        == 1_250_000
    )


@pytest.mark.parametrize("text", ["1.000,5", "1,000.5", "1,2,3"])
def test_thousands_marks_are_refused_even_with_a_decimal_comma(text):
    refused(text, decimal_comma=True)


def test_more_than_fifteen_digits_are_refused():
    assert parse_number("123456789012.345", field="x") == D("123456789012.345")
    assert refused("123456789012.3456").code == "too-many-digits"


def test_a_very_long_text_is_not_repeated_in_full():
    assert len(refused("9x" * 5_000).detail) < 200


def test_a_negative_quantity_is_refused_unless_signs_are_meant():
    assert refused("-1").code == "negative"
    assert parse("-1", "KGM", signed=True).base == -1_000_000


def test_minus_nought_is_nought():
    assert str(parse_number("-0.0", field="x")) == "0.0"


def test_nought_is_refused_where_something_must_move():
    assert parse("0", "KGM").base == 0
    assert refused("0", positive=True).code == "not-positive"


def test_the_text_is_kept_as_entered():
    quantity = parse(" 012.50 ", "KGM")
    assert (quantity.entered, quantity.unit, quantity.base) == ("012.50", "KGM", 12_500_000)


# --- units ---


@pytest.mark.parametrize("unit", ["", "kg", "KG", "ST", "XXX", None, 5, "KGM ", "K" * 500])
def test_an_unknown_unit_is_refused_with_its_field(unit):
    with pytest.raises(UnknownUnit) as refusal:
        parse("1", unit, unit_field="lines.0.unit")
    assert refusal.value.reasons[0].field == "lines.0.unit"


@pytest.mark.parametrize("unit", ["CEL", "MIN", "P1", "KPA", "MMT", "Q30"])
def test_a_unit_of_a_reading_is_no_amount_of_material(unit):
    assert isinstance(refused("1", unit), UnknownUnit)


@pytest.mark.parametrize(
    ("unit", "milligrams_in_one"),
    [
        ("MGM", "1"),
        ("GRM", "1000"),  # SI prefixes
        ("KGM", "1000000"),
        ("TNE", "1000000000"),
        ("LBR", "453592.37"),  # 0.45359237 kg exactly: NIST SP 811 B.8 footnote 22 (read in copies)
        ("ONZ", "28349.523125"),  # 28.349523125 g exactly: NIST Handbook 44 appendix C (read in copies)
    ],
)
def test_one_unit_of_mass_is_its_published_milligrams(unit, milligrams_in_one):
    assert exactly(D(1), unit, "MGM") == Fraction(milligrams_in_one)


def test_a_pound_agrees_with_the_rounded_factor_of_the_table():
    # NIST SP 811 B.8: pound (avoirdupois) 4.535 924 E-01 kg (read in a copy), ounce 28.349 52 g (read in a copy)
    assert round(convert(D(1), "LBR", "KGM"), 7) == D("0.4535924")
    assert round(convert(D(1), "ONZ", "KGM"), 8) == D("0.02834952")


def test_sixteen_ounces_make_a_pound():  # NIST Handbook 44 appendix C (read in a copy)
    assert exactly(D(16), "ONZ", "LBR") == 1


def test_finer_than_a_milligram_is_rounded_half_even_and_says_so():
    assert [
        (q.base, q.rounded) for q in (parse("0.0005", "GRM"), parse("0.0015", "GRM"), parse("0.001", "GRM"))
    ] == [
        (0, True),
        (2, True),
        (1, False),
    ]


def test_pieces_each_and_one_are_the_same_and_a_dozen_is_twelve():
    assert [parse("3", unit).base for unit in ("H87", "EA", "C62")] == [3, 3, 3]
    assert parse("2.5", "DZN").base == 30
    assert parse("1", "DZN").dimension is Dimension.PIECES


def test_part_of_a_piece_is_refused():
    assert refused("1.5", "H87").code == "part-of-a-piece"


def test_a_volume_needs_the_density_of_the_material():
    assert isinstance(refused("2", "LTR"), NeedsDensity)
    assert isinstance(refused("2", "LTR", density=D(0)), NeedsDensity)
    assert isinstance(refused("2", "LTR", density=D("NaN")), NeedsDensity)


def test_a_volume_with_a_density_becomes_a_mass():
    quantity = parse("2", "LTR", density=D("0.92"))
    assert (quantity.base, quantity.dimension) == (1_840_000, Dimension.MASS)
    assert parse("2000", "MLT", density=D("0.92")).base == 1_840_000


def test_more_than_a_64_bit_column_holds_is_refused():
    assert refused("9999999999999", "TNE").code == "too-large"
    assert parse("9223372036854", "KGM").base <= BIGGEST_BASE


# --- back and forth ---


@given(milligrams, st.sampled_from(MASS_UNITS))
def test_what_is_shown_in_a_unit_comes_back_as_the_same_milligrams(base, unit):
    assert in_base(to_unit(base, unit), unit) == base


@given(st.integers(-(10**9), 10**9), st.sampled_from(["KGM", "GRM", "MGM", "TNE"]))
def test_metric_amounts_survive_text(base, unit):
    assert parse(f"{to_unit(base, unit):f}", unit, signed=True).base == base


@given(st.lists(milligrams, max_size=20))
def test_what_goes_in_and_out_leaves_exactly_nothing(amounts):
    texts = [f"{to_unit(amount, 'KGM'):f}" for amount in amounts]
    assert sum(parse(text, "KGM").base for text in texts) - sum(amounts) == 0


@pytest.mark.parametrize(
    ("base", "dimension", "unit", "text"),
    [
        (12_500_000, "mass", None, "12.500 kg"),
        (12_500_001, "mass", None, "12.500001 kg"),
        (-2_000_000, "mass", None, "-2.000 kg"),
        (250_000, "mass", None, "250 g"),
        (1_500, "mass", None, "1.5 g"),
        (7, "mass", None, "7 mg"),
        (0, "mass", None, "0.000 kg"),
        (250_000, "mass", "KGM", "0.250 kg"),
        (12_500_000, "mass", "LBR", "27.558 lb"),
        (144, "pieces", None, "144 pieces"),
        (1, "pieces", None, "1 piece"),
        (1, "pieces", "C62", "1 piece"),
        (12, "pieces", "DZN", "1 dozen"),
    ],
)
def test_amounts_are_shown_for_people(base, dimension, unit, text):
    assert shown(base, dimension, unit) == text


# --- scaling a recipe ---

recipes = st.lists(st.integers(0, 10**9), min_size=1, max_size=15).filter(any)


@given(recipes, st.integers(0, 10**10))
def test_a_scaled_recipe_sums_to_the_batch_exactly(lines, batch):
    assert sum(scale(lines, batch, sum(lines))) == batch


@given(recipes, st.integers(0, 10**10), st.integers(1, 10**10))
def test_every_scaled_line_is_within_a_milligram_of_exact(lines, batch, recipe):
    scaled = scale(lines, batch, recipe)
    assert all(abs(got - Fraction(line * batch, recipe)) < 1 for got, line in zip(scaled, lines, strict=True))
    assert sum(scaled) == round(Fraction(sum(lines) * batch, recipe))


@given(recipes, st.integers(1, 1_000))
def test_whole_multiples_scale_line_by_line(lines, times):
    assert scale(lines, sum(lines) * times, sum(lines)) == [line * times for line in lines]


def test_left_over_milligrams_go_to_the_largest_remainder_then_the_earlier_line():
    assert scale([1, 1, 1], 100, 3) == [34, 33, 33]
    assert scale([10, 3, 7], 7, 20) == [4, 1, 2]  # exact 3.5, 1.05, 2.45


@pytest.mark.parametrize(
    ("lines", "batch", "recipe"), [([1], 1, 0), ([1], 1, -1), ([1], -1, 1), ([-1, 2], 1, 1)]
)
def test_a_recipe_without_amounts_cannot_be_scaled(lines, batch, recipe):
    with pytest.raises(Unusable):
        scale(lines, batch, recipe)


# --- weighing against a target ---


@pytest.mark.parametrize(
    ("weighed", "difference", "within"),
    [(1_005, 5, True), (1_006, 6, False), (995, -5, True), (994, -6, False), (1_000, 0, True)],
)
def test_a_weighing_at_the_tolerance_is_within(weighed, difference, within):
    assert within_tolerance(1_000, weighed, per_mille=5) == (difference, within)
    assert within_tolerance(1_000, weighed, steps=5) == (difference, within)


def test_per_mille_is_not_rounded_up():
    assert within_tolerance(999, 1_004, per_mille=5) == (5, False)  # 5 per mille of 999 is 4.995


def test_without_a_tolerance_only_an_exact_hit_is_within():
    assert within_tolerance(1_000, 1_000) == (0, True)
    assert within_tolerance(1_000, 1_001) == (1, False)


# --- readings ---

TABLE = "NIST SP 811 appendix B.8 (read in a copy): t/degC = (t/degF - 32)/1.8, T/K = (t/degF + 459.67)/1.8"


@pytest.mark.parametrize("fahrenheit", ["-459.67", "-40", "0", "32", "98.6", "212", "250", "249.8", "310.1"])
def test_fahrenheit_follows_the_published_formulas(fahrenheit):
    value = Fraction(fahrenheit)
    assert exactly(D(fahrenheit), "FAH", "CEL") == (value - 32) / Fraction("1.8"), TABLE
    assert exactly(D(fahrenheit), "FAH", "KEL") == (value + Fraction("459.67")) / Fraction("1.8"), TABLE


@pytest.mark.parametrize(
    ("fahrenheit", "celsius"), [("32", "0"), ("212", "100"), ("-40", "-40"), ("249.8", "121")]
)
def test_well_known_points_agree_both_ways(fahrenheit, celsius):  # computed from the same formulas
    assert convert(D(fahrenheit), "FAH", "CEL") == D(celsius)
    assert convert(D(celsius), "CEL", "FAH") == D(fahrenheit)


def test_kelvin_is_celsius_plus_273_15():  # NIST SP 811 appendix B.8 (read in a copy)
    assert convert(D("25"), "CEL", "KEL") == D("298.15")


def test_a_difference_of_temperatures_has_no_32_in_it():
    # NIST SP 811 appendix B.8, degree Fahrenheit (temperature interval): 5.555 556 E-01 (read in a copy)
    assert round(convert_difference(D(1), "FAH", "CEL"), 7) == D("0.5555556")
    assert convert_difference(D(1), "CEL", "FAH") == D("1.8")
    assert convert_difference(D(1), "CEL", "KEL") == 1


temperatures = st.decimals(min_value=-200, max_value=500, places=3)


@given(temperatures, st.permutations(["CEL", "FAH", "KEL"]))
def test_a_temperature_comes_back_to_what_was_read(value, units):
    there = convert(value, units[0], units[1])
    assert abs(convert(there, units[1], units[0]) - value) < D("1e-20")


@given(temperatures, temperatures)
def test_converting_keeps_the_order(one, other):
    assert (exactly(one, "FAH", "CEL") < exactly(other, "FAH", "CEL")) == (one < other)


def test_other_readings_convert_within_their_dimension():
    assert convert(D("1.5"), "HUR", "MIN") == 90
    assert convert(D("90"), "SEC", "MIN") == D("1.5")
    assert convert(D("0.5"), "P1", "59") == 5_000


@pytest.mark.parametrize(
    ("here", "there"), [("CEL", "KGM"), ("C62", "H87"), ("C62", "P1"), ("LTR", "KGM"), ("Q30", "C62")]
)
def test_units_of_different_things_do_not_convert(here, there):
    for turn in (convert, convert_difference):
        with pytest.raises(UnitDoesNotConvert) as refusal:
            turn(D(1), here, there)
        assert refusal.value.reasons[0].field == "unit"
