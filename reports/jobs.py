"""Documents on request: asked for in a request, made in a worker, kept as files under their job."""

import hashlib
import json
import logging
from datetime import datetime, timedelta
from functools import partial
from typing import Any
from uuid import UUID

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import F, Max, Q
from django.utils import timezone, translation

from batches import own_addresses
from batches.trace_reading import not_collecting
from config.api.refusals import OtherContent, Refusal, Unusable
from ledger.ids import uuid7
from ledger.models import Establishment, Person, Seal, Unsealed
from ledger.stored import Stored
from reports import (
    allergen_sheet,
    answered,
    batch_record,
    changeover_log,
    changeover_table,
    check_sheet,
    compliance_profile,
    dated,
    deviation_list,
    deviation_paper,
    hazard_plan,
    inspection_file,
    inspection_record,
    mass_balance,
    monitoring_log,
    notice_reply,
    people_list,
    public_notice,
    reading,
    recall_letter,
    recall_plan,
    recall_report,
    receiving_log,
    rendering,
    retention_report,
    sale_sign,
    tables,
    tag_sheet,
    trace_document,
    trial,
    verification_log,
)
from reports.documents import Document, PageSize, PdfVariant, establishment_lines
from reports.inspection import contents
from reports.listing import spoken
from reports.models import DocumentJob
from reports.rendering import DataFile, Made

log = logging.getLogger(__name__)
PATIENCE = timedelta(minutes=5)  # a job untouched for longer was lost with its worker
MOST_TRIES = 3
TOO_OFTEN = "Its worker ended before it was done, three times. Ask for less at once, or look into the log."
LANGUAGES = ("en", "es")
"""Every kind comes in each of them; a letter or notice of a recall speaks the language it was written in."""
USUAL_FORMS = ("pdf", "json", "html")
_KINDS: dict[str, Any] = {
    DocumentJob.Kind.BATCH_RECORD: batch_record,
    DocumentJob.Kind.HAZARD_PLAN: hazard_plan,
    DocumentJob.Kind.CHECK_SHEET: check_sheet,
    DocumentJob.Kind.TRIAL: trial,
    DocumentJob.Kind.SALE_SIGN: sale_sign,
    DocumentJob.Kind.TAG_SHEET: tag_sheet,
    DocumentJob.Kind.CHANGEOVER_TABLE: changeover_table,
    DocumentJob.Kind.TRACE: trace_document,
    DocumentJob.Kind.INSPECTION_FILE: inspection_file,
    DocumentJob.Kind.RECALL_LETTER: recall_letter,
    DocumentJob.Kind.RECALL_REPORT: recall_report,
    DocumentJob.Kind.NOTICE_REPLY: notice_reply,
    DocumentJob.Kind.RECALL_PLAN: recall_plan,
    DocumentJob.Kind.PUBLIC_NOTICE: public_notice,
    DocumentJob.Kind.MASS_BALANCE: mass_balance,
    DocumentJob.Kind.MONITORING_LOG: monitoring_log,
    DocumentJob.Kind.DEVIATION: deviation_paper,
    DocumentJob.Kind.DEVIATION_LIST: deviation_list,
    DocumentJob.Kind.RECEIVING_LOG: receiving_log,
    DocumentJob.Kind.CHANGEOVER_LOG: changeover_log,
    DocumentJob.Kind.VERIFICATION_LOG: verification_log,
    DocumentJob.Kind.PEOPLE_LIST: people_list,
    DocumentJob.Kind.ALLERGEN_SHEET: allergen_sheet,
    DocumentJob.Kind.RETENTION_REPORT: retention_report,
    DocumentJob.Kind.COMPLIANCE_PROFILE: compliance_profile,
    DocumentJob.Kind.INSPECTION_RECORD: inspection_record,
}
"""Where each kind of document is made: a module with ``refuse`` (before it is asked for) and ``build``."""


LEAVES_OUT = frozenset(
    kind.value
    for kind in (
        DocumentJob.Kind.BATCH_RECORD,
        DocumentJob.Kind.TRACE,
        DocumentJob.Kind.MASS_BALANCE,
        DocumentJob.Kind.RECALL_REPORT,
        DocumentJob.Kind.RECALL_PLAN,
        DocumentJob.Kind.NOTICE_REPLY,
        DocumentJob.Kind.INSPECTION_FILE,
        DocumentJob.Kind.INSPECTION_RECORD,
    )
)
"""Kinds that leave out what is confidential when they are asked so; an inspection file always does."""
FOR_OUTSIDE = LEAVES_OUT | {
    kind.value
    for kind in (
        DocumentJob.Kind.HAZARD_PLAN,
        DocumentJob.Kind.CHECK_SHEET,
        DocumentJob.Kind.TRIAL,
        DocumentJob.Kind.SALE_SIGN,
        DocumentJob.Kind.ALLERGEN_SHEET,
        DocumentJob.Kind.RECALL_LETTER,
        DocumentJob.Kind.PUBLIC_NOTICE,
        DocumentJob.Kind.CHANGEOVER_TABLE,
        DocumentJob.Kind.MONITORING_LOG,
        DocumentJob.Kind.DEVIATION,
        DocumentJob.Kind.DEVIATION_LIST,
        DocumentJob.Kind.RECEIVING_LOG,
        DocumentJob.Kind.CHANGEOVER_LOG,
        DocumentJob.Kind.VERIFICATION_LOG,
        DocumentJob.Kind.PEOPLE_LIST,
        DocumentJob.Kind.COMPLIANCE_PROFILE,
    )
}
"""Those, and kinds that never show quantities of a recipe, prices or private contacts: the same look for outside.

Named one by one, so that nobody gets a new kind before somebody has looked at what it tells.
"""
INSIDE_ONLY = frozenset({DocumentJob.Kind.TAG_SHEET.value, DocumentJob.Kind.RETENTION_REPORT.value})
"""What is stuck on tubs and shelves here, and what the house decides on before records leave."""


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
    outside: bool = False,
    pdf_variant: str = PdfVariant.ARCHIVE.value,
) -> DocumentJob:
    """Ask for a document; a worker makes it after commit. The same ``id`` again is the same job.

    ``subject``: the uuid of what it is about, where its kind is about one thing; ``about``: what its kind asks besides.
    ``outside``: as it may leave the house, without what is confidential.
    Raises Unknown for a subject of another establishment, Unusable for a language, paper or look there is not,
    OtherContent for an id that something else was asked under.
    """
    subject, about = subject or establishment.pk, {**(about or {}), **({"outside": True} if outside else {})}
    asked = {
        "kind": kind,
        "subject": subject,
        "about": about,
        "language": language,
        "page_size": page_size,
        "pdf_variant": pdf_variant,
    }
    digest = _request_digest(asked, asked_by)
    if known := _known(id, digest):
        return known
    if language not in LANGUAGES:
        raise Unusable(f"Documents come in: {', '.join(LANGUAGES)}.", field="language")
    if page_size not in list(PageSize):
        raise Unusable(f"Papers are: {', '.join(PageSize)}.", field="page_size")
    _refuse_form(kind, outside, pdf_variant)
    _refuse(establishment, kind, subject, about)
    number = _next_number(establishment)
    if known := _known(id, digest):  # asked meanwhile: from here on nobody else asks in this house
        return known
    if getattr(_KINDS[kind], "ONCE", False) and (same := _same(establishment, digest)):
        return same
    days = dated.days_of(establishment, kind, subject, about) if outside else None
    job = DocumentJob.objects.create(
        **asked,
        told_first=days.first if days else None,
        told_last=days.last if days else None,
        id=id or uuid7(),
        establishment=establishment,
        request_digest=digest,
        number=number,
        asked_by=asked_by,
        asked_at=timezone.now(),
        touched_at=timezone.now(),
    )
    transaction.on_commit(lambda: _make_soon(job), robust=True)
    return job


def _known(id: UUID | None, digest: str) -> DocumentJob | None:
    """What was asked under this id already."""
    known = DocumentJob.objects.filter(pk=id).first() if id else None
    if known is not None and known.request_digest != digest:
        raise OtherContent("Under this id something else was asked for; nothing was changed.", field="id")
    return known


def _refuse(here: Establishment, kind: str, subject: UUID, about: dict[str, Any]) -> None:
    """Also what a document in a file of many would be refused for: it would not be told before a worker came to it."""
    for part in _KINDS[kind].refuse(here, subject, _heard(kind, about)) or ():
        with contents.named(part):
            _KINDS[part.kind].refuse(here, part.subject or here.pk, _heard(part.kind, part.about))


def _heard(kind: str, about: dict[str, Any]) -> dict[str, Any]:
    """What the kind hears of it: ``outside`` only where that makes another look."""
    return {name: said for name, said in about.items() if name != "outside" or kind in LEAVES_OUT}


def _refuse_form(kind: str, outside: bool, pdf_variant: str) -> None:
    if outside and kind not in FOR_OUTSIDE:
        raise Unusable(
            f"Of these there is a look for outside: {', '.join(sorted(FOR_OUTSIDE))}.", field="outside"
        )
    if pdf_variant not in list(PdfVariant):
        raise Unusable(f"PDFs come as: {', '.join(PdfVariant)}.", field="pdf_variant")
    if pdf_variant != PdfVariant.ARCHIVE and hasattr(_KINDS[kind], "make"):
        raise Unusable(f"A {kind} comes as {PdfVariant.ARCHIVE} only.", field="pdf_variant")


def _next_number(establishment: Establishment) -> int:
    """Running numbers; the establishment's row keeps two askers apart."""
    Establishment.objects.select_for_update(no_key=True).get(pk=establishment.pk)
    last = DocumentJob.objects.filter(establishment=establishment).aggregate(last=Max("number"))["last"]
    return (last or 0) + 1


def _request_digest(asked: dict[str, Any], asked_by: Person) -> str:
    said = json.dumps({**asked, "asked_by": asked_by.pk}, sort_keys=True, default=str)
    return hashlib.sha256(said.encode()).hexdigest()


def _same(establishment: Establishment, digest: str) -> DocumentJob | None:
    """The same request of the same person that waits, or was made today with nothing recorded since; under the lock."""
    jobs = DocumentJob.objects.filter(establishment=establishment, request_digest=digest)
    waiting = Q(state__in=[DocumentJob.State.QUEUED, DocumentJob.State.MAKING])
    today = timezone.now().astimezone(establishment.zone).replace(hour=0, minute=0, second=0, microsecond=0)
    latest = Seal.objects.filter(establishment=establishment).aggregate(last=Max("number"))["last"]
    as_it_is = Q(state=DocumentJob.State.DONE, made_at__gte=today, seal_number=latest)
    if Unsealed.objects.filter(establishment=establishment).exists():
        as_it_is = Q(pk__in=[])
    return jobs.filter(waiting | as_it_is).order_by("-number").first()


def _make_soon(job: DocumentJob) -> None:
    from reports.tasks import make_document, make_long_document

    task = make_long_document if takes_long(job) else make_document
    task.delay(str(job.pk))


def takes_long(job: DocumentJob) -> bool:
    """Whether it may take minutes: such documents wait for each other, and none that is quick waits for them."""
    asked = getattr(_KINDS[job.kind], "takes_long", None)
    return asked is not None and asked(job.establishment, job.subject, _heard(job.kind, job.about))


def make(pk: UUID) -> None:
    """Make the document of a job that waits; a second call finds it taken or done and stops."""
    taken = DocumentJob.objects.filter(pk=pk, tries__lt=MOST_TRIES).filter(_waits(timezone.now()))
    begun = {"state": DocumentJob.State.MAKING, "touched_at": timezone.now(), "tries": F("tries") + 1}
    if not taken.update(**begun):
        return
    job = DocumentJob.objects.select_related("establishment", "asked_by").get(pk=pk)
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
    kind = _KINDS[job.kind]
    made = kind.make(job, built, partial(_tell, job)) if hasattr(kind, "make") else _one(job)
    files = made.files
    if made.document.key:
        files = files | {"pdf": _signed(files["pdf"], job.establishment)}
    for form, content in files.items():
        _keep(path_of(job, form), content)
    job.state, job.problem = DocumentJob.State.DONE, ""
    job.made_at, job.size = made.document.made_at, len(files["pdf"])
    job.seal_number = made.document.seal.number if made.document.seal else None
    job.parts_drawn = job.parts_in_all
    job.digest = hashlib.sha256(files["pdf"]).hexdigest()


def _signed(pdf: bytes, here: Establishment) -> bytes:
    from reports import pdf_signing  # a large library that only workers need

    return pdf_signing.sign(pdf, here)


def _tell(job: DocumentJob, drawn: int, of: int) -> None:
    """How far it is, for whoever waits; and that its worker lives."""
    job.parts_drawn, job.parts_in_all, job.touched_at = drawn, of, timezone.now()
    job.save(update_fields=["parts_drawn", "parts_in_all", "touched_at"])


def _one(job: DocumentJob) -> Made:
    document, proof = _with_proof(job)
    data = rendering.own_data(document)
    pdf = rendering.to_pdf(document, attachments=[data, proof], variant=PdfVariant(job.pdf_variant))
    page = rendering.to_html(document, for_paper=False).encode()
    files = {"pdf": pdf, "json": data.content, "html": page}
    return Made(document, files | tables.as_files(document.data_tables()))


def _with_proof(job: DocumentJob) -> tuple[Document, DataFile]:
    """Lets go of the records before anything is drawn: those of a long log take as much memory as a drawing process."""
    document, shown = read(job)
    return document, reading.evidence_file(job.establishment, shown, [document])


def _give_up(job: DocumentJob, error: Exception) -> None:
    again = job.tries < MOST_TRIES and not isinstance(error, Refusal)
    job.state = DocumentJob.State.QUEUED if again else DocumentJob.State.FAILED
    job.problem = str(error) if isinstance(error, Refusal) else "It could not be made; the log says why."


def _keep(path: str, content: bytes) -> None:
    if default_storage.exists(path):
        default_storage.delete(path)
    default_storage.save(path, ContentFile(content))


def forms_of(job: DocumentJob) -> tuple[str, ...]:
    """In which forms a document that is done can be fetched."""
    if job.state != DocumentJob.State.DONE:
        return ()
    return getattr(_KINDS[job.kind], "FORMS", USUAL_FORMS)


def path_of(job: DocumentJob, kind: str) -> str:
    return f"documents/{job.establishment_id}/{job.pk}.{kind}"


@not_collecting()
def read(job: DocumentJob) -> tuple[Document, list[Stored]]:
    """The document and the records it shows, as of one moment, under the seal that was made after it."""
    with reading.snapshot():
        document = built(job, job.kind, job.subject, job.about)
        shown = reading.records(document.record_ids)
    return reading.proved(document, shown, reading.sealed(job.establishment)), shown


def built(job: DocumentJob, kind: str, subject: UUID, about: dict[str, Any], **head: Any) -> Any:
    """A document of ``kind`` for whoever asked for ``job``, in its language and on its paper; not sealed yet."""
    made_at = timezone.now().astimezone(job.establishment.zone)
    head = _head(job, made_at) | {"title": title(kind, job.language)} | head
    with translation.override(job.language):
        made = _KINDS[kind].build(job.establishment, subject, _heard(kind, about), **head, seal=None)
        return answered.with_rules(made)


def title(kind: str, language: str) -> str:
    with translation.override(language):
        title = spoken(getattr(_KINDS[kind], "TITLE", DocumentJob.Kind(kind).label))
    return title[:1].upper() + title[1:]


def _head(job: DocumentJob, made_at: datetime) -> dict[str, Any]:
    return {
        "number": f"{job.number:06d}",
        "establishment": job.establishment.name,
        "establishment_lines": establishment_lines(job.establishment),
        "asked_by": job.asked_by.name,
        "made_at": made_at,
        "late_after_minutes": job.establishment.late_after_minutes,
        "language": job.language,
        "page_size": PageSize(job.page_size),
        "check_at": own_addresses.of_document(job.establishment, f"{job.number:06d}"),
    }


def sweep() -> int:
    """Give waiting jobs to the workers again: those whose message or worker was lost; not one that took workers down."""
    now = timezone.now()
    lost = DocumentJob.objects.filter(_waits(now), touched_at__lt=now - PATIENCE)
    lost.filter(tries__gte=MOST_TRIES).update(state=DocumentJob.State.FAILED, problem=TOO_OFTEN)
    found = list(lost.select_related("establishment"))
    for job in found:
        _make_soon(job)
    return len(found)
