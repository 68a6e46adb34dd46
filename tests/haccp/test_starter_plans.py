"""The starter plans: complete but for what only the site can do, every number with its source."""

from typing import Any

import pytest

from config.api.refusals import Unknown
from haccp import limits
from haccp.plan_documents import control_points, errors, from_yaml, gaps, starter_plan, starter_plans, to_yaml

NAMES = starter_plans()


@pytest.fixture(params=NAMES)
def plan(request) -> dict[str, Any]:
    return starter_plan(request.param)


def words(value: object) -> str:
    """Every text of a document, in one."""
    if isinstance(value, dict):
        return " ".join(map(words, value.values()))
    return " ".join(map(words, value)) if isinstance(value, list) else str(value)


def test_the_trade_has_its_starter_plans():
    assert {"laminated_nut_filled_coated", "plain_boiled_drops", "three_products_one_table"} <= set(NAMES)


def test_an_unknown_starter_plan_is_refused_with_the_names_there_are():
    with pytest.raises(Unknown, match="plain_boiled_drops"):
        starter_plan("fudge")


def test_it_has_the_shape_of_a_plan(plan):
    assert errors(plan) == []


def test_it_lacks_only_what_the_site_alone_can_do(plan):
    assert {gap.code for gap in gaps(plan)} == {"no-team", "flow-not-confirmed"}


def test_it_survives_a_round_trip(plan):
    assert from_yaml(to_yaml(plan)) == plan


def test_every_limit_can_be_judged(plan):
    for point in control_points(plan):
        for limit in point.limits:
            limits.from_json(limit)


def test_every_limit_and_interval_names_its_source(plan):
    for point in plan["control_points"]:
        told = [*point.get("limits", []), point.get("monitoring", {}).get("when")]
        assert all(part["source"]["provenance"] for part in told if part)


def test_every_significant_hazard_cites_something(plan):
    for hazard in plan["hazards"]:
        assert hazard["sources"] if hazard["significant"] else hazard["reasons"]


def test_the_burn_caution_stands_in_it(plan):
    assert any("burns" in caution and "sticks" in caution for caution in plan["cautions"])


def test_it_never_says_safe_or_compliant(plan):
    told = words(plan).lower().replace("food safety", "").replace("food-safety", "")
    assert not [word for word in ("safe", "compliant", "certified") if word in told.split()]


def test_no_control_point_relies_on_heat(plan):
    """Hot caramel, rewarming and warm chocolate are no kill steps; no limit here is a temperature."""
    units = {limit.get("unit") for point in control_points(plan) for limit in point.limits}
    assert not units & {"CEL", "FAH", "KEL"}


@pytest.mark.parametrize("name", ["laminated_nut_filled_coated", "three_products_one_table"])
def test_cook_and_rewarming_are_not_critical_and_say_why(name):
    entries = {
        entry["step"]: entry["because"] for entry in starter_plan(name)["not_critical"] if "step" in entry
    }
    assert "COOK" in entries
    assert "never counted as a treatment" in entries["FOLD"]


@pytest.mark.parametrize("name", ["laminated_nut_filled_coated", "three_products_one_table"])
def test_metal_detection_is_the_ccp(name):
    points = control_points(starter_plan(name))
    assert [point.code for point in points if point.kind == "ccp"] == ["CP-METAL-1"]


def test_drops_have_no_ccp_and_say_why():
    plan = starter_plan("plain_boiled_drops")
    assert plan["no_ccp_because"]
    assert not [point for point in control_points(plan) if point.kind == "ccp"]


def test_nuts_are_held_by_the_supplier_lot_by_lot():
    (nuts,) = [p for p in control_points(starter_plan("laminated_nut_filled_coated")) if p.code == "CP-NUT-1"]
    assert nuts.control == "supply-chain"
    assert "aflatoxin" in nuts.document["supply"]["certificate"]
    assert "without one the lot is held" in nuts.document["supply"]["receipt_rule"]


@pytest.mark.parametrize(
    ("name", "codes"),
    [
        ("laminated_nut_filled_coated", {"CP-NUT-1", "CP-CHO-1"}),
        ("three_products_one_table", {"CP-NUT-1", "CP-CHO-1", "CP-DAIRY-1"}),
    ],
)
def test_what_rests_on_a_supplier_is_asked_at_each_receipt(name, codes):
    """21 CFR 117.420(c) (read): receiving is done by written procedure, and that is documented."""
    points = [point for point in control_points(starter_plan(name)) if point.control == "supply-chain"]
    asked = {each.code for each in points if each.limits and each.schedule and each.schedule.per == "receipt"}
    assert asked == {each.code for each in points} == codes


# The table of controls of this trade: common practice, no source; each number in it is the site's to validate.
TABLE = [
    ("laminated_nut_filled_coated", "CP-NUT-1", "oprp", "supply-chain", "validated roasting process"),
    ("laminated_nut_filled_coated", "CP-NUT-1", "oprp", "supply-chain", "For each lot and its use"),
    ("laminated_nut_filled_coated", "CP-CHO-1", "oprp", "supply-chain", "cadmium"),
    ("laminated_nut_filled_coated", "CP-SORT-1", "oprp", "process", "Sieve, magnet"),
    ("laminated_nut_filled_coated", "CP-SYRUP-1", "oprp", "allergen", "Sum of sulphites"),
    ("laminated_nut_filled_coated", "CP-WEIGH-1", "oprp", "allergen", "Name and lot on every container"),
    ("laminated_nut_filled_coated", "CP-BLADE-1", "oprp", "process", "count"),
    ("laminated_nut_filled_coated", "CP-AW-1", "prp", "process", "Near 0.85 make this an OPRP"),
    ("laminated_nut_filled_coated", "CP-MATS-1", "oprp", "process", "Nothing is cut on a mat"),
    ("laminated_nut_filled_coated", "CP-CLEAN-1", "oprp", "allergen", "no water in tank or chocolate"),
    ("laminated_nut_filled_coated", "CP-LABEL-1", "oprp", "allergen", "not for infants under 12 months"),
    ("laminated_nut_filled_coated", "CP-METAL-1", "ccp", "process", "leading, middle and trailing"),
    ("laminated_nut_filled_coated", "CP-REWORK-1", "oprp", "allergen", "Mark, lot and age of the tub; share"),
    ("laminated_nut_filled_coated", "CP-ROOM-1", "prp", "sanitation", "Samples from floor"),
    ("laminated_nut_filled_coated", "CP-PEOPLE-1", "prp", "sanitation", "Wash on entry"),
    ("laminated_nut_filled_coated", "CP-STORE-1", "prp", "sanitation", "pests"),
    ("plain_boiled_drops", "CP-SYRUP-1", "oprp", "allergen", "Sum of sulphites"),
    ("plain_boiled_drops", "CP-WEIGH-1", "oprp", "allergen", "Name, lot and amount"),
    ("plain_boiled_drops", "CP-BLADE-1", "oprp", "process", "count"),
    ("plain_boiled_drops", "CP-CLEAN-1", "oprp", "allergen", "Drops come first in the day"),
    ("plain_boiled_drops", "CP-REWORK-1", "oprp", "allergen", "Mark, lot and age of the tub; share"),
    ("plain_boiled_drops", "CP-LABEL-1", "oprp", "allergen", "Product, version"),
    ("plain_boiled_drops", "CP-ROOM-1", "prp", "sanitation", "Cleaning plan"),
    ("plain_boiled_drops", "CP-PEOPLE-1", "prp", "sanitation", "Wash on entry"),
    ("plain_boiled_drops", "CP-STORE-1", "prp", "sanitation", "pests"),
]


@pytest.mark.parametrize(("name", "code", "kind", "control", "told"), TABLE)
def test_each_control_of_the_trade_stands_in_it_as_its_kind(name, code, kind, control, told):
    (point,) = [each for each in control_points(starter_plan(name)) if each.code == code]
    assert (point.kind, point.control) == (kind, control)
    assert told in words(point.document)


@pytest.mark.parametrize("name", sorted(starter_plans()))
def test_blades_are_counted_at_start_breaks_and_end(name):
    (point,) = [each for each in control_points(starter_plan(name)) if each.code == "CP-BLADE-1"]
    assert [limit["kind"] for limit in point.limits] == ["count", "observation"]
    assert point.schedule.at == ("start", "break", "end")


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        (
            "laminated_nut_filled_coated",
            {"cook", "rewarming", "cooling", "tempering", "humidity", "net weight"},
        ),
        ("plain_boiled_drops", {"boil", "cooling", "humidity", "net weight"}),
    ],
)
def test_what_is_not_critical_is_told_with_its_reason(name, wanted):
    entries = starter_plan(name)["not_critical"]
    told = " ".join(entry["what"] for entry in entries).lower()
    assert {word for word in wanted if word in told} == wanted
    assert all(entry["because"] for entry in entries)


def test_a_moist_caramel_may_make_the_cook_critical():
    (cook,) = [
        each
        for each in starter_plan("laminated_nut_filled_coated")["not_critical"]
        if each.get("step") == "COOK"
    ]
    assert "moist caramel whose cook sets the water activity may make it one" in cook["because"]


def test_own_roasting_is_a_ccp_of_oven_and_nut():
    notes = " ".join(starter_plan("laminated_nut_filled_coated")["notes"])
    assert "the roast is then a CCP, with time and temperature for your oven, your nut" in notes


def test_no_number_stands_in_a_limit_but_a_starting_value_that_is_named_as_one():
    for name in ("laminated_nut_filled_coated", "plain_boiled_drops"):
        for point in starter_plan(name)["control_points"]:
            for limit in point.get("limits", []):
                numbered = {"lower", "upper", "operating_lower", "operating_upper"} & set(limit)
                assert not numbered or "to be validated on site" in limit["source"]["citation"]
