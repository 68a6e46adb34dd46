"""Whether a document as PDF is as it was made: against itself, against what it prints, and against the records here.

Nothing in the file is believed. Its attached evidence and data are read as the stand-alone checker reads them; the print is
read from the pages; and where this database knows the establishment, it tells what it made and recorded.
"""

import io
from collections.abc import Iterator
from typing import Any
from uuid import UUID

import pikepdf

from ledger.models import SigningKey
from ledger.standalone import check_evidence
from ledger.standalone.check_evidence import Unreadable, shown
from reports import printed
from reports.documents import MOST_PROOFS_PRINTED
from reports.made_here import Paper, Verdict, against_here, establishment_of
from reports.models import DocumentJob
from reports.pdf_signing import signature_of

LETTERS = frozenset({DocumentJob.Kind.RECALL_LETTER.value})
"""Kinds that print the digest of their data, and neither seal nor key."""
LABELS = frozenset({DocumentJob.Kind.TAG_SHEET.value})
"""Kinds that print nothing about themselves."""


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
    if paper.document.get("kind") in LABELS:
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
    """Where a list of records is printed, every record is in it with its own digest; so is each line of a long log."""
    listed = paper.document["proofs"]
    missing = set(_not_printed(text, listed, 12)) if len(listed) <= MOST_PROOFS_PRINTED else set[str]()
    missing.update(_not_printed(text, paper.document.get("checks"), 8))
    yield from (f"record {record} is not printed with its digest" for record in sorted(missing))


def _not_printed(text: str, lines: Any, digits: int) -> list[str]:
    """Those that are not there as the end of their id and so many digits of their digest; none where no line is there so."""
    listed = {
        one["record"]: f"{UUID(one['record']).hex[-8:]}{one['digest'][:digits]}" for one in _listed(lines)
    }
    there = printed.together(text, 8 + digits)
    missing = [record for record, token in listed.items() if token not in there]
    return missing if len(missing) < len(listed) else []


def _listed(lines: Any) -> Iterator[dict[str, str]]:
    for one in lines if isinstance(lines, list) else ():
        try:
            UUID(one["record"])
            one["digest"][:12]
        except (TypeError, KeyError, ValueError):
            continue  # the evidence tells of it
        yield one


def _ought_to_be_printed(paper: Paper) -> Iterator[tuple[str, str]]:
    document = paper.document
    yield "the digest of the data", paper.data_digest
    if document.get("kind") in LETTERS:
        return
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
    here = establishment_of(owners)
    if here is not None and not SigningKey.objects.of(here).filter(fingerprint=fingerprint).exists():
        yield "it is signed with a key that is not this establishment's"
