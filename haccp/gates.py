"""The two gates: permission to start a batch, and release of a lot. Each refusal lists every reason."""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any
from uuid import UUID

from django.utils import timezone

from batches import lots as lot_deeds
from batches import recipes, runs
from batches.locks import lock_material
from batches.models import Batch, BatchStart, Equipment, EquipmentUse, Lot, LotStatus, RecipeVersion
from batches.recipe_documents import NOT_KNOWN
from config.api.refusals import Reason, RuleBroken
from haccp import deviations, late_allergens, monitoring, plans, releasing, unpermitted
from haccp.changeovers import starting
from haccp.deviations import Touched
from haccp.labels import comparing
from haccp.labels.comparing import OnLot
from haccp.models import Deviation, HoldSubject, PlanVersion, Release, StartPermission
from ledger import people, signatures
from ledger.acts import Act, Moment
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
    already_happened: bool = False,
) -> BatchStart:
    """Permit a batch and begin it. Raises RuleBroken ``may-not-start`` with every reason at once.

    In a phased start (a profile's date) the reasons are kept as warnings with the permission instead. A batch
    that runs already is recorded with them too, and opens a deviation with hold. What nobody stated of what was on the
    equipment before is told with the permission, and refuses nothing.
    """
    record = runs.shape_start(
        act=act, recipe_version=recipe_version, quantity=quantity, unit=unit, equipment=equipment
    )
    plan_version = plans.version_in_force(act.establishment, recipe_version.material)
    left = starting.ask(recipe_version, equipment, act.performed.at, act.local_day)
    reasons = [*_start_reasons(act, recipe_version, plan_version, equipment), *left.refused]
    out_of_order = bool(reasons) and not _in_phased_start(act)
    if out_of_order and not already_happened:
        raise RuleBroken(
            f"The batch may not start: {_counted(reasons)}. Nothing was written. If it runs already, say so "
            "and it is recorded and held.",
            code="may-not-start",
            reasons=reasons,
        )
    permission = StartPermission.new(
        act.with_new_id(),
        recipe_version=recipe_version,
        plan_version=plan_version,
        equipment=sorted(str(each.pk) for each in equipment),
        warnings=[_plain(reason) for reason in (*reasons, *left.told)],
    ).insert()
    started = runs.start(
        act=act,
        record=record,
        permission=Entry.objects.get(pk=permission.pk),
        plan_version=None if plan_version is None else Entry.objects.get(pk=plan_version.pk),
    )
    if out_of_order:
        _open_for_start(act, started, permission)
    late_allergens.follow_run(act=act, batch=started.batch, record=started)
    return started


def _in_phased_start(act: Act) -> bool:
    until = act.establishment.phased_start_until
    return until is not None and act.local_day <= until


def _counted(reasons: Sequence[Reason]) -> str:
    return f"{len(reasons)} {'reason' if len(reasons) == 1 else 'reasons'}"


def _plain(reason: Reason) -> dict[str, Any]:
    return {"code": reason.code, "detail": reason.detail, "field": reason.field, "ids": list(reason.ids)}


def _open_for_start(act: Act, started: BatchStart, permission: StartPermission) -> None:
    words = " ".join(warning["detail"] for warning in permission.warnings)
    deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.EMERGENCY_START,
        subject=started.batch.uid,
        slot=unpermitted.AT_START,
        title=f"Batch {started.code} was started without permission: {words}",
        because=permission,
        hold=Touched(HoldSubject.BATCH, started.batch.uid),
    )


def follow_taken(*, act: Act, batch: Batch, record: EquipmentUse) -> None:
    """Equipment was taken into a running batch: a fact, so what a start would be refused for opens a case with hold.

    In a phased start nothing is opened; what may have been touched is shown with the lots. A correction goes on under
    the open case of what it corrects.
    """
    if record.withdrawn or record.deed != EquipmentUse.Deed.TAKEN or _in_phased_start(act):
        return
    left = starting.ask(
        batch.recipe_version, [record.equipment], record.performed_at, act.local_day, but=batch.pk
    )
    if left.refused and not _has_open_case(batch, record.corrects_id):
        _open_for_taken(act, batch, record.equipment, left.refused, record, unpermitted.taken(record.pk))


def _has_open_case(batch: Batch, corrected: UUID | None) -> bool:
    if corrected is None:
        return False
    cases = Deviation.objects.filter(what=Deviation.What.EMERGENCY_START, subject=batch.uid)
    return cases.filter(slot=unpermitted.taken(corrected), closing__isnull=True).exists()


def follow_corrected_start(*, act: Act, batch: Batch, record: BatchStart) -> None:
    """A start said anew puts equipment into the batch, or on it at another time: a fact, as if it were taken later.

    What an open case of the batch names already is not asked again. In a phased start nothing is opened.
    """
    added = _added_or_moved(record)
    if not added or _in_phased_start(act):
        return
    left = starting.ask(batch.recipe_version, added, record.performed_at, act.local_day, but=batch.pk)
    if not left.refused:
        return
    named = unpermitted.named_already([batch], only_open=True)[batch.pk]
    codes = _codes_of(left.refused)
    for each in added:
        new = [
            reason
            for reason in left.refused
            if reason.ids[0] == str(each.pk) and not named.names(each.pk, *codes[reason.ids[1]])
        ]
        if new:
            _open_for_taken(act, batch, each, new, record, unpermitted.begun_on(record.pk, each.pk))


def _added_or_moved(record: BatchStart) -> list[Equipment]:
    """With another time each piece of equipment was on it at another time; else those that were not named before."""
    before: Any = record.corrects
    moved = before.performed_at != record.performed_at
    added = set(record.equipment) - (set() if moved else set(before.equipment))
    return list(Equipment.objects.filter(pk__in=added).order_by("code", "id"))


def _codes_of(refused: Sequence[Reason]) -> dict[str, tuple[UUID, str]]:
    """By the id in a reason: id and code of the batch that left something."""
    batches = Batch.objects.filter(uid__in={reason.ids[1] for reason in refused})
    return {str(uid): (uid, code) for uid, code in batches.values_list("uid", "code")}


def _open_for_taken(
    act: Act,
    batch: Batch,
    equipment: Equipment,
    refused: Sequence[Reason],
    record: EquipmentUse | BatchStart,
    slot: str,
) -> None:
    words = " ".join(reason.detail for reason in refused)
    deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.EMERGENCY_START,
        subject=batch.uid,
        slot=slot,
        title=f"Batch {batch.code} was taken to {equipment.code} without permission: {words}",
        because=record,
        hold=Touched(HoldSubject.BATCH, batch.uid),
    )


def _start_reasons(
    act: Act, recipe_version: RecipeVersion, plan_version: PlanVersion | None, equipment: Sequence[Equipment]
) -> Iterable[Reason]:
    latest = recipes.latest_version(recipe_version.recipe)
    if latest is None or latest.pk != recipe_version.pk:
        sentence = f"Version {recipe_version.number} of the recipe is not the one in force."
        yield Reason("recipe-superseded", sentence, "recipe_version", [str(latest.pk)] if latest else [])
    if NOT_KNOWN in recipe_version.document:
        sentence = "How it was made before these records began is not known here: approve a recipe."
        yield Reason("recipe-not-known", sentence, "recipe_version", [str(recipe_version.pk)])
    if not recipe_version.recipe.in_use:
        sentence = f"Recipe {recipe_version.recipe.code} is marked as no longer in use."
        yield Reason("recipe-not-in-use", sentence, "recipe_version", [str(recipe_version.recipe_id)])
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
    case closed, nothing that went into it is held, no open case holds it, and its labels declare what is in it. A
    received lot, when the checks of its receipt stand. Signed by a food-safety lead; a supervisor may accept what was
    received. What is worth knowing and stands against nothing is told in the basis.
    """
    lock_material(act.establishment)
    lot = Lot.objects.select_related("state", "material", "establishment").get(pk=lot.pk)
    record = Release.new(act, lot=lot)
    record.answer_if_repeated()
    _refuse_correction(act)
    accept = set() if lot.batch_id else {Role.SUPERVISOR}
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD} | accept, "releases this lot")
    batch, now = _batch_of(lot), timezone.now()
    found = monitoring.of_batch(batch, now) if batch else monitoring.of_receipt(lot, now)
    label = comparing.compared(act.establishment, [lot], _later_day(act)).get(lot.pk)
    unknown = list(releasing.unknown_contact(lot, batch)) if batch else []
    refused = [] if _in_phased_start(act) else unknown
    reasons = [*releasing.reasons(lot, batch, found), *refused, *(label.refused if label else ())]
    if reasons:
        raise RuleBroken(
            f"Lot {lot.code} may not be released: {_counted(reasons)}. Nothing was written.",
            code="may-not-release",
            reasons=reasons,
        )
    record.basis = {"checks": [str(each.check.pk) for each in found if each.check]} | _of_label(label)
    if unknown:
        record.basis["told"] = [*record.basis.get("told", ()), *map(_plain, unknown)]
    record.insert()
    signatures.sign(
        act=act.with_new_id(), proof=proof, target=Entry.objects.get(pk=record.pk), meaning="released"
    )
    lot_deeds.decide(act=act, lots=[lot], status=LotStatus.RELEASED, because=record)
    return record


def _later_day(act: Act) -> date:
    """Of the day it is dated and today, so that nobody dates a release back to before something ended."""
    return max(act.local_day, Moment.now(act.establishment).local.date())


def _of_label(label: OnLot | None) -> dict[str, Any]:
    """What was looked at of a lot that is sold: the labels on it, the assessments it needs, and what is told."""
    if label is None:
        return {}
    return {
        "labels": [str(each.pk) for each in label.versions],
        "assessments": [str(each.pk) for each in label.rests_on],
        "told": [_plain(reason) for reason in label.told],
    }


def _batch_of(lot: Lot) -> Batch | None:
    if lot.batch_id is None:
        return None
    rows = Batch.objects.select_related("state", "recipe_version__material", "establishment")
    return rows.get(pk=lot.batch_id)


def _refuse_correction(act: Act) -> None:
    if act.corrects is not None:
        raise RuleBroken(
            "A release is not corrected. Report a deviation that holds the lot, and decide there.",
            code="a-release-is-not-corrected",
            field="corrects",
        )
