"""The public notice of a recall as a sheet: its text as it was written, and a mark across that of an exercise."""

from typing import Any

import pytest

from batches.models import Lot
from haccp.models import RecallNotice
from reports import jobs, rendering
from reports.models import DocumentJob
from reports.public_notice import Passage, passages
from tests.haccp.conftest import *  # noqa: F403 - a plan and its checks
from tests.haccp.recalls.conftest import *  # noqa: F403 - recalls

pytestmark = pytest.mark.django_db


@pytest.fixture
def ask(api: Any, decide: Any, freeze: Any, tell: Any, nuts: Lot, sweets: Lot, stall: Any, ship: Any) -> Any:
    def do(**values: Any) -> tuple[RecallNotice, DocumentJob]:
        ship(sweets, stall)
        recall = decide(**values)
        freeze(recall, nuts)
        notice = tell(recall, None, "public")
        answer = api.send("documents", {"kind": "public-notice", "subject": str(notice.pk)})
        return notice, DocumentJob.objects.get(pk=answer.json()["id"])

    return do


def test_it_shows_the_text_as_it_was_written(ask: Any) -> None:
    notice, job = ask()
    document, shown = jobs.read(job)
    page = rendering.to_html(document, for_paper=True)
    assert [record.pk for record in shown] == [notice.pk]
    for line in filter(None, notice.text.splitlines()):
        assert line.removeprefix("- ").strip() in page
    assert 'class="watermark"' not in page


def test_one_of_an_exercise_bears_a_mark_across_each_page(ask: Any) -> None:
    _, job = ask(is_exercise=True)
    document, _ = jobs.read(job)
    assert 'aria-hidden="true">EXERCISE</div>' in rendering.to_html(document, for_paper=True)


@pytest.mark.pdf
def test_it_is_made_as_pdf(ask: Any) -> None:
    _, job = ask(is_exercise=True)
    jobs.make(job.pk)
    job.refresh_from_db()
    assert (job.state, job.problem) == ("done", "")


def test_a_notice_to_a_partner_is_no_public_one(
    api: Any, decide: Any, freeze: Any, tell: Any, nuts: Lot, shop: Any
) -> None:
    recall = decide()
    freeze(recall, nuts)
    answer = api.send("documents", {"kind": "public-notice", "subject": str(tell(recall, shop).pk)})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (404, "subject")


def test_lines_that_stand_together_are_one_passage() -> None:
    assert list(passages("What\n- a\n- b\n\nElse")) == [
        Passage(("What",), ("a", "b")),
        Passage(("Else",), ()),
    ]


def test_the_report_of_a_recall_lists_outlets_and_says_what_it_means(ask: Any, api: Any) -> None:
    notice, _ = ask()
    asked = api.send("documents", {"kind": "recall-report", "subject": str(notice.recall_id)})
    document, _ = jobs.read(DocumentJob.objects.get(pk=asked.json()["id"]))
    (line,) = document.outlets
    assert (line.name, line.days, document.consignees) == ("Market stall", ("2026-03-02",), ())
    page = rendering.to_html(document, for_paper=True)
    assert document.unnamed in page
    assert "Went there" in page
