"""Reading barcodes, against published values (``gs1_check_values.csv`` names the source of each) and a library.

The sources were read; GS1 Barcode Syntax Dictionary and Barcode Engine are of the standards body (Apache-2.0).
"""

import csv
from datetime import date
from pathlib import Path

import pytest
import time_machine
from biip.gs1_digital_link_uris import GS1DigitalLinkURI
from hypothesis import given
from hypothesis import strategies as st

from batches.scanning import elements, links, texts
from batches.scanning.elements import SEPARATOR, bracketed, plain, write
from config.api.refusals import Unusable

ROWS = list(csv.DictReader((Path(__file__).parent / "gs1_check_values.csv").open()))
GTIN = "09521234000013"  # prefix 952 is kept for demonstrations (prefix table of the parser library, read)


def published(kind: str) -> list:
    found = [row for row in ROWS if row["kind"] == kind]
    assert found, kind
    return [pytest.param(row["input"], row["expected"], id=row["id"]) for row in found]


def as_published(text: str) -> str:
    """Published texts write FNC1 as ^, also in front, and the separator as <GS>."""
    return text.removeprefix("^").replace("^", SEPARATOR).replace("<GS>", SEPARATOR)


def refused(text: str) -> Unusable:
    with pytest.raises(Unusable) as refusal:
        texts.read(text)
    assert refusal.value.reasons[0].field == "text"
    return refusal.value


# -- published values ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("given_text", "kept"), published("gtin_to_14"))
def test_published_numbers_are_filled_to_fourteen_digits(given_text, kept):
    assert texts.read(given_text).gtin == kept


@pytest.mark.parametrize(("address", "expected"), published("digital_link_to_elements"))
def test_published_addresses_hold_the_published_fields(address, expected):
    said = {each.ai: each.value for each in texts.read(address).elements}
    assert said == {each.ai: each.value for each in elements.read(as_published(expected))}


@pytest.mark.parametrize(("address", "_"), published("digital_link_invalid"))
def test_what_is_published_as_no_such_address_holds_no_field(address, _):
    assert links.read(address) is None


@pytest.mark.parametrize(("text", "expected"), published("bracketed_to_elements"))
def test_published_bracketed_lines_hold_the_published_fields(text, expected):
    assert texts.read(text).elements == elements.read(as_published(expected))


@pytest.mark.parametrize(("text", "_"), published("bracketed_invalid"))
def test_published_wrong_lines_are_refused(text, _):
    assert refused(text).code == "wrong-length"


@pytest.mark.parametrize(("day", "verdict"), published("date_yymmd0"))
def test_published_days_of_a_best_before(day, verdict):
    if verdict.startswith("accept"):
        assert elements.read(f"01{GTIN}15{day}")[1].day is not None
    else:
        assert refused(f"]C101{GTIN}15{day}").code == "impossible-date"


@pytest.mark.parametrize(("day", "_"), published("date_yymmdd"))
def test_published_day_nought_is_refused_where_a_real_day_is_asked(day, _):
    assert refused(f"]C101{GTIN}7003{day}1200").code == "impossible-date"


@pytest.mark.parametrize(("rule", "year"), published("century_rule"))
def test_the_century_is_the_published_one(rule, year):
    with time_machine.travel(date(2026, 3, 2)):
        assert elements.read(f"01{GTIN}15{rule[3:5]}0101")[1].day.year == int(year)


@pytest.mark.parametrize(("text", "verdict"), published("charset82"))
def test_published_characters_of_a_lot(text, verdict):
    if verdict == "accept":
        assert elements.read(f"01{GTIN}10{text}")[1].value == text
    else:
        assert refused(f"]C101{GTIN}10{text}").code == "bad-character"


@pytest.mark.parametrize(("text", "verdict"), published("ai10_length"))
def test_the_published_length_of_a_lot(text, verdict):
    lot = text.split(" ")[0]
    if verdict == "accept":
        assert texts.read(f"]C101{GTIN}10{lot}").value("10") == lot
    else:
        assert refused(f"]C101{GTIN}10{lot}").code == "wrong-length"


@pytest.mark.parametrize(("mark", "said"), published("symbology_identifier"))
def test_published_symbology_identifiers_are_known(mark, said):
    name = {**texts.FIELDS, **texts.PLAIN, **{key: name for key, (name, _) in texts.NUMBERS.items()}}[mark]
    assert name.split(" ")[0].split("-")[0] in said
    assert (mark in texts.FIELDS) is ("AI data" in said)


@pytest.mark.parametrize(("text", "fields"), published("scan_to_fields"))
def test_a_published_scan_gives_its_published_fields(text, fields):
    read = texts.read(as_published(text))
    assert "; ".join(f"{each.ai}={each.value}" for each in read.elements) == fields


# -- what is wrong is told with its place ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "code", "told"),
    [
        (f"]C101{GTIN[:-1]}410LOT1", "wrong-check-digit", "(01) GTIN, character 19: the last digit is 4, but"),
        (f"]d201{GTIN}15260230", "impossible-date", "(15) BEST BEFORE or BEST BY, characters 22 to 27: 260230"),
        (f"]d201{GTIN}1526130110A", "impossible-date", "characters 22 to 27: 261301"),
        (f"]d201{GTIN}05A", "unknown-identifier", "Character 20: no GS1 application identifier begins '05A'"),
        (f"]d201{GTIN}10A B", "bad-character", "(10) BATCH/LOT, character 23: ' ' cannot stand there"),
        (f"]d201{GTIN}10Ä", "bad-character", "(10) BATCH/LOT, character 22: '\\xc4'"),
        (f"]d201{GTIN}10", "wrong-length", "(10) BATCH/LOT, after character 21"),
        (f"]d201{GTIN[:9]}", "wrong-length", "(01) GTIN, characters 6 to 14"),
        (f"]d201{GTIN}1526\x1d10A", "wrong-length", "(15) BEST BEFORE or BEST BY, characters 22 to 23"),
        (f"]d201{GTIN}10A\x1d10B", "said-twice", "(10) BATCH/LOT stands twice, as A and as B"),
        ("]d200952012345678912344", "wrong-check-digit", "(00) SSCC, character 23"),
        ("]d24149520123456787", "wrong-check-digit", "(414) LOC No., character 19"),
        ("https://id.gs1.org/01/09520123456789", "wrong-check-digit", "(01) GTIN, character 36"),
        ("https://id.gs1.org/01/9520123456789", "wrong-check-digit", "(01) GTIN, character 35"),
        ("https://id.gs1.org/01/09520123456788/21/1/10/A", "unknown-identifier", "Character 43: after (01)"),
        ("https://id.gs1.org/01/09520123456788?05=1", "unknown-identifier", "Character 38: there is no"),
        ("https://id.gs1.org/01/09520123456788?x=1&15=260230#a", "impossible-date", "characters 45 to 50"),
        ("]E09521234000014", "wrong-check-digit", "the others ask for 3"),
        ("]E0952123400001", "wrong-length", "it holds 13 digits"),
        ("]", "unknown-symbology", "Character 1"),
        ("]k7ABC", "unknown-symbology", "Character 1: ]k7"),
        (" ]C1 ", "empty", "Nothing stands after ]C1"),
        (" \r\n", "empty", "Nothing was scanned"),
        ("A" * 4297, "too-long", "4296"),
        ("A\x00B", "bad-character", "Character 2: U+0000"),
        ("]Q1A\tB", "bad-character", "Character 5: U+0009"),
        ("A\x7f", "bad-character", "Character 2: U+007F"),
        ("https://a.example/\ud800", "bad-character", "Character 19: U+D800"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_with_its_place(text, code, told):
    refusal = refused(text)
    assert refusal.code == code
    assert told in refusal.detail


def test_a_text_that_begins_like_fields_and_is_none_keeps_its_refusal_for_later():
    read = texts.read(f"01{GTIN}05")
    assert (read.code, read.elements, read.refused.code) == (f"01{GTIN}05", (), "unknown-identifier")


def test_what_a_keyboard_adds_round_a_scan_is_nothing():
    assert texts.read("\t PIL-26061-1\r\n").code == "PIL-26061-1"


def field_in_question(text: str) -> str:
    """Where the text is refused; any other error is one of ours."""
    try:
        texts.read(text)
    except Unusable as refusal:
        return refusal.reasons[0].field
    return "text"


@given(st.text(max_size=80))
def test_any_text_is_read_or_refused_with_its_field(text):
    assert field_in_question(text) == "text"


@given(st.text("0123456789()]^ACEQQd/:?=&\x1d", max_size=60))
def test_any_text_that_looks_like_a_barcode_is_read_or_refused(text):
    for front in ("", "]C1", "https://a.example/01/", "(01)", f"]d201{GTIN}10"):
        assert field_in_question(front + text) == "text"


# -- writing and reading again --------------------------------------------------------------------------

LOTS = st.text("!\"%&'()*+,-./0123456789:;<=>?ABCXYZ_abcxyz", min_size=1, max_size=20)


@given(LOTS, st.dates(date(2000, 1, 1), date(2050, 12, 31)))
def test_what_is_written_is_read_as_it_was(lot, day):
    with time_machine.travel(date(2026, 3, 2)):
        said = write([("10", lot), ("15", f"{day:%y%m%d}"), ("01", GTIN)])
        assert [each.ai for each in said] == ["01", "15", "10"]
        assert elements.read(plain(said)) == said
        by_address = links.read(links.write(said, base="https://records.example.org/at/x"))
        assert {(each.ai, each.value) for each in by_address} == {(each.ai, each.value) for each in said}


@given(LOTS)
def test_the_address_written_is_read_alike_by_another_library(lot):
    address = links.write(write([("01", GTIN), ("10", lot), ("15", "260705")]))
    found = GS1DigitalLinkURI.parse(address)  # biip
    assert {each.ai.ai: each.value for each in found.element_strings} == {
        "01": GTIN,
        "10": lot,
        "15": "260705",
    }
    assert found.as_canonical_uri().replace("%7E", "~") == address


def test_a_separator_follows_what_has_no_length_of_its_own():
    said = write([("01", GTIN), ("37", "12"), ("10", "A-1")])
    assert plain(said) == f"01{GTIN}3712{SEPARATOR}10A-1"
    assert bracketed(said) == f"(01){GTIN} (37)12 (10)A-1"
    assert elements.read_bracketed(bracketed(said)) == said


def test_the_rightmost_key_of_an_address_counts():
    # GS1 Digital Link, rule as in the Barcode Engine (read)
    found = links.read(f"https://shop.example/01/09520123456788/01/{GTIN}/10/A")
    assert [(each.ai, each.value) for each in found] == [("01", GTIN), ("10", "A")]
