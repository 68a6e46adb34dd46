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
