"""Procedures and changeovers over HTTP: recorded as they were done, released by signature, withdrawn."""

from typing import Any

import pytest

from batches.models import Equipment
from haccp.changeovers import findings
from haccp.models import CleaningProcedureVersion, Deviation
from tests.conftest import PASSWORD
from tests.haccp.changeovers.procedures import WET, dry, wet

AT = "2026-03-02T12:{}:00+01:00"
VALIDATED = {"food": "Sugar on steel", "evidence": "Kit maker's study"}
CLEARED = {"product": True, "packaging": True, "labels": True, "none_issued": True}
MEASURED = {
    "performed_at": AT.format("25"),
    "method": "swab",
    "allergen": "milk",
    "value": "< 2.5",
    "unit": "MC",
    "wiped_cm2": "100",
    "contact_cm2": "8000",
    "first_product_kg": "2",
    "counts": "protein",
}


@pytest.fixture
def version(approve: Any) -> CleaningProcedureVersion:
    return approve(dry(), "DRY")


@pytest.fixture
def body(version: CleaningProcedureVersion, table: Equipment, products: Any) -> dict[str, Any]:
    return {
        "performed_at": AT.format("00"),
        "ended_at": AT.format("20"),
        "equipment": [str(table.pk)],
        "to_material": str(products["LMD"].pk),
        "procedure_version": str(version.pk),
        "steps": [{"step": "VAC", "done_at": AT.format("10")}],
        "clearance": CLEARED,
    }


@pytest.fixture
def made(api: Any, body: dict[str, Any]) -> dict[str, Any]:
    answer = api.send("changeovers", body)
    assert answer.status_code == 201, answer.content
    return dict(answer.json())


def look(api: Any, changeover: str, **more: Any) -> Any:
    said = {"performed_at": AT.format("25"), "method": "visual", "outcome": "clean"}
    return api.send(f"changeovers/{changeover}/verifications", said | more)


def release(api: Any, changeover: str, **more: Any) -> Any:
    said = {"performed_at": AT.format("30"), "password": PASSWORD}
    return api.send(f"changeovers/{changeover}/releases", said | more)


def test_a_procedure_is_drafted_and_approved(lead_api: Any):
    drafted = lead_api.send("cleaning-procedures", {"code": "WET", "name": "Washed", "draft": WET})
    assert (drafted.status_code, drafted.json()["gaps"]) == (201, [])
    path = f"cleaning-procedures/{drafted.json()['id']}"
    said = {"performed_at": AT.format("00"), "draft_version": 1, "password": PASSWORD}
    approved = lead_api.send(f"{path}/versions", said)
    assert (approved.status_code, approved.json()["number"]) == (201, 1)
    assert lead_api.ask(path).json()["version_in_force"] == approved.json()["id"]
    assert lead_api.ask(f"cleaning-procedure-versions/{approved.json()['id']}").json()["document"] == WET


def test_a_procedure_that_clears_by_heat_alone_says_so(lead_api: Any):
    hot = [{"code": "HEAT", "what": "Heat it", "by": "heat"}]
    drafted = lead_api.send("cleaning-procedures", {"code": "HOT", "name": "Hot", "draft": dry(steps=hot)})
    assert [gap["code"] for gap in drafted.json()["gaps"]] == ["heat-clears-no-allergen"]


def test_an_operator_drafts_no_procedure(api: Any):
    assert api.send("cleaning-procedures", {"code": "W", "name": "W", "draft": WET}).status_code == 403


def test_a_changeover_is_shown_with_what_it_lacks(api: Any, body: dict[str, Any]):
    answer = api.send("changeovers", body | {"steps": [], "ended_at": None})
    codes = [each["code"] for each in answer.json()["shortcomings"]]
    assert (answer.status_code, codes) == (201, ["not-ended", "step-missing"])


def test_one_changeover_tells_what_its_release_waits_for(api: Any, made: dict[str, Any]):
    shown = api.ask(f"changeovers/{made['id']}").json()
    assert [each["code"] for each in shown["missing"]] == ["not-verified"]
    look(api, made["id"])
    assert api.ask(f"changeovers/{made['id']}").json()["missing"] == []


def test_from_record_to_release(api: Any, lead_api: Any, made: dict[str, Any]):
    assert look(api, made["id"]).json()["result"] == "within"
    freed = release(lead_api, made["id"])
    assert freed.status_code == 201, freed.content
    assert freed.json()["scope"]["allergens"] == ["milk"]
    assert freed.json()["allergens"] is None
    assert api.ask(f"changeovers/{made['id']}").json()["release"] == freed.json()["id"]
    assert len(api.ask(f"changeovers/{made['id']}/releases").json()["results"]) == 1


def test_before_its_verification_the_answer_names_every_reason(lead_api: Any, made: dict[str, Any]):
    refused = release(lead_api, made["id"])
    assert (refused.status_code, refused.json()["type"].rsplit("/", 1)[-1]) == (
        409,
        "may-not-release-changeover",
    )
    assert [error["code"] for error in refused.json()["errors"]] == ["not-verified"]


def test_an_operator_does_not_release(api: Any, made: dict[str, Any]):
    look(api, made["id"])
    assert release(api, made["id"]).status_code == 403


def test_a_wrong_password_releases_nothing(api: Any, lead_api: Any, made: dict[str, Any]):
    look(api, made["id"])
    assert release(lead_api, made["id"], password="guessed").status_code in (401, 403)
    assert api.ask(f"changeovers/{made['id']}").json()["release"] is None


def test_a_swab_is_answered_with_its_level_and_its_finding(api: Any, made: dict[str, Any], approve: Any):
    said = MEASURED | {"validated_for": VALIDATED}
    shown = api.send(f"changeovers/{made['id']}/verifications", said).json()
    assert (shown["value"], shown["finding"]["value"], shown["result"]) == ("< 2.5", "0.1", "undecided")
    assert "no reference dose" in shown["finding"]["sentence"]  # dry cleaning asks for a look only
    assert shown["validated_for"] == VALIDATED


@pytest.mark.parametrize(
    "said", [None, {"food": "Sugar on steel", "evidence": ""}, {"food": "Sugar on steel"}]
)
def test_a_swab_without_its_validation_is_kept_and_shown_as_sent(api: Any, made: dict[str, Any], said: Any):
    shown = api.send(f"changeovers/{made['id']}/verifications", MEASURED | {"validated_for": said})
    assert (shown.status_code, shown.json()["validated_for"]) == (201, said)


@pytest.mark.parametrize(
    ("said", "result"),
    [(VALIDATED, "within"), (None, "undecided"), ({"food": "Sugar on steel"}, "undecided")],
)
def test_a_swab_is_within_only_where_food_and_evidence_were_given(
    api: Any, body: dict[str, Any], approve: Any, said: Any, result: str
):
    washed = api.send("changeovers", body | {"procedure_version": str(approve(wet(), "WET").pk), "steps": []})
    path = f"changeovers/{washed.json()['id']}/verifications"
    shown = api.send(path, MEASURED | {"validated_for": said}).json()
    assert shown["result"] == result
    assert (findings.NOT_VALIDATED in shown["finding"]["sentence"]) is (result == "undecided")


def test_left_out_it_is_shown_as_null(api: Any, made: dict[str, Any]):
    shown = api.send(f"changeovers/{made['id']}/verifications", MEASURED)
    assert (shown.status_code, shown.json()["validated_for"]) == (201, None)


@pytest.mark.parametrize(
    "said", ["Sugar on steel; report 4", ["Sugar"], {"validated": "yes"}, {"food": ["a"]}]
)
def test_a_validation_of_another_shape_is_refused(api: Any, made: dict[str, Any], said: Any):
    answer = api.send(f"changeovers/{made['id']}/verifications", MEASURED | {"validated_for": said})
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["field"].startswith("validated_for")


@pytest.mark.parametrize(("what", "said"), [("unit", {"unit": ""}), ("value", {"value": "-4"})])
def test_a_swab_that_says_nothing_is_refused(api: Any, made: dict[str, Any], what: str, said: dict[str, str]):
    refused = api.send(f"changeovers/{made['id']}/verifications", MEASURED | said)
    assert (refused.status_code, refused.json()["errors"][0]["field"]) == (400, what)


def test_withdrawing_each_of_them(api: Any, lead_api: Any, made: dict[str, Any]):
    shown = look(api, made["id"]).json()["id"]
    freed = release(lead_api, made["id"]).json()["id"]
    for path, pk in (
        ("changeover-releases", freed),
        ("changeover-verifications", shown),
        ("changeovers", made["id"]),
    ):
        said = {"performed_at": AT.format("40"), "corrects": pk, "reason": "Never happened."}
        answer = lead_api.send(f"{path}/withdrawn", said)
        assert (answer.status_code, answer.json()["withdrawn"]) == (201, True), answer.content
    assert not Deviation.objects.exists()


def test_a_repeat_answers_what_is_stored(api: Any, body: dict[str, Any]):
    from tests.conftest import new_id

    said = body | {"id": new_id()}
    codes = [api.send("changeovers", said).status_code for _ in range(2)]
    assert codes == [201, 200]
    assert api.send("changeovers", said | {"steps": []}).status_code == 409


def test_another_house_sees_none_of_it(
    api: Any, made: dict[str, Any], client_of: Any, elsewhere: Any, make_person: Any, act: Any
):
    from ledger.models import Membership

    stranger = Membership.objects.filter(establishment=elsewhere)[0].person
    other = client_of(stranger, elsewhere)
    assert other.ask(f"changeovers/{made['id']}").status_code == 404
    assert look(other, made["id"]).status_code == 404


def test_the_list_costs_no_statement_for_each_more(
    api: Any, body: dict[str, Any], django_assert_max_num_queries: Any
):
    for _ in range(3):
        api.send("changeovers", body)
    with django_assert_max_num_queries(3):
        assert len(api.ask("changeovers").json()["results"]) == 3
