"""Logs, lists and sheets of the demo's firm: what they hold, in both languages, and as tables."""

import csv
import io
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from django.utils import translation
from django.utils.translation import gettext

from batches import flags
from batches.models import LotStatus, Material, Movement
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp import judging
from haccp.allergens import content
from haccp.allergens.content import CAUTION
from haccp.inspections import findings
from haccp.labels import recipe_lists
from haccp.models import (
    Changeover,
    Check,
    ControlKind,
    CounterSample,
    Deviation,
    Disposition,
    FindingClosed,
    HoldSubject,
    InspectedBy,
    InspectedFor,
    InspectedHow,
    InspectionNote,
    InstrumentVerification,
    LabelVersion,
    Method,
    Question,
    SampleResult,
    ShownBy,
    Verified,
)
from ledger.ids import uuid7
from ledger.models import Establishment, Meaning, Person, Qualification, Role
from reports import jobs, rendering, tables
from reports.demo.house import HOUSE, rows_id
from reports.models import DocumentJob
from tests.scene import Scene

pytestmark = pytest.mark.django_db
YEARS = {"first": "2020-01-01", "last": "2027-12-31"}
BEFORE = {"first": "2001-01-01", "last": "2001-12-31"}
OF_A_PERIOD = ("deviation-list", "receiving-log", "changeover-log", "verification-log")
NOTHING = {
    "deviation-list": "No deviation was opened in this period",
    "receiving-log": "Nothing was received in this period.",
    "changeover-log": "No changeover was recorded in this period.",
    "verification-log": "No instrument was verified in this period.",
}


@pytest.fixture
def read(scene: Scene) -> Callable[..., Any]:
    def do(kind: str, subject: Any = None, language: str = "en", **about: Any) -> Any:
        about = about or (YEARS if kind in OF_A_PERIOD else {})
        here, lead = Establishment.objects.get(pk=HOUSE), Person.objects.get(sign_in_name="mara")
        job = jobs.ask(
            establishment=here, asked_by=lead, kind=kind, subject=subject, about=about, language=language
        )
        return jobs.read(job)[0]

    return do


def product() -> UUID:
    return UUID(str(rows_id("materials", "FIL")))


def a_case() -> UUID:
    return UUID(str(Deviation.objects.filter(closing__isnull=False).order_by("recorded_at")[0].pk))


SUBJECTS: dict[str, Callable[[], UUID | None]] = {
    "deviation": a_case,
    "deviation-list": lambda: None,
    "receiving-log": lambda: None,
    "changeover-log": lambda: None,
    "verification-log": lambda: None,
    "people-list": lambda: None,
    "retention-report": lambda: None,
    "allergen-sheet": product,
}


def page(document: Any) -> str:
    return rendering.to_html(document, for_paper=False)


def rows(document: Any, place: int = 0) -> list[dict[str, str]]:
    made = b"".join(tables.as_csv(document.data_tables()[place])).decode()
    return list(csv.DictReader(io.StringIO(made, newline=""), strict=True))


# -- what each holds ------------------------------------------------------------------------------------


def test_a_deviation_tells_its_answers_decisions_holds_and_who_closed_it(read: Any) -> None:
    document = read("deviation", a_case())
    assert {each.question for each in document.case.answers} == {str(each.label) for each in Question}
    assert document.case.unanswered == ()
    assert document.holds
    assert document.case.dispositions
    shown = page(document)
    assert "closed by Mara Lindqvist" in shown
    assert not re.search(r"\b0 (d|days)\b", shown)
    assert "closing of the deviation" in {each.signed for each in document.signatures}
    assert all(lot in shown for hold in document.holds for lot in hold.lots)


def test_a_deviation_shows_its_own_note_and_that_it_was_written_down_late(read: Any) -> None:
    document = read("deviation", subject=Deviation.objects.filter(what="limit", establishment=HOUSE)[0].pk)
    case = replace(document.case, note="The belt squealed.", late_by=timedelta(hours=20))
    page = " ".join(rendering.to_html(replace(document, case=case), for_paper=True).split())
    assert 'Note: <span dir="auto">The belt squealed.' in page
    assert "written down 20 h after the work" in page


def test_a_batch_record_shows_the_note_of_a_deviation(read: Any) -> None:
    case = Deviation.objects.filter(what="limit", establishment=HOUSE)[0]
    document = read("batch-record", subject=Check.objects.get(pk=case.subject).batch.uid)
    cases = tuple(replace(each, note="The belt squealed.") for each in document.cases)
    assert "The belt squealed." in rendering.to_html(replace(document, cases=cases), for_paper=True)


def test_the_list_tells_which_cases_are_open_and_what_they_lack(read: Any) -> None:
    document = read("deviation-list")
    assert len(document.cases) == Deviation.objects.filter(establishment=HOUSE).count()
    standing = {each.record for each in document.open}
    assert standing == set(Deviation.objects.filter(closing__isnull=True).values_list("pk", flat=True))
    assert all(each.missing for each in document.open)
    assert sum(count for _, count in document.by_kind) == len(document.cases)


def test_a_case_from_before_that_was_still_open_is_in_the_list(read: Any) -> None:
    document = read("deviation-list", first="2027-06-01", last="2027-06-02")
    assert {each.closed_at for each in document.cases} == {None}
    assert document.cases


def test_every_delivery_is_in_the_receiving_log_with_supplier_and_decision(read: Any) -> None:
    document = read("receiving-log")
    received = Movement.objects.filter(establishment=HOUSE, what="received", withdrawn=False)
    assert {each.record for each in document.receipts} == set(received.values_list("pk", flat=True))
    row = next(each for each in rows(document) if each["status"] == "released")
    assert row["supplier"]
    assert re.fullmatch(r".+, \d{4}-\d\d-\d\d \d\d:\d\d [+-]\d\d:\d\d", row["decided"])


def test_a_changeover_tells_procedure_verifications_and_release(read: Any) -> None:
    document = read("changeover-log")
    found = Changeover.objects.filter(establishment=HOUSE, withdrawn=False)
    assert {each.record for each in document.changeovers} == set(found.values_list("pk", flat=True))
    released = next(each for each in document.changeovers if each.released)
    assert released.shown
    assert "version 1" in released.procedure
    assert any(not each.released for each in document.changeovers)
    assert "not released" in page(document)


def test_a_verification_tells_reference_found_and_what_it_speaks_for(read: Any) -> None:
    document = read("verification-log")
    assert len(document.verifications) == InstrumentVerification.objects.filter(withdrawn=False).count()
    line = document.verifications[0]
    assert all((line.should, line.source, line.found, line.covers, line.result))
    register = {each.code: each.verified for each in document.register}
    assert register["AW1"] > 0


def test_people_are_listed_with_roles_qualifications_and_no_address(read: Any) -> None:
    document = read("people-list")
    lead = next(each for each in document.people if each.name == "Mara Lindqvist")
    assert any(role.startswith("food-safety lead from 20") for role in lead.roles)
    assert "approves plans and reviews their records" in lead.may
    assert len(document.qualifications) == Qualification.objects.filter(establishment=HOUSE).count()
    assert "@" not in rendering.to_json(document).decode()


def test_a_sheet_tells_statements_what_follows_and_labels(read: Any) -> None:
    document = read("allergen-sheet", product())
    assert document.statements
    version = recipe_lists.version_of(Material.objects.get(pk=product()))
    assert version is not None
    derived = content.of_recipe(version, document.on)
    told = Counter(each.how for each in document.of_recipe)
    assert told["contained"] == len(derived.contains)
    assert told["unknown: nobody stated it"] == len(derived.unstated) > 0
    assert len(document.labels) == LabelVersion.objects.filter(material=product()).count()
    assert document.labels[-1].in_force
    assert document.assessed
    assert "Heat clears no allergen." in page(document)


# -- what all share ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", OF_A_PERIOD)
def test_an_empty_period_gives_a_document_that_says_so(read: Any, kind: str) -> None:
    document = read(kind, **BEFORE)
    assert NOTHING[kind] in page(document)
    assert rows(document) == []


@pytest.mark.parametrize("kind", SUBJECTS)
def test_it_is_told_in_spanish_and_as_tables(read: Any, kind: str) -> None:
    document = read(kind, SUBJECTS[kind](), language="es")
    assert '<html lang="es"' in page(document)
    for table in document.data_tables():
        assert all(len(row) == len(table.heads) for row in table.rows)
        assert all(isinstance(cell, str) for row in table.rows for cell in row)
    english = read(kind, SUBJECTS[kind]())
    assert [each.heads for each in document.data_tables()] == [each.heads for each in english.data_tables()]


@pytest.mark.parametrize("kind", OF_A_PERIOD)
def test_the_whole_is_asked_for_of_a_monitoring_log_only(read: Any, kind: str) -> None:
    with pytest.raises(Unusable):
        read(kind, whole=True)


@pytest.mark.parametrize("kind", OF_A_PERIOD)
def test_too_many_rows_are_refused_with_their_number(
    read: Any, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def few(count: int, most: int = 0) -> None:
        refuse(count, 1)

    from reports import periods

    refuse = periods.refuse_too_many
    monkeypatch.setattr(periods, "refuse_too_many", few)
    with pytest.raises(RuleBroken, match="rows, and one document holds 1"):
        read(kind)
    assert not DocumentJob.objects.filter(kind=kind).exists()


@pytest.mark.parametrize("kind", ["deviation", "allergen-sheet"])
def test_what_is_not_here_is_unknown(read: Any, kind: str) -> None:
    with pytest.raises(Unknown):
        read(kind, uuid7())
    assert Material.objects.filter(establishment=HOUSE).exists()


def test_every_word_that_records_keep_in_english_is_known_in_spanish() -> None:
    kept = (Deviation.What, HoldSubject, Question, Disposition.Decision, LotStatus, Role, Method, Verified)
    words = {str(each.label) for kinds in (*kept, ShownBy, ControlKind, Meaning) for each in kinds}
    inspected = (InspectedBy, InspectedFor, InspectedHow, CounterSample, InspectionNote.What)
    words |= {
        str(each.label) for kinds in (*inspected, SampleResult.Outcome, FindingClosed.By) for each in kinds
    }
    words |= {*flags.SENTENCES.values(), *judging.SENTENCES.values(), *findings.SENTENCES.values()}
    words |= {judging.GONE, CAUTION}
    with translation.override("es"):
        same = {word for word in words if gettext(word) == word}
    assert same == {"ATP", "supervisor", "inspector"}
