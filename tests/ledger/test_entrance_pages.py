"""The house's pages: which entrances there are, a form to open one, a button to revoke it, and every look."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client as Browser
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from ledger import looks
from ledger.models import Entrance, Establishment, Look, Person
from tests.conftest import NOON, PASSWORD, Client, unknown_id

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"
SAID = {
    "person": "",
    "name": "Ivo Visit",
    "initials": "IV",
    "sign_in_name": "ivo",
    "password": PASSWORD,
    "authority": "County food inspection",
    "because": "Yearly inspection.",
    "opens_at": "2026-07-01T08:00",
    "closes_at": "2026-07-02T18:00",
    "first_day": "2026-01-01",
    "last_day": "",
}


@pytest.fixture(autouse=True)
def _at_noon(time_machine: Any, establishment: Establishment) -> None:
    time_machine.move_to(NOON)


@pytest.fixture
def browser_of(establishment: Establishment) -> Callable[[Person], Browser]:
    def make(person: Person) -> Browser:
        browser = Browser()
        browser.force_login(person, backend=BACKEND)
        return browser

    return make


@pytest.fixture
def leads(browser_of: Any, lead: Person) -> Browser:
    browser: Browser = browser_of(lead)
    return browser


def address(here: Establishment, rest: str = "entrances") -> str:
    return f"/at/{here.pk}/{rest}"


def text(answer: Any) -> str:
    return " ".join(answer.content.decode().split())


def test_nobody_was_let_in_yet(leads: Browser, establishment: Establishment) -> None:
    assert "Nobody was let in yet." in text(leads.get(address(establishment)))


def test_somebody_new_is_let_in_with_one_form(leads: Browser, establishment: Establishment) -> None:
    shown = text(leads.post(address(establishment), SAID, follow=True))
    assert "Ivo Visit is let in." in shown
    made = Entrance.objects.get()
    assert made.opens_at.isoformat() == "2026-07-01T06:00:00+00:00"  # 08:00 on the clock of Berlin
    assert (made.first_day, made.last_day) == (date(2026, 1, 1), None)


def test_an_inspector_who_was_here_is_chosen(
    leads: Browser, establishment: Establishment, inspector: Person
) -> None:
    leads.post(address(establishment), SAID | {"person": str(inspector.pk)})
    assert Entrance.objects.get().person == inspector
    assert not Person.objects.filter(sign_in_name="ivo").exists()


def test_who_works_here_cannot_be_chosen(
    leads: Browser, establishment: Establishment, operator: Person
) -> None:
    answer = leads.post(address(establishment), SAID | {"person": str(operator.pk)})
    assert (answer.status_code, Entrance.objects.exists()) == (400, False)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"closes_at": "2026-07-01T08:00"}, "An entrance closes after it opens."),
        ({"name": ""}, "Of somebody new this is needed."),
        ({"opens_at": "tomorrow"}, "Enter a valid date/time."),
        ({"password": "sugar"}, "too short"),
        ({"authority": ""}, "This field is required."),
    ],
)
def test_what_cannot_be_is_told_and_nothing_is_written(
    leads: Browser, establishment: Establishment, wrong: dict[str, str], said: str
) -> None:
    answer = leads.post(address(establishment), SAID | wrong)
    assert answer.status_code == 400
    assert said in text(answer)
    assert not Entrance.objects.exists()
    assert not Person.objects.filter(sign_in_name="ivo").exists()


def test_a_password_never_comes_back(leads: Browser, establishment: Establishment) -> None:
    assert PASSWORD not in text(leads.post(address(establishment), SAID | {"authority": ""}))


def test_an_operator_sees_them_and_has_no_form(
    browser_of: Any, operator: Person, establishment: Establishment, let_in: Any
) -> None:
    let_in()
    shown = text(browser_of(operator).get(address(establishment)))
    assert "Petra Inspect" in shown
    assert '<form method="post" action="/at/' not in shown


def test_an_operator_opens_and_revokes_none(
    browser_of: Any, operator: Person, establishment: Establishment, let_in: Any
) -> None:
    opened, browser = let_in(), browser_of(operator)
    assert browser.post(address(establishment), SAID).status_code == 403
    revoke = address(establishment, f"entrances/{opened.pk}/revoke")
    assert browser.post(revoke, {"reason": "Over."}).status_code == 403
    assert Entrance.objects.count() == 1


def test_a_button_revokes_it(leads: Browser, establishment: Establishment, let_in: Any) -> None:
    opened = let_in()
    revoke = address(establishment, f"entrances/{opened.pk}/revoke")
    shown = text(leads.post(revoke, {"reason": "They left."}, follow=True))
    assert "revoked" in shown
    assert "They left." in shown
    assert not Entrance.objects.standing().exists()


def test_without_a_reason_it_stays_open(leads: Browser, establishment: Establishment, let_in: Any) -> None:
    opened = let_in()
    revoke = address(establishment, f"entrances/{opened.pk}/revoke")
    assert "It is still open." in text(leads.post(revoke, {"reason": " "}, follow=True))
    assert Entrance.objects.standing().exists()


def test_one_that_is_not_here_is_not_found(leads: Browser, establishment: Establishment) -> None:
    revoke = address(establishment, f"entrances/{unknown_id()}/revoke")
    assert leads.post(revoke, {"reason": "x"}).status_code == 404


@pytest.mark.parametrize(
    ("days", "state"), [((-2, -1), "ended"), ((-1, 1), "open"), ((1, 2), "not open yet")]
)
def test_each_says_how_it_stands(
    leads: Browser, establishment: Establishment, let_in: Any, days: tuple[int, int], state: str
) -> None:
    now = timezone.now()
    let_in(
        **{name: now + timedelta(days=day) for name, day in zip(("opens_at", "closes_at"), days, strict=True)}
    )
    assert f">{state}</span>" in text(leads.get(address(establishment)))


def test_every_look_is_listed(
    leads: Browser, establishment: Establishment, let_in: Any, client_of: Any, inspector: Person
) -> None:
    let_in()
    reader: Client = client_of(inspector)
    reader.ask("documents")
    reader.ask("recipes")
    shown = text(leads.get(address(establishment, "looks")))
    assert "Petra Inspect, County food inspection" in shown
    assert "✕ not shown (403)" in shown
    assert shown.index("closed to inspectors: recipes") < shown.index("looked at the list of documents")


def test_looks_come_in_pages(
    leads: Browser,
    establishment: Establishment,
    let_in: Any,
    client_of: Any,
    inspector: Person,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("reports.pages.looks.LOOKS_A_PAGE", 2)
    let_in()
    for name in ("seals", "documents", "signing-keys"):
        client_of(inspector).ask(name)
    shown = text(leads.get(address(establishment, "looks")))
    found = [told in shown for told in ("looked at the keys", "looked at the seals", 'href="?page=2"')]
    assert found == [True, False, True]
    assert "looked at the seals" in text(leads.get(address(establishment, "looks"), {"page": "2"}))


@pytest.mark.parametrize("query", [{"page": "-1"}, {"page": "x"}, {"page": "9" * 30}, {"entrance": "x"}])
def test_rubbish_in_the_address_is_the_first_page(
    leads: Browser, establishment: Establishment, query: dict[str, str]
) -> None:
    assert leads.get(address(establishment, "looks"), query).status_code == 200


def test_more_looks_cost_no_more_statements(
    leads: Browser, establishment: Establishment, let_in: Any, client_of: Any, inspector: Person
) -> None:
    let_in()
    reader = client_of(inspector)

    def asked() -> int:
        with CaptureQueriesContext(connection) as queries:
            leads.get(address(establishment, "looks"))
        return len(queries)

    reader.ask("seals")
    one = asked()
    for _ in range(5):
        reader.ask("seals")
    assert (asked(), Look.objects.count(), len(list(looks.of(establishment)))) == (one, 6, 6)


def test_more_entrances_cost_no_more_statements(
    leads: Browser, establishment: Establishment, let_in: Any
) -> None:
    def asked() -> int:
        with CaptureQueriesContext(connection) as queries:
            leads.get(address(establishment))
        return len(queries)

    let_in()
    one = asked()
    now = timezone.now()
    for number in range(2, 6):
        let_in(opens_at=now + number * timedelta(days=1), closes_at=now + (number + 1) * timedelta(days=1))
    assert asked() == one


def test_the_page_comes_in_spanish(leads: Browser, establishment: Establishment) -> None:
    assert "Dar acceso a un inspector" in text(leads.get(address(establishment), {"language": "es"}))
