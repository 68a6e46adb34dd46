"""Whether to recall: asked in the transaction in which a hold reaches what was shipped, or what is held is shipped.

A question stays open until a food-safety lead decides by signature. Releasing or closing the case does not answer it.
"""

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime, timedelta

from django.db.models import DateTimeField, F, Max, OuterRef, Q, QuerySet, Subquery
from django.utils import timezone

from batches.locks import lock_material
from batches.models import Lot, LotState, LotStatus, Movement, MovementKind
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp import notices
from haccp.models import (
    Deviation,
    NoticeArrived,
    Recall,
    RecallQuestion,
    RecallQuestionLot,
    RecallVerdict,
)
from haccp.recalls import periods
from ledger import people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Record, Role


def follow_hold(*, act: Act, deviation: Deviation, lots: Collection[Lot]) -> None:
    """Of the lots that a case now holds, those that have been shipped are in question. Call it under the material lock."""
    _ask(act, deviation, LotState.objects.filter(lot__in=[lot.pk for lot in lots]), deviation)


def follow_shipment(*, act: Act, movement: Movement, cases: Iterable[Deviation]) -> None:
    """What an open case holds has left all the same, or was said late to have left."""
    for case in cases:
        _ask(act, case, LotState.objects.filter(lot=movement.lot_id), movement)


def leaves_while_held(movement: Movement) -> bool:
    status = LotState.objects.get(lot=movement.lot_id).status if _ships(movement) else ""
    return status in (LotStatus.HELD, LotStatus.REJECTED)


def _ships(movement: Movement) -> bool:
    return movement.what == MovementKind.SHIPPED and not movement.withdrawn


def _ask(act: Act, deviation: Deviation, states: QuerySet[LotState], because: Record) -> None:
    """Where a recall runs under the case it is decided already, and its scope follows what moves."""
    shipped = dict(states.filter(shipped__gt=0).order_by().values_list("lot_id", "shipped"))
    if not shipped or deviation.recalls.filter(end__isnull=True).exists():
        return
    determined = _determined(act, deviation)
    question = RecallQuestion.objects.filter(deviation=deviation).first() or _open(act, deviation, determined)
    known = set(question.lots.values_list("lot_id", flat=True))
    new = [
        RecallQuestionLot.new(
            act.with_new_id(),
            question=question,
            lot=lot,
            shipped=shipped[lot.pk],
            because_id=because.pk,
            determined_at=determined,
        )
        for lot in Lot.objects.filter(pk__in=shipped.keys() - known).order_by("pk")
    ]
    if new:
        RecallQuestionLot.insert_many(new)
        notices.leave_word_of_question(question, f"{len(known) + len(new)} lots")


def _open(act: Act, deviation: Deviation, determined: datetime) -> RecallQuestion:
    made: RecallQuestion = RecallQuestion.new(
        act.with_new_id(), deviation=deviation, determined_at=determined
    ).insert()
    return made


def _determined(act: Act, deviation: Deviation) -> datetime:
    """When it was known: as the act says, when a notice came; never later than now."""
    known = act.performed.at
    if deviation.what == Deviation.What.NOTICE:
        came = NoticeArrived.objects.filter(pk=deviation.subject).values_list("came_at", flat=True).first()
        known = came or known
    return min(known, timezone.now())


# -- deciding ------------------------------------------------------------------------------------------


@deed
def decide(
    *, act: Act, proof: signatures.Proof, question: RecallQuestion, because: str, recall: Recall | None = None
) -> RecallVerdict:
    """A food-safety lead decides for every lot in question: by this recall, or that none is needed; signed.

    Decided again it is superseded. Raises Unusable, Unknown, RuleBroken, NotAllowed.
    """
    lock_material(act.establishment)
    made = RecallVerdict.new(act, question=question, recall=recall, because=because.strip())
    for field, row in (("question", question), ("recall", recall)):
        if row is not None and row.establishment_id != act.establishment.pk:
            raise Unknown(f"There is no such {field} here.", field=field)
    made.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "decides whether to recall")
    if act.corrects is not None:
        raise RuleBroken("Decide anew; what was decided stays.", code="not-corrected", field="corrects")
    if recall is not None and recall.is_exercise:
        raise Unusable("An exercise recalls nothing.", code="exercise", field="recall")
    if not made.because:
        raise Unusable("Say why.", code="missing", field="because")
    made.lots = sorted(str(uid) for uid in question.lots.values_list("lot__uid", flat=True))
    made.insert()
    signatures.sign(
        act=act.with_new_id(), proof=proof, target=Entry.objects.get(pk=made.pk), meaning="decided"
    )
    return made


def answer_by(*, act: Act, proof: signatures.Proof, recall: Recall) -> None:
    """A recall that is decided under a case answers its question. Within a deed."""
    question = RecallQuestion.objects.filter(deviation=recall.deviation_id).first()
    if question is not None and open_ones(RecallQuestion.objects.filter(pk=question.pk)).exists():
        decide(act=act.with_new_id(), proof=proof, question=question, because=recall.because, recall=recall)


# -- where they stand ----------------------------------------------------------------------------------


def with_times(rows: QuerySet[RecallQuestion]) -> QuerySet[RecallQuestion]:
    """``last_asked``: when the newest lot came into question; ``last_decided``: when a lead decided last."""
    verdicts = RecallVerdict.objects.filter(question=OuterRef("pk")).order_by("-recorded_at")
    return rows.annotate(
        last_asked=Max("lots__recorded_at"),
        last_decided=Subquery(verdicts.values("recorded_at")[:1], output_field=DateTimeField()),
    )


OPEN = Q(last_decided__isnull=True) | Q(last_decided__lt=F("last_asked"))


def open_ones(rows: QuerySet[RecallQuestion]) -> QuerySet[RecallQuestion]:
    return with_times(rows).filter(OPEN)


def open_lots(
    lots: Sequence[RecallQuestionLot], verdicts: Sequence[RecallVerdict]
) -> list[RecallQuestionLot]:
    """Those no verdict decides on."""
    decided = {uid for each in verdicts for uid in each.lots}
    return [each for each in lots if str(each.lot.uid) not in decided]


def elapsed(
    question: RecallQuestion,
    lots: Sequence[RecallQuestionLot],
    verdicts: Sequence[RecallVerdict],
    now: datetime,
) -> timedelta:
    """Since the determination of what is open; of a question that is decided, until then."""
    waiting = open_lots(lots, verdicts)
    if waiting:
        return now - min(each.determined_at for each in waiting)
    last = max((each.performed_at for each in verdicts), default=now)
    return max(last - question.determined_at, timedelta())


def sweep(now: datetime | None = None) -> int:
    """Remind the leads of what is open at half of the period and at its end, once each; how many words were new."""
    at, told = now or timezone.now(), 0
    rows = open_ones(RecallQuestion.objects.all()).select_related("establishment")
    for question in rows.prefetch_related("lots__lot", "verdicts"):
        lots, verdicts = list(question.lots.all()), list(question.verdicts.all())
        gone = elapsed(question, lots, verdicts, at)
        passed = [mark for mark in periods.marks(question.establishment.country) if mark <= gone]
        if passed:
            hours = int(max(passed).total_seconds() // 3600)
            told += notices.leave_word_of_question(question, f"{len(lots)} lots, {hours} h")
    return told
