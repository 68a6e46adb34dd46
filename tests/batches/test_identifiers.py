"""Lot codes against the rules in their docstrings."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches.identifiers import (
    DEFAULT_PATTERN,
    lot_code_stem,
    render_lot_code,
    validate_pattern,
)
from config.api.refusals import Unusable


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
