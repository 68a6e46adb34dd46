"""What inspectors found, what the house did about it, and when it was done with.

An answer that comes late is taken, and shown to be late. Only closing is a gate: not without an answer.
"""

from datetime import date
from typing import Any
from uuid import UUID

from batches.locks import lock_material
from batches.models import Batch, Equipment, Lot
from config.api.refusals import Reason, RuleBroken, Unusable
from haccp.inspections import visits
from haccp.inspections.visits import line_of, of_line, refuse_foreign, refuse_other_visit
from haccp.models import ControlPoint, Finding, FindingAnswer, FindingClosed, Inspection
from ledger import people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Role

DUE_BEFORE_VISIT = "due-before-visit"
SENTENCES = {DUE_BEFORE_VISIT: "The day it was due lies before the visit; it was entered so."}


@deed
def find(
    *,
    act: Act,
    inspection: Inspection,
    text: str,
    number: str = "",
    rule: str = "",
    grade: str = "",
    due_on: date | None = None,
    lot: Lot | None = None,
    batch: Batch | None = None,
    control_point: ControlPoint | None = None,
    equipment: Equipment | None = None,
    as_entered: bool = True,
) -> Finding:
    """They found something; in their words, about one thing at most. Raises Unusable, Unknown, RuleBroken.

    A day before the visit is asked back unless it is said to be ``as_entered``; then it is kept and flagged. A correction
    keeps the answers that were given; if it was closed it is open again, since another text was signed for.
    """
    lock_material(act.establishment)
    about = {"lot": lot, "batch": batch, "control_point": control_point, "equipment": equipment}
    finding = Finding.new(
        act,
        inspection_id=line_of(inspection),
        number=number.strip(),
        text=text.strip(),
        rule=rule.strip(),
        grade=grade.strip(),
        due_on=due_on,
        **about,
    )
    corrected: Any = finding.corrects
    finding.first_id = corrected and line_of(corrected)
    finding.answer_if_repeated()
    refuse_foreign(act, inspection, **about)
    refuse_other_visit(finding)
    _refuse_unusable(finding)
    _flag_due_day(finding, inspection, as_entered)
    return finding.insert()


def _refuse_unusable(finding: Finding) -> None:
    if not finding.text:
        raise Unusable("Say what they found, in their words.", code="missing", field="text")
    about = (finding.lot_id, finding.batch_id, finding.control_point_id, finding.equipment_id)
    if sum(1 for each in about if each is not None) > 1:
        raise Unusable("A finding is about one thing here; name the others in its text.", field="lot")


def _flag_due_day(finding: Finding, inspection: Inspection, as_entered: bool) -> None:
    came = visits.standing(line_of(inspection))
    day = came.performed_at.astimezone(came.establishment.zone).date()
    if finding.due_on is None or finding.due_on >= day:
        return
    if not as_entered:
        raise RuleBroken(
            f"They came on {day}, and this was due on {finding.due_on}: look at the day. If it stands so in what they "
            "wrote, send it again with as_entered as true.",
            code=DUE_BEFORE_VISIT,
            field="due_on",
        )
    finding.flags = [DUE_BEFORE_VISIT]


@deed
def answer(*, act: Act, finding: Finding, text: str, told: str = "") -> FindingAnswer:
    """What was done about it, now or late; more may follow. Evidence hangs on the record. Raises Unusable, RuleBroken."""
    lock_material(act.establishment)
    made = FindingAnswer.new(act, finding_id=line_of(finding), text=text.strip(), told=told.strip())
    made.answer_if_repeated()
    refuse_foreign(act, finding.inspection, finding=finding)
    refuse_other_visit(made, "finding_id")
    _refuse_withdrawn(as_it_stands(finding))
    if not made.text:
        raise Unusable("Say what was done.", code="missing", field="text")
    return made.insert()


@deed
def close(
    *,
    act: Act,
    finding: Finding,
    proof: signatures.Proof,
    by: str,
    reference: str = "",
    because: str = "",
) -> FindingClosed:
    """A food-safety lead signs that it is done with, by their word or the house's. Raises RuleBroken without an answer."""
    lock_material(act.establishment)
    now = as_it_stands(finding)
    made = FindingClosed.new(act, finding=now, by=by, reference=reference.strip(), because=because.strip())
    made.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "closes findings")
    refuse_foreign(act, finding.inspection, finding=finding)
    _refuse_not_closable(act, now)
    if not (made.reference if by == FindingClosed.By.THEM else made.because):
        field = "reference" if by == FindingClosed.By.THEM else "because"
        raise Unusable("Say by which word of theirs, or why the house holds it done.", field=field)
    made.insert()
    signatures.sign(
        act=act.with_new_id(), proof=proof, target=Entry.objects.get(pk=made.pk), meaning="closed"
    )
    return made


def _refuse_not_closable(act: Act, finding: Finding) -> None:
    if act.corrects is not None:
        raise RuleBroken("Correct the finding, and it is open again.", code="not-corrected", field="corrects")
    _refuse_withdrawn(finding)
    if FindingClosed.objects.filter(finding=finding).exists():
        raise RuleBroken("This finding is closed already. Nothing was written.", code="closed-already")
    if not answers_of(line_of(finding)):
        detail = "Nobody has answered this finding. Say what was done, then close it. Nothing was written."
        reasons = [Reason("unanswered", detail, "finding", [str(finding.pk)])]
        raise RuleBroken(detail, code="unanswered", reasons=reasons)


def _refuse_withdrawn(finding: Finding) -> None:
    if finding.withdrawn:
        raise RuleBroken(
            "This finding was withdrawn: it was never made. Nothing was written.",
            code="withdrawn",
            field="finding",
        )


def as_it_stands(finding: Finding) -> Finding:
    """The newest of its line; the withdrawal of one that never was."""
    rows = Finding.objects.select_related("establishment", "inspection")
    return rows.get(of_line(line_of(finding)), corrected_by__isnull=True)


def answers_of(first: UUID) -> list[FindingAnswer]:
    """Those that stand, the oldest first."""
    return list(FindingAnswer.objects.standing().filter(finding=first).order_by("performed_at", "id"))
