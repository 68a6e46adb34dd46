"""Growth limits, held to pathogen-growth.csv, to two tables read anew (growth-factors.csv) and spoilage-aw-bands.csv.

No number here is a limit to work by.
"""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp.science import growth
from tests.haccp.science.tables import rows

TABLE = rows("pathogen-growth")
NAMES = {
    "Staphylococcus aureus (growth)": "Staphylococcus aureus, growth",
    "Staphylococcus aureus (toxin)": "Staphylococcus aureus, toxin",
}
BY_NAME = {limits.organism: limits for limits in growth.LIMITS}


def numbers(text):
    return [float(found) for found in re.findall(r"(?<![\d.])-?\d+(?:\.\d+)?", text)]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row["organism"])
def test_the_lowest_published_minimum_and_the_widest_ph_count(row):
    limits = BY_NAME[NAMES.get(row["organism"], row["organism"])]
    assert limits.usual_aw == float(row["min_aw_usual"])
    assert limits.least_aw == min(numbers(row["min_aw_range_across_sources"]))
    assert limits.least_ph == min(numbers(row["min_pH"]))
    assert limits.most_ph == max(numbers(row["max_pH"]))
    assert limits.least_celsius == min(numbers(row["min_temp_C"]))
    for word in ("read", "memory"):
        assert (word in limits.source) or word not in row["provenance"]


def test_every_organism_of_the_table_is_known():
    assert set(BY_NAME) == {NAMES.get(row["organism"], row["organism"]) for row in TABLE}


@pytest.mark.parametrize("row", rows("growth-factors"), ids=lambda row: f"{row['organism']} {row['min_aw']}")
def test_at_a_minimum_read_in_any_table_the_organism_may_grow(row):
    may = {limits.organism for limits in growth.allowed(float(row["min_aw"]), 0).may_grow}
    assert row["organism"] in may


@pytest.mark.parametrize("row", rows("spoilage-aw-bands")[:-1], ids=lambda row: row["aw_low"])
def test_spoilers_are_held_back_only_below_their_band(row):
    least = float(row["aw_low"])
    at, below = growth.allowed(least, 0), growth.allowed(least - 0.001, 0)
    assert [s for s in at.may_spoil if s not in below.may_spoil] == [
        s for s in growth.SPOILERS if s.least_aw == least
    ]
    assert len(at.may_spoil) == len(below.may_spoil) + 1


def test_below_060_nothing_is_published_to_grow():
    assert rows("spoilage-aw-bands")[-1]["generally_inhibited_below_band"] == "no microbial proliferation"
    answer = growth.allowed(0.599, 0)
    assert answer.may_grow == answer.may_spoil == ()


def test_uncertainty_is_taken_at_its_unsafe_side():
    def growing(uncertainty):
        return [limits.organism for limits in growth.allowed(0.82, uncertainty).may_grow]

    assert growing(0.005) == []
    assert growing(0.01) == ["Staphylococcus aureus, growth"]


def test_a_value_exactly_at_a_minimum_may_grow():
    assert BY_NAME["Listeria monocytogenes"] in growth.allowed(0.92, 0).may_grow
    assert BY_NAME["Listeria monocytogenes"] in growth.allowed(0.9199, 0).below_limits


def test_acid_holds_back_what_water_activity_allows():
    assert growth.allowed(0.98, 0, ph=3.5).may_grow == ()
    assert [limits.organism for limits in growth.allowed(0.98, 0, ph=3.8).may_grow] == ["Salmonella spp."]


def test_the_uncertainty_of_the_ph_is_taken_at_its_unsafe_side():
    assert BY_NAME["Listeria monocytogenes"] in growth.allowed(0.98, 0, ph=4.3, ph_uncertainty=0.1).may_grow
    assert BY_NAME["Listeria monocytogenes"] in growth.allowed(0.98, 0, ph=9.5, ph_uncertainty=0.1).may_grow


def test_without_a_ph_only_water_activity_counts_and_it_is_said():
    assert growth.NO_PH in growth.allowed(0.9, 0).notes
    assert growth.NO_PH not in growth.allowed(0.9, 0, ph=6).notes
    assert growth.allowed(0.9, 0).may_grow == growth.allowed(0.9, 0, ph=7).may_grow


@pytest.mark.parametrize(
    ("aw", "more"),
    [
        (0, {}),
        (1.01, {}),
        (math.nan, {}),
        (0.5, {"uncertainty": -0.01}),
        (0.5, {"ph": 15}),
        (0.5, {"ph": -1}),
        (0.5, {"ph": 5, "ph_uncertainty": math.inf}),
    ],
)
def test_nonsense_is_refused(aw, more):
    with pytest.raises(Unusable):
        growth.allowed(aw, **({"uncertainty": 0} | more))


@given(st.floats(0.01, 1), st.floats(0, 0.05), st.none() | st.floats(0, 14))
def test_every_answer_speaks_of_survival_cites_each_source_and_never_says_safe(aw, uncertainty, ph):
    answer = growth.allowed(aw, uncertainty, ph=ph)
    said = answer.sentences()
    assert set(growth.SURVIVAL) <= set(said)
    assert not any(re.search(r"\bsafe", sentence, re.IGNORECASE) for sentence in said)
    for limits in growth.LIMITS:
        [one] = [sentence for sentence in said if sentence.startswith(limits.organism)]
        assert limits.source in one
    assert set(answer.may_grow) | set(answer.below_limits) == set(growth.LIMITS)


@given(st.floats(0.01, 0.99), st.floats(0, 0.05), st.floats(0, 0.01))
def test_more_water_never_takes_an_organism_off_the_list(aw, uncertainty, more):
    drier, wetter = growth.allowed(aw, uncertainty), growth.allowed(aw + more, uncertainty)
    assert set(drier.may_grow) <= set(wetter.may_grow)
