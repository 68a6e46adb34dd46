"""GS1 keys against published values; lot codes against the rules in their docstrings."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches import identifiers
from batches.identifiers import (
    DEFAULT_PATTERN,
    check_digit,
    check_gln,
    check_gtin,
    check_sscc,
    lot_code_stem,
    render_lot_code,
    validate_pattern,
)
from config.api.refusals import Unusable

# Body and check digit, each with where it was read.
SYNTAX_DICTIONARY = "GS1 Barcode Syntax Dictionary, tests of its checks (read)"
BARCODE_ENGINE = "GS1 Barcode Engine, tests (read)"
EVENT_HASH = "EPCIS event hash generator, tests (read)"
PUBLISHED = [
    ("629104150021", 3, "GS1 Hong Kong, check digit page (read)"),
    ("890400021003", 7, "GS1 India, check digit page (read)"),
    ("0234567", 3, SYNTAX_DICTIONARY),
    ("41600033610", 8, SYNTAX_DICTIONARY),
    ("123456789012", 8, SYNTAX_DICTIONARY),
    ("1234567890123", 1, SYNTAX_DICTIONARY),
    ("12345678901234567", 5, SYNTAX_DICTIONARY),
    ("0952012345678", 8, BARCODE_ENGINE),
    ("00614141123456789", 0, BARCODE_ENGINE),
    ("0401234512345", 6, "GS1 EPCIS repository, example documents 9.6.x (read)"),
    ("401234500005", 4, EVENT_HASH),
    ("04012345000000111", 2, EVENT_HASH),
]


@pytest.mark.parametrize(("body", "expected", "source"), PUBLISHED)
def test_check_digits_are_those_published(body, expected, source):
    assert check_digit(body) == expected, source


@pytest.mark.parametrize("wrong", ["12345673", "416000336109"])  # GS1 Barcode Syntax Dictionary (read)
def test_a_published_wrong_gtin_is_refused(wrong):
    with pytest.raises(identifiers.WrongCheckDigit) as refusal:
        check_gtin(wrong)
    assert refusal.value.reasons[0].field == "gtin"


def test_a_published_wrong_sscc_is_refused():
    with pytest.raises(identifiers.WrongCheckDigit, match="ask for 5"):
        check_sscc("123456789012345670")  # GS1 Barcode Syntax Dictionary (read)


@pytest.mark.parametrize(
    ("given_text", "kept"),  # GS1 Barcode Engine, tests (read)
    [("416000336108", "00416000336108"), ("02345673", "00000002345673")],
)
def test_a_gtin_is_kept_as_fourteen_digits(given_text, kept):
    assert check_gtin(given_text) == kept


def test_the_refusal_tells_the_digit_that_fits():
    with pytest.raises(Unusable, match="is 4, but the others ask for 3"):
        check_gtin("6291041500214")


def test_a_gln_keeps_its_thirteen_digits():
    assert check_gln("4012345000054") == "4012345000054"  # EPCIS event hash generator, tests (read)


@pytest.mark.parametrize(
    "text", ["", "629104150021", "62910415002133", "629104150021x", "٦291041500213", "629 1041"]
)
def test_a_gln_is_thirteen_plain_digits(text):
    with pytest.raises(Unusable, match="13 digits") as refusal:
        check_gln(text, field="partner_gln")
    assert refusal.value.reasons[0].field == "partner_gln"


@given(st.text("0123456789", min_size=12, max_size=12), st.integers(0, 12), st.integers(1, 9))
def test_any_single_wrong_digit_is_noticed(body, place, shift):
    right = f"{body}{check_digit(body)}"
    wrong = right[:place] + str((int(right[place]) + shift) % 10) + right[place + 1 :]
    assert check_gln(right) == right
    with pytest.raises(identifiers.WrongCheckDigit):
        check_gln(wrong)


def test_a_lot_code_tells_product_year_day_and_number():
    code = render_lot_code(DEFAULT_PATTERN, short_name="PIL", made_on=date(2026, 2, 14), number=3)
    assert code == "PIL-26045-3"


def test_the_last_day_of_a_leap_year_is_366():
    code = render_lot_code(DEFAULT_PATTERN, short_name="LEM", made_on=date(2028, 12, 31), number=12)
    assert code == "LEM-28366-12"


def test_month_and_day_can_stand_in_a_pattern():
    assert (
        render_lot_code("{yy}{mm}{dd}-{n}-A", short_name="X", made_on=date(2026, 3, 4), number=7)
        == "260304-7-A"
    )


def test_the_stem_is_what_numbers_of_one_day_share():
    assert lot_code_stem("{short}{yy}-{n}-B", short_name="CAR", made_on=date(2026, 1, 1)) == ("CAR26-", "-B")


@pytest.mark.parametrize(
    ("pattern", "problem"),
    [
        ("{short}-{yy}{ddd}", "running number"),
        ("{n}-{n}", "running number"),
        ("{yy}{yy}-{n}", "once"),
        ("{week}-{n}", "not known"),
        ("{n!r}", "not known"),
        ("{0}-{n}", "not known"),
        ("{}-{n}", "not known"),
        ("{short}_{n}", "only A-Z"),
        ("lot {n}", "only A-Z"),
        ("{short-{n}", "brace"),
        ("{n}}", "brace"),
        ("ABCDEFGHIJKLMNOPQRST{n}", "longer than 20"),
    ],
)
def test_a_pattern_that_cannot_serve_is_explained(pattern, problem):
    assert any(problem in sentence for sentence in validate_pattern(pattern))


def test_the_default_pattern_serves():
    assert validate_pattern(DEFAULT_PATTERN) == []


def test_a_code_longer_than_a_label_field_is_refused():
    with pytest.raises(Unusable, match="at most 20"):
        render_lot_code(DEFAULT_PATTERN, short_name="HAZELNUTPILLOW", made_on=date(2026, 1, 1), number=1)


def test_a_code_of_exactly_the_longest_length_is_given():
    # 20 characters fit application identifier 10, 21 do not: GS1 Barcode Syntax Dictionary (read)
    code = render_lot_code(
        "{short}-{yy}{ddd}-{n}", short_name="PILLOW", made_on=date(2026, 1, 1), number=1234567
    )
    assert len(code) == 20
    with pytest.raises(Unusable, match="at most 20"):
        render_lot_code(
            "{short}-{yy}{ddd}-{n}", short_name="PILLOW", made_on=date(2026, 1, 1), number=12345678
        )


@pytest.mark.parametrize("short_name", ["", "pil", "PI L", "PÄL", "P{n}"])
def test_a_short_name_is_capitals_digits_and_dashes(short_name):
    with pytest.raises(Unusable) as refusal:
        render_lot_code(DEFAULT_PATTERN, short_name=short_name, made_on=date(2026, 1, 1), number=1)
    assert refusal.value.reasons[0].field == "short_name"


@given(st.dates(date(2000, 1, 1), date(2099, 12, 31)), st.integers(1, 999_999))
def test_codes_of_different_days_or_numbers_differ(made_on, number):
    code = render_lot_code(DEFAULT_PATTERN, short_name="PIL", made_on=made_on, number=number)
    year_and_day, running = code.removeprefix("PIL-").split("-")
    assert (made_on.year % 100, made_on.timetuple().tm_yday, number) == (
        int(year_and_day[:2]),
        int(year_and_day[2:]),
        int(running),
    )
