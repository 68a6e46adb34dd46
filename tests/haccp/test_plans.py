"""Plans: drafts with gaps, approval that refuses with every reason at once, versions that never change."""

import copy
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from batches.models import Material
from config.api.refusals import ChangedMeanwhile, OtherContent, RuleBroken, Unknown, Unusable
from haccp import plan_documents, plans
from haccp.models import ControlPoint, Plan, PlanProduct, PlanVersion
from ledger import people, signatures
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Change, Entry, Establishment, Person, Signature
from tests.conftest import NOON

Acts = Callable[..., Act]


@pytest.fixture
def approve(act: Acts, lead: Person, proof: signatures.Proof) -> Callable[..., PlanVersion]:
    def do(plan: Plan, said: Act | None = None, **options: Any) -> PlanVersion:
        return plans.approve(act=said or act(lead), plan=plan, proof=proof, **options)

    return do


@pytest.fixture
def redraft(act: Acts, lead: Person) -> Callable[..., Plan]:
    """Change entries of the draft."""

    def do(plan: Plan, **entries: Any) -> Plan:
        return plans.redraft(act=act(lead), plan=plan, values={"draft": plan.draft | entries})

    return do


def codes(refusal: pytest.ExceptionInfo[RuleBroken]) -> set[str]:
    return {reason.code for reason in refusal.value.reasons}


def point(version: PlanVersion, code: str) -> ControlPoint:
    return next(each for each in plans.control_points_of(version) if each.code == code)


# --- drafts


def test_a_draft_may_have_gaps(act: Acts, lead: Person):
    plan = plans.draft(act=act(lead), code="HP", name="Drops", document={"title": "Drops"})
    assert "no-team" in {gap.code for gap in plans.gaps(plan)}


def test_a_draft_with_errors_of_shape_is_refused_with_all_of_them(act: Acts, lead: Person):
    wrong = {"titel": "Drops", "products": "LMD", "steps": [{"code": "small"}]}
    with pytest.raises(Unusable) as refusal:
        plans.draft(act=act(lead), code="HP", name="Drops", document=wrong)
    assert {reason.field for reason in refusal.value.reasons} == {
        "draft",
        "draft.products",
        "draft.steps.0.code",
    }
    assert not Plan.objects.exists()


def test_a_bare_number_in_a_draft_is_refused(act: Acts, lead: Person):
    wrong = {"control_points": [{"code": "CP", "limits": [{"kind": "range", "upper": 0.6}]}]}
    with pytest.raises(Unusable) as refusal:
        plans.draft(act=act(lead), code="HP", name="Drops", document=wrong)
    assert [each.field for each in refusal.value.reasons] == ["draft.control_points.0.limits.0.upper"]


def test_a_draft_without_end_is_refused(act: Acts, lead: Person):
    with pytest.raises(Unusable) as refusal:
        plans.draft(
            act=act(lead),
            code="HP",
            name="Drops",
            document={"notes": ["x" * 4000] * 100, "steps": [_fat_step(n) for n in range(200)]},
        )
    assert refusal.value.code == "too-large"


def _fat_step(number: int) -> dict[str, Any]:
    return {"code": f"S{number}", "notes": "x" * 4000}


def test_a_code_that_is_taken_is_refused(act: Acts, lead: Person, plan: Plan):
    with pytest.raises(RuleBroken) as refusal:
        plans.draft(act=act(lead), code=plan.code, name="Another", document={})
    assert refusal.value.code == "code-taken"


def test_a_draft_sent_twice_is_one_plan(act: Acts, lead: Person):
    said = act(lead, id=uuid7())
    first, second = (plans.draft(act=said, code="HP", name="Drops", document={}) for _ in range(2))
    assert (second.pk, second.repeated, Plan.objects.count()) == (first.pk, True, 1)


def test_a_change_of_the_draft_is_recorded_with_before_and_after(
    plan: Plan, redraft: Callable[..., Plan], document: dict[str, Any]
):
    redraft(plan, title="Another title")
    change = Change.objects.filter(subject_id=plan.pk).order_by("-recorded_at", "-id")[0]
    titles = [side["draft"]["title"] for side in (change.before, change.after)]
    assert titles == [document["title"], "Another title"]


def test_a_change_of_a_draft_that_changed_meanwhile_is_refused(
    act: Acts, lead: Person, plan: Plan, redraft: Callable[..., Plan]
):
    redraft(plan, title="Another title")
    with pytest.raises(ChangedMeanwhile):
        plans.redraft(act=act(lead), plan=plan, values={"name": "Mine"}, expected_version=1)


def test_a_badly_shaped_change_leaves_the_draft_as_it_was(plan: Plan, redraft: Callable[..., Plan]):
    with pytest.raises(Unusable):
        redraft(plan, products="LMD")
    plan.refresh_from_db()
    assert plan.draft["products"] == ["HZP", "SBC", "LMD"]


# --- approval


def test_an_approval_keeps_the_document(plan: Plan, plan_version: PlanVersion):
    assert (plan_version.number, plan_version.document) == (1, plan.draft)


def test_an_approval_is_signed_by_the_approver(plan_version: PlanVersion, lead: Person):
    signature = Signature.objects.get(target=plan_version.pk)
    assert (signature.meaning, signature.performed_by, signature.target_digest) == (
        "approved",
        lead,
        plan_version.digest,
    )


def test_an_approval_keeps_each_control_point(plan_version: PlanVersion, document: dict[str, Any]):
    assert [each.code for each in plans.control_points_of(plan_version)] == sorted(
        part["code"] for part in document["control_points"]
    )


def test_a_kept_control_point_names_its_products(plan_version: PlanVersion):
    caramel = point(plan_version, "CP-AW-2")
    assert caramel.document["products"] == ["SBC"]


def test_a_control_point_that_names_no_products_is_kept_with_those_of_its_step(plan_version: PlanVersion):
    assert "products" not in _said(plan_version.document, "CP-AW-1")
    assert point(plan_version, "CP-AW-1").document["products"] == ["HZP"]


def _said(document: dict[str, Any], code: str) -> dict[str, Any]:
    return next(part for part in document["control_points"] if part["code"] == code)


def test_the_spec_of_a_kept_control_point_is_that_of_the_document(plan_version: PlanVersion):
    expected = {each.code: each for each in plan_documents.control_points(plan_version.document)}
    assert {each.code: plans.spec(each) for each in plans.control_points_of(plan_version)} == expected


def test_an_approval_covers_its_products(plan_version: PlanVersion, products: dict[str, Material]):
    covered = PlanProduct.objects.filter(version=plan_version).values_list("material", flat=True)
    assert set(covered) == {material.pk for material in products.values()}


def test_an_approval_is_refused_with_every_reason_at_once(
    act: Acts,
    operator: Person,
    plan: Plan,
    redraft: Callable[..., Plan],
    confirmed_rule: Callable[..., Any],
):
    confirmed_rule()
    draft = copy.deepcopy(plan.draft)
    del _said(draft, "CP-METAL-1")["correction"]
    changed = redraft(plan, **draft | {"products": ["HZP", "SBC", "LMD", "FUDGE"], "team": []})
    with pytest.raises(RuleBroken) as refusal:
        plans.approve(act=act(operator), plan=changed, proof=signatures.Proof(operator))
    assert codes(refusal) == {
        "no-team",
        "no-correction",
        "unknown-product",
        "looser-than-rule",
        "not-food-safety-lead",
        "not-qualified",
    }


def test_a_refused_approval_writes_nothing(plan: Plan, redraft: Callable[..., Plan], approve: Any):
    entries = Entry.objects.count()
    with pytest.raises(RuleBroken):
        approve(redraft(plan, team=[]))
    assert (PlanVersion.objects.count(), ControlPoint.objects.count()) == (0, 0)
    assert Entry.objects.count() == entries + 1  # the change of the draft


def test_a_gap_is_told_where_it_stands_in_the_draft(plan: Plan, redraft: Callable[..., Plan], approve: Any):
    with pytest.raises(RuleBroken) as refusal:
        approve(redraft(plan, team=[]))
    assert [reason.field for reason in refusal.value.reasons] == ["draft.team"]


def test_an_unknown_product_is_named(plan: Plan, redraft: Callable[..., Plan], approve: Any):
    with pytest.raises(RuleBroken) as refusal:
        approve(redraft(plan, products=["HZP", "SBC", "LMD", "FUDGE"]))
    (reason,) = refusal.value.reasons
    assert (reason.field, "FUDGE" in reason.detail) == ("draft.products.3", True)


def test_a_product_of_another_establishment_is_unknown(
    plan: Plan, redraft: Callable[..., Plan], approve: Any, elsewhere: Establishment
):
    Material.objects.create(
        establishment=elsewhere, code="FUDGE", name="Fudge", short_name="FUD", kind="finished-product"
    )
    with pytest.raises(RuleBroken) as refusal:
        approve(redraft(plan, products=["HZP", "SBC", "LMD", "FUDGE"]))
    assert codes(refusal) == {"unknown-product"}


def test_a_product_that_is_no_longer_in_use_is_refused(
    plan: Plan, products: dict[str, Material], approve: Any
):
    Material.objects.filter(pk=products["SBC"].pk).update(in_use=False)
    with pytest.raises(RuleBroken) as refusal:
        approve(plan)
    assert codes(refusal) == {"product-not-in-use"}


def test_a_plan_that_is_no_longer_in_use_is_refused(act: Acts, lead: Person, plan: Plan, approve: Any):
    plans.redraft(act=act(lead), plan=plan, values={"in_use": False})
    with pytest.raises(RuleBroken) as refusal:
        approve(plan)
    assert codes(refusal) == {"not-in-use"}


def test_an_unchanged_draft_is_not_approved_again(plan: Plan, plan_version: PlanVersion, approve: Any):
    with pytest.raises(RuleBroken) as refusal:
        approve(plan)
    assert codes(refusal) == {"unchanged"}


def test_another_draft_than_the_one_that_was_read_is_not_approved(
    plan: Plan, redraft: Callable[..., Plan], approve: Any
):
    redraft(plan, title="Another title")
    with pytest.raises(ChangedMeanwhile):
        approve(plan, expected_version=1)


def test_an_approval_sent_twice_is_one_version_even_when_the_draft_went_on(
    act: Acts, lead: Person, plan: Plan, redraft: Callable[..., Plan], approve: Any
):
    said = act(lead, id=uuid7())
    approve(plan, said, expected_version=1)
    redraft(plan, title="Another title")
    assert approve(plan, said, expected_version=1).repeated
    assert PlanVersion.objects.count() == 1


def test_an_approval_with_the_id_of_another_plans_is_refused(
    act: Acts, lead: Person, plan: Plan, approve: Any
):
    said = act(lead, id=uuid7())
    approve(plan, said)
    other = plans.draft(act=act(lead), code="HP-2", name="Another", document=plan.draft | {"title": "x"})
    with pytest.raises(OtherContent):
        approve(other, said)


# --- who may approve


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Callable[[datetime], None]:
    """Sets the server's clock."""
    return lambda now: monkeypatch.setattr("ledger.acts.timezone.now", lambda: now)


def test_a_lead_whose_qualification_has_lapsed_does_not_approve(
    act: Acts, make_person: Callable[..., Person], establishment: Establishment, lead: Person, plan: Plan
):
    other = _qualified(act, make_person(), establishment, lead, date(2026, 3, 2))
    with pytest.raises(RuleBroken) as refusal:
        plans.approve(act=act(other), plan=plan, proof=signatures.Proof(other))  # on 2 March 2026
    assert codes(refusal) == {"not-qualified"}


def test_a_qualification_holds_on_its_last_day(
    act: Acts,
    make_person: Callable[..., Person],
    establishment: Establishment,
    lead: Person,
    plan: Plan,
    clock: Any,
):
    clock(NOON)
    other = _qualified(act, make_person(), establishment, lead, date(2026, 3, 3))
    assert plans.approve(act=act(other), plan=plan, proof=signatures.Proof(other)).number == 1


def test_nobody_signs_back_into_a_qualification_that_has_lapsed_since(
    act: Acts,
    make_person: Callable[..., Person],
    establishment: Establishment,
    lead: Person,
    plan: Plan,
    clock: Any,
):
    other = _qualified(act, make_person(), establishment, lead, date(2026, 3, 3))
    clock(NOON + timedelta(days=1))
    with pytest.raises(RuleBroken) as refusal:
        plans.approve(act=act(other, NOON), plan=plan, proof=signatures.Proof(other))
    assert [reason.detail.endswith("2026-03-03.") for reason in refusal.value.reasons] == [True]


def test_the_day_of_a_qualification_is_the_establishments(
    act: Acts,
    make_person: Callable[..., Person],
    establishment: Establishment,
    lead: Person,
    plan: Plan,
    clock: Any,
):
    other = _qualified(act, make_person(), establishment, lead, date(2026, 3, 3))
    clock(NOON)
    evening = datetime(2026, 3, 2, 23, 30, tzinfo=UTC)  # 00:30 on 3 March in Berlin
    with pytest.raises(RuleBroken) as refusal:
        plans.approve(act=act(other, evening), plan=plan, proof=signatures.Proof(other))
    assert codes(refusal) == {"not-qualified"}


def _qualified(act: Acts, person: Person, here: Establishment, lead: Person, until: date) -> Person:
    """A second lead with a qualification that no longer holds on ``until``."""
    people.give_role(act=act(lead), person=person, role="food-safety-lead", from_day=date(2020, 1, 1))
    people.qualify(
        act=act(lead),
        person=person,
        title="Preventive controls",
        covers_plans=True,
        evidence="Certificate 9/24",
        issued_by="Training house North",
        valid_from=date(2024, 1, 1),
        valid_until=until,
    )
    return person


def test_nobody_approves_in_the_name_of_another(act: Acts, lead: Person, operator: Person, plan: Plan):
    with pytest.raises(RuleBroken) as refusal:
        plans.approve(act=act(lead), plan=plan, proof=signatures.Proof(operator))
    assert refusal.value.code == "signs-for-another"
    assert not PlanVersion.objects.exists()


# --- limits against confirmed rules


def test_a_limit_looser_than_a_confirmed_rule_is_refused(
    plan: Plan, approve: Any, confirmed_rule: Callable[..., Any]
):
    rule = confirmed_rule()  # 0.62, where the caramel has 0.65 and the filling 0.60
    with pytest.raises(RuleBroken) as refusal:
        approve(plan)
    (reason,) = refusal.value.reasons
    number = [part["code"] for part in plan.draft["control_points"]].index("CP-AW-2")
    assert reason.field == f"draft.control_points.{number}.limits.0.upper"
    assert reason.detail.startswith("CP-AW-2: ")
    assert str(rule.pk) in reason.detail


def test_a_rule_that_is_not_confirmed_stands_in_no_ones_way(
    plan: Plan, approve: Any, make_rule: Callable[..., Any]
):
    make_rule()
    assert approve(plan).number == 1


def test_a_rule_for_another_material_stands_in_no_ones_way(
    plan: Plan, approve: Any, confirmed_rule: Callable[..., Any], products: dict[str, Material]
):
    confirmed_rule(material=products["LMD"])
    assert approve(plan).number == 1


def test_a_rule_for_the_product_stands_in_the_way(
    plan: Plan, approve: Any, confirmed_rule: Callable[..., Any], products: dict[str, Material]
):
    confirmed_rule(material=products["SBC"])
    with pytest.raises(RuleBroken) as refusal:
        approve(plan)
    assert codes(refusal) == {"looser-than-rule"}


def test_a_rule_that_begins_tomorrow_does_not_stand_in_the_way_today(
    plan: Plan, approve: Any, confirmed_rule: Callable[..., Any]
):
    confirmed_rule(in_force_from=date(2026, 3, 3))
    assert approve(plan).number == 1


def test_a_rule_in_a_unit_that_does_not_convert_is_a_reason_too(
    plan: Plan, approve: Any, confirmed_rule: Callable[..., Any]
):
    confirmed_rule(unit="CEL")
    with pytest.raises(RuleBroken) as refusal:
        approve(plan)
    assert codes(refusal) == {"unit-does-not-convert"}


# --- which version holds


def test_a_product_without_an_approved_plan_has_none(
    establishment: Establishment, plan: Plan, products: dict[str, Material]
):
    assert plans.version_in_force(establishment, products["SBC"]) is None


def test_the_newest_approval_holds(
    establishment: Establishment,
    plan: Plan,
    plan_version: PlanVersion,
    products: dict[str, Material],
    redraft: Callable[..., Plan],
    approve: Any,
):
    second = approve(redraft(plan, title="Second"))
    assert plans.version_in_force(establishment, products["SBC"]) == second
    assert plans.latest_version(plan) == second


def test_a_superseded_version_no_longer_covers_what_the_newer_dropped(
    establishment: Establishment,
    plan: Plan,
    plan_version: PlanVersion,
    products: dict[str, Material],
    redraft: Callable[..., Plan],
    approve: Any,
):
    draft = copy.deepcopy(plan.draft) | {"products": ["HZP", "SBC"]}
    for part in (*draft["steps"], *draft["control_points"]):
        part["products"] = [code for code in part.get("products", []) if code != "LMD"]
    approve(redraft(plan, **draft))
    assert plans.version_in_force(establishment, products["LMD"]) is None


def test_a_plan_put_out_of_use_covers_nothing(
    act: Acts,
    lead: Person,
    establishment: Establishment,
    plan: Plan,
    plan_version: PlanVersion,
    products: dict[str, Material],
):
    plans.redraft(act=act(lead), plan=plan, values={"in_use": False})
    assert plans.version_in_force(establishment, products["SBC"]) is None


def test_of_two_plans_the_one_approved_last_holds(
    act: Acts,
    lead: Person,
    establishment: Establishment,
    plan_version: PlanVersion,
    products: dict[str, Material],
    document: dict[str, Any],
    approve: Any,
):
    other = plans.draft(act=act(lead), code="HP-2", name="Another", document=document)
    assert plans.version_in_force(establishment, products["SBC"]) == plan_version
    assert plans.version_in_force(establishment, products["SBC"]) != approve(other)
    assert plans.version_in_force(establishment, products["SBC"]).plan == other


def test_another_establishment_is_covered_by_nothing_of_ours(
    plan_version: PlanVersion, elsewhere: Establishment, products: dict[str, Material]
):
    assert plans.version_in_force(elsewhere, products["SBC"]) is None


# --- what changed


def test_the_draft_is_compared_with_the_newest_version(
    plan: Plan, plan_version: PlanVersion, redraft: Callable[..., Plan]
):
    changed = redraft(plan, title="Second")
    (difference,) = plans.differences(changed)
    assert (difference.path, difference.after) == ("title", "Second")


def test_two_versions_are_compared_by_their_numbers(
    plan: Plan, plan_version: PlanVersion, redraft: Callable[..., Plan], approve: Any
):
    changed = redraft(plan, title="Second")
    approve(changed)
    (difference,) = plans.differences(changed, before=2, after=1)
    assert (difference.before, difference.after) == ("Second", plan_version.document["title"])


@pytest.mark.parametrize("numbers", [{"before": 7}, {"after": 7}])
def test_a_version_that_is_not_there_is_unknown(
    plan: Plan, plan_version: PlanVersion, numbers: dict[str, int]
):
    with pytest.raises(Unknown):
        plans.differences(plan, **numbers)


def test_without_an_approval_there_is_nothing_to_compare_with(plan: Plan):
    with pytest.raises(Unknown):
        plans.differences(plan)


# --- the command


@pytest.fixture
def run(establishment: Establishment) -> Callable[..., str]:
    def do(*words: Any) -> str:
        out = StringIO()
        call_command("plan", *map(str, words), "--establishment", str(establishment.pk), stdout=out)
        return out.getvalue()

    return do


@pytest.fixture
def file(tmp_path: Any, document: dict[str, Any]) -> Any:
    path = tmp_path / "three_products.yaml"
    path.write_text(plan_documents.to_yaml(document), encoding="utf-8")
    return path


def test_a_file_becomes_the_draft_of_a_new_plan(run: Any, file: Any, lead: Person, document: dict[str, Any]):
    run("load", file, "--by", lead.sign_in_name)
    plan = Plan.objects.get()
    assert (plan.code, plan.draft) == ("THREE-PRODUCTS", document)


def test_a_file_loaded_again_changes_the_draft(run: Any, file: Any, lead: Person, plan: Plan):
    file.write_text("title: Loaded\n", encoding="utf-8")
    run("load", file, "--by", lead.sign_in_name, "--code", plan.code)
    assert Plan.objects.get().draft == {"title": "Loaded"}


def test_the_load_is_recorded_as_the_persons(run: Any, file: Any, lead: Person):
    run("load", file, "--by", lead.sign_in_name)
    assert Change.objects.get(subject_id=Plan.objects.get().pk).performed_by == lead


def test_an_operator_does_not_load_plans(run: Any, file: Any, operator: Person):
    with pytest.raises(CommandError, match="no food-safety lead or administrator"):
        run("load", file, "--by", operator.sign_in_name)
    assert not Plan.objects.exists()


def test_a_file_with_errors_of_shape_is_refused_with_each(run: Any, file: Any, lead: Person):
    file.write_text("titel: Drops\nproducts: LMD\n", encoding="utf-8")
    with pytest.raises(CommandError, match=r"(?s)titel.*Products"):
        run("load", file, "--by", lead.sign_in_name)
    assert not Plan.objects.exists()


def test_a_draft_is_written_out_as_yaml(run: Any, plan: Plan):
    assert plan_documents.from_yaml(run("export", plan.code)) == plan.draft


def test_an_approved_version_is_written_out_by_its_number(
    run: Any, plan: Plan, plan_version: PlanVersion, redraft: Callable[..., Plan]
):
    redraft(plan, title="Second")
    assert plan_documents.from_yaml(run("export", plan.code, "--number", 1)) == plan_version.document


def test_a_plan_that_is_not_there_is_not_written_out(run: Any):
    with pytest.raises(CommandError, match="no plan HP-9"):
        run("export", "HP-9")
