"""Isotherms and parts in contact, held to two-component-moisture.csv (computed) and to the conservation of water.

The constants of the isotherms are invented for arithmetic; they are those of no material.
"""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp.science import isotherms
from haccp.science.answers import Computed, NotComputed
from haccp.science.isotherms import Part
from tests.haccp.science.tables import rows

LINEAR, GAB, BET, ALMOND = rows("two-component-moisture")
INVENTED = "invented for this test"


def gab(m0, c, k, low=0.0, high=0.9, **more):
    return isotherms.gab(m0=m0, c=c, k=k, aw_low=low, aw_high=high, source=INVENTED, **more)


def linear(slope, low=0.0, high=0.9, **more):
    return isotherms.linear(slope=slope, aw_low=low, aw_high=high, source=INVENTED, **more)


def test_two_straight_lines_meet_at_the_tabled_water_activity():
    parts = [Part("filling", linear(0.12), 60, 0.65), Part("wafer", linear(0.30), 40, 0.30)]
    assert LINEAR["answer"] == "common aw 0.43125"
    assert isotherms.together(parts).value == pytest.approx(0.43125, abs=1e-9)


def test_two_gab_isotherms_meet_at_the_tabled_water_activity():
    dry, moist = gab(0.03, 10, 0.9), gab(0.06, 5, 0.8)
    answer = isotherms.together([Part("one", dry, 60, 0.65), Part("two", moist, 40, 0.30)])
    assert "common aw 0.49921" in GAB["answer"]
    assert answer.value == pytest.approx(0.49921, abs=5e-6)
    ends = [isotherms.moisture_at(it, answer.value).value for it in (dry, moist)]
    assert ends == pytest.approx([0.048527, 0.076796], abs=1e-6)
    starts = [isotherms.moisture_at(dry, 0.65).value, isotherms.moisture_at(moist, 0.30).value]
    assert starts == pytest.approx([0.067501, 0.048335], abs=1e-6)
    assert 60 * starts[0] + 40 * starts[1] == pytest.approx(5.98344, abs=1e-5)


def test_gab_with_k_of_one_is_bet():
    # BET by its own formula: X = m0 C aw / [(1 - aw)(1 + (C - 1) aw)].
    own = 0.05 * 10 * 0.3 / ((1 - 0.3) * (1 + 9 * 0.3))
    bet = isotherms.bet(m0=0.05, c=10, aw_low=0, aw_high=0.5, source=INVENTED)
    assert BET["answer"].startswith("0.0579151")
    assert isotherms.moisture_at(bet, 0.3).value == pytest.approx(own) == pytest.approx(0.0579151, abs=1e-7)
    assert bet.name == "BET isotherm"


def test_the_only_read_constant_is_kept_with_its_source_and_is_in_no_code():
    assert (ALMOND["answer"], ALMOND["provenance"]) == ("0.020 to 0.035 kg/kg dry", "read")
    assert not [value for value in vars(isotherms).values() if isinstance(value, isotherms.Isotherm)]


def test_the_uncertainty_of_the_meters_gives_the_band():
    parts = [Part("a", linear(0.12), 60, 0.65, 0.01), Part("b", linear(0.30), 40, 0.30, 0.01)]
    answer = isotherms.together(parts)
    assert (answer.low, answer.high) == pytest.approx((0.42125, 0.44125))


def test_the_uncertainty_of_an_isotherm_counts_at_the_start_and_at_the_end():
    parts = [Part("a", linear(0.12, uncertainty=0.001), 60, 0.65), Part("b", linear(0.30), 40, 0.30)]
    answer = isotherms.together(parts)
    assert answer.high - answer.value == pytest.approx(2 * 60 * 0.001 / (60 * 0.12 + 40 * 0.30))


def test_the_answer_names_the_source_of_every_isotherm():
    other = isotherms.linear(slope=0.3, aw_low=0, aw_high=0.9, source="own measurement of 3 March")
    answer = isotherms.together([Part("a", linear(0.1), 1, 0.5), Part("b", other, 1, 0.3)])
    assert INVENTED in answer.source
    assert "own measurement of 3 March" in answer.source


def test_a_part_that_starts_outside_its_isotherm_is_not_computed():
    parts = [Part("filling", linear(0.12, high=0.6), 60, 0.65), Part("wafer", linear(0.3), 40, 0.3)]
    answer = isotherms.together(parts)
    assert isinstance(answer, NotComputed)
    assert answer.why == "filling starts at 0.65. The isotherm holds from a water activity of 0 to 0.6."


def test_a_part_whose_band_reaches_outside_its_isotherm_is_not_computed():
    parts = [Part("a", linear(0.12, high=0.66), 60, 0.65, 0.02), Part("b", linear(0.3), 40, 0.3)]
    assert isinstance(isotherms.together(parts), NotComputed)


def test_where_they_settle_outside_an_isotherm_is_not_computed():
    parts = [Part("filling", linear(0.12, low=0.5), 60, 0.65), Part("wafer", linear(0.3), 40, 0.3)]
    answer = isotherms.together(parts)
    assert isinstance(answer, NotComputed)
    assert "outside" in answer.why


def test_isotherms_with_no_range_in_common_are_not_computed():
    parts = [Part("a", linear(0.1, low=0.6), 1, 0.6), Part("b", linear(0.1, high=0.5), 1, 0.5)]
    assert isinstance(isotherms.together(parts), NotComputed)


def test_one_part_alone_is_refused():
    with pytest.raises(Unusable):
        isotherms.together([Part("a", linear(0.1), 1, 0.5)])


@pytest.mark.parametrize(
    "make",
    [
        lambda: gab(0.05, 10, 1.2),  # K aw reaches 1 below 0.9
        lambda: gab(-0.05, 10, 0.8),
        lambda: gab(0.05, 0, 0.8),
        lambda: linear(0.1, low=0.5, high=0.4),
        lambda: linear(0.1, high=1.1),
        lambda: linear(0.1, at_zero=-0.01),
        lambda: isotherms.linear(slope=0.1, aw_low=0, aw_high=0.9, source=""),
        lambda: Part("a", linear(0.1), 0, 0.5),
        lambda: Part("a", linear(0.1), 1, math.nan),
    ],
)
def test_senseless_isotherms_and_parts_are_refused(make):
    with pytest.raises(Unusable):
        make()


CURVES = st.builds(gab, st.floats(0.01, 0.2), st.floats(0.5, 50), st.floats(0.3, 1.0)) | st.builds(
    linear, st.floats(0.01, 1)
)
PARTS = st.lists(
    st.builds(Part, st.just("part"), CURVES, st.floats(1, 1000), st.floats(0.05, 0.85), st.floats(0, 0.02)),
    min_size=2,
    max_size=4,
)


@given(PARTS)
def test_water_is_conserved_and_the_end_lies_between_the_starts(parts):
    answer = isotherms.together(parts)
    assert isinstance(answer, Computed)
    begun = sum(p.dry_g * p.isotherm.curve(p.aw) for p in parts)
    ended = sum(p.dry_g * p.isotherm.curve(answer.value) for p in parts)
    assert ended == pytest.approx(begun, rel=1e-9)
    assert min(p.aw for p in parts) - 1e-9 <= answer.value <= max(p.aw for p in parts) + 1e-9
    assert answer.low <= answer.value + 1e-12
    assert answer.value <= answer.high + 1e-12


@given(CURVES, st.floats(0, 0.9))
def test_moisture_there_and_back_is_where_it_began(isotherm, aw):
    back = isotherms.aw_at(isotherm, isotherms.moisture_at(isotherm, aw).value)
    assert back.value == pytest.approx(aw, abs=1e-9)


@given(CURVES, st.floats(0, 2))
def test_nothing_is_computed_outside_an_isotherm(isotherm, aw):
    assume(not isotherm.covers(aw))
    assert isinstance(isotherms.moisture_at(isotherm, aw), NotComputed)
    assert isinstance(isotherms.aw_at(isotherm, isotherm.curve(0.9) * 1.001), NotComputed)
