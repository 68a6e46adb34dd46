"""Where the code on a document leads: no sign-in, nothing of the content, and rubbish is refused before it hurts."""

import hashlib
import json
import zlib
from collections.abc import Callable, Sequence
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.utils import timezone

from batches.models import Batch
from haccp.models import StartPermission
from ledger.acts import Act, Moment
from ledger.models import Entry, Establishment, record_class
from reports import jobs, made_here, rendering
from reports.models import DocumentJob
from reports.rendering import DataFile
from tests.batches.conftest import *  # noqa: F403 - a batch to make a document of
from tests.reports.test_jobs import ask as ask
from tests.reports.test_jobs import planned_batch as planned_batch

pytestmark = pytest.mark.django_db
GET_A_FILE = "Choose the PDF, or give the number"


def attached(*contents: bytes) -> bytes:
    """As the attached files lie in a PDF; the rest of one is nothing to this page."""
    parts = (
        b"1 0 obj\n<</Type /EmbeddedFile/Filter /FlateDecode>>\nstream\n" + zlib.compress(each)
        for each in contents
    )
    return b"%PDF-1.7\n" + b"\nendstream\n".join(parts)


@pytest.fixture
def made(ask: Callable[..., DocumentJob], monkeypatch: pytest.MonkeyPatch) -> DocumentJob:
    def draw(document: Any, attachments: Sequence[DataFile], variant: str) -> bytes:
        return attached(*(file.content for file in attachments))

    monkeypatch.setattr(rendering, "to_pdf", draw)
    job = ask()
    jobs.make(job.pk)
    job.refresh_from_db()
    return job


def pdf_of(job: DocumentJob) -> bytes:
    with default_storage.open(jobs.path_of(job, "pdf")) as file:
        return bytes(file.read())


def data_of(job: DocumentJob) -> bytes:
    with default_storage.open(jobs.path_of(job, "json")) as file:
        return bytes(file.read())


@pytest.fixture
def send(client: Client, establishment: Establishment) -> Callable[..., Any]:
    def do(content: bytes | None = None, **said: str) -> Any:
        body: dict[str, Any] = dict(said)
        if content is not None:
            body["file"] = SimpleUploadedFile("x.pdf", content)
        return client.post(f"/at/{establishment.pk}/check", body)

    return do


def text(answer: Any) -> str:
    return " ".join(answer.content.decode().split())


def changed(job: DocumentJob, change: Callable[[dict[str, Any]], object]) -> bytes:
    evidence, data = made_here.check_evidence.attached(pdf_of(job))
    change(evidence)
    return attached(data, json.dumps(evidence).encode())


# -- the file ---------------------------------------------------------------------------------------


def test_a_document_as_made_is_told_to_be_unchanged_without_sign_in(made: DocumentJob, send: Any) -> None:
    answer = send(pdf_of(made))
    assert answer.status_code == 200
    assert "Made here, and unchanged." in text(answer)
    assert "None of its records was corrected or withdrawn since." in text(answer)


def test_nothing_of_the_content_is_told(made: DocumentJob, send: Any, planned_batch: Batch) -> None:
    said = text(send(pdf_of(made)))
    assert planned_batch.code not in said
    assert made.asked_by.name not in said


def test_records_corrected_since_are_named(made: DocumentJob, send: Any, planned_batch: Batch) -> None:
    shown = json.loads(data_of(made))["proofs"]
    entry = Entry.objects.filter(pk__in=[one["record"] for one in shown], kind="haccp.start-permission").get()
    record = record_class(entry.kind).objects.get(pk=entry.pk)
    now = Moment.of(timezone.now() + timedelta(seconds=1))
    act = Act(
        establishment=record.establishment,
        performed_by=record.performed_by,
        performed=now,
        recorded_by=record.performed_by,
        corrects=record.pk,
        reason="Never given.",
        withdraws=True,
    )
    StartPermission.withdrawal(act).insert()
    said = text(send(pdf_of(made)))
    assert "Made here, and unchanged." in said
    assert (
        f'Corrected or withdrawn since it was made:</strong> <span class="mono">{record.pk.hex[-8:]}</span>'
        in said
    )


def test_a_changed_file_is_told_and_the_record_that_differs(made: DocumentJob, send: Any) -> None:
    named: list[str] = []

    def lie(evidence: dict[str, Any]) -> None:
        evidence["records"][0]["digest"] = "0" * 64
        named.append(evidence["records"][0]["id"])

    said = text(send(changed(made, lie)))
    assert "<strong>Changed.</strong>" in said
    assert f'say something else in this file than here: <span class="mono">{named[0][-8:]}</span>' in said


def test_a_file_with_nothing_genuine_in_it_learns_nothing(made: DocumentJob, send: Any) -> None:
    """It names a number that was given and records that are here, with digests that are not theirs."""

    def lie(evidence: dict[str, Any]) -> None:
        for one in evidence["records"]:
            one["digest"] = "0" * 64

    said = text(send(changed(made, lie)))
    assert "Not made here." in said
    assert "Changed." not in said


def test_a_document_of_another_house_was_not_made_here(
    made: DocumentJob, client: Client, elsewhere: Establishment
) -> None:
    file = SimpleUploadedFile("x.pdf", pdf_of(made))
    answer = client.post(f"/at/{elsewhere.pk}/check", {"file": file})
    assert (answer.status_code, "Not made here." in text(answer)) == (200, True)


def test_a_house_that_is_not_here_is_not_found(client: Client) -> None:
    assert client.get("/at/01950000-0000-7000-8000-00000000aaaa/check").status_code == 404


# -- rubbish ----------------------------------------------------------------------------------------


RUBBISH = {
    "text": b"hello",
    "a head alone": b"%PDF-1.7\n",
    "no JSON": attached(b"{", b"{"),
    "one evidence only": attached(b'{"form": "evidence-1", "records": [], "seals": [{}]}'),
    "odd evidence": attached(b'{"form": "evidence-1", "records": {}, "seals": 7}', b'{"proofs": []}'),
    "nested without end": attached(b'{"a":' * 100_000, b'{"proofs": []}'),
    "a bomb": attached(b'{"proofs": [], "pad": "' + b" " * (made_here.MOST_UNPACKED + 1) + b'"}'),
}


@pytest.mark.parametrize("what", RUBBISH)
def test_rubbish_is_refused_with_a_sentence(send: Any, what: str) -> None:
    answer = send(RUBBISH[what])
    assert answer.status_code == 400
    assert "This is no document of this service" in text(answer)


ODD = [
    None,
    7,
    "x",
    [],
    {},
    [[]],
    [None],
    [{"id": []}],
    [{"id": "x", "digest": 7, "content": {"establishment": []}}],
]


@pytest.mark.parametrize("odd", ODD, ids=str)
def test_odd_evidence_never_fails_the_page(made: DocumentJob, send: Any, odd: Any) -> None:
    evidence = {"form": "evidence-1", "records": odd if isinstance(odd, list) else [odd], "seals": [odd]}
    data = {"proofs": odd if isinstance(odd, list) else [odd], "number": odd, "kind": odd}
    assert send(attached(json.dumps(evidence).encode(), json.dumps(data).encode())).status_code in (200, 400)


def test_a_file_that_is_too_large_is_refused_before_it_is_read(
    client: Client, establishment: Establishment, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(made_here, "told_of_file", pytest.fail)
    answer = client.post(
        f"/at/{establishment.pk}/check", b"", content_type="application/pdf", CONTENT_LENGTH=26 * 1024 * 1024
    )
    assert (answer.status_code, "larger than 25 MB" in text(answer)) == (413, True)


# -- from paper -------------------------------------------------------------------------------------


def test_number_and_digest_as_printed_are_found(made: DocumentJob, send: Any) -> None:
    digest = hashlib.sha256(data_of(made)).hexdigest()
    answer = send(document=f"{made.number:06d}", digest=f" {digest[:8].upper()} {digest[8:12]}")
    assert (answer.status_code, "<strong>Made here.</strong>" in text(answer)) == (200, True)


@pytest.mark.parametrize(("number", "digest"), [("1", "0" * 12), ("77", "0" * 64)])
def test_another_digest_and_a_number_never_given_are_not_told_apart(
    made: DocumentJob, send: Any, number: str, digest: str
) -> None:
    answer = send(document=number, digest=digest)
    assert answer.status_code == 404
    assert "No document of this number has data with such a digest." in text(answer)


@pytest.mark.parametrize(
    ("number", "digest"),
    [("", ""), ("x", "0" * 12), ("1", "0" * 11), ("1", "zz" * 6), ("²", "0" * 12), ("1" * 40, "0" * 12)],
)
def test_a_slip_is_told(made: DocumentJob, send: Any, number: str, digest: str) -> None:
    answer = send(document=number, digest=digest)
    assert answer.status_code in (400, 404)
    assert "Not checked:" in text(answer)


def test_the_printed_address_fills_in_the_number(client: Client, establishment: Establishment) -> None:
    answer = client.get(f"/at/{establishment.pk}/check?document=000012")
    assert 'name="document" inputmode="numeric" maxlength="18" value="000012"' in text(answer)
