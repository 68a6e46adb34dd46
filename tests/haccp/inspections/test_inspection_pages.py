"""The pages of inspections: what is due, one visit, and forms that record, ask back and say what is wrong where."""

import io
import re
from typing import Any
from unittest.mock import patch

import pytest
from django.http import HttpResponse
from django.test import Client

from haccp.inspections import visits
from haccp.models import Finding, FindingAnswer, FindingClosed, Inspection, InspectionEnd, InspectionSample
from ledger.ids import uuid7
from ledger.models import Attachment, Person
from reports import jobs
from reports.pages import numbered
from tests.conftest import NOON, PASSWORD

pytestmark = pytest.mark.django_db
BACKEND = "django.contrib.auth.backends.ModelBackend"
AT = "2026-03-02T13:00"
PNG = bytes.fromhex("89504e470d0a1a0a") + b"of this test only"


def signed_in(person: Person) -> Client:
    browser = Client(SERVER_NAME="localhost")
    browser.force_login(person, backend=BACKEND)
    return browser


@pytest.fixture
def browser(operator: Person) -> Client:
    return signed_in(operator)


def all_of(visit: Any) -> str:
    return f"/at/{visit.establishment_id}/inspections"


def page_of(visit: Inspection) -> str:
    return f"{all_of(visit)}/{visit.pk}"


def send(browser: Client, visit: Inspection, deed: str, **values: Any) -> Any:
    return browser.post(page_of(visit), {"deed": deed, "record": str(uuid7()), "at": AT, **values})


def shown(browser: Client, address: str) -> str:
    answer = browser.get(address)
    assert answer.status_code == 200
    return answer.content.decode()


def test_the_list_tells_what_is_due_and_who_came(browser: Client, visit: Any, finding: Finding, take: Any):
    take(analysis="Salmonella")
    page = shown(browser, all_of(visit))
    for told in ("2026-03-16", "not answered, late", "Salmonella", "Town food office", "here still"):
        assert told in page


def test_a_visit_is_begun_by_its_form_on_the_clock_of_the_house(browser: Client, establishment: Any) -> None:
    answer = browser.post(
        f"/at/{establishment.pk}/inspections",
        {
            "record": str(uuid7()),
            "at": "2026-03-02T12:00",
            "by_whom": "authority",
            "body": "Town food office",
            "why": "routine",
            "how": "on-site",
            "people": "Rosalind Quiet, food inspector\nB. Second",
        },
    )
    visit = Inspection.objects.get()
    assert (answer.status_code, answer["Location"]) == (302, page_of(visit))
    assert visit.performed_at == NOON
    assert visit.visitors == [
        {"name": "Rosalind Quiet", "function": "food inspector"},
        {"name": "B. Second", "function": ""},
    ]


def test_another_reason_without_words_is_asked_back_at_its_field(browser: Client, establishment: Any) -> None:
    said = {"by_whom": "other", "body": "A neighbour", "why": "other", "how": "on-site"}
    answer = browser.post(f"/at/{establishment.pk}/inspections", said | {"record": str(uuid7()), "at": AT})
    assert answer.status_code == 400
    assert "what they came for" in answer.content.decode()
    assert "A neighbour" in answer.content.decode()
    assert not Inspection.objects.exists()


def test_a_finding_an_answer_with_its_photo_and_the_end_are_recorded(browser: Client, visit: Any) -> None:
    send(browser, visit, "finding", text="The seal is torn.", due_on="2026-03-16")
    finding = Finding.objects.get()
    photo = io.BytesIO(PNG)
    photo.name = "seal.png"
    send(browser, visit, "answer", finding=str(finding.pk), text="Replaced.", file=photo)
    answer = FindingAnswer.objects.get()
    assert Attachment.objects.get().target_id == answer.pk
    send(browser, visit, "end", outcome="One finding.", reference="Protocol 12")
    assert InspectionEnd.objects.get().reference == "Protocol 12"
    page = shown(browser, page_of(visit))
    for told in ("The seal is torn.", "Replaced.", "answered, not closed", "seal.png", "One finding."):
        assert told in page
    assert "They leave" not in page


def test_an_answer_whose_file_cannot_be_kept_is_asked_back_whole(browser: Client, visit: Any, finding: Any):
    film = io.BytesIO(b"moving pictures")
    film.name = "door.avi"
    answer = send(browser, visit, "answer", finding=str(finding.pk), text="Replaced.", file=film)
    assert answer.status_code == 400
    assert "Replaced." in answer.content.decode()
    assert not FindingAnswer.objects.exists()


def test_a_form_sent_twice_is_one_record(browser: Client, visit: Any, finding: Finding) -> None:
    said = {"deed": "answer", "record": str(uuid7()), "at": AT, "finding": str(finding.pk), "text": "Done."}
    assert [browser.post(page_of(visit), said).status_code for _ in range(2)] == [302, 302]
    assert FindingAnswer.objects.count() == 1


def test_a_sample_is_taken_by_the_lots_code(browser: Client, visit: Any, sugar_lot: Any) -> None:
    said = {"quantity": "0.25", "unit": "KGM", "counter": "none"}
    assert send(browser, visit, "sample", lot="NOBODY-1", **said).status_code == 404
    assert send(browser, visit, "sample", lot=sugar_lot.code, **said).status_code == 302
    sample = InspectionSample.objects.get()
    assert sample.lot == sugar_lot
    told = send(browser, visit, "result", sample=str(sample.pk), outcome="in-order", text="Nothing found.")
    assert told.status_code == 302
    assert "Nothing found." in shown(browser, page_of(visit))


def test_a_day_before_the_visit_is_asked_back_on_the_page(browser: Client, visit: Any) -> None:
    early = {"text": "The seal is torn.", "due_on": "2026-03-01"}
    refused = send(browser, visit, "finding", **early)
    assert (refused.status_code, "look at the day" in refused.content.decode()) == (409, True)
    assert send(browser, visit, "finding", as_entered="on", **early).status_code == 302


def test_a_lead_closes_by_password_and_an_operator_sees_no_such_form(
    browser: Client, lead: Person, visit: Any, finding: Finding, answer: Any
) -> None:
    answer()
    assert "Close by signature" not in shown(browser, page_of(visit))
    of_lead = signed_in(lead)
    assert "Close by signature" in shown(of_lead, page_of(visit))
    said = {"finding": str(finding.pk), "by": "them", "reference": "Letter 20"}
    assert send(of_lead, visit, "closing", password="wrong", **said).status_code == 403
    assert send(of_lead, visit, "closing", password=PASSWORD, **said).status_code == 302
    assert FindingClosed.objects.get().reference == "Letter 20"
    assert re.search(
        f"2026-03-02 13:00[^<]*, {lead.name}: <strong>Closed</strong>", shown(of_lead, page_of(visit))
    )


def test_a_document_that_was_shown_is_a_link_to_its_paper(
    browser: Client, visit: Any, act: Any, lead: Person
) -> None:
    job = jobs.ask(establishment=visit.establishment, asked_by=lead, kind="people-list")
    visits.note(act=act(), inspection=visit, what="shown", document=job.number)
    address = f"/at/{visit.establishment_id}/documents/{job.number}"
    assert f'<a href="{address}">Document {job.number:06d}</a>' in shown(browser, page_of(visit))
    waiting = browser.get(address)
    assert (waiting.status_code, "is queued" in waiting.content.decode()) == (409, True)
    with patch.object(
        numbered, "fetched", side_effect=lambda made, kind: HttpResponse(f"{kind} {made.number}")
    ):
        assert browser.get(address).content.decode() == f"pdf {job.number}"
    assert browser.get(f"/at/{visit.establishment_id}/documents/999").status_code == 404


def test_what_is_of_another_visit_is_not_answered_here(
    browser: Client, arrive: Any, finding: Finding
) -> None:
    other = arrive()
    answer = send(browser, other, "answer", finding=str(finding.pk), text="Replaced.")
    assert answer.status_code == 404
    assert not FindingAnswer.objects.exists()


def test_what_they_said_is_shown_as_text(browser: Client, find: Any, visit: Any) -> None:
    find(text="<script>alert(1)</script>")
    assert "<script>alert" not in shown(browser, page_of(visit))


@pytest.mark.parametrize("address", [all_of, page_of])
def test_a_stranger_finds_no_such_page_and_an_inspector_is_not_let_in(
    address: Any, visit: Any, inspector: Person, make_person: Any, make_establishment: Any
) -> None:
    other = make_person("Rita Other")
    make_establishment(other, name="The Other House")
    asked = [signed_in(person).get(address(visit)).status_code for person in (inspector, other)]
    assert asked == [403, 404]
    assert Client(SERVER_NAME="localhost").get(address(visit)).status_code == 302


def test_the_first_page_leads_to_it(browser: Client, visit: Any) -> None:
    assert all_of(visit) in shown(browser, "/")


def test_a_deed_there_is_not_is_400(browser: Client, visit: Any) -> None:
    assert send(browser, visit, "dance").status_code == 400
