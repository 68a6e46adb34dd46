"""Deviations: opened when something was lost, answered, decided lot by lot, and closed by signature."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from batches import lots as lot_deeds
from batches.locks import lock_material
from batches.models import Lot, LotStatus
from config.api.refusals import NotAllowed, Reason, RuleBroken, Unknown
from haccp import holds, notices
from haccp.models import Answer, Closing, Correction, Deviation, Disposition, Hold, Question
from ledger import people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Record, Role

KEEPS_AWAY = frozenset(
    {Disposition.Decision.REJECT, Disposition.Decision.DESTROY, Disposition.Decision.SEND_BACK}
)


class Touched(NamedTuple):
    """What to hold with a deviation: a subject, back to its last good check (None: as far as there is)."""

    kind: str
    subject: UUID
    since: datetime | None = None


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
        holds.place(
            act=act, deviation=deviation, subject_kind=hold.kind, subject=hold.subject, since=hold.since
        )
    notices.leave_word(deviation)
    return deviation


@deed
def report(*, act: Act, title: str, hold: Touched | None = None) -> Deviation:
    """A person saw something wrong. What they name is held at once. Raises Unknown."""
    probe = Deviation.new(
        act, what=Deviation.What.REPORTED, subject=act.id or act.establishment.pk, slot="", title=title
    )
    probe.subject, probe.slot = probe.pk, "reported"
    probe.answer_if_repeated()
    return open_case(
        act=_with_id(act, probe.pk),
        what=Deviation.What.REPORTED,
        subject=probe.pk,
        slot="reported",
        title=title,
        hold=hold,
    )


def _with_id(act: Act, pk: UUID) -> Act:
    return act.with_new_id(id=pk, note=act.note)


@deed
def hold_more(*, act: Act, deviation: Deviation, touched: Touched) -> Hold:
    """Hold a further subject under an open deviation. Raises RuleBroken when it is closed."""
    _refuse_closed(deviation)
    return holds.place(
        act=act, deviation=deviation, subject_kind=touched.kind, subject=touched.subject, since=touched.since
    )


@deed
def answer(*, act: Act, deviation: Deviation, question: str, text: str) -> Answer:
    """Answer one of the questions; a later answer to the same question corrects the earlier."""
    record = Answer.new(act, deviation=deviation, question=question, text=text)
    record.answer_if_repeated()
    _refuse_closed(deviation)
    given = Answer.objects.standing().filter(deviation=deviation, question=question).exclude(pk=act.corrects)
    if given.exists():
        raise RuleBroken(
            "This question is answered; correct that answer with a reason.",
            code="answered-already",
            reasons=[Reason("answered-already", "Answered.", "question", [str(given.get().pk)])],
        )
    return record.insert()


@deed
def dispose(*, act: Act, deviation: Deviation, lot: Lot, decision: str, because: str) -> Disposition:
    """Decide what becomes of one lot the deviation held. Raises RuleBroken, Unknown, NotAllowed.

    A lot that is to be rejected, destroyed or sent back is rejected from now on; one that may be released or
    reworked stays held until the case is closed, and then goes through its gate.
    """
    lock_material(act.establishment)
    record = Disposition.new(act, deviation=deviation, lot=lot, decision=decision, because=because)
    record.answer_if_repeated()
    _refuse_unless_lead(act)
    _refuse_closed(deviation)
    if str(lot.uid) not in held_under(deviation):
        raise Unknown(f"Deviation {deviation.pk} did not hold lot {lot.code}.", field="lot")
    given = Disposition.objects.standing().filter(deviation=deviation, lot=lot).exclude(pk=act.corrects)
    if given.exists():
        raise RuleBroken(
            f"Lot {lot.code} was decided on; correct that decision with a reason.",
            code="decided-already",
            field="corrects",
        )
    record.insert()
    rejected = decision in KEEPS_AWAY
    lot_deeds.decide(
        act=act, lots=[lot], status=LotStatus.REJECTED if rejected else LotStatus.HELD, because=record
    )
    return record


@deed
def close(*, act: Act, deviation: Deviation, proof: signatures.Proof) -> Closing:
    """Close a case: every question answered, every lot decided, signed by a food-safety lead.

    Raises RuleBroken with everything that is missing. Lots that may be released await their gate, unless
    another open case holds them.
    """
    lock_material(act.establishment)
    record = Closing.new(act, deviation=deviation)
    record.answer_if_repeated()
    _refuse_unless_lead(act)
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
    answered = set(Answer.objects.standing().filter(deviation=deviation).values_list("question", flat=True))
    for question in Question:
        if question not in answered:
            yield Reason("unanswered", f"Not answered yet: {question.label}.", "answers", [question.value])
    decided = {str(d.lot.uid) for d in dispositions(deviation)}
    undecided = sorted(held_under(deviation) - decided)
    names = Lot.objects.filter(uid__in=undecided).order_by("code")
    for lot in names:
        yield Reason(
            "undecided-lot",
            f"Not decided yet: what becomes of lot {lot.code}.",
            "dispositions",
            [str(lot.uid)],
        )


def _hand_to_the_gate(act: Act, deviation: Deviation, closing: Closing) -> None:
    may_leave = [d.lot for d in dispositions(deviation) if d.decision not in KEEPS_AWAY]
    free = [lot for lot in may_leave if not open_cases_of([lot])]
    if free:
        lot_deeds.decide(act=act, lots=free, status=LotStatus.AWAITING, because=closing)


def dispositions(deviation: Deviation) -> list[Disposition]:
    """The decisions that stand, one a lot."""
    rows = Disposition.objects.standing().filter(deviation=deviation)
    return list(rows.select_related("lot", "performed_by", "establishment").order_by("recorded_at"))


def held_under(deviation: Deviation) -> set[str]:
    """The uuids of every lot the deviation ever held."""
    return {uid for lots in deviation.holds.values_list("lots", flat=True) for uid in lots}


def open_cases_of(lots: Sequence[Lot]) -> list[Deviation]:
    """Deviations that are not closed and hold one of the lots, the oldest first."""
    wanted = {str(lot.uid) for lot in lots}
    rows = Hold.objects.filter(
        establishment__in={lot.establishment_id for lot in lots}, deviation__closing__isnull=True
    )
    found = {hold.deviation for hold in rows.select_related("deviation") if wanted & set(hold.lots)}
    return sorted(found, key=lambda deviation: deviation.recorded_at)


def _refuse_unless_lead(act: Act) -> None:
    if Role.FOOD_SAFETY_LEAD not in people.roles_of(act.performed_by, act.establishment, act.local_day):
        raise NotAllowed("A food-safety lead decides on lots and closes deviations. Nothing was written.")


def _refuse_closed(deviation: Deviation) -> None:
    if Closing.objects.filter(deviation=deviation).exists():
        raise RuleBroken(
            "This deviation is closed. Report a new one if something else came up.", code="closed-already"
        )


@deed
def correct(*, act: Act, what: str, done: str, no_impact_because: str) -> Correction:
    """Note a minor slip that was put right at once and touches no product; says why it touches none."""
    return Correction.new(act, what=what, done=done, no_impact_because=no_impact_because).insert()
