"""The letter of a notice and the report of a recall or exercise: what stands in them, as of when, and what stays in the house."""

import io
import json
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st
from pdfminer.high_level import extract_pages
from pdfminer.layout import LTTextContainer

from haccp.api.recall_plans import PLAN
from haccp.models import Level
from haccp.recalls import answering, deciding, scoping
from haccp.recalls import plans as recall_plans
from haccp.recalls.deciding import Strategy
from haccp.recalls.status import SHARES
from ledger.ids import uuid7
from reports import jobs, recall_report, rendering
from reports.models import DocumentJob
from reports.tables import as_files
from tests.haccp.conftest import *  # noqa: F403 - a house that makes things
from tests.haccp.recalls.conftest import *  # noqa: F403 - a recall and who got what

CLASS_I = Strategy(
    depth="retail",
    level="A",
    because="It may be severe.",
    recall_class="I",
    classified_by="Town food office, letter 12",
)


@pytest.fixture
def ask(lead_api):
    """A document as a worker reads it."""

    def do(kind, subject, **said):
        answer = lead_api.send("documents", {"kind": kind, "subject": str(subject)} | said)
        assert answer.status_code == 202, answer.json()
        return jobs.read(DocumentJob.objects.get(pk=answer.json()["id"]))[0]

    return do


@pytest.fixture
def went_through(decide, freeze, ship, tell, answer, nuts, sweets, shop, other_shop, act, lead, proof):
    """Two shops got some, both were told, one answered; the nuts themselves were let go."""

    def do(**values):
        shop.contact, shop.address = "Ines Private, 0151 234", "Market 1\nTown"
        shop.save()
        ship(sweets, shop, document="Note 7")
        ship(sweets, other_shop, "0.5")
        recall = decide(**{"strategy": CLASS_I} | values)
        freeze(recall, nuts)
        scoping.leave_out(act=act(lead), proof=proof, recall=recall, lot=nuts, because="All of it is used.")
        tell(recall, shop, "letter", language="es", why="Puede contener almendra <b>.")
        tell(recall, other_shop)
        answer(recall, shop, sweets, received="1", on_hand="0.2", sold="0.5", destroyed="0.3")
        return recall

    return do


def text_of_pages(pdf):
    pages = extract_pages(io.BytesIO(pdf))
    return ["".join(each.get_text() for each in page if isinstance(each, LTTextContainer)) for page in pages]


# -- the report -----------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_a_report_tells_the_recall_from_decision_to_gaps(went_through, ask, sweets, nuts, shop, other_shop):
    recall = went_through()
    document = ask("recall-report", recall.pk)
    assert (document.what, document.code, document.watermark) == ("status of a recall", recall.code, "")
    (strategy,) = document.strategies
    assert strategy.recall_class.endswith("(Town food office, letter 12)")
    (scope,) = document.scopes
    assert (scope.seal_number, scope.seal_hash) == tuple(
        recall.scopes.values_list("seal_number", "seal_hash")[0]
    )
    assert {each.code for each in document.lots} == {nuts.code, sweets.code}
    assert [each.lot for each in document.let_go] == [nuts.code]
    assert [each.got for each in document.consignees] == [
        (f"{sweets.code}: 1.000 kg (Note 7)",),
        (f"{sweets.code}: 500 g",),
    ]
    assert (document.consignee_count, document.needed, document.told, document.answered) == (2, 2, 2, 1)
    (back,) = document.recovered
    assert (back.shipped, back.recovered, back.percent) == ("1.500 kg", "300 g", Decimal("20"))
    assert f"{other_shop.name} has not answered." in document.gaps
    assert {each.signed for each in document.signatures} == {
        f"decision on {recall.code}",
        f"lot {nuts.code} leaves the scope",
    }
    assert {recall.pk, *(each.pk for each in recall.notices.all())} <= set(document.record_ids)


@pytest.mark.django_db
def test_the_report_tells_whether_a_consignee_told_its_own_customers(
    went_through, ask, act, other_shop, sweets
):
    recall = went_through()
    answering.answer(
        act=act(at=timezone.now()),
        recall=recall,
        partner=other_shop,
        means="phone",
        lots=[{"lot": sweets, "unit": "KGM", "on_hand": "0"}],
        passed_on=True,
    )
    (line,) = (each for each in ask("recall-report", recall.pk).answers if each.who == other_shop.name)
    assert "told those they sold to" in line.said


def test_the_clock_tells_how_long_after_the_decision(went_through, ask):
    spans = {word: after for word, _at, after in ask("recall-report", went_through().pk).clock}
    assert spans["first consignee told"] == timedelta(hours=1)
    assert spans["last answer"] == timedelta(hours=2)
    assert spans["ended"] is None


@pytest.mark.django_db
def test_an_ended_recall_has_its_final_report(went_through, ask, act, lead, proof):
    recall = went_through()
    deciding.end(act=act(lead), proof=proof, recall=recall, because="All is back.")
    document = ask("recall-report", recall.pk)
    assert (document.what, document.ended) == ("report of a recall", "All is back.")
    assert f"end of {recall.code}" in {each.signed for each in document.signatures}


@pytest.mark.django_db
def test_its_consignees_lots_and_answers_are_tables_too(went_through, ask):
    document = ask("recall-report", went_through().pk)
    tables = {table.name: table for table in document.data_tables()}
    assert [row[0] for row in tables["consignees"].rows] == [each.name for each in document.consignees]
    assert [row[0] for row in tables["lots"].rows] == [each.code for each in document.lots]
    assert len(tables["notices"].rows) == len(document.notices)
    assert set(as_files(document.data_tables())) == {"csv", "xlsx"}


@pytest.mark.django_db
def test_a_report_by_date_tells_what_was_known_then(went_through, ask, answer, other_shop, sweets, lead_api):
    recall = went_through()
    then = timezone.now()
    answer(recall, other_shop, sweets, destroyed="0.5")
    before = ask("recall-report", recall.pk, report={"at": then.isoformat()})
    assert (before.answered, ask("recall-report", recall.pk).answered) == (1, 2)
    assert len(before.answers) == 1
    early = {"at": (recall.recorded_at - timedelta(days=1)).isoformat()}
    answered = lead_api.send(
        "documents", {"kind": "recall-report", "subject": str(recall.pk), "report": early}
    )
    assert (answered.status_code, answered.json()["errors"][0]["field"]) == (404, "report.at")


@pytest.mark.django_db
def test_private_contacts_stay_out_of_the_report(went_through, ask):
    document = ask("recall-report", went_through().pk)
    for told in (rendering.to_json(document).decode(), rendering.to_html(document, for_paper=False)):
        assert "0151 234" not in told
        assert "shop@shop.example" not in told


@pytest.mark.django_db
@pytest.mark.pdf
def test_an_exercise_says_so_on_every_page(went_through, ask):
    document = ask("recall-report", went_through(is_exercise=True).pk)
    assert document.what == "status of a trace exercise"
    pages = text_of_pages(rendering.to_pdf(document))
    assert len(pages) > 1
    assert all("EXERCISE" in page for page in pages)


@pytest.mark.django_db
def test_another_houses_recall_has_no_report(lead_api):
    for kind in ("recall-report", "recall-letter"):
        answer = lead_api.send("documents", {"kind": kind, "subject": str(uuid7())})
        assert (answer.status_code, answer.json()["errors"][0]["field"]) == (404, "subject")


@given(part=st.integers(0, 10**12), whole=st.integers(1, 10**12))
def test_what_was_found_is_never_told_as_more(part, whole):
    told = recall_report._percent(part, whole)
    exact = Fraction(part * 100, whole)
    assert told <= exact < told + Decimal("0.1")
    assert (told == 100) <= (part >= whole)


def test_accounted_for_is_what_common_practice_counts():
    """(on hand + dispatched + used + waste + samples) / made: common practice, read in secondary texts."""
    row = {
        "unit": "KGM",
        "made": "10",
        "on_hand": "2",
        "shipped": "5",
        "used": "1",
        "destroyed": "0.5",
        "sampled": "0.5",
    }
    came = recall_report._sum(row, recall_report.CAME)
    assert recall_report._percent(recall_report._sum(row, recall_report.WENT), came) == Decimal("90")


def test_the_levels_ask_the_shares_of_the_rule():
    """21 CFR 7.42(b)(3), from memory: A 100, C 10, D 2, E 0 per cent of consignees; B is set case by case."""
    assert SHARES == {Level.A: 100, Level.C: 10, Level.D: 2, Level.E: 0}


# -- the letter -----------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_a_letter_is_the_notice_as_recorded_with_a_form_to_answer_on(went_through, ask, shop, sweets, nuts):
    recall = went_through()
    notice = recall.notices.get(partner=shop)
    document = ask("recall-letter", notice.pk)
    assert (document.subject, document.text, document.language) == (notice.subject, notice.text, "es")
    assert document.address == (shop.name, "Market 1", "Town")
    assert [each.lot for each in document.to_answer] == [sweets.code]
    page = rendering.to_html(document, for_paper=False)
    assert '<html lang="es">' in page
    assert "Su respuesta" in page
    assert "almendra &lt;b&gt;" in page
    assert "0151 234" not in page
    assert json.loads(rendering.to_json(document))["text"] == notice.text


@pytest.mark.django_db
def test_a_letter_of_an_exercise_says_so_in_its_language(went_through, ask, shop):
    recall = went_through(is_exercise=True)
    document = ask("recall-letter", recall.notices.get(partner=shop).pk)
    assert document.watermark == "SIMULACRO"
    assert '<div class="watermark"' in rendering.to_html(document, for_paper=True)


# -- the plan -------------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_a_plan_is_printed_without_telephones_unless_they_are_asked_for(ask, act, lead, proof, lead_api):
    said = {"kind": "recall-plan"}
    assert lead_api.send("documents", said).status_code == 400
    plan = recall_plans.approve(act=act(lead), proof=proof, **PLAN)
    document = ask("recall-plan", plan.pk)
    page = rendering.to_html(document, for_paper=False)
    assert ("+00 1" in page, "kept in the house" in page) == (False, True)
    assert [each.name for each in document.steps] == [
        "Ada Example",
        "Ada Example",
        "Ben Example",
        "Ben Example",
    ]
    for outside in ("Town food office", "+00 2, day and night", "Lab Example", "+00 3"):
        assert outside in page
    assert "Never, by the records here." in page
    assert "Retiramos la mercancía siguiente" in page
    assert [each.signed for each in document.signatures] == ["recall plan, version 1"]
    assert "+00 1" in rendering.to_html(
        ask("recall-plan", plan.pk, plan={"telephones": True}), for_paper=False
    )
