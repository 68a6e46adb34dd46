"""What was recorded of an inspection and never was: each kind with what has to be gone before."""

from collections.abc import Callable
from typing import Any

from batches import movements
from batches.locks import lock_material
from config.api.refusals import RuleBroken, Unknown
from haccp.inspections.findings import answers_of
from haccp.inspections.samples import latest
from haccp.inspections.visits import line_of, of_line
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
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Record

KINDS: dict[str, type[Record]] = {
    "visit": Inspection,
    "note": InspectionNote,
    "sample": InspectionSample,
    "result": SampleResult,
    "finding": Finding,
    "answer": FindingAnswer,
}


@deed
def withdraw(*, act: Act, inspection: Inspection, what: str) -> Record:
    """Say that ``act.corrects`` never was. Raises RuleBroken while something rests on it, Unknown for another visit's."""
    lock_material(act.establishment)
    gone: Any = KINDS[what].withdrawal(act)
    if isinstance(gone, Inspection | Finding):
        gone.first_id = line_of(gone.corrects)
    gone.answer_if_repeated()
    if _visit_of(gone) != line_of(inspection):
        raise Unknown(f"There is no {what} {act.corrects} of this visit.", field="corrects")
    if needed := RESTING.get(what, lambda record: "")(gone):
        raise RuleBroken(f"{needed} Withdraw or correct that first. Nothing was written.", code="needed")
    gone.insert()
    if isinstance(gone, InspectionSample):
        _back_into_stock(act, gone)
    return gone  # type: ignore[no-any-return]


def _visit_of(record: Any) -> Any:
    if isinstance(record, Inspection):
        return line_of(record)
    within = {"haccp.inspection-sample-result": "sample", "haccp.finding-answer": "finding"}.get(record.kind)
    return getattr(record, within).inspection_id if within else record.inspection_id


def _back_into_stock(act: Act, sample: InspectionSample) -> None:
    """The movement it brought goes with it; one that had been recorded before stays."""
    movement = None if sample.taken_before else latest(sample.movement)
    if movement is not None:
        movements.withdraw(act=act.with_new_id(corrects=movement.pk, reason=act.reason, withdraws=True))


def _of_visit(visit: Inspection) -> str:
    first = line_of(visit)
    kinds: tuple[Any, ...] = (InspectionNote, InspectionSample, Finding, InspectionEnd)
    there = any(kind.objects.standing().filter(inspection=first).exists() for kind in kinds)
    return "Something was recorded of this visit." if there else ""


def _of_sample(sample: InspectionSample) -> str:
    gone: Any = sample.corrects
    found = SampleResult.objects.standing().filter(sample=gone)
    return "A result of this sample was recorded." if found.exists() else ""


def _of_finding(finding: Finding) -> str:
    return "This finding was answered." if answers_of(line_of(finding)) else ""


def _of_answer(answer: FindingAnswer) -> str:
    others = [each for each in answers_of(answer.finding_id) if each.pk != answer.corrects_id]
    closed = FindingClosed.objects.filter(finding__in=_line(answer), finding__corrected_by__isnull=True)
    return "The finding was closed on this answer." if not others and closed.exists() else ""


def _line(answer: FindingAnswer) -> Any:
    return Finding.objects.filter(of_line(answer.finding_id))


RESTING: dict[str, Callable[[Any], str]] = {
    "visit": _of_visit,
    "sample": _of_sample,
    "finding": _of_finding,
    "answer": _of_answer,
}
"""Why it cannot go yet; an empty text where nothing rests on it."""
