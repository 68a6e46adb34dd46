"""Documents on request: asked for in a request, made in a worker, kept as files under their job."""

import dataclasses
import hashlib
import json
import logging
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import connection, transaction
from django.db.models import Max, Q, QuerySet
from django.utils import timezone, translation

from config.api.refusals import Refusal, Unusable
from ledger import seals
from ledger.evidence import evidence
from ledger.ids import uuid7
from ledger.models import Entry, Establishment, Person, Record, Seal, record_class
from reports import (
    batch_record,
    changeover_table,
    hazard_plan,
    mass_balance,
    notice_reply,
    public_notice,
    recall_letter,
    recall_plan,
    recall_report,
    rendering,
    sale_sign,
    tag_sheet,
    trace_document,
    trial,
)
from reports.documents import Document, KeyLine, PageSize, ProofLine, SealLine, establishment_lines
from reports.models import DocumentJob
from reports.rendering import DataFile

log = logging.getLogger(__name__)
PATIENCE = timedelta(minutes=5)  # a job untouched for longer was lost with its worker
MOST_TRIES = 3
LANGUAGES = ("en", "es")
_KINDS: dict[str, Any] = {
    DocumentJob.Kind.BATCH_RECORD: batch_record,
    DocumentJob.Kind.HAZARD_PLAN: hazard_plan,
    DocumentJob.Kind.TRIAL: trial,
    DocumentJob.Kind.SALE_SIGN: sale_sign,
    DocumentJob.Kind.TAG_SHEET: tag_sheet,
    DocumentJob.Kind.CHANGEOVER_TABLE: changeover_table,
    DocumentJob.Kind.TRACE: trace_document,
    DocumentJob.Kind.RECALL_LETTER: recall_letter,
    DocumentJob.Kind.RECALL_REPORT: recall_report,
    DocumentJob.Kind.NOTICE_REPLY: notice_reply,
    DocumentJob.Kind.RECALL_PLAN: recall_plan,
    DocumentJob.Kind.PUBLIC_NOTICE: public_notice,
    DocumentJob.Kind.MASS_BALANCE: mass_balance,
}
"""Where each kind of document is made: a module with ``refuse`` (before it is asked for) and ``build``."""


@transaction.atomic
def ask(
    *,
    establishment: Establishment,
    asked_by: Person,
    kind: str,
    subject: UUID | None = None,
    about: dict[str, Any] | None = None,
    id: UUID | None = None,
    language: str = "en",
    page_size: str = "a4",
) -> DocumentJob:
    """Ask for a document; a worker makes it after commit. The same ``id`` again is the same job.

    ``subject``: the uuid of what it is about, where its kind is about one thing; ``about``: what its kind asks besides.
    Raises Unknown for a subject of another establishment, Unusable for a language or paper there is not.
    """
    if known := DocumentJob.objects.filter(pk=id, establishment=establishment).first() if id else None:
        return known
    spoken = getattr(_KINDS[kind], "LANGUAGES", ("en",))
    if language not in spoken:
        raise Unusable(f"Such documents come in: {', '.join(spoken)}.", field="language")
    if page_size not in list(PageSize):
        raise Unusable(f"Papers are: {', '.join(PageSize)}.", field="page_size")
    subject = subject or establishment.pk
    _KINDS[kind].refuse(establishment, subject, about or {})
    job = DocumentJob.objects.create(
        id=id or uuid7(),
        establishment=establishment,
        kind=kind,
        subject=subject,
        about=about or {},
        language=language,
        page_size=page_size,
        number=_next_number(establishment),
        asked_by=asked_by,
        asked_at=timezone.now(),
        touched_at=timezone.now(),
    )
    transaction.on_commit(lambda: _make_soon(job.pk), robust=True)
    return job


def _next_number(establishment: Establishment) -> int:
    """Running numbers; the establishment's row keeps two askers apart."""
    Establishment.objects.select_for_update(no_key=True).get(pk=establishment.pk)
    last = DocumentJob.objects.filter(establishment=establishment).aggregate(last=Max("number"))["last"]
    return (last or 0) + 1


def _make_soon(pk: UUID) -> None:
    from reports.tasks import make_document

    make_document.delay(str(pk))


def make(pk: UUID) -> None:
    """Make the document of a job that waits; a second call finds it taken or done and stops."""
    taken = DocumentJob.objects.filter(pk=pk).filter(_waits(timezone.now()))
    if not taken.update(state=DocumentJob.State.MAKING, touched_at=timezone.now()):
        return
    job = DocumentJob.objects.select_related("establishment", "asked_by").get(pk=pk)
    job.tries += 1
    try:
        _finish(job)
    except Exception as error:
        _give_up(job, error)
        raise
    finally:
        job.touched_at = timezone.now()
        job.save()


def _waits(now: datetime) -> Q:
    left_behind = Q(state=DocumentJob.State.MAKING, touched_at__lt=now - PATIENCE)
    return Q(state=DocumentJob.State.QUEUED) | left_behind


def _finish(job: DocumentJob) -> None:
    document, shown = read(job)
    data = rendering.own_data(document)
    proof = DataFile(
        "evidence.json",
        json.dumps(evidence(shown, also=_printed_seal(job, document)), ensure_ascii=False).encode(),
        "Records with digests and proofs, for the stand-alone checker",
    )
    pdf = rendering.to_pdf(document, attachments=[data, proof])
    pdf = _signed(pdf, job.establishment) if document.key else pdf
    page = rendering.to_html(document, for_paper=False).encode()
    for form, content in (("pdf", pdf), ("json", data.content), ("html", page)):
        _keep(path_of(job, form), content)
    job.state, job.problem = DocumentJob.State.DONE, ""
    job.made_at, job.size = document.made_at, len(pdf)
    job.digest = hashlib.sha256(pdf).hexdigest()


def _signed(pdf: bytes, here: Establishment) -> bytes:
    from reports import pdf_signing  # a large library that only workers need

    return pdf_signing.sign(pdf, here)


def _printed_seal(job: DocumentJob, document: Document) -> QuerySet[Seal]:
    number = document.seal.number if document.seal else 0
    return Seal.objects.filter(establishment=job.establishment_id, number=number)


def _give_up(job: DocumentJob, error: Exception) -> None:
    again = job.tries < MOST_TRIES and not isinstance(error, Refusal)
    job.state = DocumentJob.State.QUEUED if again else DocumentJob.State.FAILED
    job.problem = str(error) if isinstance(error, Refusal) else "It could not be made; the log says why."


def _keep(path: str, content: bytes) -> None:
    if default_storage.exists(path):
        default_storage.delete(path)
    default_storage.save(path, ContentFile(content))


def path_of(job: DocumentJob, kind: str) -> str:
    return f"documents/{job.establishment_id}/{job.pk}.{kind}"


def read(job: DocumentJob) -> tuple[Document, list[Record]]:
    """The document and the records it shows: read in one snapshot, then sealed (decision D22).

    The seal is made after the snapshot, so everything that was read lies under it or an earlier one.
    """
    zone = job.establishment.zone
    with transaction.atomic():
        if connection.vendor == "postgresql" and len(connection.savepoint_ids) == 0:
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        head = _head(job, timezone.now().astimezone(zone))
        with translation.override(job.language):
            document: Any = _KINDS[job.kind].build(
                job.establishment, job.subject, job.about, **head, seal=None, title=_title(job)
            )
        shown = _records(document.record_ids)
    seals.seal(establishment=job.establishment)
    seals_here = Seal.objects.filter(establishment=job.establishment).select_related("establishment")
    latest = seals_here.order_by("-number").first()
    key = KeyLine.of(job.establishment)
    proofs = tuple(ProofLine(record=record.pk, digest=record.digest) for record in shown)
    sealed = None if latest is None else SealLine.of(latest)
    return dataclasses.replace(document, seal=sealed, proofs=proofs, key=key), shown


def _title(job: DocumentJob) -> str:
    own = getattr(_KINDS[job.kind], "TITLE", DocumentJob.Kind(job.kind).label)
    return str(own).capitalize()


def _head(job: DocumentJob, made_at: datetime) -> dict[str, Any]:
    return {
        "number": f"{job.number:06d}",
        "establishment": job.establishment.name,
        "establishment_lines": establishment_lines(job.establishment),
        "asked_by": job.asked_by.name,
        "made_at": made_at,
        "language": job.language,
        "page_size": PageSize(job.page_size),
    }


def _records(ids: Any) -> list[Record]:
    kinds: dict[str, list[UUID]] = {}
    for pk, kind in Entry.objects.filter(pk__in=ids).values_list("pk", "kind"):
        kinds.setdefault(kind, []).append(pk)
    found: list[Record] = []
    for kind in sorted(kinds):
        found += record_class(kind).objects.filter(pk__in=kinds[kind]).order_by("recorded_at", "id")
    return found


def sweep() -> int:
    """Give waiting jobs to the workers again: those whose message or worker was lost."""
    now = timezone.now()
    lost = DocumentJob.objects.filter(_waits(now), touched_at__lt=now - PATIENCE)
    keys = list(lost.values_list("pk", flat=True))
    for pk in keys:
        _make_soon(pk)
    return len(keys)
