"""The plain index of what there is: over the API and as a page, for an inspector of the days of the entrance."""

import html
import re
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test import Client as Browser
from django.test.utils import CaptureQueriesContext
from django.utils import translation

from batches import shipping, storing
from batches.models import Batch, BatchState, Lot, TradingPartner
from ledger import entrances
from ledger.ids import uuid7
from ledger.models import Establishment, Look, Person
from reports import jobs
from reports.models import DocumentJob
from tests.batches.conftest import *  # noqa: F403 - a batch to make a document of
from tests.conftest import NOON, Client
from tests.reports.test_jobs import ask as ask
from tests.reports.test_jobs import planned_batch as planned_batch
from tests.reports.test_jobs import quick_pdf as quick_pdf

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
MARCH = {"first_day": date(2026, 3, 1), "last_day": date(2026, 3, 31)}


@pytest.fixture
def reader(client_of: Callable[..., Client], inspector: Person, let_in: Any) -> Client:
    let_in(**MARCH)
    return client_of(inspector)


def by_name(answer: Any) -> dict[str, Any]:
    return {each["name"]: each for each in answer.json()["sections"]}


def test_a_batch_of_the_days_is_counted_and_offered(reader: Client, planned_batch: Batch) -> None:
    found = by_name(reader.ask("open-records"))["batches"]
    assert found["count"] == 1
    (offer,) = found["documents"]
    assert offer["of"].startswith(planned_batch.code)
    assert offer["ask"] == {"kind": "batch-record", "subject": str(planned_batch.uid), "language": "en"}


def test_what_is_offered_can_be_asked_for_as_it_stands(reader: Client, planned_batch: Batch) -> None:
    offers = [
        each for section in reader.ask("open-records").json()["sections"] for each in section["documents"]
    ]
    assert len(offers) > 5
    answers = [reader.send("documents", each["ask"]) for each in offers]
    assert [answer.status_code for answer in answers] == [202] * len(offers)


def test_a_batch_of_other_days_is_not_there(reader: Client, planned_batch: Batch) -> None:
    BatchState.objects.update(started_at="2026-02-27T09:00:00Z", ended_at="2026-02-28T09:00:00Z")
    assert by_name(reader.ask("open-records"))["batches"]["count"] == 0


def test_an_empty_period_counts_nothing(reader: Client) -> None:
    counts = {name: each["count"] for name, each in by_name(reader.ask("open-records")).items()}
    assert {name: count for name, count in counts.items() if count} == {"people": 2}  # lead and inspector


def test_a_lot_of_the_days_offers_its_whole_trace_and_its_balance(reader: Client, paste: Lot) -> None:
    found = by_name(reader.ask("open-records"))["lots"]
    trace, balance = (each["ask"] for each in found["documents"])
    assert (found["count"], found["documents"][0]["of"]) == (1, f"{paste.code}, Hazelnut paste, {paste.day}")
    assert trace["trace"] == {"lot": [str(paste.uid)], "direction": "whole"}
    assert balance["balance"] == {"lot": str(paste.uid)}


def test_a_lots_documents_can_be_asked_for_as_they_stand(reader: Client, paste: Lot) -> None:
    offers = by_name(reader.ask("open-records"))["lots"]["documents"]
    assert [reader.send("documents", each["ask"]).status_code for each in offers] == [202, 202]


def test_a_lot_that_was_only_moved_on_the_days_is_not_there(
    reader: Client, paste: Lot, act: Any, make_place: Any
) -> None:
    storing.move(act=act(at=NOON + DAY), lot=paste, to_place=make_place("Shelf"), quantity="1", unit="KGM")
    assert by_name(reader.ask("open-records", first="2026-03-03"))["lots"]["count"] == 0


def test_the_days_are_those_of_the_entrance(reader: Client) -> None:
    told = reader.ask("open-records").json()
    assert (told["first"], told["last"]) == ("2026-03-01", "2026-03-31")


def test_fewer_days_may_be_asked_for_and_no_others(reader: Client) -> None:
    assert reader.ask("open-records", first="2026-03-05", last="2026-03-06").json()["first"] == "2026-03-05"
    refused = reader.ask("open-records", first="2026-02-28")
    assert (refused.status_code, refused.json()["type"]) == (403, "/api/problems/other-days")


@pytest.mark.parametrize("said", [{"first": "soon"}, {"first": "2026-03-09", "last": "2026-03-08"}])
def test_days_that_are_none_are_refused(reader: Client, said: dict[str, str]) -> None:
    assert reader.ask("open-records", **said).status_code == 400


def test_who_works_here_names_the_days(api: Client) -> None:
    assert api.ask("open-records").status_code == 400
    assert api.ask("open-records", first="2026-03-01", last="2026-03-31").status_code == 200


def test_an_entrance_of_more_than_ten_years_shows_the_last_ten(
    client_of: Any, inspector: Person, let_in: Any
) -> None:
    let_in(first_day=date(1990, 1, 1), last_day=date(2026, 1, 1))
    assert client_of(inspector).ask("open-records").json()["first"] == "2016-01-01"


def test_titles_come_in_spanish(reader: Client) -> None:
    found = by_name(reader.ask("open-records", language="es"))
    assert found["batches"]["title"] == "Lotes de fabricación"


def test_the_looks_come_as_csv_with_the_readers_words_made_harmless(
    let_in: Any, client_of: Any, inspector: Person, lead_api: Client
) -> None:
    """RFC 4180: lines end in CR LF, and a field with a comma stands in quotes."""
    let_in(authority="=Office, west")
    client_of(inspector).ask("seals")
    answer = lead_api.ask("looks.csv")
    head, row, end = b"".join(answer.streaming_content).decode().split("\r\n")
    assert head.startswith("at,name,authority,in_words,what,document")
    assert ',Petra Inspect,"\'=Office, west",looked at the seals,seals,,,,200,127.0.0.1,' in row
    assert (end, answer["Content-Type"].split(";")[0]) == ("", "text/csv")


@pytest.fixture
def signed_in(lead: Person) -> Browser:
    made = Browser()
    made.force_login(lead, backend="django.contrib.auth.backends.ModelBackend")
    return made


def test_the_page_of_looks_leads_to_the_same_csv_for_who_is_signed_in(
    let_in: Any, client_of: Any, inspector: Person, lead_api: Client, signed_in: Browser, establishment: Any
) -> None:
    let_in(authority="=Office, west")
    client_of(inspector).ask("seals")
    shown = signed_in.get(f"/at/{establishment.pk}/looks?language=es").content.decode()
    (link,) = re.findall(r'href="([^"]*looks\.csv[^"]*)"', shown)
    fetched = signed_in.get(html.unescape(link))
    same = lead_api.ask("looks.csv", language="es")
    assert b"".join(fetched.streaming_content) == b"".join(same.streaming_content)
    assert fetched["Content-Disposition"] == 'attachment; filename="looks.csv"'


def test_the_csv_of_one_entrance_tells_of_no_other(
    let_in: Any, client_of: Any, inspector: Person, signed_in: Browser, establishment: Any
) -> None:
    entrance = let_in()
    client_of(inspector).ask("seals")
    at = f"/at/{establishment.pk}/looks.csv?entrance="
    lines = [
        len(b"".join(signed_in.get(f"{at}{key}").streaming_content).splitlines())
        for key in (entrance.pk, uuid7())
    ]
    assert lines == [2, 1]


def test_nobody_fetches_the_looks_without_signing_in(browser: Browser, establishment: Any) -> None:
    at = f"/at/{establishment.pk}/looks.csv"
    assert (Browser().get(at).status_code, browser.get(at).status_code) == (302, 403)


# -- the page ---------------------------------------------------------------------------------------


@pytest.fixture
def browser(inspector: Person, let_in: Any) -> Browser:
    let_in(**MARCH)
    made = Browser()
    made.force_login(inspector, backend="django.contrib.auth.backends.ModelBackend")
    return made


@pytest.fixture
def page(browser: Browser, establishment: Establishment) -> Callable[..., str]:
    def show(**query: str) -> str:
        answer = browser.get(f"/at/{establishment.pk}/open-records", query)
        assert answer.status_code == 200, answer.content[:2000]
        return " ".join(answer.content.decode().split())

    return show


def press(browser: Browser, here: Establishment, **said: str) -> Any:
    return browser.post(f"/at/{here.pk}/open-records/ask", said, follow=True)


def test_the_sign_in_leads_to_the_page(browser: Browser, establishment: Establishment) -> None:
    assert f'href="/at/{establishment.pk}/open-records"' in browser.get("/").content.decode()


def test_a_stranger_is_led_to_the_sign_in(establishment: Establishment) -> None:
    answer = Browser().get(f"/at/{establishment.pk}/open-records")
    assert answer.headers["Location"].startswith("/sign-in?next=")


def test_who_works_here_is_told_whose_page_it_is(establishment: Establishment, operator: Person) -> None:
    browser = Browser()
    browser.force_login(operator, backend="django.contrib.auth.backends.ModelBackend")
    assert browser.get(f"/at/{establishment.pk}/open-records").status_code == 403


def test_the_page_lists_what_there_is(page: Any, planned_batch: Batch) -> None:
    shown = page()
    assert "Batches: 1" in shown
    assert planned_batch.code in shown


def test_an_empty_period_says_so(page: Any) -> None:
    assert "Nothing was recorded in these days." in page()


def test_a_button_asks_and_the_document_is_fetched(
    page: Any, browser: Browser, establishment: Establishment, planned_batch: Batch, quick_pdf: None
) -> None:
    page()
    press(browser, establishment, kind="batch-record", subject=str(planned_batch.uid))
    job = DocumentJob.objects.get()
    assert "is being made" in page()
    jobs.make(job.pk)
    (link,) = set(re.findall(r'href="([^"]+/file\.pdf)"', page()))
    answer = browser.get(link)
    assert b"".join(answer.streaming_content).startswith(b"%PDF")
    assert job.about == {"outside": True}


def test_every_page_button_and_file_is_a_look(
    page: Any, browser: Browser, establishment: Establishment, planned_batch: Batch, quick_pdf: None
) -> None:
    browser.post(
        f"/at/{establishment.pk}/open-records/ask",
        {"kind": "batch-record", "subject": str(planned_batch.uid)},
    )
    job = DocumentJob.objects.get()
    jobs.make(job.pk)
    page()
    browser.get(f"/at/{establishment.pk}/open-records/{job.pk}/file.pdf")
    rows = Look.objects.order_by("at", "id").values_list("what", "document", "answered")
    assert list(rows) == [
        ("open-records-ask", 1, 302),
        ("open-records", None, 200),
        ("open-records-pdf", 1, 200),
    ]


def buttons(shown: str, kind: str) -> list[dict[str, str]]:
    """What each button of the kind sends, as a browser reads it."""
    forms = re.findall(rf'<form method="post".*?name="kind" value="{kind}".*?</form>', shown)
    return [
        {name: html.unescape(value) for name, value in re.findall(r'name="(\w+)" value="([^"]*)"', form)}
        for form in forms
    ]


@pytest.mark.parametrize(("kind", "lots"), [("trace", list), ("mass-balance", str)])
def test_each_lot_has_its_own_button(
    kind: str, lots: Any, page: Any, browser: Browser, establishment: Establishment, receive: Any
) -> None:
    first, second = receive().lot, receive().lot
    sent = [each for each in buttons(page(), kind) if str(first.uid) in each["about"]]
    press(browser, establishment, **sent[0])
    about = DocumentJob.objects.get().about
    assert about["lot"] == ([str(first.uid)] if lots is list else str(first.uid))
    assert first.uid != second.uid


@pytest.mark.parametrize(
    ("language", "told"),
    [
        ("en", "tells of 2026-03-02 to 2026-03-02; your entrance opens 2026-03-03 to 2026-03-31."),
        ("es", "trata de 2026-03-02 a 2026-03-02; su acceso abre 2026-03-03 a 2026-03-31."),
    ],
)
def test_a_lot_that_came_before_the_days_is_listed_and_its_trace_refused_in_a_sentence(
    language: str, told: str, inspector: Person, let_in: Any, act: Any, paste: Lot, customer: TradingPartner
) -> None:
    shipping.ship(act=act(at=NOON + DAY), lot=paste, customer=customer, quantity="1", unit="KGM")
    let_in(first_day=date(2026, 3, 3), last_day=date(2026, 3, 31))
    browser = Browser()
    browser.force_login(inspector, backend="django.contrib.auth.backends.ModelBackend")
    index = f"/at/{paste.establishment_id}/open-records"
    shown = browser.get(index, {"language": language}).content.decode()
    (pressed,) = buttons(shown, "trace")
    answer = browser.post(f"{index}/ask?language={language}", pressed, follow=True)
    assert told in answer.content.decode()
    assert (answer.status_code, DocumentJob.objects.exists()) == (200, False)


def test_what_is_not_on_the_page_is_not_asked_for(
    browser: Browser, establishment: Establishment, planned_batch: Batch
) -> None:
    BatchState.objects.update(started_at="2026-02-27T09:00:00Z", ended_at="2026-02-28T09:00:00Z")
    answer = press(browser, establishment, kind="batch-record", subject=str(planned_batch.uid))
    assert (answer.status_code, DocumentJob.objects.exists()) == (404, False)


def test_a_file_of_other_days_is_not_fetched(
    browser: Browser,
    establishment: Establishment,
    planned_batch: Batch,
    ask: Callable[..., DocumentJob],
    quick_pdf: None,
) -> None:
    BatchState.objects.update(started_at="2026-02-27T09:00:00Z", ended_at="2026-02-28T09:00:00Z")
    job = ask(outside=True)
    jobs.make(job.pk)
    assert browser.get(f"/at/{establishment.pk}/open-records/{job.pk}/file.pdf").status_code == 404
    assert Look.objects.get().answered == 404


def test_a_file_that_is_not_made_yet_says_so(
    browser: Browser, establishment: Establishment, ask: Callable[..., DocumentJob]
) -> None:
    answer = browser.get(f"/at/{establishment.pk}/open-records/{ask(outside=True).pk}/file.pdf")
    assert answer.status_code == 409


def test_a_session_ends_with_the_entrance_and_says_whom_to_ask(
    browser: Browser, establishment: Establishment, act: Any, lead: Person
) -> None:
    from ledger.models import Entrance

    opened = Entrance.objects.get()
    entrances.revoke(act=act(by=lead, corrects=opened.pk, reason="Over.", withdraws=True))
    answer = browser.get(f"/at/{establishment.pk}/open-records")
    assert answer.status_code == 403
    assert "Your entrance was revoked on" in answer.content.decode()
    assert "Ask a food-safety lead or an administrator of Lindenhof Sweets" in answer.content.decode()


def test_days_that_are_none_are_told_and_the_page_is_still_there(page: Any) -> None:
    assert "This is no day." in page(first="2026-02-31")


def test_the_page_comes_in_spanish(page: Any, planned_batch: Batch) -> None:
    shown = page(language="es")
    assert '<html lang="es"' in shown
    assert "Lotes de fabricación: 1" in shown


def test_the_language_of_the_browser_counts_where_none_is_asked_for(
    browser: Browser, establishment: Establishment
) -> None:
    answer = browser.get(f"/at/{establishment.pk}/open-records", HTTP_ACCEPT_LANGUAGE="es-MX,en;q=0.5")
    assert '<html lang="es"' in answer.content.decode()


def test_more_batches_cost_no_more_statements(
    browser: Browser, establishment: Establishment, ask: Callable[..., DocumentJob]
) -> None:
    def asked() -> int:
        with CaptureQueriesContext(connection) as queries:
            browser.get(f"/at/{establishment.pk}/open-records")
        return len(queries)

    alone = asked()
    for _ in range(5):
        ask(outside=True)
    assert asked() == alone


TEMPLATES = (
    "reports/templates/reports/pages/open_records.html",
    "reports/templates/reports/pages/_made.html",
)


@pytest.mark.parametrize("template", TEMPLATES)
def test_no_sentence_of_the_page_is_left_in_english(template: str) -> None:
    text = (Path(__file__).parents[2] / template).read_text()
    sentences = {found[1] for found in re.findall(r"translate (['\"])(.*?)\1", text)}
    with translation.override("es"):
        assert [each for each in sentences if translation.gettext(each) == each] == []
