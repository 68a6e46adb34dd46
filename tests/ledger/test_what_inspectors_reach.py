"""Every address there is, walked: an inspector reaches what is listed here and nothing else, and without an entrance nothing.

A route that is added later is closed until somebody lists it here.
"""

from collections.abc import Iterator
from typing import Any

import pytest
from django.test import Client as Browser
from django.urls import get_resolver

from config.api.refusals import NotAllowed
from ledger.api.scope import ANY_ROLE, Scoped
from ledger.models import Look, Person
from tests.conftest import Client, unknown_id
from tests.ledger.routes import HERE, Route, _walk, routes
from tests.scene import rows_kept

pytestmark = pytest.mark.django_db
FORMS = ("pdf", "json", "html", "zip", "csv", "xlsx")
OPEN = {
    ("get", "documents"),
    ("post", "documents"),
    ("get", "documents/<uuid:pk>"),
    *(("get", f"documents/<uuid:pk>/file.{form}") for form in FORMS),
    ("get", "open-records"),
    ("get", "seals"),
    ("get", "signing-keys"),
}
"""What an entrance opens below an establishment; of documents those made for outside in its days."""
OPEN_PAGES = {"open-records", "open-records-ask", *(f"open-records-{form}" for form in FORMS)}
TO_ALL = {"check-document", "at-address"}
"""Pages that tell a stranger as much."""


def asked(route: Route) -> Iterator[tuple[str, str]]:
    for method in route.methods:
        yield method, route.pattern.removeprefix(HERE)


EVERY = sorted({each for route in routes() for each in asked(route)})


def send(client: Client, method: str, pattern: str) -> Any:
    path = pattern
    while "<" in path:
        before, rest = path.split("<", 1)
        path = before + unknown_id() + rest.split(">", 1)[1]
    return client.generic(method.upper(), client.base + path, "{}", content_type="application/json")


def test_there_are_addresses_to_walk() -> None:
    assert len(EVERY) > 200


def test_every_view_below_an_establishment_asks_who_it_is() -> None:
    assert [route.pattern for route in routes() if not issubclass(route.view, Scoped)] == []


def test_an_entrance_opens_what_is_listed_and_nothing_else(
    client_of: Any, inspector: Person, let_in: Any
) -> None:
    let_in()
    reader, before = client_of(inspector), rows_kept()
    shut = {
        (method, pattern)
        for method, pattern in EVERY
        if send(reader, method, pattern).json().get("type") == "/api/problems/not-for-inspectors"
    }
    assert set(EVERY) - shut == OPEN
    assert changed(before) == {"ledger_look": len(EVERY)}


def test_without_an_entrance_everything_is_shut(client_of: Any, inspector: Person) -> None:
    reader, before = client_of(inspector), rows_kept()
    answers = {send(reader, method, pattern).json()["type"] for method, pattern in EVERY}
    assert (answers, changed(before)) == ({"/api/problems/no-open-entrance"}, {})


def changed(before: dict[str, int]) -> dict[str, int]:
    """How many rows each table has more than before."""
    return {name: count - before[name] for name, count in rows_kept().items() if count != before[name]}


def test_what_inspectors_may_ask_for_by_role_is_what_is_listed() -> None:
    """The same by declaration, so that an address that answers an unknown id otherwise is seen as well."""
    declared = {
        each
        for route in routes()
        for each in asked(route)
        if (route.view.read_roles if each[0] == "get" else route.view.write_roles) & {"inspector"}
    }
    assert declared == OPEN
    assert {"inspector"} <= ANY_ROLE


# -- pages ------------------------------------------------------------------------------------------

PAGES = sorted(
    (pattern.name, path)
    for path, pattern in _walk(get_resolver().url_patterns)
    if path.startswith("at/<uuid:establishment>/")
)


@pytest.mark.parametrize("method", ["get", "post"])
@pytest.mark.parametrize(("name", "path"), PAGES, ids=[name for name, _ in PAGES])
def test_a_page_opens_to_an_inspector_only_if_it_is_listed(
    name: str, path: str, method: str, inspector: Person, let_in: Any
) -> None:
    let_in()
    browser = Browser()
    browser.force_login(inspector, backend="django.contrib.auth.backends.ModelBackend")
    answer = getattr(browser, method)(address(path, let_in))
    if name not in TO_ALL | OPEN_PAGES:
        assert answer.status_code in (403, 404, 405)


@pytest.mark.parametrize(("name", "path"), PAGES, ids=[name for name, _ in PAGES])
def test_a_session_begun_before_ends_with_the_entrance(
    name: str, path: str, inspector: Person, let_in: Any, act: Any, lead: Person
) -> None:
    from ledger import entrances

    opened, browser = let_in(), Browser()
    browser.force_login(inspector, backend="django.contrib.auth.backends.ModelBackend")
    entrances.revoke(act=act(by=lead, corrects=opened.pk, reason="Over.", withdraws=True))
    answer = browser.get(address(path, let_in))
    if name not in TO_ALL:
        assert answer.status_code in (403, 405)
        assert NotAllowed.status == 403
    assert not Look.objects.exists()


def address(path: str, let_in: Any) -> str:
    from ledger.models import Establishment

    here = Establishment.objects.get(name="Lindenhof Sweets")
    path = path.replace("<uuid:establishment>", str(here.pk)).replace("<path:rest>", "10/X")
    path = path.replace("<int:number>", "1")
    while "<" in path:
        before, rest = path.split("<", 1)
        path = before + unknown_id() + rest.split(">", 1)[1]
    return "/" + path
