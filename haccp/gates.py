"""The two gates: permission to start a batch, and release of a lot. Each refusal lists every reason."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from django.utils import timezone

from batches import lots as lot_deeds
from batches import recipes, runs
from batches.locks import lock_material
from batches.models import Batch, BatchStart, Equipment, Lot, LotStatus, RecipeVersion
from config.api.refusals import NotAllowed, Reason, RuleBroken
from haccp import deviations, missed, monitoring, plans
from haccp.limits import Result
from haccp.models import ControlKind, Deviation, PlanVersion, Release, StartPermission
from haccp.monitoring import State
from ledger import people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Role

# -- start ------------------------------------------------------------------------------------------


@deed
def start_batch(
    *,
    act: Act,
    recipe_version: RecipeVersion,
    quantity: str,
    unit: str,
    equipment: Sequence[Equipment] = (),
) -> BatchStart:
    """Permit a batch and begin it. Raises RuleBroken ``may-not-start`` with every reason at once.

    In a phased start (a profile's date) the reasons are kept as warnings with the permission instead.
    """
    record = runs.shape_start(
        act=act, recipe_version=recipe_version, quantity=quantity, unit=unit, equipment=equipment
    )
    plan_version = plans.version_in_force(act.establishment, recipe_version.material)
    reasons = list(_start_reasons(act, recipe_version, plan_version, equipment))
    until = act.establishment.phased_start_until
    if reasons and (until is None or act.local_day > until):
        raise RuleBroken(
            f"The batch may not start: {len(reasons)} {'reason' if len(reasons) == 1 else 'reasons'}. "
            "Nothing was written.",
            code="may-not-start",
            reasons=reasons,
        )
    permission = StartPermission.new(
        act.with_new_id(),
        recipe_version=recipe_version,
        plan_version=plan_version,
        equipment=sorted(str(each.pk) for each in equipment),
        warnings=[{"code": reason.code, "detail": reason.detail} for reason in reasons],
    ).insert()
    return runs.start(
        act=act,
        record=record,
        permission=Entry.objects.get(pk=permission.pk),
        plan_version=None if plan_version is None else Entry.objects.get(pk=plan_version.pk),
    )


def _start_reasons(
    act: Act, recipe_version: RecipeVersion, plan_version: PlanVersion | None, equipment: Sequence[Equipment]
) -> Iterable[Reason]:
    latest = recipes.latest_version(recipe_version.recipe)
    if latest is None or latest.pk != recipe_version.pk:
        sentence = f"Version {recipe_version.number} of the recipe is not the one in force."
        yield Reason("recipe-superseded", sentence, "recipe_version", [str(latest.pk)] if latest else [])
    if plan_version is None:
        sentence = f"No approved hazard plan covers {recipe_version.material.name}."
        yield Reason("no-plan", sentence, "recipe_version", [str(recipe_version.material_id)])
    for each in equipment:
        if not each.in_use:
            yield Reason("not-in-use", f"{each} is not in use.", "equipment", [str(each.pk)])
    for conflict in runs.equipment_conflicts(equipment, act.performed.at):
        sentence = (
            f"{conflict.equipment} is occupied by batch {conflict.batch.code}: end that batch or free it."
        )
        ids = [str(conflict.equipment.pk), str(conflict.batch.uid)]
        yield Reason("equipment-occupied", sentence, "equipment", ids)


# -- release ----------------------------------------------------------------------------------------


@deed
def release(*, act: Act, lot: Lot, proof: signatures.Proof) -> Release:
    """Release a product lot, or accept a received one. Raises RuleBroken ``may-not-release``, NotAllowed.

    A product is released when its batch has ended, every due check was made and stood within limits or had its
    case closed, and no open case holds the lot. Signed by a food-safety lead; a supervisor may accept what was
    received.
    """
    lock_material(act.establishment)
    lot = Lot.objects.select_related("state", "batch__state", "material").get(pk=lot.pk)
    record = Release.new(act, lot=lot)
    record.answer_if_repeated()
    _refuse_unless_allowed(act, lot)
    found = monitoring.of_batch(_with_rows(lot.batch), timezone.now()) if lot.batch else []
    reasons = [*_lot_reasons(lot), *_batch_reasons(lot, found)]
    if reasons:
        raise RuleBroken(
            f"Lot {lot.code} may not be released: {len(reasons)} {'reason' if len(reasons) == 1 else 'reasons'}. "
            "Nothing was written.",
            code="may-not-release",
            reasons=reasons,
        )
    record.basis = {"checks": [str(each.check.pk) for each in found if each.check]}
    record.insert()
    signatures.sign(
        act=act.with_new_id(), proof=proof, target=Entry.objects.get(pk=record.pk), meaning="released"
    )
    lot_deeds.decide(act=act, lots=[lot], status=LotStatus.RELEASED, because=record)
    return record


def _with_rows(batch: Batch) -> Batch:
    return Batch.objects.select_related("state", "recipe_version__material", "establishment").get(pk=batch.pk)


def _refuse_unless_allowed(act: Act, lot: Lot) -> None:
    roles = people.roles_of(act.performed_by, act.establishment, act.local_day)
    allowed = {Role.FOOD_SAFETY_LEAD} if lot.batch_id else {Role.FOOD_SAFETY_LEAD, Role.SUPERVISOR}
    if not roles & allowed:
        who = " or a ".join(sorted(Role(role).label for role in allowed))
        raise NotAllowed(f"A {who} releases this lot. Nothing was written.")


def _lot_reasons(lot: Lot) -> Iterable[Reason]:
    status = LotStatus(lot.state.status)
    if status is LotStatus.REJECTED:
        yield Reason("rejected", f"Lot {lot.code} was rejected.", "lot", [str(lot.uid)])
    if status is LotStatus.RELEASED:
        yield Reason("released-already", f"Lot {lot.code} is released.", "lot", [str(lot.uid)])
    if lot.state.withdrawn:
        yield Reason("withdrawn", f"Lot {lot.code} was withdrawn: it never was.", "lot", [str(lot.uid)])
    cases = deviations.open_cases_of([lot])
    for case in cases:
        sentence = f"An open deviation holds it: {case.title}"
        yield Reason("open-deviation", sentence, "lot", [str(case.pk)])
    if status is LotStatus.HELD and not cases:
        yield Reason("held", f"Lot {lot.code} is held.", "lot", [str(lot.uid)])


def _batch_reasons(lot: Lot, found: Sequence[monitoring.Answered]) -> Iterable[Reason]:
    batch = lot.batch
    if batch is None:
        return
    if batch.state.ended_at is None:
        yield Reason("batch-running", f"Batch {batch.code} has not ended.", "lot", [str(batch.uid)])
    for each in found:
        if each.due.control_point.kind != ControlKind.PRP:
            yield from _check_reasons(batch, each)
    for case in _unclosed_about(batch):
        yield Reason(
            "open-deviation", f"An open deviation is about its batch: {case.title}", "lot", [str(case.pk)]
        )


def _check_reasons(batch: Batch, each: monitoring.Answered) -> Iterable[Reason]:
    due, check = each.due, each.check
    if each.state is State.WAITING:
        yield Reason("check-not-made", f"Not made yet: {due.slot}.", "lot", [str(due.control_point.pk)])
    elif each.state is State.MISSED:
        closed = Deviation.objects.filter(
            what=Deviation.What.MISSED_CHECK, subject=batch.uid, slot=due.slot, closing__isnull=False
        )
        if not closed.exists():
            sentence = f"Not made in time: {due.slot}. It needs a closed deviation."
            yield Reason("check-missed", sentence, "lot", [str(due.control_point.pk)])
    elif check is not None and check.result != Result.WITHIN:
        cases = Deviation.objects.filter(what=Deviation.What.LIMIT, subject=check.pk)
        if check.result == Result.UNDECIDED or not cases.filter(closing__isnull=False).exists():
            sentence = f"{due.slot} is {check.result}; it needs a check within limits or a closed deviation."
            yield Reason("check-not-within", sentence, "lot", [str(check.pk)])


def _unclosed_about(batch: Batch) -> list[Deviation]:
    """Open cases about the batch itself, its checks and its weighings."""
    subjects = [
        batch.uid,
        *batch.checks.values_list("pk", flat=True),
        *batch.movements.values_list("pk", flat=True),
    ]
    return list(
        Deviation.objects.filter(
            establishment=batch.establishment_id, subject__in=subjects, closing__isnull=True
        ).order_by("recorded_at")
    )


def open_missed_now(batch: Batch, now: datetime | None = None) -> list[Deviation]:
    """The sweep's work for one batch, at once: for whoever wants to release without waiting for it."""
    return missed.open_missed(_with_rows(batch), now or timezone.now())
