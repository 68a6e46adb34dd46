"""What belongs to an inspection, read and as lines of a document: corrections and what they replace too."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, TypeVar
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from batches import quantities
from haccp.inspections import due, findings, visits
from haccp.models import (
    Finding,
    FindingAnswer,
    FindingClosed,
    Inspection,
    InspectionEnd,
    InspectionNote,
    InspectionSample,
    SampleResult,
)
from ledger.models import Attachment, Establishment, Record
from reports.documents import RecordLine
from reports.listing import spoken
from reports.models import DocumentJob

R = TypeVar("R", bound=Record)
Papers = dict[UUID, list[Attachment]]
"""What hangs on records, by their keys."""


@dataclass(frozen=True, kw_only=True)
class VisitLine(RecordLine):
    body: str
    why: str
    about: str


@dataclass(frozen=True, kw_only=True)
class NoteLine(RecordLine):
    """``document``: number, kind and digest of the document that was shown or copied."""

    what: str
    text: str
    document: tuple[str, ...]
    shown: UUID | None


@dataclass(frozen=True, kw_only=True)
class SampleLine(RecordLine):
    """``counter``: what became of a counter-sample."""

    sampled: str
    amount: str
    analysis: str
    mark: str
    counter: tuple[str, ...]
    receipt: str
    result_by: date | None


@dataclass(frozen=True, kw_only=True)
class ResultLine(RecordLine):
    sampled: str
    outcome: str
    text: str
    reference: str


@dataclass(frozen=True, kw_only=True)
class FindingLine(RecordLine):
    """``done``: how far it is; empty where it was corrected. ``late_days``: of the first answer, or until now."""

    number: str
    text: str
    rule: str
    grade: str
    about: str
    due_on: date | None
    done: str
    late_days: int
    flags: tuple[str, ...]

    @property
    def words(self) -> tuple[str, ...]:
        return tuple(filter(None, (self.number, self.text, *self.flags)))

    @property
    def held_against(self) -> tuple[str, ...]:
        return tuple(filter(None, (self.rule, self.grade)))

    @property
    def standing(self) -> tuple[str, ...]:
        late = ngettext("%d day late", "%d days late", self.late_days) % self.late_days
        return tuple(filter(None, (self.done, late if self.late_days else "")))


@dataclass(frozen=True, kw_only=True)
class FindingAnswerLine(RecordLine):
    """``papers``: name and SHA-256 of what hangs on it."""

    to: str
    text: str
    told: str
    papers: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class ClosedLine(RecordLine):
    to: str
    by: str
    because: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class EndLine(RecordLine):
    outcome: str
    reference: str
    objection: str
    papers: tuple[str, ...]


# -- reading -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Read:
    """All that belongs to a visit, corrections and what they replace too, in the order of the work."""

    visits: list[Inspection]
    findings: list[Finding]
    answers: list[FindingAnswer]
    closings: list[FindingClosed]
    samples: list[InspectionSample]
    results: list[SampleResult]
    notes: list[InspectionNote]
    ends: list[InspectionEnd]

    @property
    def records(self) -> list[Record]:
        return [record for rows in vars(self).values() for record in rows]


def _rows(kind: type[R], *related: str, **which: Any) -> list[R]:
    """A withdrawal is told at what it withdraws."""
    rows: Any = kind.objects
    found = rows.filter(withdrawn=False, **which).select_related(*RecordLine.FROM_RECORD, *related)
    return list(found.order_by("performed_at", "recorded_at", "id"))


def read(first: UUID) -> Read:
    of_visit = {"inspection": first}
    things = ("lot", "batch", "control_point", "equipment")
    return Read(
        visits=sorted(
            [*_rows(Inspection, pk=first), *_rows(Inspection, first=first)], key=lambda row: row.recorded_at
        ),
        findings=_rows(Finding, *things, **of_visit),
        answers=_rows(FindingAnswer, finding__inspection=first),
        closings=_rows(FindingClosed, "finding", finding__inspection=first),
        samples=_rows(InspectionSample, "lot__material", **of_visit),
        results=_rows(SampleResult, "sample__lot__material", sample__inspection=first),
        notes=_rows(InspectionNote, **of_visit),
        ends=_rows(InspectionEnd, **of_visit),
    )


def papers_of(records: Sequence[Record]) -> Papers:
    """What hangs on each record."""
    found: Papers = {}
    rows = Attachment.objects.standing().filter(target__in=[each.pk for each in records])
    for each in rows.order_by("recorded_at", "id"):
        found.setdefault(each.target_id, []).append(each)
    return found


# -- lines -------------------------------------------------------------------------------------------------


def lines(here: Establishment, read: Read, papers: Papers, made_at: datetime) -> dict[str, Any]:
    documents = _documents(here, read.notes)
    names = {visits.line_of(each): each.number or _short(each.text) for each in read.findings}
    return {
        "visit": tuple(
            VisitLine.of(each, body=each.body, why=spoken(each.get_why_display()), about=each.about)
            for each in read.visits
        ),
        "findings": tuple(_finding_lines(read.findings, made_at.date())),
        "answers": tuple(
            FindingAnswerLine.of(
                each, to=names[each.finding_id], text=each.text, told=each.told, papers=_hung(papers, each)
            )
            for each in read.answers
        ),
        "closings": tuple(_closed(each, names[visits.line_of(each.finding)]) for each in read.closings),
        "samples": tuple(map(_sample, read.samples)),
        "results": tuple(_result(each) for each in read.results),
        "notes": tuple(_note(each, documents) for each in read.notes),
        "ends": tuple(
            EndLine.of(
                each,
                outcome=each.outcome,
                reference=each.reference,
                objection=each.objection,
                papers=_hung(papers, each),
            )
            for each in read.ends
        ),
    }


def _short(text: str) -> str:
    return text if len(text) <= 60 else f"{text[:59]}…"


def _finding_lines(found: Sequence[Finding], today: date) -> Iterator[FindingLine]:
    standing = (
        due.findings(found[0].establishment).filter(pk__in=[each.pk for each in found]) if found else []
    )
    states = due.states(list(standing), today)
    words = {
        due.Standing.OPEN: _("not answered"),
        due.Standing.ANSWERED: _("answered"),
        due.Standing.CLOSED: _("closed"),
    }
    for each in found:
        state = states.get(each.pk)
        yield FindingLine.of(
            each,
            number=each.number,
            text=each.text,
            rule=each.rule,
            grade=each.grade,
            about=_about(each),
            due_on=each.due_on,
            done="" if state is None else words[state.standing],
            late_days=0 if state is None else state.late_days,
            flags=tuple(spoken(findings.SENTENCES[flag]) for flag in each.flags),
        )


def _about(finding: Finding) -> str:
    named = (finding.lot, finding.batch, finding.control_point, finding.equipment)
    return next((each.code for each in named if each is not None), "")


def _hung(papers: Papers, record: Record) -> tuple[str, ...]:
    return tuple(f"{each.file_name}, SHA-256 {each.sha256}" for each in papers.get(record.pk, ()))


def _closed(each: FindingClosed, to: str) -> ClosedLine:
    because = tuple(filter(None, (each.reference, each.because)))
    return ClosedLine.of(each, to=to, by=spoken(each.get_by_display()), because=because)


def _of(sample: InspectionSample) -> str:
    return sample.of if sample.lot is None else f"{sample.lot.code}, {sample.lot.material.name}"


def _sample(each: InspectionSample) -> SampleLine:
    symbol = quantities.known_unit(each.unit).symbol if each.unit else ""
    return SampleLine.of(
        each,
        sampled=_of(each),
        amount=f"{each.entered} {spoken(symbol)}".strip(),
        analysis=each.analysis,
        mark=each.mark,
        counter=tuple(filter(None, (spoken(each.get_counter_display()), each.counter_sample))),
        receipt=each.receipt,
        result_by=each.result_by,
    )


def _result(each: SampleResult) -> ResultLine:
    outcome = spoken(each.get_outcome_display())
    return ResultLine.of(
        each, sampled=_of(each.sample), outcome=outcome, text=each.text, reference=each.reference
    )


def _documents(here: Establishment, notes: Iterable[InspectionNote]) -> dict[int, DocumentJob]:
    numbers = {each.document for each in notes if each.document is not None}
    return {job.number: job for job in DocumentJob.objects.filter(establishment=here, number__in=numbers)}


def _note(each: InspectionNote, documents: dict[int, DocumentJob]) -> NoteLine:
    return NoteLine.of(
        each,
        what=spoken(each.get_what_display()),
        text=each.text,
        document=_document(each.document, documents),
        shown=each.record_id,
    )


def _document(number: int | None, documents: dict[int, DocumentJob]) -> tuple[str, ...]:
    if number is None:
        return ()
    job = documents.get(number)
    if job is None:
        return (f"{number:06d}",)
    told = f"{number:06d}, {spoken(DocumentJob.Kind(job.kind).label)}"
    return (told, f"SHA-256 {job.digest}") if job.digest else (told,)
