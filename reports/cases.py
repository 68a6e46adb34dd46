"""A deviation as documents tell it: its answers, what was held and decided, and how it was closed."""

from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext_lazy

from batches.models import Lot
from haccp.models import Answer, Closing, Deviation, Disposition, Question
from ledger.models import Record
from reports import kept_sentences
from reports.documents import Column, RecordLine
from reports.listing import spoken

RELATED = RecordLine.FROM_RECORD


@dataclass(frozen=True, kw_only=True)
class AnswerLine(RecordLine):
    question: str
    text: str


@dataclass(frozen=True, kw_only=True)
class DispositionLine(RecordLine):
    lot: str
    decision: str
    because: str


ANSWER_COLUMNS = (
    Column(gettext_lazy("Question"), "question", 4),
    Column(gettext_lazy("Answer"), "text", 8),
)
DISPOSITION_COLUMNS = (
    Column(gettext_lazy("Lot"), "lot", 3),
    Column(gettext_lazy("Decision"), "decision", 3),
    Column(gettext_lazy("Because"), "because", 6),
)


@dataclass(frozen=True, kw_only=True)
class Case(RecordLine):
    """A deviation with its answers to three questions (put right, cause, prevention), and what became of each lot."""

    what: str
    title: str
    held: tuple[str, ...]
    answers: tuple[AnswerLine, ...]
    unanswered: tuple[str, ...]
    dispositions: tuple[DispositionLine, ...]
    undecided: tuple[str, ...]
    closed: RecordLine | None


@dataclass(frozen=True)
class CaseRead:
    line: Case
    records: tuple[Record, ...]


def title(deviation: Deviation) -> str:
    """What happened, in the active language; what a person reported stays as it was written."""
    reported = deviation.what == Deviation.What.REPORTED
    return deviation.title if reported else kept_sentences.kept(deviation.title)


def case(deviation: Deviation) -> CaseRead:
    """The case of a deviation, and every record it is made of."""
    answers = list(_of(Answer, deviation))
    dispositions = list(_of(Disposition, deviation, "lot"))
    closing = _of(Closing, deviation).first()
    held = {uid for lots in deviation.holds.values_list("lots", flat=True) for uid in lots}
    codes = dict(Lot.objects.filter(uid__in=held).values_list("uid", "code"))
    standing = {each.question for each in answers if _stands(each)}
    decided = {each.lot.uid for each in dispositions if _stands(each)}
    line = Case.of(
        deviation,
        what=spoken(deviation.get_what_display()),
        title=title(deviation),
        held=tuple(sorted(codes.values())),
        answers=tuple(
            AnswerLine.of(each, question=spoken(each.get_question_display()), text=each.text)
            for each in answers
        ),
        unanswered=tuple(spoken(question.label) for question in Question if question not in standing),
        dispositions=tuple(
            DispositionLine.of(
                each, lot=each.lot.code, decision=spoken(each.get_decision_display()), because=each.because
            )
            for each in dispositions
        ),
        undecided=tuple(sorted(code for uid, code in codes.items() if uid not in decided)),
        closed=None if closing is None else RecordLine.of(closing),
    )
    holds = deviation.holds.all()
    records = (deviation, *holds, *answers, *dispositions, *([closing] if closing else []))
    return CaseRead(line, records)


def _of(kind: type[Record], deviation: Deviation, *related: str) -> Any:
    rows: Any = kind.objects
    return rows.filter(deviation=deviation).select_related(*RELATED, *related).order_by("recorded_at", "id")


def _stands(record: Record) -> bool:
    return getattr(record, "corrected_by", None) is None and not record.withdrawn
