"""Whether a document as PDF is as it was made: against itself, against what it prints, and against the records here.

Nothing in the file is believed. Its attached evidence and data are read as the stand-alone checker reads them; the print is
read from the pages; and where this database knows the establishment, it tells what it made and recorded.
"""

import hashlib
import io
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

import pikepdf
from django.core.files.storage import default_storage

from ledger.models import Entry, Establishment, Seal, SigningKey, record_class
from ledger.standalone import check_evidence
from ledger.standalone.check_evidence import Unreadable, shown
from reports import jobs, printed
from reports.models import DocumentJob
from reports.pdf_signing import signature_of

PRINTS_NO_FOOT = frozenset({DocumentJob.Kind.RECALL_LETTER.value, DocumentJob.Kind.TAG_SHEET.value})
"""Kinds without a foot that bears seal and digest: a letter and labels."""
A_NUMBER = re.compile("[0-9]{1,18}")
CHUNK = 500  # SQLite bounds the number of parameters in one statement


@dataclass
class Verdict:
    """What fits or is only told, and what differs."""

    said: list[str] = field(default_factory=list)
    differences: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Paper:
    """A PDF of this service by what is attached to it. ``data`` as they lie there, ``document`` the same, read."""

    content: bytes
    evidence: dict[str, Any]
    data: bytes

    @classmethod
    def read(cls, content: bytes, most: int = check_evidence.MOST_UNPACKED) -> "Paper":
        """Raises Unreadable for what is no PDF of this service, or is broken."""
        if not content.startswith(b"%PDF-"):
            raise Unreadable("it is no PDF")
        return cls(content, *check_evidence.attached(content, most))

    @property
    def document(self) -> dict[str, Any]:
        read: dict[str, Any] = json.loads(self.data)
        return read

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.content).hexdigest()

    @property
    def data_digest(self) -> str:
        return hashlib.sha256(self.data).hexdigest()

    @property
    def records(self) -> list[dict[str, Any]]:
        return [one for one in self.evidence["records"] if isinstance(one, dict)]

    @property
    def owners(self) -> set[str]:
        """The establishments that its records and seals name."""
        contents = (one.get("content") for one in self.records)
        named = [
            each.get("establishment")
            for each in (*contents, *self.evidence["seals"])
            if isinstance(each, dict)
        ]
        return {owner for owner in named if isinstance(owner, str)}


def verify(content: bytes) -> Verdict:
    """Everything that can be found out of a PDF here. Raises Unreadable."""
    with _opened(content) as pdf:
        paper, verdict = Paper.read(content), Verdict()
        document = paper.document
        verdict.said.append(
            f"Document {shown(document.get('number'))}, {shown(document.get('kind'))}, made {shown(document.get('made_at'))} "
            f"for {shown(document.get('asked_by'))}."
        )
        _against_itself(paper, verdict)
        _against_print(pdf, paper, verdict)
    _against_signature(paper, verdict)
    against_here(paper, verdict)
    return verdict


def _opened(content: bytes) -> pikepdf.Pdf:
    if not content.startswith(b"%PDF-"):
        raise Unreadable("it is no PDF")
    try:
        pdf = pikepdf.open(io.BytesIO(content), attempt_recovery=False, suppress_warnings=True)
    except pikepdf.PasswordError as error:
        raise Unreadable("it is encrypted; the service encrypts none") from error
    except (pikepdf.PdfError, ValueError, RecursionError) as error:
        raise Unreadable(f"it is a broken PDF ({shown(str(error))})") from error
    if pdf.is_encrypted:
        pdf.close()
        raise Unreadable("it is encrypted; the service encrypts none")
    return pdf


# -- against itself ---------------------------------------------------------------------------------


def _against_itself(paper: Paper, verdict: Verdict) -> None:
    findings = check_evidence.check(paper.evidence, document=paper.document)
    proved = sum(findings.under.values())
    verdict.said.append(
        f"Attached: {findings.records} records, {proved} proved under a seal, {findings.seals} seals."
    )
    verdict.said += findings.remarks
    verdict.differences += findings.differences


def _against_print(pdf: pikepdf.Pdf, paper: Paper, verdict: Verdict) -> None:
    identifier = bytes(pdf.trailer["/ID"][0]).decode("ascii", "replace") if "/ID" in pdf.trailer else ""
    if identifier != paper.data_digest[:32]:
        verdict.differences.append(
            "the attached data are not those that the file was made from: its identifier says so"
        )
    if paper.document.get("kind") in PRINTS_NO_FOOT:
        verdict.said.append("This kind of document prints neither seal nor digests.")
        return
    try:
        text = printed.text_of(pdf)
    except (pikepdf.PdfError, ValueError, AttributeError, KeyError, TypeError) as error:
        verdict.differences.append(f"its pages cannot be read ({shown(str(error))})")
        return
    verdict.differences += (
        f"{what} is not printed on its pages as it is attached"
        for what, digits in _ought_to_be_printed(paper)
        if digits not in text
    )
    verdict.differences += _list_not_printed(text, paper)


def _list_not_printed(text: str, paper: Paper) -> Iterator[str]:
    """Where a list of records is printed, every record is in it with its own digest."""
    listed = {one["record"]: f"{UUID(one['record']).hex[-8:]}{one['digest'][:12]}" for one in _listed(paper)}
    missing = [record for record, token in listed.items() if token not in text]
    if len(missing) < len(listed):
        yield from (f"record {record} is not printed with its digest" for record in missing)


def _listed(paper: Paper) -> Iterator[dict[str, str]]:
    for one in paper.document["proofs"]:
        try:
            UUID(one["record"])
            one["digest"][:12]
        except (TypeError, KeyError, ValueError):
            continue  # the evidence tells of it
        yield one


def _ought_to_be_printed(paper: Paper) -> Iterator[tuple[str, str]]:
    document = paper.document
    yield "the digest of the data", paper.data_digest
    seal = document.get("seal")
    key = document.get("key")
    if isinstance(key, dict):
        yield "the fingerprint of the key", str(key.get("fingerprint"))
    if isinstance(seal, dict):
        yield "the seal's hash", str(seal.get("hash"))
        yield "the seal's root", str(seal.get("root"))


# -- against its signature ---------------------------------------------------------------------------


def _against_signature(paper: Paper, verdict: Verdict) -> None:
    said = paper.document.get("key")
    named = said.get("fingerprint") if isinstance(said, dict) else None
    signed = signature_of(paper.content)
    if signed is None and named is None:
        verdict.said.append("The file is not signed, and says so.")
    elif signed is None:
        verdict.differences.append("the document says that its file is signed, and it bears no signature")
    else:
        verdict.differences += signed.faults
        if not signed.faults:
            verdict.said.append(
                f"Signed with the key of the certificate {signed.fingerprint}, {signed.said_at}."
            )
            verdict.differences += _other_key(signed.fingerprint, named, paper.owners)


def _other_key(fingerprint: str, named: Any, owners: set[str]) -> Iterator[str]:
    if fingerprint != named:
        yield "it is signed with another key than the document names"
    here = _establishment(owners)
    if here is not None and not SigningKey.objects.of(here).filter(fingerprint=fingerprint).exists():
        yield "it is signed with a key that is not this establishment's"


# -- against the records here -----------------------------------------------------------------------


def against_here(paper: Paper, verdict: Verdict) -> None:
    """What this database knows of the document, its records and seals."""
    here = _establishment(paper.owners)
    if here is None:
        verdict.said.append(
            "This database does not know the establishment: nothing was compared with its records."
        )
        return
    job = _job(here, paper.document)
    verdict.differences += _against_job(job, paper)
    verdict.differences += _against_records(here, paper.records)
    verdict.differences += _against_seals(here, paper.evidence["seals"])
    if job is not None and job.digest == paper.sha256:
        verdict.said.append("The file is byte for byte the one that was made here.")
    later = corrected(paper.records)
    verdict.said += (f"Record {record} was corrected or withdrawn since." for record in later)


def _establishment(owners: set[str]) -> Establishment | None:
    """None where the file names none, more than one, or one that is not here."""
    try:
        (owner,) = (UUID(owner) for owner in owners)
    except ValueError:
        return None
    return Establishment.objects.filter(pk=owner).first()


def _job(here: Establishment, document: dict[str, Any]) -> DocumentJob | None:
    number, kind = document.get("number"), document.get("kind")
    if not (isinstance(number, str) and A_NUMBER.fullmatch(number) and isinstance(kind, str)):
        return None
    made = DocumentJob.objects.filter(establishment=here, state=DocumentJob.State.DONE)
    return made.filter(number=int(number), kind=kind).first()


def _against_job(job: DocumentJob | None, paper: Paper) -> Iterator[str]:
    if job is None:
        yield "no document of this number and kind was made here"
        return
    if job.digest == paper.sha256:
        return
    yield "the file is not the one that was made here under this number: it was changed, or made anew"
    path = jobs.path_of(job, "json")
    if default_storage.exists(path):
        with default_storage.open(path) as file:
            yield from _differing(json.loads(file.read()), paper.document)


def _differing(made: dict[str, Any], here: dict[str, Any]) -> Iterator[str]:
    names = sorted(name for name in made.keys() | here.keys() if made.get(name) != here.get(name))
    if names:
        yield f"its data differ from what was made here, in: {', '.join(shown(name) for name in names)}"


def _against_records(here: Establishment, records: list[dict[str, Any]]) -> Iterator[str]:
    ids = _ids(records)
    known: dict[UUID, str] = {}
    for some in _chunks(ids):
        known.update(Entry.objects.filter(establishment=here, pk__in=some).values_list("pk", "digest"))
    for pk, record in ids.items():
        if pk not in known:
            yield f"record {pk} is not among the records here"
        elif known[pk] != record.get("digest"):
            yield f"record {pk} of kind {shown(record.get('kind'))} differs from the record here: it has another digest"


def _against_seals(here: Establishment, seals: list[Any]) -> Iterator[str]:
    said = {
        int(seal["number"]): seal.get("hash")
        for seal in seals
        if isinstance(seal, dict)
        and isinstance(seal.get("number"), str)
        and A_NUMBER.fullmatch(seal["number"])
    }
    for some in _chunks(said):
        known = dict(Seal.objects.filter(establishment=here, number__in=some).values_list("number", "hash"))
        for number in some:
            if known.get(number) != said[number]:
                yield f"seal {number} differs from the seal here"


def corrected(records: list[dict[str, Any]]) -> list[UUID]:
    """Which of the records, of kinds known here, a later one replaced."""
    by_kind: dict[str, list[UUID]] = {}
    for some in _chunks(_ids(records)):
        for pk, kind in Entry.objects.filter(pk__in=some).values_list("pk", "kind"):
            by_kind.setdefault(kind, []).append(pk)
    found: list[UUID] = []
    for kind, keys in by_kind.items():
        for some in _chunks(keys):
            rows: Any = record_class(kind).objects
            gone = rows.filter(pk__in=some, corrected_by__isnull=False)
            found += gone.values_list("pk", flat=True)
    return sorted(found)


def _ids(records: list[dict[str, Any]]) -> dict[UUID, dict[str, Any]]:
    found: dict[UUID, dict[str, Any]] = {}
    for record in records:
        try:
            found[UUID(str(record.get("id")))] = record
        except ValueError:
            continue  # the evidence is told to be wrong already
    return found


def _chunks(keys: Iterable[Any]) -> Iterator[list[Any]]:
    every = list(keys)
    return (every[start : start + CHUNK] for start in range(0, len(every), CHUNK))
