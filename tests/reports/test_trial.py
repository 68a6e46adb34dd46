"""The trial on past checks as a document: asked for over HTTP, made by a worker, and what stands in it."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from ledger.ids import uuid7
from reports import jobs, rendering
from reports.models import DocumentJob
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.conftest import NOON
from tests.haccp.conftest import *  # noqa: F403 - a plan and its checks
from tests.haccp.conftest import water

pytestmark = pytest.mark.django_db

DAY = str(NOON.date())
PROPOSAL = {
    "quantity": "water activity",
    "limit": {"kind": "range", "quantity": "water activity", "unit": "C62", "upper": "0.50"},
    "guard": "off",
    "first_day": DAY,
    "last_day": DAY,
}


@pytest.fixture
def two_checks(act: Any, batch: Any, point: Any, meter: Any) -> list[Any]:
    from haccp import checks
    from haccp.checks import Subject

    subject = Subject(point("CP-AW-2"), batch=batch, instrument=meter)
    return [
        checks.record(act=act(at=NOON + timedelta(minutes=at)), subject=subject, said=water(value))
        for at, value in enumerate(("0.45", "0.55"))
    ]


@pytest.fixture
def asked(api: Any, two_checks: Any) -> DocumentJob:
    answer = api.send("documents", {"kind": "trial", "trial": PROPOSAL})
    assert answer.status_code == 202, answer.json()
    assert answer.json()["about"] == PROPOSAL
    return DocumentJob.objects.get(pk=answer.json()["id"])


def test_it_holds_the_proposal_and_what_it_would_have_done(asked: DocumentJob, two_checks: list[Any]) -> None:
    document, shown = jobs.read(asked)
    (point,) = document.points
    assert (point.checks, point.would_flag, point.would_pass) == (2, 1, 0)
    assert document.proposal == ("Limit of water activity: 0.5 or less", "Guard band: off")
    assert [record.pk for record in shown] == [two_checks[1].pk]


def test_the_page_says_it_in_words_and_what_it_does_not_show(asked: DocumentJob) -> None:
    document, _ = jobs.read(asked)
    page = rendering.to_html(document, for_paper=False)
    assert "<strong>1</strong> would have been flagged that were within" in page
    assert "A trial rewrites nothing" in page
    assert "0.55" in page
    assert "C62" not in page
    assert "2 checks." in page


def test_the_confirmed_rules_it_judged_by_are_named(asked: DocumentJob, confirmed_rule: Any) -> None:
    confirmed_rule(code="LR-BINDS")
    confirmed_rule(code="LR-OTHER", quantity="moisture", unit="P1")
    confirmed_rule(code="LR-LATER", in_force_from=NOON.date() + timedelta(days=1))
    document, _ = jobs.read(asked)
    assert [rule.partition(":")[0] for rule in document.confirmed_rules] == ["LR-BINDS"]


@pytest.mark.pdf
def test_it_is_made_as_pdf(asked: DocumentJob) -> None:
    jobs.make(asked.pk)
    asked.refresh_from_db()
    assert (asked.state, asked.problem) == ("done", "")


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"kind": "trial"}, "trial"),
        ({"kind": "batch-record"}, "subject"),
        ({"kind": "trial", "trial": PROPOSAL | {"limit": {"kind": "range"}}}, "limit.unit"),
        ({"kind": "trial", "trial": {"quantity": "water activity"}}, "trial.first_day"),
        ({"kind": "trial", "trial": PROPOSAL | {"first_day": "2000-01-01"}}, "first_day"),
        ({"kind": "trial", "trial": PROPOSAL | {"points": ["CP-NONE-1"]}}, "points"),
    ],
)
def test_what_cannot_be_made_is_refused_at_once(
    api: Any, body: dict[str, Any], field: str, client_of: Callable[..., Any]
) -> None:
    answer = api.send("documents", {"id": str(uuid7()), **body})
    assert answer.status_code == 400, answer.json()
    assert field in [error["field"] for error in answer.json()["errors"]]
    assert not DocumentJob.objects.exists()


def test_cautions_about_a_rule_are_on_the_page(api: Any, two_checks: Any, make_rule: Any) -> None:
    rule = make_rule(meant_for="moist")
    said = {name: value for name, value in PROPOSAL.items() if name != "limit"} | {"rule": str(rule.pk)}
    job = DocumentJob.objects.get(pk=api.send("documents", {"kind": "trial", "trial": said}).json()["id"])
    document, _ = jobs.read(job)
    assert document.points[0].cautions
    assert document.points[0].cautions[0] in rendering.to_html(document, for_paper=False)
