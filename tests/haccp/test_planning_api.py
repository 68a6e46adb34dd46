"""Plans, local rules and instruments over HTTP: what goes in, what comes out, and what bad input gets."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
import yaml

from batches.models import Material
from haccp import plan_documents, plans
from haccp.models import ControlPoint, Instrument, LocalRule, Plan, PlanVersion
from ledger import people
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Entry, Establishment, Membership, Person
from tests.conftest import PASSWORD, Client

WHEN = "2026-03-02T12:00:00+01:00"
RULE = {
    "code": "LR-1",
    "name": "Water activity",
    "quantity": "water activity",
    "unit": "C62",
    "upper": "0.62",
    "authority": "Town food office",
    "citation": "Letter of 5 January 2026",
    "in_force_from": "2026-01-01",
}
PROBE = {
    "code": "T-1",
    "name": "Probe",
    "kind": "thermometer",
    "unit": "CEL",
    "range_lower": "-20",
    "range_upper": "200",
    "resolution": "0.1",
    "expanded_uncertainty": "0.9",
}


def approval(**values: Any) -> dict[str, Any]:
    return {"performed_at": WHEN, "draft_version": 1, "password": PASSWORD} | values


def problem(answer: Any) -> tuple[int, str, set[str]]:
    """Status, type and fields of a problem answer."""
    assert answer["Content-Type"].startswith("application/problem+json")
    body = answer.json()
    return (
        answer.status_code,
        body["type"].rsplit("/", 1)[1],
        {error["field"] for error in body.get("errors", [])},
    )


@pytest.fixture
def foreign(elsewhere: Establishment, act: Callable[..., Act], lead: Person) -> dict[str, Any]:
    """A plan, a rule, an instrument and a material of another establishment."""
    made = {
        "plans": Plan(code="P", name="P", draft={"title": "Theirs"}),
        "local-rules": LocalRule(**(RULE | {"code": "R"})),
        "instruments": Instrument(code="I", name="I", kind="scale", unit="GRM"),
        "materials": Material(code="M", name="M", short_name="M", kind="finished-product"),
    }
    for row in made.values():
        row.establishment = elsewhere
        row.save()
    return made


# --- plans in and out


def test_a_plan_begins_as_a_draft(lead_api: Client):
    answer = lead_api.send("plans", {"code": "HP", "name": "Drops", "draft": {"title": "Drops"}})
    assert (answer.status_code, answer["ETag"]) == (201, '"1"')
    assert (answer.json()["draft"], answer.json()["approved_version"]) == ({"title": "Drops"}, None)


def test_a_plan_goes_in_as_yaml(lead_api: Client, document: dict[str, Any]):
    answer = lead_api.send("plans", {"code": "HP", "name": "Three", "yaml": plan_documents.to_yaml(document)})
    assert answer.status_code == 201
    assert Plan.objects.get().draft == document


def test_a_plan_begins_with_a_starter_plan(lead_api: Client):
    name = lead_api.ask("starter-plans").json()[0]["name"]
    lead_api.send("plans", {"code": "HP", "name": "Drops", "starter": name})
    assert Plan.objects.get().draft == plan_documents.starter_plan(name)


def test_a_plan_sent_twice_is_one(lead_api: Client):
    said = {"id": str(uuid7()), "performed_at": WHEN, "code": "HP", "name": "Drops", "draft": {}}
    codes = [lead_api.send("plans", said).status_code for _ in range(2)]
    assert (codes, Plan.objects.count()) == ([201, 200], 1)


def test_a_plan_comes_out_as_yaml_text(api: Client, plan: Plan):
    answer = api.ask(f"plans/{plan.pk}/document.yaml")
    assert answer["Content-Type"] == "application/yaml; charset=utf-8"
    assert plan_documents.from_yaml(answer.content) == plan.draft


def test_yaml_may_be_asked_for_by_its_media_type(api: Client, plan: Plan):
    path = f"{api.base}plans/{plan.pk}/document.yaml"
    assert api.get(path, HTTP_ACCEPT="application/yaml").status_code == 200


def test_a_reader_of_plain_yaml_finds_the_same_entries(api: Client, plan: Plan):
    read = yaml.safe_load(api.ask(f"plans/{plan.pk}/document.yaml").content)
    assert (read["products"], set(read)) == (plan.draft["products"], set(plan.draft))


def test_an_approved_version_comes_out_as_yaml_text(api: Client, plan_version: PlanVersion):
    answer = api.ask(f"plan-versions/{plan_version.pk}/document.yaml")
    assert plan_documents.from_yaml(answer.content) == plan_version.document


def test_the_list_of_plans_leaves_the_drafts_out(api: Client, plan: Plan):
    (entry,) = api.ask("plans").json()["results"]
    assert (entry["code"], "draft" in entry) == (plan.code, False)


def test_the_gaps_are_listed_with_their_codex_step(api: Client, lead_api: Client):
    pk = lead_api.send("plans", {"code": "HP", "name": "Drops", "draft": {}}).json()["id"]
    first = api.ask(f"plans/{pk}/gaps").json()[0]
    assert (first["codex_step"], first["step"], first["code"]) == (1, "team and scope", "no-scope")


def test_a_filled_plan_lists_no_gaps(api: Client, plan: Plan):
    assert api.ask(f"plans/{plan.pk}/gaps").json() == []


def test_the_differences_to_the_draft_are_listed(
    api: Client, lead_api: Client, plan: Plan, plan_version: PlanVersion
):
    lead_api.change(f"plans/{plan.pk}", {"draft": plan.draft | {"title": "Second"}}, 1)
    assert api.ask(f"plans/{plan.pk}/differences").json() == [
        {"path": "title", "before": plan_version.document["title"], "after": "Second"}
    ]


def test_a_draft_changes_for_whoever_saw_it(lead_api: Client, plan: Plan):
    answer = lead_api.change(f"plans/{plan.pk}", {"yaml": "title: Changed\n"}, 1)
    assert (answer.status_code, answer["ETag"], answer.json()["draft"]) == (200, '"2"', {"title": "Changed"})


# --- approval


def test_an_approval_answers_the_version_with_its_control_points(
    lead_api: Client, plan: Plan, products: dict[str, Material]
):
    answer = lead_api.send(f"plans/{plan.pk}/versions", approval())
    body = answer.json()
    assert (answer.status_code, body["number"]) == (201, 1)
    assert set(body["products"]) == {str(material.pk) for material in products.values()}
    assert {point["id"] for point in body["control_points"]} == set(
        map(str, ControlPoint.objects.values_list("pk", flat=True))
    )


def test_an_approval_sent_twice_is_one(lead_api: Client, plan: Plan):
    said = approval(id=str(uuid7()))
    codes = [lead_api.send(f"plans/{plan.pk}/versions", said).status_code for _ in range(2)]
    assert (codes, PlanVersion.objects.count()) == ([201, 200], 1)


def test_a_plan_names_its_newest_version(api: Client, plan: Plan, plan_version: PlanVersion):
    assert api.ask(f"plans/{plan.pk}").json()["approved_version"] == str(plan_version.pk)


def test_the_versions_of_a_plan_are_listed(api: Client, plan: Plan, plan_version: PlanVersion):
    (entry,) = api.ask(f"plans/{plan.pk}/versions").json()["results"]
    assert entry["id"] == str(plan_version.pk)


def test_a_refused_approval_lists_every_reason(lead_api: Client, plan: Plan):
    lead_api.change(f"plans/{plan.pk}", {"draft": plan.draft | {"team": [], "products": ["FUDGE"]}}, 1)
    answer = lead_api.send(f"plans/{plan.pk}/versions", approval(draft_version=2))
    status, kind, fields = problem(answer)
    assert (status, kind) == (409, "plan-not-approvable")
    assert {"draft.team", "draft.products.0"} <= fields
    assert len(answer.json()["reasons"]) == len(plans.gaps(Plan.objects.get())) + 1
    assert not PlanVersion.objects.exists()


def test_a_wrong_password_approves_nothing(lead_api: Client, plan: Plan):
    answer = lead_api.send(f"plans/{plan.pk}/versions", approval(password="not-this-one"))
    assert problem(answer) == (403, "wrong-password", {"password"})
    assert not PlanVersion.objects.exists()


def test_a_lead_whose_qualification_has_lapsed_approves_nothing(
    client_of: Callable[..., Client], make_person: Any, act: Any, lead: Person, plan: Plan
):
    other = make_person("Lena Lapsed")
    people.give_role(act=act(lead), person=other, role="food-safety-lead", from_day=date(2020, 1, 1))
    told = {"title": "Course", "covers_plans": True, "evidence": "Certificate 9/24", "issued_by": "North"}
    days = {"valid_from": date(2024, 1, 1), "valid_until": date(2026, 3, 1)}
    people.qualify(act=act(lead), person=other, **told, **days)
    asking, entries = client_of(other), Entry.objects.count
    before = entries()
    answer = asking.send(f"plans/{plan.pk}/versions", approval())
    assert problem(answer) == (409, "plan-not-approvable", {"performed_by"})
    assert [each["code"] for each in answer.json()["reasons"]] == ["not-qualified"]
    assert entries() == before


def test_a_draft_that_changed_since_it_was_read_is_not_approved(lead_api: Client, plan: Plan):
    lead_api.change(f"plans/{plan.pk}", {"name": "Renamed"}, 1)
    assert problem(lead_api.send(f"plans/{plan.pk}/versions", approval()))[:2] == (412, "changed-meanwhile")


def test_who_signs_says_which_draft_was_read(lead_api: Client, plan: Plan):
    said = {"performed_at": WHEN, "password": PASSWORD}
    assert problem(lead_api.send(f"plans/{plan.pk}/versions", said)) == (400, "invalid", {"draft_version"})


def test_an_approval_corrects_nothing(lead_api: Client, plan: Plan, plan_version: PlanVersion):
    lead_api.change(f"plans/{plan.pk}", {"draft": plan.draft | {"title": "Second"}}, 1)
    said = approval(draft_version=2, corrects=str(plan_version.pk), reason="typing error")
    answer = lead_api.send(f"plans/{plan.pk}/versions", said)
    assert problem(answer)[:2] == (409, "a-plan-version-is-superseded-not-corrected")
    assert PlanVersion.objects.count() == 1


# --- bad plans


@pytest.mark.parametrize(
    ("body", "kind", "fields"),
    [
        ({"draft": {"titel": "Drops"}}, "plan-shape", {"draft"}),
        ({"draft": {"products": "LMD", "team": [{"person": 7}]}}, "plan-shape",
         {"draft.products", "draft.team.0.person"}),
        ({"draft": []}, "invalid", {"draft"}),
        ({"draft": {}, "yaml": ""}, "invalid", {"yaml"}),
        ({"draft": {}, "yaml": "title: x"}, "invalid", {"draft"}),
        ({}, "invalid", {"draft"}),
        ({"yaml": "title: [unfinished"}, "unreadable-plan", {"yaml"}),
        ({"yaml": "a: &x [1]\nb: *x\n"}, "unreadable-plan", {"yaml"}),
        ({"yaml": "title: x\ntitle: y\n"}, "unreadable-plan", {"yaml"}),
        ({"draft": {}, "code": "x" * 21}, "invalid", {"code"}),
        ({"draft": {}, "name": "two\nlines"}, "not-one-line", {"name"}),
        ({"draft": {"title": "nul \x00"}}, "invalid", {"draft.title"}),
    ],
)  # fmt: skip
def test_a_bad_plan_is_refused_and_nothing_written(
    lead_api: Client, body: dict[str, Any], kind: str, fields: set[str]
):
    entries = Entry.objects.count()
    answer = lead_api.send("plans", {"code": "HP", "name": "Drops"} | body)
    assert problem(answer) == (400, kind, fields)
    assert (Plan.objects.count(), Entry.objects.count()) == (0, entries)


def test_an_unknown_starter_plan_is_not_found(lead_api: Client):
    answer = lead_api.send("plans", {"code": "HP", "name": "Drops", "starter": "fudge"})
    assert problem(answer) == (404, "not-found", {"starter"})


@pytest.mark.parametrize("query", [{"before": "x"}, {"after": "0"}, {"before": "99999999999"}])
def test_a_version_number_that_makes_no_sense_is_refused(api: Client, plan: Plan, query: dict[str, str]):
    assert problem(api.ask(f"plans/{plan.pk}/differences", **query)) == (400, "invalid", set(query))


def test_a_version_number_that_is_not_there_is_not_found(api: Client, plan: Plan):
    assert problem(api.ask(f"plans/{plan.pk}/differences", before="3"))[:2] == (404, "not-found")


# --- local rules


def test_a_rule_is_written_down_unconfirmed(lead_api: Client):
    answer = lead_api.send("local-rules", RULE)
    assert answer.status_code == 201
    assert {name: answer.json()[name] for name in RULE} == RULE
    assert answer.json()["confirmed_by"] is None


def test_a_rule_is_confirmed_by_signature(lead_api: Client, lead: Person):
    pk = lead_api.send("local-rules", RULE).json()["id"]
    answer = lead_api.send(
        f"local-rules/{pk}/confirmation", {"rule_version": 1, "password": PASSWORD, "performed_at": WHEN}
    )
    assert (answer.status_code, answer["ETag"], answer.json()["confirmed_by"]) == (200, '"2"', str(lead.pk))


def test_a_wrong_password_confirms_nothing(lead_api: Client):
    pk = lead_api.send("local-rules", RULE).json()["id"]
    answer = lead_api.send(f"local-rules/{pk}/confirmation", {"rule_version": 1, "password": "no"})
    assert problem(answer) == (403, "wrong-password", {"password"})
    assert LocalRule.objects.get().confirmed_by_id is None


def test_a_rule_is_not_confirmed_by_writing_it(lead_api: Client, lead: Person):
    answer = lead_api.send("local-rules", RULE | {"confirmed_by": str(lead.pk), "confirmed_at": WHEN})
    assert problem(answer) == (400, "invalid", {"confirmed_by", "confirmed_at"})
    assert not LocalRule.objects.exists()


def test_a_confirmed_rule_keeps_its_bound(lead_api: Client, confirmed_rule: Callable[..., LocalRule]):
    rule = confirmed_rule()
    answer = lead_api.change(f"local-rules/{rule.pk}", {"upper": "0.9"}, rule.version)
    assert problem(answer) == (409, "rule-is-confirmed", {"upper"})


def test_an_administrator_who_is_no_lead_does_not_confirm(
    make_rule: Callable[..., LocalRule],
    client_of: Callable[..., Client],
    administrator: Person,
):
    said = {"rule_version": 1, "password": PASSWORD}
    answer = client_of(administrator).send(f"local-rules/{make_rule().pk}/confirmation", said)
    assert problem(answer)[:2] == (403, "not-allowed")


@pytest.fixture
def administrator(act: Callable[..., Act], lead: Person, make_person: Callable[..., Person]) -> Person:
    person = make_person("Alma Desk")
    people.give_role(act=act(lead), person=person, role="administrator", from_day=date(2020, 1, 1))
    return person


# --- instruments


def test_an_instrument_comes_out_as_it_went_in(lead_api: Client):
    answer = lead_api.send("instruments", PROBE)
    assert (answer.status_code, {name: answer.json()[name] for name in PROBE}) == (201, PROBE)


def test_an_instrument_sent_twice_is_one(lead_api: Client):
    said = PROBE | {"id": str(uuid7()), "performed_at": WHEN}
    codes = [lead_api.send("instruments", said).status_code for _ in range(2)]
    assert (codes, Instrument.objects.count()) == ([201, 200], 1)


def test_an_instrument_changes_for_whoever_saw_it(lead_api: Client, thermometer: Instrument):
    answer = lead_api.change(f"instruments/{thermometer.pk}", {"in_use": False}, 1)
    assert (answer.status_code, answer["ETag"], answer.json()["in_use"]) == (200, '"2"', False)


# --- what bad numbers, units and days get

BAD_NUMBERS = ["NaN", "Infinity", "1e309", "1,5", "", "1e2", "0.12345", "123456789012.5", 5, True, [], "٣"]


@pytest.mark.parametrize("value", BAD_NUMBERS)
@pytest.mark.parametrize(("path", "body", "name"), [
    ("local-rules", RULE, "upper"), ("instruments", PROBE, "range_upper")
])  # fmt: skip
def test_a_number_that_is_none_is_refused(
    lead_api: Client, path: str, body: dict[str, Any], name: str, value: Any
):
    status, _, fields = problem(lead_api.send(path, body | {name: value}))
    assert (status, fields) == (400, {name})
    assert [LocalRule.objects.count(), Instrument.objects.count()] == [0, 0]


@pytest.mark.parametrize(
    ("path", "body", "kind", "fields"),
    [
        ("local-rules", {"unit": "aw"}, "unusable-value", {"unit"}),
        ("local-rules", {"upper": None}, "unusable-value", {"lower"}),
        ("local-rules", {"lower": "0.9"}, "unusable-value", {"lower"}),
        ("local-rules", {"in_force_until": "2025-12-31"}, "unusable-value", {"in_force_until"}),
        ("local-rules", {"in_force_from": "yesterday"}, "invalid", {"in_force_from"}),
        ("local-rules", {"citation": ""}, "invalid", {"citation"}),
        ("local-rules", {"citation": "x" * 301}, "invalid", {"citation"}),
        ("local-rules", {"name": "a\tb"}, "not-one-line", {"name"}),
        ("instruments", {"unit": "hot"}, "unusable-value", {"unit"}),
        ("instruments", {"range_lower": "201"}, "unusable-value", {"range_upper"}),
        ("instruments", {"resolution": "0"}, "unusable-value", {"resolution"}),
        ("instruments", {"expanded_uncertainty": "-1"}, "unusable-value", {"expanded_uncertainty"}),
        ("instruments", {"kind": "x" * 61}, "invalid", {"kind"}),
        ("instruments", {"name": "a\x00b"}, "invalid", {"name"}),
    ],
)
def test_a_bad_entry_is_refused_and_nothing_written(
    lead_api: Client, path: str, body: dict[str, Any], kind: str, fields: set[str]
):
    entries = Entry.objects.count()
    answer = lead_api.send(path, (RULE if path == "local-rules" else PROBE) | body)
    assert problem(answer) == (400, kind, fields)
    assert Entry.objects.count() == entries


# --- who may, and whose it is

KINDS = ["plans", "local-rules", "instruments"]
BODIES = {
    "plans": {"code": "HP", "name": "x", "draft": {}},
    "local-rules": RULE,
    "instruments": PROBE,
}


@pytest.mark.parametrize("path", KINDS)
def test_an_operator_reads(api: Client, path: str):
    assert api.ask(path).json()["results"] == []


@pytest.mark.parametrize("path", KINDS)
def test_an_operator_does_not_plan(api: Client, path: str):
    entries = Entry.objects.count()
    assert problem(api.send(path, BODIES[path]))[:2] == (403, "not-allowed")
    assert Entry.objects.count() == entries


@pytest.mark.parametrize("path", KINDS)
def test_an_administrator_plans(client_of: Callable[..., Client], administrator: Person, path: str):
    assert client_of(administrator).send(path, BODIES[path]).status_code == 201


def test_an_operator_does_not_approve(api: Client, plan: Plan):
    assert problem(api.send(f"plans/{plan.pk}/versions", approval()))[:2] == (403, "not-allowed")


@pytest.mark.parametrize("path", KINDS)
def test_a_change_without_if_match_is_refused(lead_api: Client, path: str):
    pk = lead_api.send(path, BODIES[path]).json()["id"]
    assert problem(lead_api.change(f"{path}/{pk}", {"name": "Other"}))[0] == 428


@pytest.mark.parametrize("path", KINDS)
def test_a_change_of_what_changed_meanwhile_is_refused(lead_api: Client, path: str):
    pk = lead_api.send(path, BODIES[path]).json()["id"]
    lead_api.change(f"{path}/{pk}", {"name": "First"}, 1)
    answer = lead_api.change(f"{path}/{pk}", {"name": "Second"}, 1)
    assert problem(answer)[:2] == (412, "changed-meanwhile")
    assert lead_api.ask(f"{path}/{pk}").json()["name"] == "First"


@pytest.mark.parametrize("path", KINDS)
def test_a_code_that_is_taken_is_refused(lead_api: Client, path: str):
    lead_api.send(path, BODIES[path])
    assert problem(lead_api.send(path, BODIES[path])) == (409, "code-taken", {"code"})


@pytest.mark.parametrize("path", KINDS)
def test_anothers_row_is_not_there(lead_api: Client, foreign: dict[str, Any], path: str):
    at = f"{path}/{foreign[path].pk}"
    answers = [lead_api.ask(at), lead_api.change(at, {"name": "Mine"}, 1)]
    assert [problem(answer)[:2] for answer in answers] == [(404, "not-found")] * 2


@pytest.mark.parametrize("path", KINDS)
def test_anothers_rows_are_not_listed(lead_api: Client, foreign: dict[str, Any], path: str):
    assert lead_api.ask(path).json()["results"] == []


@pytest.mark.parametrize("below", ["document.yaml", "gaps", "differences", "versions"])
def test_nothing_is_below_anothers_plan(lead_api: Client, foreign: dict[str, Any], below: str):
    assert problem(lead_api.ask(f"plans/{foreign['plans'].pk}/{below}"))[:2] == (404, "not-found")


def test_a_version_of_anothers_plan_is_not_approved(lead_api: Client, foreign: dict[str, Any]):
    answer = lead_api.send(f"plans/{foreign['plans'].pk}/versions", approval())
    assert problem(answer)[:2] == (404, "not-found")


def test_anothers_rule_is_not_confirmed(lead_api: Client, foreign: dict[str, Any]):
    said = {"rule_version": 1, "password": PASSWORD}
    answer = lead_api.send(f"local-rules/{foreign['local-rules'].pk}/confirmation", said)
    assert problem(answer)[:2] == (404, "not-found")


@pytest.mark.parametrize("below", ["", "/document.yaml"])
def test_anothers_approved_version_is_not_there(
    plan_version: PlanVersion,
    elsewhere: Establishment,
    client_of: Callable[..., Client],
    below: str,
):
    theirs = Membership.objects.filter(establishment=elsewhere)[0].person
    answer = client_of(theirs, elsewhere).ask(f"plan-versions/{plan_version.pk}{below}")
    assert problem(answer)[:2] == (404, "not-found")


def test_a_rule_does_not_name_anothers_material(lead_api: Client, foreign: dict[str, Any]):
    answer = lead_api.send("local-rules", RULE | {"material": str(foreign["materials"].pk)})
    assert problem(answer) == (404, "not-found", {"material"})
    assert LocalRule.objects.count() == 1  # theirs


def test_a_rule_says_that_it_is_to_be_confirmed_and_warns_of_other_food(
    lead_api: Client, plan_version: PlanVersion
):
    made = lead_api.send("local-rules", RULE | {"meant_for": "moist"}).json()
    assert made["status"] == "unconfirmed: to be confirmed with your authority"
    assert "meant for moist food" in lead_api.ask(f"local-rules/{made['id']}").json()["warning"]
    said = {"rule_version": 1, "password": PASSWORD, "performed_at": WHEN}
    confirmed = lead_api.send(f"local-rules/{made['id']}/confirmation", said).json()
    assert confirmed["status"] == "confirmed"
    assert "meant for moist food" in confirmed["warning"]


def test_a_rule_is_shown_again_to_who_has_its_version_since_its_warning_follows_the_plan(lead_api: Client):
    pk = lead_api.send("local-rules", RULE).json()["id"]
    answer = lead_api.get(f"{lead_api.base}local-rules/{pk}", HTTP_IF_NONE_MATCH='"1"')
    assert (answer.status_code, answer.json()["warning"]) == (200, "")
