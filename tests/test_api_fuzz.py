"""Made-up requests over the whole API, by schemathesis from our own OpenAPI document.

Whatever is asked: never a 5xx, and the answer is one that the document describes (status, media type, headers,
schema). Ids that a request refers to are those of rows that are there, so that requests get past "not found".
"""

import copy
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections
from hypothesis import HealthCheck, Phase, given, seed, settings
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from tests import scene as scenes
from tests.scene import Scene, undone

pytestmark = [pytest.mark.django_db, pytest.mark.fuzz]

EXAMPLES = 6  # of each kind for each operation
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
MODES = {"as the document says": GenerationMode.POSITIVE, "not so": GenerationMode.NEGATIVE}
ALL_AT_ONCE = settings(
    max_examples=EXAMPLES,
    deadline=None,
    database=None,
    derandomize=False,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture(scope="module", autouse=True)
def _one_connection(scene: Scene) -> Iterator[None]:
    """The scene is one transaction, so a request must not close its connection (Django's test client knows that)."""
    request_finished.disconnect(close_old_connections)
    request_started.disconnect(close_old_connections)
    yield
    request_finished.connect(close_old_connections)
    request_started.connect(close_old_connections)


@pytest.fixture(scope="module")
def schema(scene: Scene) -> Any:
    """The document, with the ids of the scene as the values of ids in addresses, filters and bodies."""
    document = copy.deepcopy(scene.document)
    for path, operations in document["paths"].items():
        for operation in operations.values():
            for parameter in operation.get("parameters", ()):
                _name_rows(scene, path, parameter)
    for name, told in document["components"]["schemas"].items():
        if name.endswith("Request"):
            _name_rows_of_body(scene, told)
    loaded = schemathesis.openapi.from_dict(document)
    loaded.app = get_wsgi_application()
    return loaded


def _name_rows(scene: Scene, path: str, parameter: dict[str, Any]) -> None:
    name = parameter["name"]
    if parameter["in"] == "path":
        parameter["schema"] = {"enum": [scene.id_in(path, name)]}
    elif parameter["in"] == "query" and name in scene.ids:
        parameter["schema"] = {"enum": [scene.ids[name]]}
    elif name == "If-Match":
        parameter["schema"] = {"enum": ['"1"', '"2"', '"99999999999999999999"', "*", 'W/"1"']}


def _name_rows_of_body(scene: Scene, told: dict[str, Any]) -> None:
    for name, field in told.get("properties", {}).items():
        if name in scene.ids:
            told["properties"][name] = {"enum": [scene.ids[name]]}
        elif name == "performed_at":
            field["enum"] = [scenes.NOW]
        elif name in ("quantity", "unit", "password"):
            field["enum"] = [scenes.USUAL[name]]


@pytest.mark.parametrize("how", MODES)
def test_every_answer_to_a_made_up_request_is_one_that_the_document_describes(
    scene: Scene, schema: Any, how: str
) -> None:
    wrong: dict[str, str] = {}
    for method, path in scene.operations("get", "post", "patch", "put", "delete"):
        try:
            _try(schema[path][method.upper()], scene, MODES[how])
        except (Exception, FailureGroup) as error:
            wrong[f"{method} {path}"] = str(error)[:1500]
    assert not wrong, "\n\n".join(f"{where}\n{what}" for where, what in wrong.items())


def _try(operation: Any, scene: Scene, mode: GenerationMode) -> None:
    @seed(117)
    @ALL_AT_ONCE
    @given(operation.as_strategy(generation_mode=mode))
    def ask(case: Any) -> None:
        with undone():
            answer = case.call(headers=scene.headers)
        case.validate_response(answer, checks=CHECKS)
        if answer.status_code >= 400:
            assert answer.headers["content-type"] == ["application/problem+json"]

    ask()
