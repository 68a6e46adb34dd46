"""Which lots a notice means. How codes compare is ours to state: no published standard orders suppliers' codes."""

from datetime import date
from typing import Any
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haccp.recalls.matching import Fit, Meant, Received, fit

MILL, PANTRY = UUID(int=1), UUID(int=2)
NUTS, SUGAR = UUID(int=3), UUID(int=4)
HERE = {"supplier": MILL}


def lot(code: str = "", **values: Any) -> Received:
    usual = {"material": NUTS, "day": date(2026, 3, 2), "supplier": MILL, "best_before": None}
    return Received(key=1, uid=UUID(int=9), code="L", **(usual | {"supplier_code": code} | values))


def fits(meant: Meant, code: str = "", **values: Any) -> Fit:
    return fit(meant, lot(code, **values)).fit


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        ("HN-7", Fit.YES),
        ("HN-8", Fit.NO),
        ("hn 7", Fit.UNDECIDED),
        ("HN7", Fit.UNDECIDED),
        ("", Fit.UNDECIDED),
    ],
)
def test_a_listed_code_counts_as_written_and_one_written_otherwise_is_a_candidate(code: str, expected: Fit):
    assert fits(Meant(codes=("HN-7",), **HERE), code) == expected


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        ("L098", Fit.NO),
        ("L099", Fit.YES),
        ("L105", Fit.YES),
        ("L110", Fit.YES),
        ("L111", Fit.NO),
        ("M100", Fit.NO),
        ("l-100", Fit.YES),
        ("L1005", Fit.UNDECIDED),  # a digit more than both ends: part of a lot, or another series
        ("L10A", Fit.UNDECIDED),
        ("100", Fit.UNDECIDED),
        ("", Fit.UNDECIDED),
    ],
)
def test_a_range_has_both_its_ends_and_doubts_what_is_built_otherwise(code: str, expected: Fit):
    assert fits(Meant(first="L099", last="L110", **HERE), code) == expected


def test_a_running_number_compares_as_a_number_where_its_ends_have_not_as_many_digits():
    meant = Meant(first="98", last="105", **HERE)
    assert [fits(meant, code) for code in ("9", "99", "105", "1005")] == [Fit.NO, Fit.YES, Fit.YES, Fit.NO]


@pytest.mark.parametrize(("first", "last"), [("L200", "L100"), ("L1", "XY1"), ("280226", "030326")])
def test_a_range_that_cannot_be_ordered_makes_every_lot_of_theirs_a_candidate(first: str, last: str):
    assert fits(Meant(first=first, last=last, **HERE), "L150") == Fit.UNDECIDED


def test_a_listed_code_beside_a_range_counts_by_either():
    meant = Meant(codes=("ZZ",), first="L100", last="L110", **HERE)
    assert [fits(meant, code) for code in ("ZZ", "L105", "L111")] == [Fit.YES, Fit.YES, Fit.NO]


def test_a_listed_code_from_another_supplier_or_on_another_material_is_a_candidate():
    meant = Meant(supplier=MILL, materials=frozenset([NUTS]), codes=("HN-7",))
    assert fits(meant, "HN-7", supplier=PANTRY) == Fit.UNDECIDED
    assert fits(meant, "HN-7", material=SUGAR) == Fit.UNDECIDED
    assert fits(meant, "HN-8", supplier=PANTRY) == Fit.NO


def test_days_bound_what_codes_name_and_a_day_nobody_noted_is_a_doubt():
    days = (date(2026, 3, 1), date(2026, 3, 31))
    assert fits(Meant(codes=("A",), received=days, **HERE), "A") == Fit.YES
    assert fits(Meant(codes=("A",), received=days, **HERE), "A", day=date(2026, 4, 1)) == Fit.NO
    assert fits(Meant(best_before=days, **HERE), best_before=date(2026, 3, 31)) == Fit.YES
    assert fits(Meant(best_before=days, **HERE)) == Fit.UNDECIDED


def test_without_goods_named_a_lot_without_a_code_is_not_every_ones_candidate():
    assert fits(Meant(codes=("A",)), "") == Fit.NO


def test_everything_of_a_supplier_is_all_of_theirs_and_no_others():
    assert fits(Meant(**HERE), "") == Fit.YES
    assert fits(Meant(**HERE), "A", supplier=PANTRY) == Fit.NO


NUMBERS = st.integers(0, 9999)


@given(NUMBERS, NUMBERS, NUMBERS)
def test_numbers_of_one_width_lie_in_a_range_as_numbers_do(first: int, last: int, own: int):
    found = fits(Meant(first=f"L{first:04d}", last=f"L{last:04d}", **HERE), f"L{own:04d}")
    assert found == (Fit.UNDECIDED if first > last else Fit.YES if first <= own <= last else Fit.NO)


CODES = st.text("aL09 -.é²", min_size=1, max_size=9)


@given(CODES, CODES, CODES)
def test_any_code_gets_an_answer(code: str, first: str, last: str):
    assert fits(Meant(codes=(first,), first=first, last=last, **HERE), code) in Fit
