"""Documents on request: one job a request, made once, picked up again when a worker dies."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from celery.app.task import Task
from django.core.files.storage import default_storage
from django.utils import timezone

from batches.models import Batch
from config.api.refusals import OtherContent, Unavailable, Unknown, Unusable
from ledger.ids import uuid7
from ledger.models import Establishment, Person
from reports import jobs, rendering
from reports.models import DocumentJob
from tests.batches.conftest import *  # noqa: F403 - a batch to make a document of

pytestmark = pytest.mark.django_db


@pytest.fixture
def ask(establishment: Establishment, operator: Person, planned_batch: Batch) -> Callable[..., DocumentJob]:
    def do(**values: Any) -> DocumentJob:
        usual = {
            "establishment": establishment,
            "asked_by": operator,
            "kind": "batch-record",
            "subject": planned_batch.uid,
        }
        return jobs.ask(**(usual | values))

    return do


@pytest.fixture
def planned_batch(
    act: Callable[..., Any], lead: Person, approved: Any, establishment: Establishment
) -> Batch:
    """A batch started in a phased start, through its gate."""
    from haccp import gates
    from ledger import establishments
    from tests.conftest import NOON

    open_till = NOON.date() + timedelta(days=1)
    establishment = establishments.change_profile(act=act(lead), values={"phased_start_until": open_till})
    from dataclasses import replace

    started = gates.start_batch(
        act=replace(act(), establishment=establishment),
        recipe_version=approved,
        quantity="100",
        unit="H87",
    )
    return started.batch


@pytest.fixture
def quick_pdf(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        rendering, "to_pdf", lambda document, attachments, variant: b"%PDF-1.7 " + document.number.encode()
    )


def test_the_same_id_asked_twice_is_one_job(ask: Callable[..., DocumentJob]) -> None:
    wanted = uuid7()
    assert ask(id=wanted) == ask(id=wanted)
    assert DocumentJob.objects.count() == 1


def test_the_same_id_asked_twice_at_once_is_one_job(
    ask: Callable[..., DocumentJob], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other one is there when this one comes to write."""
    wanted, number = uuid7(), jobs._next_number

    def meanwhile(here: Establishment) -> int:
        monkeypatch.setattr(jobs, "_next_number", number)
        ask(id=wanted)
        return number(here)

    monkeypatch.setattr(jobs, "_next_number", meanwhile)
    assert ask(id=wanted).pk == wanted
    assert DocumentJob.objects.count() == 1


def test_the_same_id_for_something_else_is_refused(ask: Callable[..., DocumentJob]) -> None:
    wanted = ask(id=uuid7()).pk
    with pytest.raises(OtherContent):
        ask(id=wanted, page_size="letter")
    assert DocumentJob.objects.get().page_size == "a4"


def test_documents_are_numbered_within_their_establishment(ask: Callable[..., DocumentJob]) -> None:
    assert [ask().number, ask().number] == [1, 2]


def test_a_batch_of_another_establishment_does_not_exist(
    ask: Callable[..., DocumentJob], elsewhere: Establishment
) -> None:
    with pytest.raises(Unknown):
        ask(establishment=elsewhere)


@pytest.mark.parametrize(("name", "value"), [("language", "xx"), ("page_size", "a3")])
def test_a_language_or_paper_there_is_not_is_refused(
    ask: Callable[..., DocumentJob], name: str, value: str
) -> None:
    with pytest.raises(Unusable):
        ask(**{name: value})
    assert not DocumentJob.objects.exists()


def test_a_message_goes_to_the_workers_after_commit(
    ask: Callable[..., DocumentJob], monkeypatch: pytest.MonkeyPatch, django_capture_on_commit_callbacks: Any
) -> None:
    sent: list[Any] = []
    monkeypatch.setattr(jobs, "_make_soon", sent.append)
    with django_capture_on_commit_callbacks(execute=True):
        job = ask()
        assert sent == []
    assert sent == [job]


def test_a_made_document_has_its_files_and_digest(ask: Callable[..., DocumentJob], quick_pdf: None) -> None:
    job = ask()
    jobs.make(job.pk)
    job.refresh_from_db()
    assert (job.state, len(job.digest)) == ("done", 64)
    assert all(default_storage.exists(jobs.path_of(job, form)) for form in ("pdf", "json", "html"))


def test_made_twice_is_made_once(
    ask: Callable[..., DocumentJob], quick_pdf: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = ask()
    jobs.make(job.pk)
    monkeypatch.setattr(jobs, "_finish", pytest.fail)
    jobs.make(job.pk)


def test_a_document_is_sealed_before_it_is_printed(ask: Callable[..., DocumentJob], quick_pdf: None) -> None:
    document, shown = jobs.read(DocumentJob.objects.get(pk=ask().pk))
    assert document.seal is not None
    assert document.seal.leaf_count >= len(shown)


def test_what_a_dead_worker_left_is_given_out_again(
    ask: Callable[..., DocumentJob], monkeypatch: pytest.MonkeyPatch
) -> None:
    left, fresh = ask(), ask()
    long_ago = timezone.now() - jobs.PATIENCE - timedelta(seconds=1)
    DocumentJob.objects.filter(pk=left.pk).update(state="making", touched_at=long_ago)
    DocumentJob.objects.filter(pk=fresh.pk).update(state="making")
    sent: list[Any] = []
    monkeypatch.setattr(jobs, "_make_soon", sent.append)
    assert (jobs.sweep(), sent) == (1, [left])


QUEUES: dict[str, tuple[str, dict[str, Any]]] = {
    "an inspection file": ("inspection-file", {"since": "2026-03-01", "until": "2026-03-31"}),
    "a batch record": ("batch-record", {}),
    "a list of people": ("people-list", {}),
}


@pytest.mark.parametrize(
    ("what", "queue"),
    [("an inspection file", "long"), ("a batch record", "heavy"), ("a list of people", "heavy")],
)
@pytest.mark.parametrize("again", [False, True])
def test_what_takes_long_waits_in_a_queue_of_its_own_also_when_its_worker_was_lost(
    ask: Callable[..., DocumentJob],
    monkeypatch: pytest.MonkeyPatch,
    django_capture_on_commit_callbacks: Any,
    what: str,
    queue: str,
    again: bool,
) -> None:
    kind, about = QUEUES[what]
    subject = {} if kind == "batch-record" else {"subject": None}
    sent = _messages(monkeypatch)
    with django_capture_on_commit_callbacks(execute=True):
        job = ask(kind=kind, about=about, **subject)
    if again:
        sent.clear()
        long_ago = timezone.now() - jobs.PATIENCE - timedelta(seconds=1)
        DocumentJob.objects.filter(pk=job.pk).update(state="making", touched_at=long_ago)
        jobs.sweep()
    assert sent == [(queue, str(job.pk))]


def _messages(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, str]]:
    """Queue and document of each message that goes to the workers, by the routes of the settings."""
    sent: list[tuple[str, str]] = []

    def send(self: Any, args: Any, *_: Any, **options: Any) -> None:
        route = self.app.amqp.router.route(options, self.name, args)
        sent.append((route["queue"].name, args[0]))

    monkeypatch.setattr(Task, "apply_async", send)
    return sent


def test_a_document_that_cannot_be_made_is_tried_three_times_and_says_so(
    ask: Callable[..., DocumentJob], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any, **__: Any) -> bytes:
        raise ValueError("no ink")

    monkeypatch.setattr(rendering, "to_pdf", fail)
    job = ask()
    states = []
    for _ in range(3):
        with pytest.raises(ValueError, match="no ink"):
            jobs.make(job.pk)
        job.refresh_from_db()
        states.append(job.state)
    assert states == ["queued", "queued", "failed"]
    assert "log" in job.problem


def test_without_the_text_library_the_job_says_what_to_install(
    ask: Callable[..., DocumentJob], monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing(*_: Any, **__: Any) -> bytes:
        raise Unavailable("Install pango and ask again.")

    monkeypatch.setattr(rendering, "to_pdf", missing)
    job = ask()
    with pytest.raises(Unavailable):
        jobs.make(job.pk)
    job.refresh_from_db()
    assert (job.state, job.problem) == ("failed", "Install pango and ask again.")


# -- over HTTP --------------------------------------------------------------------------------------


def test_asking_answers_202_with_a_place_to_ask(api: Any, planned_batch: Batch) -> None:
    answer = api.send("documents", {"kind": "batch-record", "subject": str(planned_batch.uid)})
    assert answer.status_code == 202
    assert api.get(answer["Location"]).json()["state"] == "queued"


def test_a_document_that_is_not_made_yet_is_409(api: Any, planned_batch: Batch) -> None:
    made = api.send("documents", {"kind": "batch-record", "subject": str(planned_batch.uid)}).json()
    answer = api.ask(f"documents/{made['id']}/file.pdf")
    assert (answer.status_code, answer.json()["type"]) == (409, "/api/problems/not-made-yet")


def test_a_made_document_can_be_fetched(api: Any, planned_batch: Batch, quick_pdf: None) -> None:
    made = api.send("documents", {"kind": "batch-record", "subject": str(planned_batch.uid)}).json()
    jobs.make(made["id"])
    answer = api.ask(f"documents/{made['id']}/file.pdf")
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/pdf")
    assert b"".join(answer.streaming_content).startswith(b"%PDF")


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"subject": "x"}, "subject"),
        ({"kind": "novel"}, "kind"),
        ({"language": "tlh"}, "language"),
        ({"page_size": "poster"}, "page_size"),
    ],
)
def test_bad_input_names_the_field_and_writes_nothing(
    api: Any, planned_batch: Batch, body: dict[str, str], field: str
) -> None:
    answer = api.send("documents", {"kind": "batch-record", "subject": str(planned_batch.uid)} | body)
    assert answer.status_code == 400
    assert [error["field"] for error in answer.json()["errors"]] == [field]
    assert not DocumentJob.objects.exists()


def test_an_inspector_sees_only_documents_made_for_outside(
    client_of: Any, inspector: Person, let_in: Any, ask: Callable[..., DocumentJob], quick_pdf: None
) -> None:
    let_in(first_day=date(2026, 3, 1))
    inside, outside = ask(), ask(outside=True)
    for job in (inside, outside):
        jobs.make(job.pk)
    reader = client_of(inspector)
    assert [each["id"] for each in reader.ask("documents").json()["results"]] == [str(outside.pk)]
    assert reader.ask(f"documents/{outside.pk}/file.pdf").status_code == 200
    assert reader.ask(f"documents/{inside.pk}/file.pdf").status_code == 404


def test_a_kind_that_nobody_has_looked_at_for_outside_is_refused(
    ask: Callable[..., DocumentJob], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs, "FOR_OUTSIDE", jobs.FOR_OUTSIDE - {"batch-record"})
    with pytest.raises(Unusable, match="look for outside"):
        ask(outside=True)
