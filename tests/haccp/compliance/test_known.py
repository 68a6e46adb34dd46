"""What reliefs are known: which parts they may ease, for which countries, and from which texts.

21 CFR 117.301(c) was read in a stored copy: 117.305(b), (d), (e) and (f) do not apply to the records required by 117.201, and
to no others. 117.201(c), attestation every 2 years: in a secondary text. Regulation (EC) 852/2004, Article 5: the words on
nature and size were read. What is not spared by size: a list put together before the first record was written, from memory.
"""

import pytest

from config.api.refusals import RuleBroken, Unusable
from haccp.compliance import easing, known
from haccp.compliance.known import BY_PROFILE, PARTS, RELIEFS
from haccp.models import Question
from haccp.plan_documents import Gap, gaps, starter_plan

NOT_SPARED = {
    "critical-checks",
    "allergens",
    "holds",
    "release",
    "recall",
    "tracing",
    "plan",
    "records-in-time",
}


def test_no_relief_eases_what_every_house_is_asked():
    kept = {part.code for part in PARTS if part.kept}
    assert kept >= NOT_SPARED
    assert {code for relief in RELIEFS for code in relief.eases} & kept == set()


def test_every_part_is_kept_or_says_what_is_different_where_it_is_eased():
    assert [part.code for part in PARTS if part.kept is bool(part.eased)] == []


def test_a_part_that_may_be_eased_is_eased_by_some_relief_or_by_the_profile_of_the_house():
    eased = {code for relief in RELIEFS for code in relief.eases} | BY_PROFILE
    assert eased == {part.code for part in PARTS if not part.kept}


def test_each_relief_names_parts_that_there_are_a_source_and_how_well_it_is_known():
    codes = {part.code for part in PARTS}
    for relief in RELIEFS:
        assert set(relief.eases) <= codes - BY_PROFILE
        assert relief.source
        assert relief.provenance.startswith(("read", "from memory"))
        assert 0 < relief.longest_days <= 731


def test_codes_stand_once():
    for listed in (PARTS, RELIEFS):
        assert len({each.code for each in listed}) == len(listed)


def test_only_the_records_of_the_attestation_are_spared_rules_of_117_305():
    relief = known.relief("us-qualified-facility")
    assert (
        "For the records of the attestation alone, 117.305(b), (d), (e) and (f)."
        in relief.spares.split("117. ")[1]
    )
    assert known.part("records-in-time").kept


def test_a_qualified_facility_attests_every_two_years():
    assert known.relief("us-qualified-facility").longest_days == 365 + 366
    assert "Attest every 2 years" in known.relief("us-qualified-facility").instead


def test_an_unknown_code_is_told_with_the_nearest_and_all_there_are():
    with pytest.raises(Unusable, match=r"Is us-qualified-facility meant.*eu-nature-and-size"):
        known.relief("us-qualified-facilty")


def test_a_relief_of_another_jurisdiction_is_refused_with_those_of_this_one():
    with pytest.raises(RuleBroken, match=r"law of another place than DE.*Of there: eu-nature-and-size"):
        known.refuse_foreign(known.relief("us-cottage-food"), "DE")


def test_where_no_law_is_known_there_is_no_relief():
    assert known.of("CH") == ()
    with pytest.raises(RuleBroken, match="none that is known here"):
        known.refuse_foreign(known.relief("eu-nature-and-size"), "CH")


def test_nothing_claims_compliance():
    words = " ".join(str(each) for each in (*PARTS, *RELIEFS)).lower() + known.DEFERRAL.lower()
    assert not [claim for claim in ("complian", "complies", "certif", "safe ") if claim in words]


def test_a_case_asks_as_many_questions_as_the_part_on_holds_says():
    (part,) = [each for each in PARTS if each.code == "holds"]
    assert "answers to three questions and a decision on each lot" in part.asks
    assert len(Question) == 3


# -- what is eased in a plan ---------------------------------------------------------------------------


def of_us(*found: Gap, document=None) -> list[str]:
    return [each.eased_by for each in easing.with_easing(found, document or {}, ["us-qualified-facility"])]


def test_a_gap_that_a_relief_names_says_by_which_it_is_eased():
    assert of_us(Gap("no-reanalysis", "x", "reanalysis"), Gap("no-team", "x", "team")) == [
        "us-qualified-facility",
        "",
    ]


def test_without_a_relief_nothing_is_eased():
    (gap,) = easing.with_easing([Gap("no-reanalysis", "x", "reanalysis")], {}, [])
    assert gap.eased_by == ""


def test_european_flexibility_eases_no_reanalysis():
    (gap,) = easing.with_easing([Gap("no-reanalysis", "x", "reanalysis")], {}, ["eu-nature-and-size"])
    assert gap.eased_by == ""


HAZARDS = [{"code": "H-1", "kind": "physical"}, {"code": "H-2", "kind": "allergen"}]
LESSER = {"code": "CP-1", "kind": "oprp", "control": "process", "hazards": ["H-1"]}


@pytest.mark.parametrize(
    "change",
    [
        {"kind": "ccp"},
        {"control": "allergen"},
        {"control": "supply-chain"},
        {"control": None},
        {"hazards": ["H-1", "H-2"]},
        {"hazards": ["H-9"]},
        {"hazards": []},
    ],
)
def test_validation_is_never_eased_of_what_is_critical_or_about_an_allergen_or_a_supplier(change):
    document = {"hazards": HAZARDS, "control_points": [LESSER | change]}
    gap = Gap("no-validation", "x", "control_points.0.validation")
    assert of_us(gap, document=document) == [""]


def test_validation_is_eased_of_a_lesser_control():
    document = {"hazards": HAZARDS, "control_points": [LESSER]}
    assert of_us(Gap("no-validation", "x", "control_points.0.validation"), document=document) == [
        "us-qualified-facility"
    ]


def test_in_a_plan_with_everything_missing_no_gap_of_limits_monitoring_correction_or_recall_is_eased():
    """Every gap that the starter plan can have, part by part left out."""
    whole = starter_plan("three_products_one_table")
    for name in list(whole):
        document = {key: value for key, value in whole.items() if key != name}
        found = easing.with_easing(gaps(document), document, [each.code for each in RELIEFS])
        assert {each.codex_step for each in found if each.eased_by} <= {1, 6, 11}
