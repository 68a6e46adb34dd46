"""What an inspector asks for is made for outside and lies in the days of the entrance; all else is refused with the reason."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from batches.models import Batch, BatchState
from ledger.models import Look, Person
from reports import jobs
from reports.models import DocumentJob
from tests.batches.conftest import *  # noqa: F403 - a batch to make a document of
from tests.conftest import Client, new_id
from tests.reports.test_jobs import ask as ask
from tests.reports.test_jobs import planned_batch as planned_batch
from tests.reports.test_jobs import quick_pdf as quick_pdf

pytestmark = pytest.mark.django_db
MARCH = {"first_day": date(2026, 3, 1), "last_day": date(2026, 3, 31)}
DAYS = {"first": "2026-03-01", "last": "2026-03-31"}


@pytest.fixture
def reader(client_of: Callable[..., Client], inspector: Person, let_in: Any) -> Client:
    let_in(**MARCH)
    return client_of(inspector)


@pytest.fixture
def body(planned_batch: Batch) -> dict[str, Any]:
    """Its batch began on 2 March and ended the same day."""
    state = BatchState.objects.filter(batch=planned_batch)
    state.update(ended_at=state.get().started_at)
    return {"kind": "batch-record", "subject": str(planned_batch.uid)}


def test_a_document_is_made_for_outside_without_being_asked_so(reader: Client, body: Any) -> None:
    assert reader.send("documents", body).status_code == 202
    assert DocumentJob.objects.get().about == {"outside": True}


def test_it_is_fetched_once_it_is_made_and_each_step_is_a_look(
    reader: Client, body: Any, quick_pdf: None
) -> None:
    made = reader.send("documents", body)
    jobs.make(made.json()["id"])
    assert reader.get(made["Location"]).json()["state"] == "done"
    assert reader.ask(f"documents/{made.json()['id']}/file.pdf").status_code == 200
    rows = Look.objects.order_by("at", "id").values_list("what", "document", "document_kind", "answered")
    assert list(rows) == [
        ("documents", 1, "batch-record", 202),
        ("document", 1, "batch-record", 200),
        ("document-pdf", 1, "batch-record", 200),
    ]


def test_what_lies_outside_the_days_is_refused_with_both_and_nothing_is_asked(
    reader: Client, body: Any
) -> None:
    BatchState.objects.update(started_at="2026-02-27T09:00:00Z", ended_at="2026-02-28T09:00:00Z")
    answer = reader.send("documents", body)
    assert (answer.status_code, answer.json()["type"]) == (403, "/api/problems/other-days")
    assert answer.json()["detail"] == (
        "This batch record tells of 2026-02-27 to 2026-02-28; your entrance opens 2026-03-01 to 2026-03-31. "
        "Nothing was asked for."
    )
    assert not DocumentJob.objects.exists()


def test_no_worker_is_told_of_what_was_refused(
    reader: Client, body: Any, monkeypatch: pytest.MonkeyPatch, django_capture_on_commit_callbacks: Any
) -> None:
    BatchState.objects.update(started_at="2026-02-27T09:00:00Z", ended_at="2026-02-28T09:00:00Z")
    sent: list[Any] = []
    monkeypatch.setattr(jobs, "_make_soon", sent.append)
    with django_capture_on_commit_callbacks(execute=True):
        reader.send("documents", body)
    assert sent == []


@pytest.mark.parametrize(
    ("period", "code"),
    [(DAYS, 202), (DAYS | {"last": "2026-04-01"}, 403), (DAYS | {"first": "2026-02-28"}, 403)],
)
def test_a_log_lies_in_the_days_from_its_first_to_its_last(
    reader: Client, period: dict[str, str], code: int
) -> None:
    assert reader.send("documents", {"kind": "receiving-log", "period": period}).status_code == code


def test_a_kind_without_a_look_for_outside_is_refused(reader: Client) -> None:
    answer = reader.send("documents", {"kind": "tag-sheet", "tags": []})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (400, "outside")


def test_a_batch_of_another_house_is_not_found(reader: Client) -> None:
    assert reader.send("documents", {"kind": "batch-record", "subject": new_id()}).status_code == 404


def test_the_id_of_a_document_for_the_house_opens_nothing(
    reader: Client, body: Any, ask: Callable[..., DocumentJob]
) -> None:
    inside = ask()
    answer = reader.send("documents", body | {"id": str(inside.pk)})
    assert (answer.status_code, answer.json()["type"]) == (409, "/api/problems/same-id-other-content")
    assert reader.ask(f"documents/{inside.pk}").status_code == 404


def test_a_document_of_other_days_is_neither_listed_nor_fetched(
    reader: Client, body: Any, ask: Callable[..., DocumentJob], quick_pdf: None
) -> None:
    BatchState.objects.update(started_at="2026-02-27T09:00:00Z", ended_at="2026-02-28T09:00:00Z")
    job = ask(outside=True)
    jobs.make(job.pk)
    assert reader.ask("documents").json()["results"] == []
    assert reader.ask(f"documents/{job.pk}").status_code == 404
    assert reader.ask(f"documents/{job.pk}/file.pdf").status_code == 404


def test_days_that_begin_tomorrow_open_no_document(
    client_of: Any, inspector: Person, let_in: Any, body: Any, ask: Callable[..., DocumentJob]
) -> None:
    let_in(first_day=date(2999, 1, 1))
    ask(outside=True)
    assert client_of(inspector).ask("documents").json()["results"] == []
