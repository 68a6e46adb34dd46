"""What every test starts from: one establishment, its people, and a way to ask the API in their name."""

import itertools
import logging
import os
import uuid
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import hypothesis
import pytest
from django.db import connection
from django.test import TransactionTestCase
from rest_framework.test import APIClient

from ledger import entrances, establishments, people, triggers
from ledger.acts import Act, Moment
from ledger.models import Entrance, Establishment, Membership, Person

pytest.register_assert_rewrite("tests.kept_rows", "tests.twins")
hypothesis.settings.register_profile("ci", derandomize=True, max_examples=30, deadline=None)
hypothesis.settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


def pytest_configure(config: pytest.Config) -> None:
    """Files of deeper folders first, whatever order they were named in.

    A file named on the command line makes pytest (9.1) collect its folder anew, with new nodes for the folders below,
    while the fixtures of their conftest.py hang on the first ones: a file below that comes later would not find them.
    """
    config.args.sort(key=_depth, reverse=True)


def _depth(argument: str) -> int:
    path = Path(argument.split("::")[0]).absolute()
    return len(path.parts) + path.is_dir()


_stages: list[Any] = []  # one at most: where the scene is played, once it was asked for


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Whatever asks for the scene first, so that it is played once and not anew for each module."""
    items.sort(key=lambda item: not _on_stage(item))


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    for stage in _stages if not _on_stage(item) else ():
        stage.clear()


def _on_stage(item: pytest.Item) -> bool:
    return "scene" in getattr(item, "fixturenames", ())


NOON = datetime(2026, 3, 2, 12, 0, tzinfo=timezone(timedelta(hours=1)))  # a Monday, offset +01:00
PASSWORD = "sugar-boils-slowly-7"


@pytest.fixture(autouse=True)
def _quick_and_apart(settings: Any, tmp_path: Any) -> None:
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    settings.MEDIA_ROOT = tmp_path / "files"
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"


@pytest.fixture(autouse=True, scope="session")
def _tables_can_be_cleared_between_tests() -> None:
    """Transactional tests clear every table; our triggers refuse that, so they step aside meanwhile."""
    clear = TransactionTestCase._fixture_teardown

    def teardown(self: TransactionTestCase) -> None:
        triggers.remove(connection)
        try:
            clear(self)
        finally:
            triggers.install(connection)

    TransactionTestCase._fixture_teardown = teardown  # type: ignore[method-assign]


_numbers = itertools.count(1)


@pytest.fixture
def make_person() -> Callable[..., Person]:
    def make(name: str = "Ada Quill", **values: Any) -> Person:
        sign_in_name = values.pop("sign_in_name", f"person{next(_numbers)}")
        usual = {"password": PASSWORD, "name": name, "initials": "AQ"}
        return Person.objects.create_user(sign_in_name, **(usual | values))

    return make


@pytest.fixture
def make_establishment(make_person: Callable[..., Person]) -> Callable[..., Establishment]:
    def make(founder: Person | None = None, **values: Any) -> Establishment:
        usual = {
            "name": "Lindenhof Sweets",
            "address": "Mill Lane 4, Musterstadt",
            "country": "DE",
            "time_zone": "Europe/Berlin",
        }
        return establishments.open_establishment(
            founder=founder or make_person("Ines Lead"), **(usual | values)
        )

    return make


@pytest.fixture
def lead(db: Any, make_person: Callable[..., Person]) -> Person:
    return make_person("Ines Lead", initials="IL")


@pytest.fixture
def establishment(lead: Person, make_establishment: Callable[..., Establishment]) -> Establishment:
    """Founded by ``lead``, who is its administrator and its food-safety lead with a current qualification."""
    made = make_establishment(lead)
    Membership.objects.filter(person=lead).update(from_day=date(2020, 1, 1))  # so that NOON lies within
    people.qualify(
        act=_act(made, lead),
        person=lead,
        title="Preventive controls, two-day course",
        covers_plans=True,
        evidence="Certificate 117/26",
        issued_by="Training house North",
        valid_from=date(2020, 1, 1),
        valid_until=None,
    )
    return made


@pytest.fixture
def operator(establishment: Establishment, lead: Person, make_person: Callable[..., Person]) -> Person:
    person = make_person("Omar Stove", initials="OS")
    people.give_role(act=_act(establishment, lead), person=person, role="operator", from_day=date(2020, 1, 1))
    return person


@pytest.fixture
def inspector(establishment: Establishment, lead: Person, make_person: Callable[..., Person]) -> Person:
    person = make_person("Petra Inspect", initials="PI")
    people.give_role(
        act=_act(establishment, lead), person=person, role="inspector", from_day=date(2020, 1, 1)
    )
    return person


@pytest.fixture
def let_in(establishment: Establishment, lead: Person, inspector: Person) -> Callable[..., Entrance]:
    """Opens an entrance for the inspector from yesterday until tomorrow, to all days of the records."""

    def do(**values: Any) -> Entrance:
        now = datetime.now(UTC)
        usual = {
            "person": inspector,
            "authority": "County food inspection",
            "because": "Yearly inspection.",
            "opens_at": now - timedelta(days=1),
            "closes_at": now + timedelta(days=1),
            "first_day": date(2020, 1, 1),
        }
        return entrances.let_in(act=_act(establishment, lead), **(usual | values))

    return do


def _act(establishment: Establishment, person: Person, **values: Any) -> Act:
    return Act(
        establishment=establishment,
        performed_by=person,
        performed=Moment.of(NOON),
        recorded_by=person,
        **values,
    )


@pytest.fixture
def act(establishment: Establishment, operator: Person) -> Callable[..., Act]:
    """``act()`` is the operator's at noon; ``act(by=lead, at=..., id=..., corrects=..., reason=...)`` another."""

    def make(by: Person | None = None, at: datetime = NOON, **values: Any) -> Act:
        made = _act(establishment, by or operator)
        return replace(made, performed=Moment.of(at), **values)

    return make


class Client(APIClient):
    """Asks below ``/api/v1/establishments/{establishment}/`` in JSON."""

    def __init__(self, establishment: Establishment, key: str):
        super().__init__(HTTP_AUTHORIZATION=f"Bearer {key}")
        self.base = f"/api/v1/establishments/{establishment.pk}/"

    def ask(self, path: str, **query: Any) -> Any:
        return self.get(self.base + path, query)

    def send(self, path: str, body: Any = None, **extra: Any) -> Any:
        return self.post(self.base + path, body if body is not None else {}, format="json", **extra)

    def change(self, path: str, body: Any, version: int | str | None = None) -> Any:
        extra = {} if version is None else {"HTTP_IF_MATCH": f'"{version}"'}
        return self.patch(self.base + path, body, format="json", **extra)


@pytest.fixture
def client_of(establishment: Establishment, lead: Person) -> Callable[..., Client]:
    """A client with a key of ``person`` at ``at`` (usually the establishment)."""

    def make(person: Person, at: Establishment | None = None) -> Client:
        here = at or establishment
        _, key = people.give_token(act=_act(here, person), person=person, label="test", days=30)
        return Client(here, key)

    return make


@pytest.fixture
def api(client_of: Callable[..., Client], operator: Person) -> Client:
    """The operator's client."""
    return client_of(operator)


@pytest.fixture
def lead_api(client_of: Callable[..., Client], lead: Person, establishment: Establishment) -> Client:
    return client_of(lead)


@pytest.fixture
def elsewhere(make_establishment: Callable[..., Establishment]) -> Establishment:
    """Another establishment with its own founder."""
    return make_establishment(name="Harbour Candy", address="Quay 1", country="IE", time_zone="Europe/Dublin")


def new_id() -> str:
    """An id as a client would choose it."""
    from ledger.ids import uuid7

    return str(uuid7())


def unknown_id() -> str:
    return str(uuid.uuid4())


@pytest.fixture(scope="session")
def stage(django_db_setup: Any, django_db_blocker: Any, tmp_path_factory: Any) -> Iterator[Any]:
    from tests.stage import Stage

    made = Stage(tmp_path_factory.mktemp("scene"), django_db_blocker)
    _stages.append(made)
    yield made
    _stages.remove(made)
    made.clear()


@pytest.fixture(scope="module")
def scene(stage: Any) -> Iterator[Any]:
    """The demo's firm after its day; a module that asks for it works inside its one transaction."""
    with stage.lent() as scene:
        yield scene


@pytest.fixture
def asked(scene: Any) -> Iterator[Any]:
    """Its lead's client, for bad input."""
    from tests.asked import Asked

    made, log = Asked(scene), logging.getLogger("config.api.problems")
    log.addHandler(made.warnings)
    yield made
    log.removeHandler(made.warnings)
