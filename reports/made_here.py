"""What this database knows of a document that somebody holds as a PDF: whether it made it, and what changed since.

The file is read as the stand-alone checker reads it, bounded, and by no library for PDFs: so strangers may send one.
"""

import hashlib
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any
from uuid import UUID

from django.core.files.storage import default_storage

from ledger.models import Entry, Establishment, Seal, record_class
from ledger.standalone import check_evidence
from ledger.standalone.check_evidence import Unreadable, shown
from reports import jobs
from reports.models import DocumentJob

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

    @cached_property
    def document(self) -> dict[str, Any]:
        read: dict[str, Any] = json.loads(self.data)
        return read

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.content).hexdigest()

    @cached_property
    def data_digest(self) -> str:
        return hashlib.sha256(self.data).hexdigest()

    @property
    def records(self) -> list[dict[str, Any]]:
        return [one for one in self.evidence["records"] if isinstance(one, dict)]

    @property
    def owners(self) -> set[str]:
        """The establishments that its records and seals name."""
        contents = (one if "withheld" in one else one.get("content") for one in self.records)
        named = [
            each.get("establishment")
            for each in (*contents, *self.evidence["seals"])
            if isinstance(each, dict)
        ]
        return {owner for owner in named if isinstance(owner, str)}


# -- against the records here -----------------------------------------------------------------------


def against_here(paper: Paper, verdict: Verdict) -> None:
    """What this database knows of the document, its records and seals."""
    here = establishment_of(paper.owners)
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
    later = corrected(here, _ids(paper.records), None if job is None else job.made_at)
    verdict.said += (f"Record {record} was corrected or withdrawn since." for record in later)


def establishment_of(owners: set[str]) -> Establishment | None:
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
    if kept := _kept_data(job):
        yield from _differing(json.loads(kept), paper.document)


def _kept_data(job: DocumentJob) -> bytes:
    """The document's data as they were made here; empty where they are not in the storage any more."""
    path = jobs.path_of(job, "json")
    if not default_storage.exists(path):
        return b""
    with default_storage.open(path) as file:
        content: bytes = file.read()
    return content


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


def corrected(here: Establishment, ids: Iterable[UUID], since: datetime | None) -> list[UUID]:
    """Which of the records a later one replaced, if ``since`` a time by what was recorded after it."""
    by_kind: dict[str, list[UUID]] = {}
    for some in _chunks(ids):
        for pk, kind in Entry.objects.filter(establishment=here, pk__in=some).values_list("pk", "kind"):
            by_kind.setdefault(kind, []).append(pk)
    later = {"corrected_by__isnull": False} if since is None else {"corrected_by__recorded_at__gt": since}
    found: list[UUID] = []
    for kind, keys in by_kind.items():
        rows: Any = record_class(kind).objects
        for some in _chunks(keys):
            found += rows.filter(pk__in=some, **later).values_list("pk", flat=True)
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


# -- told to strangers ------------------------------------------------------------------------------


LARGEST_SENT = 25 * 1024 * 1024  # bytes; a site setting, no source
MOST_UNPACKED = (
    40 * 1024 * 1024
)  # bytes of attached files of what a stranger sends; a site setting, no source
LEAST_DIGITS = 12
"""Of a digest typed from paper: one in 2.8e14 is guessed, so that trying tells nothing."""
A_DIGEST = re.compile("[0-9a-f]{12,64}")


@dataclass(frozen=True)
class Told:
    """What whoever holds a document is told, without anything of what stands in it.

    ``made``: the job, where the service made such a document. ``unchanged``: the file is the one that was made.
    ``later``: records in it that were corrected or withdrawn since.
    """

    made: DocumentJob | None
    unchanged: bool
    later: tuple[UUID, ...] = ()
    differing: tuple[UUID, ...] = ()


def told_of_file(here: Establishment, content: bytes) -> Told:
    """Raises Unreadable for what is no document of such a service.

    A file with nothing genuine in it learns nothing: neither which numbers were given nor which records there are.
    """
    made = DocumentJob.objects.filter(establishment=here, state=DocumentJob.State.DONE)
    if not content.startswith(b"%PDF-"):
        raise Unreadable("it is no PDF")
    job = made.filter(digest=hashlib.sha256(content).hexdigest()).first()
    if job is not None:
        return Told(job, unchanged=True, later=_later(job))
    paper = Paper.read(content, MOST_UNPACKED)
    job, genuine, differing = _job(here, paper.document), set[UUID](), set[UUID]()
    for pk, digest, known in _known(here, paper.records):
        (genuine if digest == known else differing).add(pk)
    if job is None or not genuine:
        return Told(None, unchanged=False)
    return Told(job, unchanged=False, later=_later(job), differing=tuple(sorted(differing)))


def told_of_number(here: Establishment, number: str, digest: str) -> Told | None:
    """By what stands on paper; None where no document of that number has data with such a digest."""
    if not A_NUMBER.fullmatch(number):
        return None
    done = DocumentJob.objects.filter(establishment=here, state=DocumentJob.State.DONE)
    job = done.filter(number=int(number)).first()
    kept = b"" if job is None else _kept_data(job)
    if job is None or not kept or not hashlib.sha256(kept).hexdigest().startswith(digest):
        return None
    return Told(job, unchanged=True, later=_later(job))


def _known(here: Establishment, records: list[dict[str, Any]]) -> Iterator[tuple[UUID, Any, str]]:
    """(record, the digest it is said to have, the one it has here), for those that are here."""
    ids = _ids(records)
    for some in _chunks(ids):
        for pk, known in Entry.objects.filter(establishment=here, pk__in=some).values_list("pk", "digest"):
            yield pk, ids[pk].get("digest"), known


def _later(job: DocumentJob) -> tuple[UUID, ...]:
    kept = _kept_data(job)
    listed = json.loads(kept).get("proofs", []) if kept else []
    return tuple(corrected(job.establishment, (UUID(one["record"]) for one in listed), job.made_at))
