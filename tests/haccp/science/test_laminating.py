"""Layers, sheets and pieces against laminating.csv (trade rule from memory, arithmetic computed).

The block, sheet, thickness and piece figures below, the rewarming oven and the browning of wet-method sugar are common
practice, no source.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches.quantities import convert
from config.api.refusals import Unusable
from haccp.science import laminating
from haccp.science.laminating import Flat, Layers
from tests.haccp.science.tables import rows

FIVE = laminating.layers(["letter"] * 5)
LENGTHS = st.floats(10, 1000)


@pytest.mark.parametrize("row", rows("laminating")[:6], ids=lambda row: row["case"])
def test_letter_folds_make_three_of_one(row):
    made = laminating.layers(["letter"] * int(row["case"].split()[0]))
    assert f"{made.filling}; {made.sugar}" == row["answer"]


def test_two_book_folds_make_sixteen_and_mixed_folds_multiply():
    assert rows("laminating")[6]["answer"] == "16"
    assert laminating.layers(["book", "book"]).filling == 16
    assert laminating.layers(["letter", "book", "letter"]).filling == 36


def test_without_a_fold_there_is_one_filling_between_two_sheets():
    assert laminating.layers([]) == Layers(1, 2)


def test_an_unknown_fold_is_unusable():
    with pytest.raises(Unusable):
        laminating.layers(["roll"])


def test_five_letter_folds_and_their_mean_pair():
    assert Layers(243, 244) == FIVE
    assert laminating.mean_pair(12.7, FIVE).value * 1000 == pytest.approx(52.3, abs=0.05)
    assert laminating.mean_pair(3, FIVE).value * 1000 == pytest.approx(12.3, abs=0.05)


def test_the_sheet_over_a_block_with_three_borders():
    sheet = laminating.sheet_over(185, 185, 10, 20)
    assert (sheet.width_mm, sheet.length_mm) == (225, 420)
    assert sheet.covered == pytest.approx(0.724, abs=0.0005)


@given(LENGTHS, LENGTHS, st.floats(1, 50), st.floats(0, 50))
def test_a_sheet_is_never_smaller_than_what_it_covers(width, length, thick, border):
    sheet = laminating.sheet_over(width, length, thick, border)
    assert 0 < sheet.covered < 1
    assert sheet.width_mm * sheet.length_mm / 2 * sheet.covered == pytest.approx(width * length)


def test_rolling_thinner_keeps_the_volume():
    assert laminating.slab_area(185 * 185 * 10, 12.7).value * 12.7 == pytest.approx(342_250)


def test_slab_mass_and_pieces_are_as_tabled():
    mass, pieces = rows("laminating")[7:9]
    assert laminating.slab_mass(600 * 400, 10, 1.45).value == pytest.approx(float(mass["answer"].split()[0]))
    assert Flat(600, 400, 25, 25).pieces == int(pieces["answer"])


def test_the_flat_in_common_use_gives_24_pieces_and_21_with_a_blade_of_2_mm():
    piece = Flat(300, 160, 76.2, 19.05)
    assert piece.piece_area_mm2 / 100 == pytest.approx(14.52, abs=0.005)
    assert piece.pieces == 24
    assert Flat(300, 160, 76.2, 19.05, blade_mm=2).pieces == 21
    assert piece.yield_share == pytest.approx(24 * 14.5161 / 480, abs=1e-4)


@given(LENGTHS, LENGTHS, st.floats(5, 300), st.floats(5, 300), st.floats(0, 5))
def test_pieces_and_blade_fit_on_the_flat(length, width, along, across, blade):
    flat = Flat(length, width, along, across, blade)
    assert 0 <= flat.yield_share <= 1 + 1e-6
    assert flat.pieces <= Flat(length, width, along, across).pieces


def test_the_oven_and_browning_figures_are_the_same_in_fahrenheit():
    from decimal import Decimal

    assert float(convert(Decimal(200), "FAH", "CEL")) == pytest.approx(laminating.REWARMING_OVEN_C, abs=0.05)
    assert float(convert(Decimal(338), "FAH", "CEL")) == pytest.approx(laminating.WET_METHOD_BROWNS_FROM_C)
    assert laminating.REWARMING_MIN == (5, 10)


def test_mass_yield_is_a_share_and_more_out_than_in_is_unusable():
    assert laminating.mass_yield(870, 1000) == pytest.approx(0.87)
    with pytest.raises(Unusable):
        laminating.mass_yield(1001, 1000)


@pytest.mark.parametrize(
    "asked",
    [
        lambda: Flat(0, 160, 76, 19),
        lambda: Flat(300, 160, 76, 19, blade_mm=-1),
        lambda: laminating.sheet_over(185, 185, 0, 20),
        lambda: laminating.mean_pair(0, FIVE),
        lambda: laminating.slab_area(1, float("inf")),
    ],
)
def test_sizes_that_mean_nothing_are_unusable(asked):
    with pytest.raises(Unusable):
        asked()
