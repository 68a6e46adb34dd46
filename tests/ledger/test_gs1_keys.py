"""GS1 keys against published values and a library of its own."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum import ean

from config.api.refusals import Unusable
from ledger import establishments, gs1_keys
from ledger.gs1_keys import (
    check_digit,
    check_gln,
    check_gtin,
    check_prefix,
    check_sscc,
    is_restricted,
    is_under,
)

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
    with pytest.raises(gs1_keys.WrongCheckDigit) as refusal:
        check_gtin(wrong)
    assert refusal.value.reasons[0].field == "gtin"


def test_a_published_wrong_sscc_is_refused():
    with pytest.raises(gs1_keys.WrongCheckDigit, match="ask for 5"):
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
    with pytest.raises(gs1_keys.WrongCheckDigit):
        check_gln(wrong)


@given(st.text("0123456789", min_size=7, max_size=17))
def test_check_digits_are_those_of_another_library(body):
    assert str(check_digit(body)) == ean.calc_check_digit(body)  # python-stdnum, stdnum.ean


@pytest.mark.parametrize(
    ("gtin", "restricted"),
    [
        ("00200000000004", True),
        ("00412345678903", True),
        ("02012345678903", True),
        ("02912345678904", True),
        ("12912345678901", True),
        ("09521234000013", False),
        ("00614141123452", False),
        ("00000002345673", False),
    ],
)
def test_numbers_that_mean_something_in_one_shop_only_are_known(gtin, restricted):
    # Prefixes 02, 04 and 20 to 29 (prefix table of the parser library, read)
    assert is_restricted(gtin) is restricted


def test_a_gtin_is_under_a_prefix_whatever_its_packing_digit():
    assert is_under("09521234000013", ["9521234"])
    assert is_under("19521234000010", ["4012345", "9521234"])
    assert not is_under("09521234000013", ["952123499"])
    assert not is_under("09521234000013", [])


@pytest.mark.parametrize(
    ("text", "code"),
    [("952", "not-a-prefix"), ("9521234X", "not-a-prefix"), ("2012345", "restricted-number")],
)
def test_what_no_firm_is_given_is_no_prefix(text, code):
    with pytest.raises(Unusable) as refusal:
        check_prefix(text)
    assert (refusal.value.code, refusal.value.reasons[0].field) == (code, "gs1_prefixes")


@pytest.mark.django_db
def test_the_profile_keeps_prefixes_and_a_gln_that_were_checked(act, establishment, lead):
    values = {"gs1_prefixes": ["9521234"], "gln": "9521234000006"}
    changed = establishments.change_profile(act=act(by=lead), values=values)
    assert (changed.gs1_prefixes, changed.gln) == (["9521234"], "9521234000006")


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("values", "field"), [({"gln": "9521234000007"}, "gln"), ({"gs1_prefixes": ["04"]}, "gs1_prefixes")]
)
def test_a_profile_with_a_mistyped_number_is_refused(lead_api, establishment, values, field):
    answer = lead_api.change("", values, establishment.version)
    assert answer.status_code == 400, answer.content
    assert answer.json()["errors"][0]["field"] == field
    establishment.refresh_from_db()
    assert (establishment.gln, establishment.gs1_prefixes) == ("", [])
