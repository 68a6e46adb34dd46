"""The code on a check sheet: its check digits are those of the standard, and no slip of one digit finds another sheet."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp import sheet_codes

NUMBERS = st.integers(0, sheet_codes.MOST - 1)


def test_the_remainder_is_that_of_account_numbers_and_legal_entities():
    """ISO/IEC 7064 MOD 97-10 as ISO 13616 (IBAN) and ISO 17442 (LEI) use it: published examples (from memory)."""
    assert sheet_codes.remainder("WEST12345698765432" + "GB82") == 1
    assert sheet_codes.remainder("5493001KJTIIGC8Y1R12") == 1
    assert sheet_codes.check_digits("5493001KJTIIGC8Y1R") == "12"


@given(NUMBERS)
def test_what_is_printed_is_read_again_however_it_is_keyed(number):
    printed = sheet_codes.shown(number)
    for keyed in (
        printed,
        printed.lower(),
        printed.replace("-", " "),
        printed.replace("-", "")[1:],
        f" {printed} ",
    ):
        assert sheet_codes.read(keyed) == number


@given(NUMBERS, st.integers(0, 7), st.integers(1, 9))
def test_one_wrong_digit_is_always_seen(number, place, by):
    digits = list(sheet_codes.shown(number).replace("-", "")[1:])
    digits[place] = str((int(digits[place]) + by) % 10)
    with pytest.raises(sheet_codes.NotThisCode):
        sheet_codes.read("".join(digits))


@given(NUMBERS, st.integers(0, 6))
def test_two_digits_that_changed_places_are_always_seen(number, place):
    digits = list(sheet_codes.shown(number).replace("-", "")[1:])
    if digits[place] != digits[place + 1]:
        digits[place], digits[place + 1] = digits[place + 1], digits[place]
        with pytest.raises(sheet_codes.NotThisCode):
            sheet_codes.read("".join(digits))


@pytest.mark.parametrize("said", ["", "S-12", "S-482177", "S-482177-0\x00", "٤" * 8, "x" * 5000])
def test_what_is_no_code_is_told_how_one_looks(said):
    with pytest.raises(Unusable, match="six digits and two check digits"):
        sheet_codes.read(said)
