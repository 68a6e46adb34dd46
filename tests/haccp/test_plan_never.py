"""What a plan of this trade may not rest on is named as a gap: heat that is none, figures of moist meat, one sample.

Salmonella in peanut butter: D70 31.23 min, z 44.5 (journal abstract 2020, read); in milk chocolate: D70 47.4 min at aw
0.23 (Food Control abstract 2022, read). Moist-meat table: 112 min at 54.4 degC for 6.5 log10 (USDA FSIS Appendix A,
1999, as copied by a secondary text; cooked beef only).
"""

from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from haccp.plan_documents import gaps, starter_plan, starter_plans, to_yaml
from tests.haccp.test_plan_documents import CONFIRMED, TEAM, part

LETHALITY = {
    "kind": "lethality",
    "quantity": "core of the mass",
    "unit": "C62",
    "lower": "5",
    "reference_temperature": "70",
    "temperature_unit": "CEL",
    "z": "44.5",
    "d_minutes": "31.23",
    "organism": "Salmonella, 7 strains",
    "food": "nut paste",
    "data_source": "journal abstract 2020 (read): peanut butter",
    "validation": "to be done on site",
    "studied_from": "60",
    "studied_to": "80",
    "longest_gap_minutes": "1",
    "source": {"provenance": "read", "citation": "journal abstract 2020"},
}
WARM = {
    "kind": "range",
    "quantity": "temperature of the chocolate",
    "unit": "CEL",
    "lower": "45",
    "source": {"provenance": "site"},
}
HELD = {
    "kind": "time_at_temperature",
    "quantity": "temperature of the caramel",
    "unit": "MIN",
    "temperature": "120",
    "temperature_unit": "CEL",
    "side": "at_or_above",
    "lower": "10",
    "longest_gap_minutes": "1",
    "source": {"provenance": "site"},
}
SAMPLE = {
    "kind": "observation",
    "quantity": "Salmonella in 25 g",
    "accepted": ["not detected"],
    "outcomes": ["not detected", "detected"],
    "source": {"provenance": "site"},
}
DRY_GAPS = {"chocolate-no-kill-step", "heat-not-validated", "figures-of-another-food", "sample-as-release"}


def with_limits(*limits: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """A plan without gaps, but that its filling is controlled by these limits."""
    plan = starter_plan("laminated_nut_filled_coated") | {"team": TEAM, "flow_confirmation": CONFIRMED}
    point = part(plan, "control_points", "CP-AW-1")
    point |= {"kind": "oprp", "limits": list(limits), "validation": {"on_site_within_days": "90"}} | changes
    return plan


def named(plan: dict[str, Any]) -> set[str]:
    return {gap.code for gap in gaps(plan)} & DRY_GAPS


PASTE_HELD = HELD | {"quantity": "temperature of the nut paste"}


@pytest.mark.parametrize("limit", [LETHALITY, PASTE_HELD, HELD])
def test_heat_in_dry_sweet_food_needs_the_sites_own_validation(limit):
    assert named(with_limits(limit)) == {"heat-not-validated"}
    assert named(with_limits(limit, validation={"evidence": "Report 7 of our laboratory"})) == set()


@pytest.mark.parametrize(
    "validation", [{"on_site_within_days": "90"}, {"evidence": "Report 7 of our laboratory"}]
)
@pytest.mark.parametrize(
    "limit",
    [
        WARM,
        HELD | {"quantity": "time of the couverture at its temperature"},
        LETHALITY | {"food": "milk chocolate"},
        LETHALITY | {"food_kind": "chocolate", "product_kind": "chocolate"},
    ],
)
def test_warm_chocolate_is_never_a_kill_step_whatever_is_shown(limit, validation):
    """Over 30 h at 71 degC for five logs of Salmonella (secondary text, read)."""
    assert named(with_limits(limit, validation=validation)) == {"chocolate-no-kill-step"}


def test_the_roast_of_what_becomes_chocolate_asks_for_its_own_validation():
    roast = WARM | {"quantity": "temperature of the cocoa beans in the roast for chocolate"}
    assert named(with_limits(roast)) == {"heat-not-validated"}
    assert named(with_limits(roast, validation={"evidence": "Report 7 of our laboratory"})) == set()


@pytest.mark.parametrize(
    "food", ["nut paste", "Hazelnut butter", "caramel", "sugar mass", "roasted hazelnuts"]
)
def test_a_lethality_in_such_food_is_found_by_its_name(food):
    assert named(with_limits(LETHALITY | {"food": food})) == {"heat-not-validated"}


@pytest.mark.parametrize("kind", ["nut paste", "nuts", "sugar mass", "other dry food"])
def test_a_lethality_that_says_dry_is_found_whatever_its_food_is_called(kind):
    named_otherwise = LETHALITY | {"food": "tahini", "food_kind": kind, "product_kind": kind}
    assert named(with_limits(named_otherwise)) == {"heat-not-validated"}


@pytest.mark.parametrize("food", ["custard", "vegetable soup"])
def test_heat_in_other_food_is_for_its_own_validation_part(food):
    assert named(with_limits(LETHALITY | {"food": food})) == set()


def test_a_limit_among_several_is_looked_at_too():
    members = [PASTE_HELD, HELD]
    both = {"kind": "all_of", "quantity": "heat", "members": members, "source": {"provenance": "site"}}
    assert named(with_limits(both)) == {"heat-not-validated"}


@pytest.mark.parametrize(
    "said",
    [
        {"data_source": "USDA FSIS Appendix A (1999), cooked beef"},
        {"source": {"provenance": "read", "citation": "Time table for roast beef"}},
    ],
)
def test_figures_of_moist_meat_do_not_speak_of_nuts(said):
    """Even with evidence: the figures themselves are of another food."""
    plan = with_limits(LETHALITY | said, validation={"evidence": "Report 7"})
    assert named(plan) == {"figures-of-another-food"}


@pytest.mark.parametrize(
    "limit",
    [
        WARM | {"lower": "", "upper": "32"},
        HELD | {"side": "at_or_below"},
        HELD | {"lower": "", "upper": "10"},
    ],
)
def test_a_temperature_that_is_not_counted_as_heat_needs_none(limit):
    limit = {name: value for name, value in limit.items() if value}
    assert named(with_limits(limit)) == set()


def test_heat_for_another_hazard_than_microbes_is_not_meant():
    plan = with_limits(WARM)
    part(plan, "hazards", "H-FILLING-GROWTH")["kind"] = "physical"
    assert named(plan) == set()


@pytest.mark.parametrize("accepted", ["not detected", "negative", "absent in 25 g", "No Salmonella found"])
def test_one_sample_without_a_finding_is_no_release(accepted):
    sample = SAMPLE | {"accepted": [accepted], "outcomes": [accepted, "detected"]}
    assert named(with_limits(sample)) == {"sample-as-release"}


def test_a_sample_beside_a_control_is_no_release():
    aw = part(starter_plan("laminated_nut_filled_coated"), "control_points", "CP-AW-1")["limits"][0]
    assert named(with_limits(SAMPLE, aw)) == set()


def test_a_certificate_of_an_approved_supplier_is_no_sample_of_the_house():
    plan = starter_plan("laminated_nut_filled_coated")
    part(plan, "control_points", "CP-NUT-1")["limits"] = [SAMPLE]
    assert named(plan) == set()


@pytest.mark.parametrize("name", starter_plans())
def test_no_starter_plan_rests_on_any_of_them(name):
    assert named(starter_plan(name)) == set()


def test_the_command_names_it_with_its_codex_step(tmp_path: Path):
    file = tmp_path / "plan.yaml"
    file.write_text(to_yaml(with_limits(LETHALITY | {"data_source": "FSIS Appendix A, beef"})))
    told = StringIO()
    with pytest.raises(CommandError):
        call_command("plan", "check", str(file), stdout=told)
    lines = told.getvalue().splitlines()
    assert any(line.startswith("Codex step 8") and "moist meat" in line for line in lines)
    assert any(line.startswith("Codex step 11") and "no kill step" in line for line in lines)
