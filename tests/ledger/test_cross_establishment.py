"""Another establishment's rows do not exist: in no path and in no body (decision D19).

Generated: a route or a reference is covered from the day it stands in the OpenAPI document or in a serializer.
The other establishment is the demo's firm with everything it has; who asks leads an establishment of their own.
"""

import json
from collections.abc import Callable
from typing import Any

import pytest
from rest_framework.parsers import MultiPartParser

from ledger.models import Establishment, Person
from reports.demo.house import HOUSE, PASSWORD
from tests.conftest import Client
from tests.ledger.routes import Route, body_with, references, routes, serializer_of
from tests.scene import Scene, rows_kept

pytestmark = pytest.mark.django_db
METHODS = ("get", "post", "patch", "put", "delete")
HERE = "api/v1/establishments/"


@pytest.fixture
def ours(scene: Scene, make_person: Callable[..., Person], make_establishment: Any, client_of: Any) -> Client:
    """The key of somebody who may do everything at their own establishment, and nothing elsewhere."""
    founder = make_person("Rita Other", password=PASSWORD)
    return client_of(founder, make_establishment(founder, name="The Other House"))


def ask(client: Client, scene: Scene, method: str, address: str, path: str) -> Any:
    found = scene.body_schema(method, path)
    body = scene.body(method, path) if found else {}
    if found and found[0].startswith("multipart"):
        return client.post(address, {"target": scene.ids["target"]}, format="multipart")
    return client.generic(
        method.upper(), address, json.dumps(body), content_type="application/json", HTTP_IF_MATCH='"1"'
    )


def test_there_are_routes_and_references_to_try(scene: Scene) -> None:
    assert len(scene.operations(*METHODS)) > 100
    assert len(REFERRING) > 30


def test_nothing_below_another_establishment_is_found(ours: Client, scene: Scene) -> None:
    before = rows_kept()
    for method, path in scene.operations(*METHODS):
        if "{establishment}" in path:
            answer = ask(ours, scene, method, scene.address(path), path)
            assert answer.status_code == 404, (method, path, answer.content[:300])
    assert rows_kept() == before


def test_no_id_of_another_establishment_is_found_below_ours(ours: Client, scene: Scene) -> None:
    before = rows_kept()
    for method, path in scene.operations(*METHODS):
        if path.count("{") > 1:
            address = scene.address(path).replace(f"/{HERE}{HOUSE}/", ours.base)
            answer = ask(ours, scene, method, address, path)
            assert answer.status_code == 404, (method, path, answer.content[:300])
    assert rows_kept() == before


REFERRING = [
    pytest.param(route, place, id=f"{route.pattern.removeprefix(HERE)} {'.'.join(place)}")
    for route in routes()
    if "post" in route.methods and len(route.names) == 1 and hasattr(route.view, "get_serializer_class")
    for place, _ in references(serializer_of(route))
]


@pytest.mark.parametrize(("route", "place"), REFERRING)
def test_a_reference_to_another_establishments_row_is_not_found(
    route: Route, place: tuple[str, ...], ours: Client, scene: Scene
) -> None:
    field = dict(references(serializer_of(route)))[place]
    rows = field.get_queryset().filter(**{field.scope_by: HOUSE})
    foreign = str(rows.values_list(field.slug, flat=True)[0])
    is_form = any(issubclass(parser, MultiPartParser) for parser in route.view.parser_classes)
    form = "multipart" if is_form else "json"
    before = rows_kept()
    here = Establishment.objects.get(name="The Other House")
    answer = ours.post(route.path(establishment=here.pk), body_with(place, foreign), format=form)
    assert answer.status_code == 404, answer.content[:300]
    assert rows_kept() == before
