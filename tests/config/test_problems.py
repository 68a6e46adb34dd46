"""Every error under /api/ is a problem answer (RFC 9457; the client of these tests validates each one)."""

import logging
from typing import Any

import pytest

from tests.config.conftest import Asking


def kind(answer: Any) -> str:
    return answer.json()["type"].removeprefix("/api/problems/")


# -- values ---------------------------------------------------------------------------------------------


def test_a_value_that_cannot_be_used_is_named_by_its_dotted_path(ask: Asking) -> None:
    answer = ask.send(
        "orders", '{"name": "far too long a name", "lines": [{"quantity": 1}, {"quantity": 0}]}'
    )
    assert (answer.status_code, kind(answer)) == (400, "invalid")
    found = {error["field"]: error["code"] for error in answer.json()["errors"]}
    assert found == {"name": "max_length", "lines.1.quantity": "min_value"}


def test_a_body_of_another_shape_is_an_error_of_the_whole(ask: Asking) -> None:
    for body in ("[]", "null", '"text"', "5"):
        answer = ask.send("orders", body)
        assert answer.status_code == 400, body
        assert [error["field"] for error in answer.json()["errors"]] == [""], body


def test_what_a_model_refuses_is_named_field_by_field(ask: Asking) -> None:
    errors = ask.get("/api/v1/failing/model-fields").json()["errors"]
    assert {(error["field"], error["detail"]) for error in errors} == {
        ("code", "Too long."),
        ("", "Does not add up."),
    }


@pytest.mark.parametrize("how", ["does-not-fit", "overflow"])
def test_a_value_the_database_cannot_hold_is_a_400_and_is_logged(
    ask: Asking, how: str, caplog: pytest.LogCaptureFixture
) -> None:
    answer = ask.get(f"/api/v1/failing/{how}")
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (400, "out-of-range")
    assert "does not fit" in caplog.text


# -- refusals -------------------------------------------------------------------------------------------


def test_a_refusal_lists_every_reason_with_ids_and_fields(ask: Asking) -> None:
    answer = ask.get("/api/v1/failing/refused")
    assert (answer.status_code, kind(answer)) == (409, "not-shippable")
    assert answer.json()["reasons"] == [
        {"code": "lot-held", "detail": "Lot A is held.", "field": "lots.0", "ids": ["a1"]},
        {"code": "no-label", "detail": "No label."},
    ]
    assert answer.json()["errors"] == [{"field": "lots.0", "code": "lot-held", "detail": "Lot A is held."}]


def test_a_rule_of_the_database_is_a_refusal_too(ask: Asking) -> None:
    answer = ask.get("/api/v1/failing/integrity-known")
    assert (answer.status_code, kind(answer)) == (409, "membership-role-is-known")


def test_a_body_that_was_cut_off_is_a_400(ask: Asking) -> None:
    assert ask.get("/api/v1/failing/body-cut-off").status_code == 400


# -- what is down ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "how", ["database-down", "interface-down", "broker-down", "redis-down", "unavailable"]
)
def test_what_is_down_answers_503_with_retry_after_and_no_internals(ask: Asking, how: str) -> None:
    answer = ask.get(f"/api/v1/failing/{how}")
    assert (answer.status_code, answer["Retry-After"]) == (503, "30")
    assert "internal" not in answer.content.decode()


def test_a_database_that_is_down_outside_a_rest_view_answers_503_too(ask: Asking) -> None:
    answer = ask.get("/api/v1/plain/database-down")
    assert (answer.status_code, answer["Retry-After"]) == (503, "30")


def test_waiting_after_too_many_tries_says_how_long(ask: Asking) -> None:
    answer = ask.get("/api/v1/failing/throttled")
    assert (answer.status_code, answer["Retry-After"]) == (429, "17")


# -- who asks -------------------------------------------------------------------------------------------


def test_not_signed_in_is_401_and_names_the_scheme(ask: Asking) -> None:
    answer = ask.get("/api/v1/signed-in")
    assert (answer.status_code, kind(answer)) == (401, "not-signed-in")
    assert answer["WWW-Authenticate"].startswith("Basic")


def test_without_a_key_the_service_asks_for_a_bearer(client: Any) -> None:
    answer = client.get("/api/v1/me")
    assert (answer.status_code, answer["WWW-Authenticate"]) == (401, "Bearer")
    assert answer["Content-Type"] == "application/problem+json"


@pytest.mark.parametrize("where", ["failing", "plain"])
def test_what_is_not_permitted_is_403(ask: Asking, where: str) -> None:
    assert ask.get(f"/api/v1/{where}/permission").status_code == 403


# -- where no view is at work ---------------------------------------------------------------------------


def test_an_address_that_is_none_is_404(ask: Asking) -> None:
    answer = ask.get("/api/v1/nowhere")
    assert (answer.status_code, kind(answer)) == (404, "not-found")


def test_an_address_with_u0000_is_404(ask: Asking) -> None:
    assert ask.get("/api/v1/named/a%00b").status_code == 404


def test_a_row_that_is_not_there_is_404_and_says_nothing_of_tables(ask: Asking) -> None:
    answer = ask.get("/api/v1/failing/missing-row")
    assert answer.status_code == 404
    assert "Person" not in answer.content.decode()


@pytest.mark.parametrize(
    "path", ["/api/v1/people", "/api/health", "/api/problems/invalid", "/api/v1/plain/permission"]
)
def test_another_method_is_405_and_allow_names_those_there_are(ask: Asking, path: str) -> None:
    answer = ask.delete(path)
    assert answer.status_code == 405
    assert "GET" in answer["Allow"]


def test_another_form_of_answer_is_406(ask: Asking) -> None:
    assert ask.get("/api/v1/echo", headers={"accept": "application/xml"}).status_code == 406


def test_another_media_type_is_415(ask: Asking) -> None:
    answer = ask.post("/api/v1/orders", "name=x", content_type="application/x-www-form-urlencoded")
    assert answer.status_code == 415


def test_a_host_that_is_not_ours_is_400(ask: Asking) -> None:
    answer = ask.get("/api/v1/echo", headers={"host": "elsewhere.example"})
    assert (answer.status_code, kind(answer)) == (400, "unusable-request")
    assert "elsewhere" not in answer.content.decode()


@pytest.mark.parametrize("where", ["failing", "plain"])
def test_a_suspicious_request_is_400_and_keeps_its_secret(ask: Asking, where: str) -> None:
    answer = ask.get(f"/api/v1/{where}/suspicious")
    assert answer.status_code == 400
    assert "secret" not in answer.content.decode()


def test_a_body_too_large_is_413(ask: Asking, settings: Any) -> None:
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 1000
    body = '{"name": "' + "x" * 1000 + '"}'
    answer = ask.send("orders", body)
    assert (answer.status_code, kind(answer)) == (413, "too-large")
    assert ask.get("/api/v1/failing/too-big").status_code == 413


def test_a_body_just_small_enough_is_read(ask: Asking, settings: Any) -> None:
    body = '{"name": "x"}'
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = len(body)
    assert ask.send("orders", body).status_code == 201


def test_too_many_query_parts_are_400(ask: Asking, settings: Any) -> None:
    settings.DATA_UPLOAD_MAX_NUMBER_FIELDS = 3
    assert ask.get("/api/v1/echo?a=1&b=2&c=3&d=4").status_code == 400


def test_a_status_without_a_kind_of_ours_is_about_blank_with_the_phrase_of_http(ask: Asking) -> None:
    """RFC 9457, section 4.2.1."""
    body = ask.get("/api/v1/failing/teapot").json()
    assert (body["type"], body["title"]) == ("about:blank", "I'm a Teapot")
    assert body["detail"] == "Short stout."


# -- what nobody foresaw --------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["failing/unforeseen", "plain/unforeseen", "failing/integrity-unknown"])
def test_an_unforeseen_error_gives_a_reference_that_leads_to_the_traceback(
    ask: Asking, path: str, caplog: pytest.LogCaptureFixture
) -> None:
    answer = ask.get(f"/api/v1/{path}")
    assert (answer.status_code, kind(answer)) == (500, "unforeseen")
    assert "secret" not in answer.content.decode()
    reference = answer.json()["reference"]
    entry = next(entry for entry in caplog.records if reference in entry.getMessage())
    assert entry.levelno == logging.ERROR
    assert "secret" in str(entry.exc_info)


def test_a_middleware_that_fails_gives_a_reference_too(ask: Asking, monkeypatch: pytest.MonkeyPatch) -> None:
    from django.middleware.common import CommonMiddleware

    monkeypatch.setattr(CommonMiddleware, "process_request", lambda self, request: 1 / 0)
    answer = ask.get("/api/v1/echo")
    assert answer.status_code == 500
    assert answer.json()["reference"]


@pytest.mark.parametrize(("path", "status"), [("pages/permission", 403), ("nowhere", 404)])
def test_pages_keep_their_html(ask: Asking, path: str, status: int) -> None:
    answer = ask.get(f"/{path}")
    assert (answer.status_code, answer["Content-Type"]) == (status, "text/html; charset=utf-8")


# -- what a type means ----------------------------------------------------------------------------------


def test_each_type_explains_itself_at_its_own_address(ask: Asking) -> None:
    for path in ("nowhere", "failing/refused", "failing/model-fields"):
        address = ask.get(f"/api/v1/{path}").json()["type"]
        about = ask.get(address)
        assert about.status_code == 200
        assert about.json()["type"] == address
        assert about.json()["meaning"]


def test_every_kind_has_a_page(ask: Asking) -> None:
    from config.api.kinds import KINDS

    assert [ask.get(each.address).json()["title"] for each in KINDS] == [each.title for each in KINDS]
