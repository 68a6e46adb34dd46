"""Samples that inspectors take, and what comes of them: a lot loses some of its stock, and is held if they object to it."""

from datetime import date
from typing import Any
from uuid import UUID

from batches import movements, storing
from batches.locks import lock_material
from batches.models import Lot, Movement, MovementKind
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp import deviations
from haccp.holds import Touched
from haccp.inspections.visits import line_of, refuse_foreign, refuse_other_visit
from haccp.models import Deviation, HoldSubject, Inspection, InspectionSample, SampleResult
from ledger.acts import Act
from ledger.deeds import deed


@deed
def take(
    *,
    act: Act,
    inspection: Inspection,
    counter: str,
    lot: Lot | None = None,
    of: str = "",
    quantity: str = "",
    unit: str = "",
    taken_before: UUID | None = None,
    analysis: str = "",
    mark: str = "",
    counter_sample: str = "",
    receipt: str = "",
    result_by: date | None = None,
) -> InspectionSample:
    """They took a sample of a lot, which takes it out of stock, or of something else that ``of`` names.

    ``taken_before``: the movement ``sampled`` that took it out already; lot and amount are its own. A correction corrects
    the movement too. Raises Unusable, Unknown, RuleBroken.
    """
    lock_material(act.establishment)
    before = None if taken_before is None else _taken_before(act, taken_before)
    if before is not None:
        lot, quantity, unit = before.lot, before.entered, before.unit
    sample = InspectionSample.new(
        act,
        inspection_id=line_of(inspection),
        lot=lot,
        of=of.strip(),
        entered=quantity,
        unit=unit,
        taken_before=taken_before,
        analysis=analysis.strip(),
        mark=mark.strip(),
        counter=counter,
        counter_sample=counter_sample.strip(),
        receipt=receipt.strip(),
        result_by=result_by,
    )
    sample.answer_if_repeated()
    refuse_foreign(act, inspection, lot=lot)
    refuse_other_visit(sample)
    _refuse_unusable(sample)
    if before is not None:
        _refuse_used_up(sample, before)
    sample.movement = before or _movement(act, sample)
    return sample.insert()


def _taken_before(act: Act, pk: UUID) -> Movement:
    rows = Movement.objects.of(act.establishment).select_related("lot")
    found: Movement | None = rows.filter(pk=pk, what=MovementKind.SAMPLED).first()
    if found is None:
        raise Unknown(f"No sample was taken out of stock here by {pk}.", field="taken_before")
    return found


def _refuse_used_up(sample: InspectionSample, movement: Movement) -> None:
    """One that stands, and is of no other sample."""
    if movement.withdrawn or hasattr(movement, "corrected_by"):
        raise RuleBroken(
            "That movement was corrected or withdrawn. Name the one that stands. Nothing was written.",
            code="does-not-stand",
            field="taken_before",
        )
    corrected: Any = sample.corrects
    others = InspectionSample.objects.standing().filter(movement=movement)
    if others.exclude(pk=corrected and corrected.pk).exists():
        raise RuleBroken(
            "That movement is of another sample already. Nothing was written.",
            code="movement-of-another-sample",
            field="taken_before",
        )


def _refuse_unusable(sample: InspectionSample) -> None:
    if sample.lot is None and not sample.of:
        raise Unusable("Say of what: a lot, or in words.", code="missing", field="of")
    if (sample.lot is None) == bool(sample.entered or sample.unit):
        raise Unusable(
            "An amount is told of a lot, which needs it; of anything else say it in words.", field="quantity"
        )
    if sample.counter == "stays" and not sample.counter_sample:
        raise Unusable(
            "Say how the counter-sample is sealed or marked, and where it lies.",
            code="missing",
            field="counter_sample",
        )


def _movement(act: Act, sample: InspectionSample) -> Movement | None:
    """What takes it out of stock; of a correction the movement there was, itself corrected where it differs."""
    corrected: Any = sample.corrects
    known = None if corrected is None or corrected.taken_before else latest(corrected.movement)
    if sample.lot is None:
        if known is not None:
            movements.withdraw(act=_of_correction(act, known, withdraws=True))
        return None
    if known is not None and _same(known, sample):
        return known
    return storing.sample(
        act=_of_correction(act, known), lot=sample.lot, quantity=sample.entered, unit=sample.unit
    )


def _same(known: Movement, sample: InspectionSample) -> bool:
    said = (known.lot_id, known.entered, known.unit, known.performed_at)
    return said == (sample.lot_id, sample.entered, sample.unit, sample.performed_at)


def _of_correction(act: Act, known: Movement | None, *, withdraws: bool = False) -> Act:
    if known is None:
        return act.with_new_id()
    return act.with_new_id(corrects=known.pk, reason=act.reason, withdraws=withdraws)


def latest(movement: Movement | None) -> Movement | None:
    """As it stands now; None where it was withdrawn."""
    while movement is not None and (later := getattr(movement, "corrected_by", None)) is not None:
        movement = later
    return None if movement is None or movement.withdrawn else movement


@deed
def tell_result(
    *, act: Act, sample: InspectionSample, outcome: str, text: str, reference: str = ""
) -> SampleResult:
    """A result came. What is objected to opens a case that holds the lot, once for a line of corrections.

    Put right later it stays a case: a lead decides. Raises Unusable, RuleBroken.
    """
    lock_material(act.establishment)
    result = SampleResult.new(
        act, sample=sample, outcome=outcome, text=text.strip(), reference=reference.strip()
    )
    result.answer_if_repeated()
    refuse_foreign(act, sample.inspection, sample=sample)
    refuse_other_visit(result, "sample_id")
    _refuse_replaced(sample)
    if not result.text:
        raise Unusable("Say what came of it.", code="missing", field="text")
    result.insert()
    if outcome == SampleResult.Outcome.OBJECTED and case_of(result) is None:
        _open_case(act, result)
    return result


def _refuse_replaced(sample: InspectionSample) -> None:
    if sample.withdrawn or hasattr(sample, "corrected_by"):
        raise RuleBroken(
            "That sample was corrected or withdrawn. Tell the result of what stands. Nothing was written.",
            code="does-not-stand",
            field="sample",
        )


def case_of(result: SampleResult) -> Deviation | None:
    """The case that an objection opened."""
    return deviations.case_of(result, Deviation.What.REPORTED)


def _open_case(act: Act, result: SampleResult) -> None:
    lot = result.sample.lot
    of = f"lot {lot.code}" if lot is not None else result.sample.of
    deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.REPORTED,
        subject=result.pk,
        slot="sample of an inspection",
        title=f"{result.sample.inspection.body} objects to a sample of {of}: {result.text}",
        because=result,
        hold=None if lot is None else Touched(HoldSubject.LOT, lot.uid),
    )
