"""What stands in the way of releasing a lot: everything at once, in words, with ids."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime

from batches import packing
from batches.mixed_places import MixedPlaces
from batches.models import Batch, Equipment, Lot, LotStatus, Occupation
from config.api.refusals import Reason
from haccp import deviations
from haccp.limits import Result
from haccp.models import Check, ControlKind, Deviation, Disposition
from haccp.monitoring import Answered, State


def reasons(lot: Lot, batch: Batch | None, found: Sequence[Answered]) -> list[Reason]:
    """``found``: what became of the checks due for the lot's batch, or for its receipt."""
    standing = [*_of_lot(lot), *_of_ingredients(lot)]
    if batch is not None:
        standing += _of_batch(lot, batch)
    asked = [each for each in found if each.due.control_point.kind != ControlKind.PRP]
    standing += _of_missed(lot, batch, [each for each in asked if each.state is State.MISSED])
    for each in asked:
        standing += _of_check(each)
    return standing + list(_of_undecided(lot, batch, found))


def _of_lot(lot: Lot) -> Iterator[Reason]:
    status, ids = LotStatus(lot.state.status), [str(lot.uid)]
    if status is LotStatus.REJECTED:
        yield Reason("rejected", f"Lot {lot.code} was rejected.", "lot", ids)
    if status is LotStatus.RELEASED:
        yield Reason("released-already", f"Lot {lot.code} is released.", "lot", ids)
    if lot.state.withdrawn:
        yield Reason("withdrawn", f"Lot {lot.code} was withdrawn: it never was.", "lot", ids)
    cases = deviations.open_cases_of([lot])
    for case in cases:
        yield Reason("open-deviation", f"An open deviation holds it: {case.title}", "lot", [str(case.pk)])
    if status is LotStatus.HELD and not cases:
        yield Reason("held", f"Lot {lot.code} is held.", "lot", ids)
    for decision in _decisions(lot).filter(decision=Disposition.Decision.REWORK):
        sentence = f"Lot {lot.code} is to be reworked: {decision.because}"
        yield Reason("to-be-reworked", sentence, "lot", [str(decision.pk)])


def _of_ingredients(lot: Lot) -> Iterator[Reason]:
    """What may be in the lot must not be held; nor rejected, unless a closed case decided on this lot."""
    walk = MixedPlaces(lot.establishment).back([lot.pk], whole=[lot.pk])
    sources, way = walk.lots - {lot.pk}, "may be in it" if walk.drawn or walk.under else "went into it"
    bad = Lot.objects.filter(pk__in=sources, state__status__in=[LotStatus.HELD, LotStatus.REJECTED])
    for source in bad.select_related("state").order_by("code"):
        if source.state.status == LotStatus.HELD or not _was_decided(lot):
            word = LotStatus(source.state.status).label
            sentence = f"Lot {source.code}, which {way}, is {word}."
            yield Reason(f"ingredient-{source.state.status}", sentence, "lot", [str(source.uid)])


def _of_batch(lot: Lot, batch: Batch) -> Iterator[Reason]:
    if batch.state.ended_at is None:
        yield Reason("batch-running", f"Batch {batch.code} has not ended.", "lot", [str(batch.uid)])
    if batch.plan_version_id is None and not _was_decided(lot):
        sentence = (
            f"Batch {batch.code} was started without an approved plan, so no check was asked for. Report a "
            "deviation that holds it, and decide there."
        )
        yield Reason("no-plan", sentence, "lot", [str(batch.uid)])
    yield from _of_contents(lot, batch)
    for case in _unclosed_about(batch):
        sentence = f"An open deviation is about its batch: {case.title}"
        yield Reason("open-deviation", sentence, "lot", [str(case.pk)])


def unknown_contact(lot: Lot, batch: Batch) -> Iterator[Reason]:
    """Of a batch of which no record says where it stood nobody knows what it touched; a decision on the lot takes that in.

    What only packs finished sweets in their wrappers needs no equipment.
    """
    here = batch.establishment_id
    if Occupation.objects.filter(batch=batch).exists() or _was_decided(lot) or packing.packs(batch):
        return
    if Equipment.objects.filter(establishment=here, in_use=True).exists():
        sentence = (
            f"No record says on which equipment batch {batch.code} was made, so what touched it is not known. Correct its start "
            "to name it, or report a deviation that holds it, and decide there."
        )
        yield Reason("equipment-not-recorded", sentence, "lot", [str(batch.uid)])


def _of_contents(lot: Lot, batch: Batch) -> Iterator[Reason]:
    """A box says no later date than what is in it, by the dates that stand now."""
    ends = lot.state.best_before
    if ends is None or lot.is_rework:
        return
    for each in packing.packed_in(batch):
        first = each.state.best_before
        if first is not None and first < ends:
            sentence = (
                f"Lot {each.code} in it is best before {first}, and the box says {ends}: correct its making."
            )
            yield Reason("later-than-contents", sentence, "lot", [str(each.uid)])


def _of_missed(lot: Lot, batch: Batch | None, missed: Sequence[Answered]) -> Iterator[Reason]:
    """Once a case: in a long gap one stands for the rest, and a batch nobody ended misses thousands."""
    cases: dict[str, list[Answered]] = defaultdict(list)
    for each in missed:
        cases[each.case_slot].append(each)
    subject = batch.uid if batch else lot.uid
    closed = Deviation.objects.filter(
        what=Deviation.What.MISSED_CHECK, subject=subject, closing__isnull=False
    )
    for slot in set(closed.values_list("slot", flat=True)) if cases else ():
        cases.pop(slot, None)
    for of_case in cases.values():
        due, more = of_case[0].due, len(of_case) - 1
        after = f" and {more} more after it" if more else ""
        sentence = f"Not made in time: {due.slot}{after}. It needs a closed deviation."
        yield Reason("check-missed", sentence, "lot", [str(due.control_point.pk)])


def _of_check(each: Answered) -> Iterator[Reason]:
    due, check = each.due, each.check
    if each.state is State.WAITING:
        yield Reason("check-not-made", f"Not made yet: {due.slot}.", "lot", [str(due.control_point.pk)])
    elif check is not None and check.result == Result.OUTSIDE:
        case = deviations.case_of(check)
        if case is None or not deviations.is_closed(case):
            sentence = f"{due.slot} is outside its limit; its deviation is not closed."
            yield Reason("check-not-within", sentence, "lot", [str(check.pk)])


def _of_undecided(lot: Lot, batch: Batch | None, found: Iterable[Answered]) -> Iterator[Reason]:
    """A reading too near the bound to decide asks for another within limits, or for a decision on the lot."""
    checks = Check.objects.standing().exclude(control_point__kind=ControlKind.PRP)
    checks = checks.filter(batch=batch) if batch else checks.filter(lot=lot)
    answers = {each.check.pk for each in found if each.check}
    last: dict[object, Check] = {}
    rows = list(checks.select_related("control_point").order_by("performed_at", "id"))
    for check in rows:
        last[check.control_point_id, check.part_id, check.lot_id] = check
    latest = {check.pk for check in last.values()}
    for check in rows:
        counts = check.pk in answers or check.pk in latest
        if counts and check.result == Result.UNDECIDED and not _was_decided(lot, check.recorded_at):
            sentence = (
                f"{check.control_point.code} is undecided; it needs a check within limits or a decision."
            )
            yield Reason("check-not-within", sentence, "lot", [str(check.pk)])


def _decisions(lot: Lot):  # type: ignore[no-untyped-def]
    """Decisions on the lot that stand, of closed cases."""
    return Disposition.objects.standing().filter(lot=lot, deviation__closing__isnull=False)


def _was_decided(lot: Lot, after: datetime | None = None) -> bool:
    """Whether a closed case decided, after a time, that this lot may be released."""
    found = _decisions(lot).filter(decision=Disposition.Decision.RELEASE)
    return (found if after is None else found.filter(recorded_at__gt=after)).exists()


def _unclosed_about(batch: Batch) -> list[Deviation]:
    """Open cases about the batch itself, its checks, weighings and packing checks; corrected ones too."""
    subjects = [
        batch.uid,
        *batch.checks.values_list("pk", flat=True),
        *batch.movements.values_list("pk", flat=True),
        *batch.packing_checks.values_list("pk", flat=True),
    ]
    return list(
        Deviation.objects.filter(
            establishment=batch.establishment_id, subject__in=subjects, closing__isnull=True
        ).order_by("recorded_at")
    )
