"""Deviations: opened when something was lost, answered, decided lot by lot, and closed by signature."""

from collections.abc import Collection, Iterable, Sequence
from typing import Any
from uuid import UUID

from batches import lots as lot_deeds
from batches.locks import lock_material
from batches.models import Lot, LotStatus
from config.api.refusals import Reason, RuleBroken, Unknown
from haccp import holds, notices
from haccp.holds import Touched, held_under
from haccp.models import Answer, Closing, Correction, Deviation, Disposition, Hold, Question
from ledger import people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Record, Role

KEEPS_AWAY = frozenset(
    {Disposition.Decision.REJECT, Disposition.Decision.DESTROY, Disposition.Decision.SEND_BACK}
)


# -- opening ----------------------------------------------------------------------------------------


@deed
def open_case(
    *,
    act: Act,
    what: str,
    subject: UUID,
    slot: str,
    title: str,
    because: Record | None = None,
    hold: Touched | None = None,
) -> Deviation:
    """Open a deviation, hold what it touches, and leave word for the food-safety leads.

    The same cause opens one case: asked again, the one there is comes back and nothing is written.
    """
    lock_material(act.establishment)
    known = Deviation.objects.filter(what=what, subject=subject, slot=slot).first()
    if known is not None:
        return known
    deviation = Deviation.new(
        act,
        what=what,
        subject=subject,
        slot=slot,
        title=title[:300],
        because_id=because.pk if because is not None else None,
    )
    deviation.insert()
    if hold is not None:
        holds.place(act=act.with_new_id(), deviation=deviation, touched=hold)
    notices.leave_word(deviation)
    return deviation


@deed
def report(*, act: Act, title: str, hold: Touched | None = None) -> Deviation:
    """A person saw something wrong. What they name is held at once. Raises Unknown, RuleBroken."""
    if act.corrects is not None:
        raise RuleBroken(
            "A deviation is not corrected; say in its answers what was found.",
            code="a-deviation-is-not-corrected",
            field="corrects",
        )
    values: dict[str, Any] = {"what": Deviation.What.REPORTED, "slot": _hold_in_words(hold), "title": title}
    probe = Deviation.new(act, subject=act.establishment.pk, **values)
    probe.subject = probe.pk
    probe.answer_if_repeated()
    act = act.with_new_id(id=probe.pk, note=act.note)
    return open_case(act=act, subject=probe.pk, hold=hold, **values)


def _hold_in_words(hold: Touched | None) -> str:
    """Part of what the client said, so that the same id with another hold is other content."""
    if hold is None:
        return "nothing held"
    since = f" since {hold.since.isoformat()}" if hold.since else ""
    return f"{hold.kind} {hold.subject}{since}"


@deed
def hold_more(*, act: Act, deviation: Deviation, touched: Touched) -> Hold:
    """Hold a further subject under an open deviation. Raises RuleBroken when it is closed, Unknown."""
    lock_material(act.establishment)
    probe = Hold.new(
        act, deviation=deviation, subject_kind=touched.kind, subject=touched.subject, since=touched.since
    )
    probe.answer_if_repeated()
    _refuse_closed(deviation)
    _refuse_other_case(probe)
    return holds.place(act=act, deviation=deviation, touched=touched)


# -- answering and deciding -------------------------------------------------------------------------


@deed
def answer(*, act: Act, deviation: Deviation, question: str, text: str) -> Answer:
    """Answer one of the questions; a later answer to the same question corrects the earlier."""
    record = Answer.new(act, deviation=deviation, question=question, text=text)
    record.answer_if_repeated()
    _refuse_closed(deviation)
    _refuse_other_case(record, "question")
    given = Answer.objects.standing().filter(deviation=deviation, question=question)
    if (found := given.first()) and found.pk != act.corrects:
        raise RuleBroken(
            "This question is answered; correct that answer with a reason.",
            code="answered-already",
            reasons=[Reason("answered-already", "Answered.", "question", [str(found.pk)])],
        )
    return record.insert()


@deed
def dispose(*, act: Act, deviation: Deviation, lot: Lot, decision: str, because: str) -> Disposition:
    """Decide what becomes of one lot the deviation held. Raises RuleBroken, Unknown, NotAllowed.

    A lot that is to be rejected, destroyed or sent back is rejected from now on; one that may be released or
    reworked stays held until the case is closed, and then goes through its gate. What one case rejects no
    other case makes good.
    """
    lock_material(act.establishment)
    record = Disposition.new(act, deviation=deviation, lot=lot, decision=decision, because=because)
    record.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "decides on lots")
    _refuse_closed(deviation)
    if str(lot.uid) not in held_under(deviation):
        raise Unknown(f"Deviation {deviation.pk} did not hold lot {lot.code}.", field="lot")
    _refuse_other_case(record, "lot_id")
    given = Disposition.objects.standing().filter(deviation=deviation, lot=lot)
    if (found := given.first()) and found.pk != act.corrects:
        raise RuleBroken(
            f"Lot {lot.code} was decided on; correct that decision with a reason.",
            code="decided-already",
            reasons=[Reason("decided-already", "Decided.", "corrects", [str(found.pk)])],
        )
    record.insert()
    status = LotStatus.REJECTED if kept_away([lot]) else LotStatus.HELD
    lot_deeds.decide(act=act, lots=[lot], status=status, because=record)
    return record


def _refuse_other_case(record: Hold | Answer | Disposition, *same: str) -> None:
    """A correction stays with the case, and the question or lot, of what it corrects."""
    corrected: Any = record.corrects
    names = ("deviation_id", *same)
    if corrected is not None and any(getattr(corrected, n) != getattr(record, n) for n in names):
        raise RuleBroken(
            f"Record {corrected.pk} is about something else; correct it there.",
            code="corrects-another",
            field="corrects",
        )


# -- closing ----------------------------------------------------------------------------------------


@deed
def close(*, act: Act, deviation: Deviation, proof: signatures.Proof) -> Closing:
    """Close a case: every question answered, every lot decided, signed by a food-safety lead.

    Raises RuleBroken with everything that is missing. Lots that may be released await their gate, unless
    another open case holds them or another decision rejected them.
    """
    lock_material(act.establishment)
    record = Closing.new(act, deviation=deviation)
    record.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "closes deviations")
    _refuse_closed(deviation)
    if missing := list(_missing(deviation)):
        raise RuleBroken(
            f"The deviation cannot be closed yet: {len(missing)} open. Nothing was written.",
            code="not-closable",
            reasons=missing,
        )
    record.insert()
    signatures.sign(
        act=act.with_new_id(), proof=proof, target=Entry.objects.get(pk=record.pk), meaning="closed"
    )
    _hand_to_the_gate(act, deviation, record)
    return record


def _missing(deviation: Deviation) -> Iterable[Reason]:
    for recall in deviation.recalls.filter(end__isnull=True).order_by("code"):
        yield Reason(
            "recall-runs", f"{recall.code} has not ended: it holds by this case.", "", [str(recall.pk)]
        )
    answered = set(Answer.objects.standing().filter(deviation=deviation).values_list("question", flat=True))
    for question in Question:
        if question not in answered:
            yield Reason("unanswered", f"Not answered yet: {question.label}.", "answers", [question.value])
    decided = {str(d.lot.uid) for d in dispositions(deviation)}
    undecided = sorted(held_under(deviation) - decided)
    for lot in Lot.objects.filter(uid__in=undecided).order_by("code"):
        sentence = f"Not decided yet: what becomes of lot {lot.code}."
        yield Reason("undecided-lot", sentence, "dispositions", [str(lot.uid)])


def _hand_to_the_gate(act: Act, deviation: Deviation, closing: Closing) -> None:
    decided = [d.lot for d in dispositions(deviation)]
    away = kept_away(decided)
    free = [lot for lot in decided if lot.pk not in away and not open_cases_of([lot])]
    if free:
        lot_deeds.decide(act=act, lots=free, status=LotStatus.AWAITING, because=closing)


# -- what a reader asks -------------------------------------------------------------------------------


def dispositions(deviation: Deviation) -> list[Disposition]:
    """The decisions that stand, one a lot."""
    rows = Disposition.objects.standing().filter(deviation=deviation)
    return list(rows.select_related("lot", "performed_by", "establishment").order_by("recorded_at"))


def kept_away(lots: Collection[Lot]) -> set[int]:
    """The keys of those lots that a standing decision, in any case, rejects, destroys or sends back."""
    found = Disposition.objects.standing().filter(lot__in=lots, decision__in=KEEPS_AWAY)
    return set(found.values_list("lot_id", flat=True))


def why_kept_away(lot: Lot) -> list[str]:
    """Why standing decisions reject, destroy or send back a lot, as they were given."""
    found = Disposition.objects.standing().filter(lot=lot, decision__in=KEEPS_AWAY)
    return list(found.order_by("recorded_at", "id").values_list("because", flat=True))


def open_cases_of(lots: Sequence[Lot]) -> list[Deviation]:
    """Deviations that are not closed and hold one of the lots, the oldest first."""
    found = {deviation for cases in open_cases_by_lot(lots).values() for deviation in cases}
    return sorted(found, key=lambda deviation: deviation.recorded_at)


def open_cases_by_lot(lots: Sequence[Lot]) -> dict[int, list[Deviation]]:
    """By lot key the deviations that are not closed and hold it, the oldest first; in one statement."""
    keys = {str(lot.uid): lot.pk for lot in lots}
    rows = Hold.objects.filter(
        establishment__in={lot.establishment_id for lot in lots}, deviation__closing__isnull=True
    )
    found: dict[int, list[Deviation]] = {}
    for hold in rows.select_related("deviation").order_by("deviation__recorded_at", "deviation_id"):
        for key in {keys[uid] for uid in keys.keys() & set(hold.lots)}:
            if hold.deviation not in found.setdefault(key, []):
                found[key].append(hold.deviation)
    return found


def case_of(record: Record, what: str = Deviation.What.LIMIT) -> Deviation | None:
    """The case about a failing check or verification: its own, or that of the failing one it corrected."""
    now: Any = record
    while now is not None:
        found = Deviation.objects.filter(what=what, subject=now.pk).first()
        if found is not None:
            return found
        now = now.corrects
    return None


def is_closed(deviation: Deviation) -> bool:
    return Closing.objects.filter(deviation=deviation).exists()


def _refuse_closed(deviation: Deviation) -> None:
    if is_closed(deviation):
        raise RuleBroken(
            "This deviation is closed. Report a new one if something else came up.", code="closed-already"
        )


@deed
def correct(*, act: Act, what: str, done: str, no_impact_because: str) -> Correction:
    """Note a minor slip that was put right at once and touches no product; says why it touches none."""
    return Correction.new(act, what=what, done=done, no_impact_because=no_impact_because).insert()


__all__ = [
    "Touched",
    "answer",
    "case_of",
    "close",
    "correct",
    "dispose",
    "dispositions",
    "held_under",
    "hold_more",
    "is_closed",
    "kept_away",
    "open_case",
    "open_cases_by_lot",
    "open_cases_of",
    "report",
]
