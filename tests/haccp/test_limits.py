"""Limits: read strictly, tightened by local rules, judged exactly at, inside and outside each bound.

Temperatures in two units rest on NIST SP 811 appendix B.8, t/degC = (t/degF - 32)/1.8 (read in a copy).
Guard bands: JCGM 106:2012 clause 8 (from memory). No number here is a limit to work by.
"""

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches.quantities import UnitDoesNotConvert, convert
from config.api.refusals import Unusable
from haccp.limits import (
    InForce,
    ObservationLimit,
    RangeLimit,
    Result,
    Rule,
    from_json,
    in_force,
    judge,
    looser_than,
    worst,
)
from haccp.readings import Reading

BOIL = RangeLimit("temperature of the boil", "CEL", lower=Decimal("121.0"), operating_lower=Decimal("122.5"))
MOIST = RangeLimit("water activity", "C62", upper=Decimal("0.60"))
KNIFE = ObservationLimit("knife tip", ("whole",), ("whole", "chipped", "missing"), reference="card K-2")
WITHIN, OUTSIDE, UNDECIDED = Result.WITHIN, Result.OUTSIDE, Result.UNDECIDED


def read(value, unit="CEL"):
    return Reading("temperature of the boil", entered=str(value), value=Decimal(value), unit=unit)


def result(value, limit=BOIL, unit=None, **options):
    return judge(read(value, unit or limit.unit), in_force(limit), **options).result


def rule(**values):
    usual = {"id": "r1", "quantity": BOIL.quantity, "unit": "CEL", "citation": "Town order 7"}
    return Rule(**(usual | values))


# --- at, just inside, just outside; in both units ---


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        ("121.0", "CEL", WITHIN),
        ("121.001", "CEL", WITHIN),
        ("120.999", "CEL", OUTSIDE),
        ("249.8", "FAH", WITHIN),  # exactly 121 degC
        ("249.801", "FAH", WITHIN),
        ("249.799", "FAH", OUTSIDE),
        ("394.15", "KEL", WITHIN),  # exactly 121 degC
        ("394.149", "KEL", OUTSIDE),
    ],
)
def test_a_lower_bound_lets_in_the_bound_itself(value, unit, expected):
    assert result(value, unit=unit) is expected


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        ("121.0", "CEL", OUTSIDE),
        ("249.8", "FAH", OUTSIDE),
        ("121.001", "CEL", WITHIN),
        ("249.801", "FAH", WITHIN),
    ],
)
def test_an_exclusive_lower_bound_keeps_out_the_bound_itself(value, unit, expected):
    assert result(value, replace(BOIL, lower_inclusive=False), unit) is expected


@pytest.mark.parametrize(("value", "expected"), [("0.60", WITHIN), ("0.599", WITHIN), ("0.601", OUTSIDE)])
def test_an_upper_bound_lets_in_the_bound_itself(value, expected):
    assert result(value, MOIST) is expected


@pytest.mark.parametrize(
    ("quantity", "unit", "value", "least"),
    [
        ("water activity", "C62", "-0.1", "0.01"),
        ("Water activity of the filling", "C62", "0", "0.01"),
        ("moisture", "P1", "-2", "0"),
        ("pH of the syrup", "Q30", "-4", "0"),
        ("pH of the syrup", "Q30", "45", "14"),
        ("store", "CEL", "-273.16", "-273.15"),
        ("store", "FAH", "-459.68", "-459.67"),
    ],
)
def test_a_value_that_nothing_has_does_not_pass_under_an_upper_limit(quantity, unit, value, least):
    limit = RangeLimit(quantity, unit, upper=Decimal(99))
    with pytest.raises(Unusable) as refusal:
        judge(Reading(quantity, entered=value, value=Decimal(value), unit=unit), in_force(limit))
    assert (refusal.value.code, refusal.value.reasons[0].field) == ("no-such-value", "value")
    judge(Reading(quantity, entered=least, value=Decimal(least), unit=unit), in_force(limit))


@pytest.mark.parametrize(("quantity", "unit"), [("difference in weight", "GRM"), ("colour b*", "C62")])
def test_what_may_lie_below_nought_is_judged(quantity, unit):
    limit = RangeLimit(quantity, unit, upper=Decimal(5))
    assert judge(Reading(quantity, "-3", Decimal(-3), unit), in_force(limit)).result is WITHIN


def test_an_exclusive_upper_bound_keeps_out_the_bound_itself():
    assert result("0.60", replace(MOIST, upper_inclusive=False)) is OUTSIDE


def test_a_bound_without_an_end_in_decimals_still_lets_in_its_own_value():
    # 165 degF is 73.888... degC: a plan in degC under a rule in degF
    limit = RangeLimit("core", "CEL", lower=Decimal(60))
    bounds = in_force(limit, [rule(quantity="core", unit="FAH", lower=Decimal(165))])
    assert judge(read("165", "FAH"), bounds).result is WITHIN
    assert judge(read("164.9999999", "FAH"), bounds).result is OUTSIDE
    assert judge(read("73.89"), bounds).result is WITHIN
    assert judge(read("73.88"), bounds).result is OUTSIDE


def test_a_reading_in_a_unit_of_something_else_names_the_unit():
    with pytest.raises(UnitDoesNotConvert) as refusal:
        judge(read("121", "KGM"), in_force(BOIL))
    assert refusal.value.reasons[0].field == "unit"


def test_a_range_asks_for_a_value():
    with pytest.raises(Unusable) as refusal:
        judge(Reading(BOIL.quantity, outcome="hot"), in_force(BOIL))
    assert refusal.value.reasons[0].field == "value"


# --- margins, sentences, warnings ---


def test_the_margin_is_signed_and_in_the_unit_of_the_limit():
    assert judge(read("118.5"), in_force(BOIL)).margin == Decimal("-2.5")
    assert judge(read("251.6", "FAH"), in_force(BOIL)).margin == Decimal("1")


def test_the_margin_is_to_the_nearer_bound():
    both = RangeLimit("x", "CEL", lower=Decimal(10), upper=Decimal(20))
    assert [judge(read(value), in_force(both)).margin for value in ("12", "19", "25")] == [2, 1, -5]


def test_a_margin_is_rounded_away_from_nought_so_its_sign_stays_true():
    bounds = in_force(
        RangeLimit("core", "CEL", lower=Decimal(60)), [rule(quantity="core", unit="FAH", lower=Decimal(165))]
    )
    judgement = judge(read("164.99999999", "FAH"), bounds)
    assert (judgement.result, judgement.margin) == (OUTSIDE, Decimal("-0.000001"))


def test_outside_says_what_was_read_what_must_hold_who_says_so_and_what_to_do():
    sentence = judge(read("118.5"), in_force(BOIL)).sentence
    for part in (
        "118.5 °C",
        "121 °C or more",
        "plan",
        "2.5 °C",
        "keep what it touched apart",
        "food-safety lead",
    ):
        assert part in sentence


def test_a_sentence_shows_the_reading_in_both_units_and_rounds_only_what_was_converted():
    sentence = judge(read("100.1", "FAH"), in_force(BOIL)).sentence
    assert "about 37.8333 °C" in sentence
    assert "100.1 °F" in sentence


def test_a_value_on_a_bound_that_is_not_allowed_is_not_said_to_be_off_by_nought():
    sentence = judge(read("121"), in_force(replace(BOIL, lower_inclusive=False))).sentence
    assert "The bound itself is not allowed" in sentence
    assert "Off by" not in sentence


def test_an_operating_limit_warns_before_the_limit_is_lost():
    assert "122.5 °C" in judge(read("122"), in_force(BOIL)).warning
    assert judge(read("122.5"), in_force(BOIL)).warning == ""
    assert judge(read("120"), in_force(BOIL)).warning == ""  # the limit is lost: the sentence says more


def test_an_upper_operating_limit_warns_too():
    moist = replace(MOIST, operating_upper=Decimal("0.55"))
    assert judge(read("0.56", "C62"), in_force(moist)).warning
    assert not judge(read("0.55", "C62"), in_force(moist)).warning


values = st.decimals(min_value=-50, max_value=300, places=2)


@given(values, st.sampled_from(["off", "one-sided", "two-sided"]), st.sampled_from([None, Decimal("0.8")]))
def test_no_judgement_ever_says_safe(value, guard, uncertainty):
    judgement = judge(read(value), in_force(BOIL), guard=guard, uncertainty=uncertainty)
    assert "safe" not in f"{judgement.sentence} {judgement.warning}".lower().replace("food-safety lead", "")


# --- observations ---


@pytest.mark.parametrize(
    ("outcome", "expected"), [("whole", WITHIN), ("chipped", OUTSIDE), ("missing", OUTSIDE)]
)
def test_an_observation_is_judged_by_its_named_outcomes(outcome, expected):
    judgement = judge(Reading("knife tip", outcome=outcome), in_force(KNIFE))
    assert (judgement.result, judgement.margin) == (expected, None)


@pytest.mark.parametrize("outcome", ["whole", "chipped"])
def test_an_observation_says_against_what_it_was_held(outcome):
    sentence = judge(Reading("knife tip", outcome=outcome), in_force(KNIFE)).sentence
    assert sentence.startswith(f"Seen: {outcome}, against card K-2. ")


def test_a_reference_that_ends_in_a_full_stop_gets_no_second_one():
    knife = replace(KNIFE, reference="Card K-2.")
    assert judge(Reading("knife tip", outcome="whole"), in_force(knife)).sentence.startswith(
        "Seen: whole, against Card K-2. As"
    )


@pytest.mark.parametrize("outcome", ["", "fine", "Whole"])
def test_an_outcome_the_limit_does_not_know_is_refused(outcome):
    with pytest.raises(Unusable) as refusal:
        judge(Reading("knife tip", outcome=outcome), in_force(KNIFE))
    assert refusal.value.reasons[0].field == "outcome"


def test_a_rule_with_numbers_leaves_an_observation_alone():
    bounds = in_force(KNIFE, [rule(quantity="knife tip", lower=Decimal(1))])
    assert bounds == InForce(KNIFE)


# --- local rules ---


def test_a_rule_tightens_and_the_bound_remembers_it():
    bounds = in_force(BOIL, [rule(lower=Decimal(125))])
    assert (bounds.lower.value, bounds.lower.source) == (125, "rule r1: Town order 7")
    assert judge(read("124"), bounds).decided_by == "rule r1: Town order 7"


def test_a_looser_rule_changes_nothing_but_is_known_to_have_been_looked_at():
    bounds = in_force(BOIL, [rule(lower=Decimal(100))])
    assert (bounds.lower.value, bounds.lower.source) == (121, "plan")
    assert bounds.rules == ("rule r1: Town order 7",)


def test_at_equal_values_the_exclusive_bound_is_tighter_and_otherwise_the_plan_stays():
    assert in_force(BOIL, [rule(lower=Decimal(121), lower_inclusive=False)]).lower.source != "plan"
    assert in_force(BOIL, [rule(lower=Decimal(121))]).lower.source == "plan"
    assert in_force(replace(BOIL, lower_inclusive=False), [rule(lower=Decimal(121))]).lower.source == "plan"


def test_at_equal_upper_values_the_exclusive_bound_is_tighter_too():
    same = rule(quantity=MOIST.quantity, unit="C62", upper=Decimal("0.60"))
    assert in_force(MOIST, [replace(same, upper_inclusive=False)]).upper.source != "plan"
    assert in_force(MOIST, [same]).upper.source == "plan"
    assert in_force(replace(MOIST, upper_inclusive=False), [same]).upper.source == "plan"


def test_a_rule_adds_a_bound_the_plan_does_not_have():
    assert in_force(BOIL, [rule(upper=Decimal(170))]).upper.value == 170


def test_a_rule_in_another_unit_of_the_same_kind_binds():
    assert in_force(BOIL, [rule(unit="FAH", lower=Decimal(260))]).lower.value == convert(
        Decimal(260), "FAH", "CEL"
    )


def test_a_rule_for_another_quantity_does_not_bind():
    assert in_force(BOIL, [rule(quantity="room", lower=Decimal(200))]) == in_force(BOIL)


def test_capitals_and_spaces_do_not_keep_a_rule_from_binding():
    assert in_force(BOIL, [rule(quantity=" Temperature of  the BOIL", lower=Decimal(125))]).lower.value == 125


def test_a_rule_that_cannot_be_compared_is_named_and_never_stops_the_record():
    bounds = in_force(BOIL, [rule(unit="KPA", lower=Decimal(200))])
    judgement = judge(read("130"), bounds)
    assert judgement.result is WITHIN
    assert "Town order 7" in judgement.warning
    assert bounds.as_json()["not_compared"] == ["rule r1: Town order 7"]


def test_rules_that_leave_nothing_put_every_reading_outside_and_say_so():
    bounds = in_force(BOIL, [rule(upper=Decimal(120))])
    assert bounds.empty
    for value in ("119", "120", "120.5", "121", "122"):
        judgement = judge(read(value), bounds)
        assert judgement.result is OUTSIDE
        assert "leave nothing allowed" in judgement.warning


def test_a_range_of_one_value_is_empty_only_if_that_value_is_kept_out():
    one = RangeLimit("x", "CEL", lower=Decimal(5), upper=Decimal(5))
    assert not in_force(one).empty
    assert in_force(replace(one, upper_inclusive=False)).empty
    assert result("5", one) is WITHIN


ends = st.one_of(st.none(), values)
limits = st.builds(RangeLimit, st.just("x"), st.just("CEL"), ends, ends, st.booleans(), st.booleans()).filter(
    lambda limit: (limit.lower, limit.upper) != (None, None)
)
rules = st.lists(
    st.builds(
        Rule,
        st.just("r"),
        st.just("x"),
        st.sampled_from(["CEL", "FAH", "KEL"]),
        st.just("c"),
        ends,
        ends,
        st.booleans(),
        st.booleans(),
    ),
    max_size=4,
)


@given(limits, rules, values)
def test_tightening_never_lets_in_what_the_plan_keeps_out(limit, given_rules, value):
    before, after = judge(read(value), in_force(limit)), judge(read(value), in_force(limit, given_rules))
    assert not (before.result is OUTSIDE and after.result is WITHIN)
    assert after.margin <= before.margin


@given(limits, rules, values)
def test_what_is_within_holds_to_the_plan_and_to_every_rule(limit, given_rules, value):
    held = [result(value, limit) is WITHIN]
    for each in given_rules:
        if (each.lower, each.upper) != (None, None):
            alone = RangeLimit(
                "x", each.unit, each.lower, each.upper, each.lower_inclusive, each.upper_inclusive
            )
            held.append(result(value, alone, "CEL") is WITHIN)
    assert (judge(read(value), in_force(limit, given_rules)).result is WITHIN) == all(held)


@given(limits, st.permutations([0, 1, 2]), rules.filter(lambda found: len(found) == 3))
def test_the_order_of_rules_does_not_matter(limit, order, given_rules):
    def values_of(bounds):
        return [(end and (end.value, end.inclusive)) for end in (bounds.lower, bounds.upper)]

    assert values_of(in_force(limit, given_rules)) == values_of(
        in_force(limit, [given_rules[i] for i in order])
    )


@given(limits, rules)
def test_a_plan_that_is_not_looser_than_any_rule_is_what_binds(limit, given_rules):
    bounds = in_force(limit, given_rules)
    changed = any(end is not None and end.source != "plan" for end in (bounds.lower, bounds.upper))
    assert bool(looser_than(limit, given_rules)) == changed


def test_a_looser_plan_is_told_where_by_which_rule_and_that_rules_id():
    reasons = looser_than(
        BOIL, [rule(lower=Decimal(125), upper=Decimal(170)), rule(id="r2", lower=Decimal(90))]
    )
    assert [(reason.code, reason.field, reason.ids) for reason in reasons] == [
        ("looser-than-rule", "lower", ("r1",)),
        ("looser-than-rule", "upper", ("r1",)),
    ]
    assert "125 °C" in reasons[0].detail
    assert "Town order 7" in reasons[0].detail


def test_a_plan_cannot_be_approved_beside_a_rule_it_cannot_be_compared_with():
    reasons = looser_than(BOIL, [rule(unit="KPA", lower=Decimal(200))])
    assert [(reason.code, reason.field) for reason in reasons] == [("unit-does-not-convert", "unit")]


# --- guard bands ---


@pytest.mark.parametrize(
    ("value", "one_sided", "two_sided"),
    [
        ("122.0", WITHIN, WITHIN),  # the bound and U = 1.0
        ("121.9", UNDECIDED, UNDECIDED),
        ("121.0", UNDECIDED, UNDECIDED),
        ("120.9", OUTSIDE, UNDECIDED),
        ("120.0", OUTSIDE, OUTSIDE),  # the whole of value and U lies below
    ],
)
def test_a_guard_band_moves_the_bound_inside_by_the_uncertainty(value, one_sided, two_sided):
    assert result(value, uncertainty=Decimal(1), guard="one-sided") is one_sided
    assert result(value, uncertainty=Decimal(1), guard="two-sided") is two_sided


@pytest.mark.parametrize(
    ("value", "expected"),
    # Limit 70.0 degC, u 0.5 degC: one-sided 95 % acceptance from 70.8225 (JCGM 106 arithmetic, z 1.645 from
    # table 1; computed). The band handed in is that 1.645 u.
    [("70.82", UNDECIDED), ("70.83", WITHIN), ("70.00", UNDECIDED), ("69.99", OUTSIDE)],
)
def test_guarded_acceptance_begins_where_the_arithmetic_of_jcgm_106_puts_it(value, expected):
    limit = RangeLimit("core", "CEL", lower=Decimal("70.0"))
    band = Decimal("1.645") * Decimal("0.5")
    assert result(value, limit, uncertainty=band, guard="one-sided") is expected


def test_the_uncertainty_is_a_difference_in_the_unit_of_the_reading():
    # U = 1.8 degF is 1 degC; 251.6 degF is 122 degC
    assert result("251.6", unit="FAH", uncertainty=Decimal("1.8"), guard="one-sided") is WITHIN
    assert result("251.5", unit="FAH", uncertainty=Decimal("1.8"), guard="one-sided") is UNDECIDED


def test_without_a_guard_the_uncertainty_changes_nothing():
    assert result("121.0", uncertainty=Decimal(5)) is WITHIN
    assert result("120.9", uncertainty=Decimal(5)) is OUTSIDE


@pytest.mark.parametrize("guard", ["one-sided", "two-sided"])
def test_a_guard_without_a_known_uncertainty_decides_nothing_inside(guard):
    judgement = judge(read("130"), in_force(BOIL), guard=guard)
    assert judgement.result is UNDECIDED
    assert "the uncertainty of the instrument is not known" in judgement.sentence
    assert judge(read("120.9"), in_force(BOIL), guard=guard).result is OUTSIDE
    assert judge(read("130"), in_force(BOIL), uncertainty=Decimal(0), guard=guard).result is WITHIN


ORDER = {OUTSIDE: 0, UNDECIDED: 1, WITHIN: 2}


@given(values, values, st.sampled_from(["off", "one-sided", "two-sided"]), st.decimals(0, 5, places=2))
def test_hotter_is_never_judged_worse_by_a_lower_bound(one, other, guard, uncertainty):
    low, high = sorted([one, other])
    options = {"guard": guard, "uncertainty": uncertainty}
    assert ORDER[result(low, **options)] <= ORDER[result(high, **options)]


@given(values, st.decimals(0, 5, places=2))
def test_a_guard_never_lets_in_what_stands_outside_without_it(value, uncertainty):
    guarded = result(value, uncertainty=uncertainty, guard="one-sided")
    assert ORDER[guarded] <= ORDER[result(value)]


# --- documents ---


@given(limits)
def test_a_limit_comes_back_from_its_document_unless_it_allows_nothing(limit):
    if in_force(limit).empty:
        with pytest.raises(Unusable, match="cannot be read") as refusal:
            from_json(limit.to_json())
        assert refusal.value.reasons[0].code == "bounds-crossed"
    else:
        back = from_json(limit.to_json())
        assert in_force(back) == in_force(replace(limit, **_meaningless_flags(limit)))


def _meaningless_flags(limit):
    """Whether a bound that is not there is inclusive says nothing, and is not written."""
    return {f"{end}_inclusive": True for end in ("lower", "upper") if getattr(limit, end) is None}


def test_an_observation_comes_back_from_its_document():
    assert from_json(KNIFE.to_json()) == KNIFE


def test_documents_and_judgements_hold_no_float_and_no_decimal():
    bounds = in_force(replace(BOIL, upper=Decimal("150.50")), [rule(unit="FAH", lower=Decimal(260))])
    said = judge(read("130"), bounds).as_json()

    def leaves(value):
        if isinstance(value, dict):
            return [leaf for each in value.values() for leaf in leaves(each)]
        if isinstance(value, list):
            return [leaf for each in value for leaf in leaves(each)]
        return [value]

    assert {type(leaf) for leaf in leaves(said)} <= {str, bool}
    assert (said["lower"]["source"], said["upper"]["value"]) == ("rule r1: Town order 7", "150.50")


RANGE = {"kind": "range", "quantity": "x", "unit": "CEL", "lower": "1", "upper": "2"}
LOOK = {"kind": "observation", "quantity": "x", "accepted": ["yes"], "outcomes": ["yes", "no"]}


@pytest.mark.parametrize(
    ("document", "code", "field"),
    [
        ({"kind": "guess"}, "unknown-kind", "kind"),
        ({}, "unknown-kind", "kind"),
        (RANGE | {"quantity": " "}, "missing", "quantity"),
        (RANGE | {"quantity": ["x"]}, "missing", "quantity"),
        (RANGE | {"unit": "degC"}, "unknown-unit", "unit"),
        (RANGE | {"unit": None}, "unknown-unit", "unit"),
        (RANGE | {"lower": "NaN"}, "not-a-number", "lower"),
        (RANGE | {"upper": "1e309"}, "not-a-number", "upper"),
        (RANGE | {"upper": 2.0}, "not-text", "upper"),
        (RANGE | {"operating_upper": "Infinity"}, "not-a-number", "operating_upper"),
        (RANGE | {"lower": "3"}, "bounds-crossed", "lower"),
        (RANGE | {"lower": "2", "lower_inclusive": False}, "bounds-crossed", "lower"),
        (RANGE | {"lower_inclusive": "no"}, "not-yes-or-no", "lower_inclusive"),
        (RANGE | {"operating_lower": "0.5"}, "operating-outside", "operating_lower"),
        (RANGE | {"operating_upper": "2.5"}, "operating-outside", "operating_upper"),
        ({"kind": "range", "quantity": "x", "unit": "CEL"}, "no-bound", "lower"),
        (LOOK | {"quantity": ""}, "missing", "quantity"),
        (LOOK | {"accepted": []}, "missing", "accepted"),
        (LOOK | {"accepted": "yes"}, "missing", "accepted"),
        (LOOK | {"accepted": ["yes", "no"]}, "cannot-fail", "outcomes"),
        (LOOK | {"accepted": ["maybe"]}, "cannot-fail", "outcomes"),
    ],
)
def test_a_document_that_makes_no_limit_is_refused_at_its_field(document, code, field):
    with pytest.raises(Unusable) as refusal:
        from_json(document)
    assert (code, field) in [(reason.code, reason.field) for reason in refusal.value.reasons]


def test_a_document_is_told_everything_that_is_wrong_at_once():
    with pytest.raises(Unusable) as refusal:
        from_json(RANGE | {"unit": "hot", "lower": "x", "upper": "y"})
    assert {reason.field for reason in refusal.value.reasons} == {"unit", "lower", "upper"}


def test_the_worst_of_several_results_stands_for_all():
    assert worst([WITHIN, UNDECIDED, OUTSIDE]) is OUTSIDE
    assert worst([WITHIN, UNDECIDED]) is UNDECIDED
    assert worst([WITHIN]) is WITHIN
