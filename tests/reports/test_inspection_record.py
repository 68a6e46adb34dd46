"""An inspection on paper: all that stands and what was put right, names left out for outside, data as tables.

What law lets be asked of such a record is held against its fields (the texts from memory where it is not said):
Regulation (EU) 2017/625, Article 13(1), on written records of official controls: purpose, methods, outcome, action the
operator is to take; Article 35, second expert opinion: a counter-sample (read in a secondary text). 21 USC 374(b) to (d):
written observations, a receipt for samples, results of their analysis. 21 CFR 117.320: records for review and copying
(read in a secondary text).
"""

import csv
import io
import json
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from haccp.inspections import samples, visits, withdrawals
from haccp.models import Finding, Inspection
from ledger import attachments, disclosures
from ledger.entrances import Days
from ledger.models import Entry, Person
from ledger.standalone import check_evidence
from reports import dated, inspection_record, jobs, open_records, reading, rendering, tables
from reports.inspection import contents
from reports.inspection.asked import Asked
from reports.models import DocumentJob
from tests.conftest import NOON
from tests.haccp.conftest import HOUR
from tests.haccp.inspections.conftest import *  # noqa: F403 - a visit and what happens in it

pytestmark = pytest.mark.django_db
NAME = "Rosalind Quiet"


@pytest.fixture
def ask(lead: Person) -> Callable[..., DocumentJob]:
    def do(visit: Inspection, **how: Any) -> DocumentJob:
        here = visit.establishment
        return jobs.ask(establishment=here, asked_by=lead, kind="inspection-record", subject=visit.pk, **how)

    return do


@pytest.fixture
def read(ask: Any, visit: Inspection) -> Callable[..., tuple[Any, str, dict[str, Any]]]:
    """The document, all it shows as page, data and evidence in one text, and its evidence."""

    def do(**how: Any) -> tuple[Any, str, dict[str, Any]]:
        document, shown = jobs.read(ask(visit, **how))
        evidence = reading.evidence_file(visit.establishment, shown, [document]).content
        looks = (rendering.to_html(document, for_paper=True), rendering.to_json(document).decode())
        return document, "\n".join([*looks, evidence.decode()]), json.loads(evidence)

    return do


@pytest.fixture
def visit(arrive: Any) -> Inspection:
    made: Inspection = arrive(about="The records of winter", methods="Walked through, records read")
    return made


@pytest.fixture
def whole_visit(
    act: Any, visit: Inspection, finding: Finding, answer: Any, close: Any, take: Any
) -> Inspection:
    """With one of each."""
    given = answer(told="By letter")
    file = io.BytesIO(b"%PDF-1.4 a photo of the door")
    target = Entry.objects.get(pk=given.pk)
    kept = {"file_name": "door.pdf", "media_type": "application/pdf"}
    attachments.attach(act=act(), target=target, file=file, **kept)
    close()
    sample = take(analysis="Salmonella", receipt="R 9", mark="Seal 4711")
    samples.tell_result(
        act=act(at=NOON + 24 * HOUR), sample=sample, outcome="in-order", text="Nothing found."
    )
    visits.note(act=act(at=NOON + HOUR), inspection=visit, what="copied", text="The log of the store")
    visits.leave(act=act(at=NOON + 2 * HOUR), inspection=visit, outcome="One finding.", reference="P 12")
    return visit


def test_it_tells_who_came_what_was_shown_taken_found_answered_and_closed(
    read: Any, whole_visit: Inspection
) -> None:
    document, shown, _ = read()
    for told in (
        "Town food office",
        NAME,
        "The seal of the door is torn.",
        "2026-03-16",
        "The seal was replaced.",
        "By letter",
        "door.pdf, SHA-256",
        "Letter 20",
        "0.250 kg",
        "Seal 4712, in the office safe",
        "R 9",
        "The log of the store",
        "One finding.",
        "closing of a finding",
    ):
        assert told in shown, told
    assert document.findings[0].done == "closed"


LAW: dict[
    str, tuple[str, Callable[[Any], Any]]
] = {  # what it asks of such a record: what was said, where it stands
    "2017/625 Article 13(1), purpose": ("The records of winter", lambda shown: shown.about),
    "2017/625 Article 13(1), methods": ("Walked through", lambda shown: shown.methods),
    "2017/625 Article 13(1), outcome": ("One finding.", lambda shown: shown.ends[0].outcome),
    "2017/625 Article 13(1), action": ("The seal of the door is torn.", lambda shown: shown.findings[0].text),
    "2017/625 Article 35, counter-sample": ("Seal 4712", lambda shown: shown.samples[0].counter),
    "21 USC 374(b), observations in writing": ("P 12", lambda shown: shown.ends[0].reference),
    "21 USC 374(c), receipt for samples": ("R 9", lambda shown: shown.samples[0].receipt),
    "21 USC 374(d), what an analysis came to": ("Nothing found.", lambda shown: shown.results[0].text),
    "21 CFR 117.320, what was copied": ("The log of the store", lambda shown: shown.notes[0].text),
}


def test_each_thing_that_law_lets_be_asked_stands_in_its_field(read: Any, whole_visit: Inspection) -> None:
    document, _, _ = read()
    missing = [asked for asked, (said, of) in LAW.items() if said not in str(of(document))]
    assert missing == []


def test_what_was_put_right_stays_legible_with_its_reason(
    read: Any, act: Any, find: Any, finding: Finding
) -> None:
    find(act(at=NOON + HOUR, corrects=finding.pk, reason="Misheard."), text="The seal of the hatch is torn.")
    document, shown, _ = read()
    first, second = document.findings
    assert (first.replaced.reason, first.done, second.done) == ("Misheard.", "", "not answered")
    assert "The seal of the door is torn." in shown
    assert len(document.answers) == 0


def test_late_is_shown_on_the_finding(read: Any, answer: Any, act: Any) -> None:
    answer(act(at=NOON + 15 * 24 * HOUR))
    document, shown, _ = read()
    assert document.findings[0].late_days == 1
    assert "1 day late" in shown


# -- for outside -----------------------------------------------------------------------------------------


def test_inside_the_house_the_names_stand_in_it(read: Any, whole_visit: Inspection) -> None:
    """Shows that the next test could fail."""
    assert NAME in read()[1]


def test_for_outside_no_name_of_who_came_is_in_page_data_or_evidence(
    read: Any, whole_visit: Inspection
) -> None:
    document, shown, _ = read(outside=True)
    assert NAME not in shown
    assert "food inspector" in shown
    assert "<li>Names of those who came to inspect</li>" in shown
    assert document.left_out


def test_the_evidence_for_outside_still_verifies(read: Any, whole_visit: Inspection) -> None:
    document, _, evidence = read(outside=True)
    found = check_evidence.check(evidence, document=json.loads(rendering.to_json(document)))
    assert found.differences == []


def test_with_the_word_of_a_lead_the_names_are_in_it_and_it_says_so(
    read: Any, act: Any, lead: Person, visit: Inspection
) -> None:
    disclosures.disclose(
        act=act(lead), subject=visit.pk, part="visitors", given_to="The court", because="It asks for it."
    )
    document, shown, _ = read(outside=True)
    assert NAME in shown
    assert "let names of those who came to inspect go to The court" in shown
    assert document.included[0].record in document.record_ids


# -- forms -----------------------------------------------------------------------------------------------


def test_its_findings_are_a_table_and_the_rest_further_ones(read: Any, whole_visit: Inspection) -> None:
    document, _, _ = read()
    named = [each.name for each in document.data_tables()]
    assert named[0] == "findings"
    content = b"".join(tables.as_csv(document.data_tables()[0])).decode()
    (row,) = csv.DictReader(io.StringIO(content, newline=""), strict=True)
    assert (row["text"], row["due_on"], row["done"]) == (
        "The seal of the door is torn.",
        "2026-03-16",
        "closed",
    )


def test_a_formula_in_their_words_is_made_harmless_in_the_table(read: Any, find: Any) -> None:
    find(text='=HYPERLINK("http://example.org")')
    document, _, _ = read()
    content = b"".join(tables.as_csv(document.data_tables()[0])).decode()
    assert "'=HYPERLINK" in content


def test_it_is_told_in_spanish(read: Any, whole_visit: Inspection) -> None:
    document, shown, _ = read(language="es")
    for told in (
        "Registro de inspección",
        "Constataciones",
        "Contramuestra",
        "queda aquí, precintada",
        "cerrada",
    ):
        assert told in shown, told
    assert document.why == "de rutina"


def test_a_visit_of_nothing_says_so(read: Any) -> None:
    _, shown, _ = read()
    for told in ("No finding was recorded.", "No sample was taken.", "That they left is not recorded."):
        assert told in shown


def test_markup_in_their_words_is_text(read: Any, find: Any) -> None:
    find(text='<img src="file:///etc/passwd">')
    assert '<img src="file' not in read()[1].split("<main>")[1].split("</main>")[0]


def test_a_document_that_was_copied_is_named_with_its_kind(
    ask: Any, read: Any, act: Any, visit: Inspection
) -> None:
    job = ask(visit)
    visits.note(act=act(), inspection=visit, what="copied", document=job.number)
    document, _, _ = read()
    assert document.notes[0].document == (f"{job.number:06d}, inspection record",)


def test_a_withdrawn_answer_is_told_at_what_it_withdraws(
    read: Any, act: Any, visit: Inspection, answer: Any
) -> None:
    gone = act(corrects=answer().pk, reason="Of another door.", withdraws=True)
    withdrawals.withdraw(act=gone, inspection=visit, what="answer")
    document, _, evidence = read()
    (line,) = document.answers
    assert line.replaced.withdrawn
    assert {str(line.record), str(line.replaced.record)} <= {each["id"] for each in evidence["records"]}


def test_the_cost_of_a_long_visit_is_flat(
    read: Any, find: Any, answer: Any, ask: Any, visit: Inspection, django_assert_max_num_queries: Any
) -> None:
    for number in range(5):
        answer(finding=find(number=str(number)))
    job = ask(visit)
    with django_assert_max_num_queries(30):
        inspection_record.build(
            visit.establishment, visit.pk, {}, **jobs._head(job, NOON), title="", seal=None
        )


# -- in the inspection file --------------------------------------------------------------------------------


def test_the_file_of_a_period_holds_visits_of_authorities_in_it(establishment: Any, arrive: Any) -> None:
    visit = arrive()
    arrive(by_whom="buyer", body="Lakeside Foods")
    asked = Asked.read(establishment, {"since": "2026-03-01", "until": "2026-03-31"})
    (part,) = [each for each in contents.parts(asked) if each.kind == "inspection-record"]
    assert (part.subject, part.of) == (visit.pk, "Town food office, 2026-03-02")


def test_an_entrance_opens_visits_of_authorities_in_its_days_only(
    act: Any, establishment: Any, arrive: Any, visit: Inspection
) -> None:
    visits.leave(act=act(at=NOON + 24 * HOUR), inspection=visit)
    audit = arrive(by_whom="buyer", body="Lakeside Foods")
    days = Days(date(2026, 3, 2), date(2026, 3, 3))
    assert dated.days_of(establishment, "inspection-record", visit.pk, {}) == days
    assert dated.days_of(establishment, "inspection-record", audit.pk, {}) is None
    listed = {each.name: each for each in open_records.sections(establishment, days)}["inspections"]
    assert (listed.count, [each.subject for each in listed.offers]) == (1, [visit.pk])
