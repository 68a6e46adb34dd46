"""Every body that a route takes is shown by an example, and the example holds names that the body takes."""

from collections.abc import Iterator
from typing import Any

import pytest
from rest_framework.test import APIClient


@pytest.fixture(scope="module")
def document() -> Any:
    return APIClient().get("/api/v1/openapi.json?format=json").json()


def bodies(document: Any) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """(route, media type, what is said of the body) of whatever is posted or changed with a body."""
    for path, operations in document["paths"].items():
        for method in {"post", "patch", "put"} & set(operations):
            for media_type, told in operations[method].get("requestBody", {}).get("content", {}).items():
                if (
                    "$ref" in told["schema"] or "properties" in told["schema"]
                ):  # a logger's lines have no names
                    yield f"{method} {path}", media_type, told


def test_every_body_has_an_example(document: Any) -> None:
    found = list(bodies(document))
    assert len(found) > 100
    assert [route for route, _, told in found if not told.get("examples")] == []


def test_an_example_holds_names_that_the_body_takes(document: Any) -> None:
    schemas = document["components"]["schemas"]
    wrong = []
    for route, _, told in bodies(document):
        named = told["schema"].get("$ref", "").rsplit("/", 1)[-1]
        taken = schemas.get(named, {}).get("properties", {})
        for example in told.get("examples", {}).values():
            wrong += [(route, name) for name in example["value"] if taken and name not in taken]
    assert wrong == []
