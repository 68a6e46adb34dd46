"""The OpenAPI document is true, whole and served from this machine."""

import json
import re
from typing import Any

import pytest
from django.core.management import call_command
from openapi_spec_validator import OpenAPIV31SpecValidator, validate

from tests.config.conftest import Asking


@pytest.fixture
def document(ask: Asking) -> dict[str, Any]:
    return ask.get("/api/v1/openapi.json").json()


def test_the_document_is_openapi_3_1(document: dict[str, Any]) -> None:
    """Checked by openapi-spec-validator, which no code of ours had a hand in."""
    assert document["openapi"].startswith("3.1")
    validate(document, cls=OpenAPIV31SpecValidator)


def test_so_is_that_of_the_whole_service(client: Any) -> None:
    validate(client.get("/api/v1/openapi.json").json(), cls=OpenAPIV31SpecValidator)


def test_making_it_gives_no_warning(ask: Asking, tmp_path: Any) -> None:
    call_command("spectacular", validate=True, fail_on_warn=True, file=str(tmp_path / "made.yaml"))


def test_every_operation_names_its_problem_answers(document: dict[str, Any]) -> None:
    for operations in document["paths"].values():
        for method, operation in operations.items():
            expected = {"400", "401", "403", "404", "503"}
            if method != "get":
                expected |= {"409", "413", "415", "429"}
            if method == "patch":
                expected |= {"412", "428"}
            assert expected <= operation["responses"].keys()


def test_every_problem_answer_has_the_media_type_and_an_example_of_its_status(
    document: dict[str, Any],
) -> None:
    for name, answer in document["components"]["responses"].items():
        (media_type,) = answer["content"]
        assert media_type == "application/problem+json"
        assert str(answer["content"][media_type]["example"]["status"]) == name.removeprefix("Problem")


def test_a_change_asks_for_if_match_and_reading_gives_an_etag(document: dict[str, Any]) -> None:
    kettle = document["paths"]["/api/v1/kettle"]
    assert [each["name"] for each in kettle["patch"]["parameters"] if each["required"]] == ["If-Match"]
    assert "ETag" in kettle["get"]["responses"]["200"]["headers"]
    assert "headers" not in document["paths"]["/api/v1/people"]["get"]["responses"]["200"]


def test_a_list_names_limit_and_cursor(document: dict[str, Any]) -> None:
    people = document["paths"]["/api/v1/people"]["get"]
    assert {each["name"] for each in people["parameters"]} == {"limit", "cursor"}


def test_the_same_document_comes_as_yaml(ask: Asking, document: dict[str, Any]) -> None:
    import yaml

    assert yaml.safe_load(ask.get("/api/v1/openapi.yaml").content) == json.loads(json.dumps(document))


def test_the_documentation_page_loads_nothing_from_elsewhere(ask: Asking) -> None:
    page = ask.get("/api/docs/").content.decode()
    loaded = re.findall(r"""(?:src|href)=["']([^"']+)""", page)
    assert loaded
    assert all(address.startswith(("/static/", "/api/docs/")) for address in loaded), loaded
    assert "/api/v1/openapi.json" in ask.get("/api/docs/?script=").content.decode()


def test_what_the_documentation_page_loads_is_there(ask: Asking) -> None:
    from django.contrib.staticfiles import finders

    page = ask.get("/api/docs/").content.decode()
    for address in re.findall(r"""(?:src|href)=["']/static/([^"']+)""", page):
        assert finders.find(address), address
