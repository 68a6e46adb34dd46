"""A recall or a trace exercise begins with a signed decision and ends with one."""

from dataclasses import dataclass
from datetime import datetime

from django.utils import timezone

from batches.locks import lock_material
from batches.models import CodeCounter
from config.api.refusals import OtherContent, RuleBroken, Unknown, Unusable
from haccp import deviations
from haccp.models import Deviation, Level, Recall, RecallEnd, RecallStrategy
from haccp.recalls import questions
from ledger import people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Record, Role
from ledger.models.records import CLOCK_TOLERANCE

PREFIXES = {False: "RC", True: "TE"}
"""Recall, trace exercise: plain letters of our own before year and number."""


@dataclass(frozen=True)
class Strategy:
    """``percent``: of consignees that are asked whether they acted, at level B only."""

    depth: str
    level: str
    because: str
    recall_class: str = ""
    classified_by: str = ""
    percent: int | None = None


@deed
def decide(
    *,
    act: Act,
    proof: signatures.Proof,
    hazard: str,
    because: str,
    determined_at: datetime,
    strategy: Strategy,
    is_exercise: bool = False,
    deviation: Deviation | None = None,
) -> Recall:
    """A food-safety lead decides to recall, or to exercise it; signed. Raises Unusable, Unknown, RuleBroken, NotAllowed.

    A recall without a ``deviation`` opens one, which will hold its lots; one with a ``deviation`` answers whether that
    case asks for a recall. An exercise holds nothing.
    """
    lock_material(act.establishment)
    recall = Recall.new(
        act, is_exercise=is_exercise, hazard=hazard, because=because.strip(), determined_at=determined_at
    )
    _refuse_other_decision(recall, strategy, deviation)
    recall.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "decides on recalls")
    _refuse_unusable(act, recall, deviation)
    recall.code = _next_code(act, is_exercise)
    if not is_exercise:
        recall.deviation = deviation or _case(act, recall)
    recall.insert()
    sign(act, proof, recall)
    change_strategy(act=act.with_new_id(), recall=recall, strategy=strategy)
    if deviation is not None:
        questions.answer_by(act=act, proof=proof, recall=recall)
    return recall


def _refuse_other_decision(recall: Recall, strategy: Strategy, deviation: Deviation | None) -> None:
    """Strategy and case hang on the decision's id: sent again with others it is another decision. Raises OtherContent."""
    stored = Recall.objects.filter(pk=recall.pk, establishment=recall.establishment).first()
    if stored is None:
        return
    first = stored.strategies.order_by("recorded_at", "id")[0]
    same = {name: getattr(first, name) for name in vars(strategy)} == vars(strategy)
    if not same or (deviation is not None and deviation.pk != stored.deviation_id):
        raise OtherContent(
            f"Id {recall.pk} is taken by a decision with another strategy or case. Nothing was changed.",
            field="id",
        )


def _refuse_unusable(act: Act, recall: Recall, deviation: Deviation | None) -> None:
    if act.corrects is not None:
        raise RuleBroken(
            "A recall is ended with a reason, not corrected.", code="not-corrected", field="corrects"
        )
    if not recall.because:
        raise Unusable("Say why.", code="missing", field="because")
    if recall.determined_at > act.performed.at:
        raise Unusable(
            "It was determined after it was decided. Give the time at which you knew.",
            code="ends-before",
            field="determined_at",
        )
    if recall.determined_at > timezone.now() + CLOCK_TOLERANCE:
        raise Unusable("That time has not come yet.", code="in-the-future", field="determined_at")
    if deviation is not None and deviation.establishment_id != act.establishment.pk:
        raise Unknown(f"There is no deviation {deviation.pk} here.", field="deviation")
    if deviation is not None and recall.is_exercise:
        raise Unusable(
            "An exercise holds nothing, so it has no deviation.", code="exercise", field="deviation"
        )
    if deviation is not None and deviations.is_closed(deviation):
        raise RuleBroken(
            "That deviation is closed; leave it out and the recall opens its own.",
            code="closed-already",
            field="deviation",
        )


def _next_code(act: Act, is_exercise: bool) -> str:
    """Counted by year, under the material lock."""
    stem = f"{PREFIXES[is_exercise]}-{act.local_day:%y}-"
    counter, _ = CodeCounter.objects.get_or_create(
        establishment=act.establishment, prefix=f"recall:{stem}{{n}}"
    )
    counter.last += 1
    counter.save(update_fields=["last"])
    return f"{stem}{counter.last}"


def _case(act: Act, recall: Recall) -> Deviation:
    return deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.RECALL,
        subject=recall.pk,
        slot=recall.code,
        title=f"Recall {recall.code}: {recall.because}",
    )


def sign(act: Act, proof: signatures.Proof, record: Record, meaning: str = "decided") -> None:
    signatures.sign(
        act=act.with_new_id(), proof=proof, target=Entry.objects.get(pk=record.pk), meaning=meaning
    )


@deed
def change_strategy(*, act: Act, recall: Recall, strategy: Strategy) -> RecallStrategy:
    """Class, depth and effectiveness level from now on; what was before stays readable. Raises Unusable, RuleBroken."""
    made = RecallStrategy.new(act, recall=recall, **vars(strategy))
    made.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "decides how a recall is gone about")
    refuse_foreign(act, recall)
    refuse_ended(recall)
    if not strategy.because.strip():
        raise Unusable("Say why so.", code="missing", field="strategy.because")
    if (strategy.level == Level.B) != (strategy.percent is not None):
        raise Unusable("Level B, and only B, has a share of its own.", code="level", field="strategy.percent")
    if strategy.percent is not None and not 10 < strategy.percent < 100:
        raise Unusable(
            "At level B more than 10 and under 100 %.", code="out-of-range", field="strategy.percent"
        )
    return made.insert()


def strategy_of(recall: Recall) -> RecallStrategy:
    """The one in force."""
    return RecallStrategy.objects.filter(recall=recall).order_by("recorded_at", "id").last()  # type: ignore[return-value]


@deed
def end(*, act: Act, proof: signatures.Proof, recall: Recall, because: str) -> RecallEnd:
    """It is over, says a food-safety lead; signed. What is still open stays open in its report. Raises RuleBroken."""
    lock_material(act.establishment)
    made = RecallEnd.new(act, recall=recall, because=because.strip())
    made.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "ends recalls")
    refuse_foreign(act, recall)
    refuse_ended(recall)
    if not made.because:
        raise Unusable("Say why it may end.", code="missing", field="because")
    made.insert()
    sign(act, proof, made, "closed")
    return made


def refuse_foreign(act: Act, recall: Recall) -> None:
    if recall.establishment_id != act.establishment.pk:
        raise Unknown(f"There is no recall {recall.pk} here.", field="recall")


def refuse_ended(recall: Recall) -> None:
    if RecallEnd.objects.filter(recall=recall).exists():
        raise RuleBroken(
            f"{recall.code} has ended. Decide on a new one if something else came up.", code="ended-already"
        )
