"""The hazard plan on paper: every part of it, limits as they bind, drafts that say so, in English and Spanish."""

import io
import re
from datetime import date
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from django.utils import translation
from pdfminer.high_level import extract_text

from haccp import plans
from haccp.plan_documents import SCHEMA
from reports import hazard_plan, jobs, rendering
from reports.models import DocumentJob
from tests.haccp.conftest import *  # noqa: F403 - a plan and its checks

TEMPLATES = Path(__file__).parents[2] / "reports/templates/reports"
SPANISH = "check_sheet", "hazard_plan", "_plan_hazards", "_plan_control", "_plan_verification", "_site_source"
FRAME = "base_document", "_records_table", "_marks", "_cautions", "_header", "_seal", "_signatures", "_proofs"


@pytest.fixture
def ask(api: Any) -> Any:
    """A plan on paper as a worker reads it, and the records it shows."""

    def do(subject: Any, **said: Any) -> Any:
        answer = api.send("documents", {"kind": "hazard-plan", "subject": str(subject)} | said)
        assert answer.status_code == 202, answer.json()
        return jobs.read(DocumentJob.objects.get(pk=answer.json()["id"]))

    return do


def page_of(document: Any) -> str:
    return " ".join(rendering.to_html(document, for_paper=False).split())


@pytest.mark.django_db
def test_a_version_stands_on_paper_with_all_its_parts_and_who_approved_it(
    ask: Any, plan_version: Any, confirmed_rule: Any, make_rule: Any, batch: Any
) -> None:
    confirmed_rule()
    make_rule(upper="0.5")
    document, shown = ask(plan_version.pk)
    page = page_of(document)
    for part in ("steps", "hazards", "control_points", "materials"):
        for each in plan_version.document[part]:
            assert each["code"] in page
    # 21 CFR 117.126(b), the seven parts of a written plan (read)
    for head in (
        "Hazard analysis",
        "Control points",
        "Supply",
        "Recall",
        "Monitoring",
        "Corrective action",
        "Verification",
    ):
        assert f">{head}<" in page
    limit = next(each for each in document.controls if each.code == "CP-AW-2").limits[0]
    assert limit.must == "0.62 or less"
    assert limit.set_by == ("local rule: Letter of 5 January 2026",)
    assert limit.source.on_site
    (rule,) = document.confirmed_rules
    assert rule.endswith("water activity: 0.62 or less (Town food office, Letter of 5 January 2026)")
    assert "0.5 or less" in document.unconfirmed_rules[0]
    validation = next(each for each in document.controls if each.code == "CP-METAL-1").validation
    assert (validation.first_batch, validation.due) == (date(2026, 3, 2), date(2026, 5, 31))
    assert document.reanalysis.due == date(2029, 3, 2)
    (held,) = document.qualifications
    assert held.person == "Ines Lead"
    assert {plan_version.pk} < {record.pk for record in shown}
    assert not document.watermark


@pytest.mark.django_db
@pytest.mark.pdf
def test_a_draft_says_so_behind_every_page_and_names_what_changed_and_what_it_lacks(
    ask: Any, plan: Any, plan_version: Any, act: Any, lead: Any, proof: Any
) -> None:
    changed = {**plan.draft, "scope": "Another scope.", "flow_confirmation": {}}
    changed["cautions"] = ["<script>alert(1)</script> & Ünïcode", "x" * 3000]
    plans.redraft(act=act(lead), plan=plan, values={"draft": changed})
    document, _shown = ask(plan.pk, page_size="letter")
    assert [each.codex_step for each in document.lacking] == [5]
    assert document.compared_with == 1
    assert {each.where: each.after for each in document.differences}["scope"] == "Another scope."
    pdf = rendering.to_pdf(document)
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        count = len(opened.pages)
        figures = [each for each in opened.objects if _is_figure(each)]
        assert [str(each.Alt)[:13] for each in figures] == ["Flow diagram."]
    pages = extract_text(io.BytesIO(pdf)).split("\f")[:count]
    assert all("DRAFT" in page for page in pages)


def _is_figure(each: Any) -> bool:
    return isinstance(each, pikepdf.Dictionary) and each.get("/S") == pikepdf.Name.Figure


@pytest.mark.django_db
def test_an_older_version_names_the_newest_and_each_version_counts_its_changes(
    ask: Any, plan: Any, plan_version: Any, act: Any, lead: Any, proof: Any
) -> None:
    changed = {**plan.draft, "scope": "Another scope."}
    plans.redraft(act=act(lead), plan=plan, values={"draft": changed})
    plan.refresh_from_db()
    newer = plans.approve(act=act(lead), plan=plan, proof=proof)
    older, _ = ask(plan_version.pk)
    assert (older.superseded_by, older.compared_with, older.differences) == (2, None, ())
    document, _ = ask(newer.pk)
    assert [(each.number, each.changes) for each in document.versions] == [(1, None), (2, 1)]
    (changed_place,) = document.differences
    assert (changed_place.where, changed_place.after) == ("scope", "Another scope.")


@pytest.mark.django_db
def test_a_plan_of_another_house_is_not_found(api: Any, plan_version: Any, elsewhere: Any, lead: Any) -> None:
    from haccp.models import Plan

    other = Plan.objects.create(establishment=elsewhere, code="HP-9", name="Theirs", draft={})
    answer = api.send("documents", {"kind": "hazard-plan", "subject": str(other.pk)})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (404, "subject")


@pytest.mark.django_db
def test_an_empty_draft_is_a_page_that_says_what_is_not_there_yet(ask: Any, act: Any, lead: Any) -> None:
    empty = plans.draft(act=act(lead), code="HP-3", name="Empty", document={})
    document, shown = ask(empty.pk, language="es")
    page = page_of(document)
    assert shown == []
    for said in (
        "BORRADOR",
        "Aún no hay ninguna etapa escrita",
        "Aún no hay ningún punto de control escrito",
    ):
        assert said in page


# -- words -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [*SPANISH, *FRAME])
def test_every_text_of_its_templates_is_there_in_spanish(name: str) -> None:
    text = (TEMPLATES / f"{name}.html").read_text()
    said = re.findall(r'{% translate "([^"]+)"(?: context "[^"]+")?', text)
    with translation.override("es"):
        lacking = [each for each in said if translation.gettext(each) == each and each not in SAME]
    assert [each for each in lacking if f'"{each}" context' not in text] == []


SAME = {"Material", "Control", "Plan", "Hash", "no"}
"""What is written alike in both languages."""


def _names(part: Any) -> set[str]:
    """Every name of an entry that a plan may have."""
    found: set[str] = set()
    if isinstance(part, dict):
        found |= set(part.get("properties", {}))
        for each in part.values():
            found |= _names(each)
    return found


def test_every_entry_of_a_plan_has_a_spanish_name_for_its_differences() -> None:
    names = {each.replace("_", " ") for each in _names(SCHEMA)} - {"material", "control", "z"}
    with translation.override("es"):
        assert [name for name in sorted(names) if translation.gettext(name) == name] == []


@pytest.mark.parametrize(
    ("begun", "term", "due"),
    [
        (date(2026, 3, 2), "3 years", date(2029, 3, 2)),
        (date(2024, 2, 29), "1 year", date(2025, 2, 28)),
        (date(2026, 11, 30), "3 months", date(2027, 2, 28)),
        (date(2026, 3, 2), "90 days", date(2026, 5, 31)),
        (date(2026, 3, 2), "when the authority asks", None),
    ],
)
def test_a_term_in_words_ends_on_a_day_or_none_is_told(begun: date, term: str, due: date | None) -> None:
    assert hazard_plan.due_after(begun, term) == due
