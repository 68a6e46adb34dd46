"""Batches begin, run in parts on equipment, and end."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from batches import codes
from batches.locks import lock_material
from batches.models import (
    Batch,
    BatchEnd,
    BatchStart,
    BatchState,
    Equipment,
    EquipmentUse,
    Occupation,
    Part,
    RecipeVersion,
)
from batches.movements import read_amount
from batches.projections import rebuilds
from config.api.refusals import RuleBroken, Unknown, Unusable
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Establishment
from ledger.verification import compare_projection


def shape_start(
    *, act: Act, recipe_version: RecipeVersion, quantity: str, unit: str, equipment: Sequence[Equipment] = ()
) -> BatchStart:
    """The start record as the client said it, not written yet; a repeat ends here with what is stored.

    Takes the material lock. Raises Unusable, Unknown.
    """
    lock_material(act.establishment)
    amount = read_amount(recipe_version.material, quantity, unit)
    _refuse_foreign(act, [recipe_version, *equipment])
    record = BatchStart.new(
        act,
        recipe_version=recipe_version,
        planned=amount.base,
        entered=f"{amount.entered} {amount.unit}",
        equipment=sorted(str(each.pk) for each in equipment),
    )
    record.answer_if_repeated()
    return record


@deed
def start(*, act: Act, record: BatchStart, permission: Entry, plan_version: Entry) -> BatchStart:
    """Write that a batch began. Only the start gate calls this: ``permission`` is the record it wrote.

    The batch bears the id of its start record, so that a tablet without a network can name it at once.
    """
    _refuse_foreign(act, [permission, plan_version])
    material = record.recipe_version.material
    batch = Batch(
        uid=record.pk,
        establishment=act.establishment,
        code=codes.next_batch_code(establishment=act.establishment, material=material, day=act.local_day),
        recipe_version=record.recipe_version,
        plan_version=plan_version,
        permission=permission,
        birth_id=record.pk,
    )
    batch.save(force_insert=True)
    record.batch, record.code = batch, batch.code
    record.permission, record.plan_version = permission, plan_version
    record.insert()
    _project(batch)
    return record


def _refuse_foreign(act: Act, rows: Iterable[Any]) -> None:
    for row in rows:
        if row.establishment_id != act.establishment.pk:
            raise Unknown(f"There is no {row._meta.verbose_name} {row.pk} here.")


@deed
def end(*, act: Act, batch: Batch) -> BatchEnd:
    """A batch ended; its equipment is free from then on. Raises RuleBroken when it ended already."""
    lock_material(act.establishment)
    record = BatchEnd.new(act, batch=batch)
    record.answer_if_repeated()
    state = BatchState.objects.get(batch=batch)
    if act.corrects is None and state.ended_at is not None:
        raise RuleBroken(
            f"Batch {batch.code} ended already; correct that record instead.", code="ended-already"
        )
    if act.performed.at < state.started_at:
        raise Unusable(
            f"Batch {batch.code} began after that.", code="ends-before-it-began", field="performed_at"
        )
    record.insert()
    _project(batch)
    return record


@deed
def open_part(*, act: Act, batch: Batch, number: int, name: str) -> Part:
    """Begin a numbered part of a batch: a boil, a slab. Raises RuleBroken when the number is taken."""
    part = Part.new(act, batch=batch, number=number, name=name)
    part.answer_if_repeated()
    if Part.objects.filter(batch=batch, number=number).exists():
        raise RuleBroken(f"Batch {batch.code} has a part {number}.", code="part-taken", field="number")
    return part.insert()


@deed
def note_equipment(*, act: Act, batch: Batch, equipment: Equipment, deed: str) -> EquipmentUse:
    """Equipment was ``taken`` into a running batch, or ``freed`` before its end. It is noted, never refused."""
    lock_material(act.establishment)
    record = EquipmentUse.new(act, batch=batch, equipment=equipment, deed=deed)
    record.answer_if_repeated()
    record.insert()
    _project(batch)
    return record


def was_running(batch: Batch, at: datetime) -> bool:
    """Whether a batch ran at a time; both its ends count in (decision D17)."""
    state = batch.state
    return state.started_at <= at and (state.ended_at is None or at <= state.ended_at)


def part_of(batch: Batch, part: Part | None, field: str = "part") -> Part | None:
    """The part, if it is one of the batch. Raises Unknown."""
    if part is not None and part.batch_id != batch.pk:
        raise Unknown(f"Batch {batch.code} has no part {part.pk}.", field=field)
    return part


@dataclass(frozen=True)
class Conflict:
    """Equipment that another batch occupies."""

    equipment: Equipment
    batch: Batch
    since: datetime


def equipment_conflicts(equipment: Iterable[Equipment], at: datetime) -> list[Conflict]:
    """Which of ``equipment`` a batch occupies at a time; what is shared is never in the way."""
    alone = [each.pk for each in equipment if not each.shared]
    open_then = Occupation.objects.filter(equipment__in=alone, since__lte=at).exclude(until__lte=at)
    found = open_then.select_related("equipment", "batch").order_by("equipment_id", "since")
    return [Conflict(row.equipment, row.batch, row.since) for row in found]


# -- projections ------------------------------------------------------------------------------------


def _project(batch: Batch) -> None:
    """Write the state and the occupations of a batch anew from its standing records."""
    state, occupations = _from_records(batch)
    BatchState.objects.update_or_create(batch=batch, defaults=state)
    batch._state.fields_cache.pop("state", None)
    Occupation.objects.filter(batch=batch).delete()
    Occupation.objects.bulk_create(Occupation(batch=batch, **each) for each in occupations)


def _from_records(batch: Batch) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    begun = BatchStart.objects.standing().get(batch=batch)
    ended = BatchEnd.objects.standing().filter(batch=batch).order_by("-recorded_at").first()
    ended_at = ended.performed_at if ended else None
    state = {
        "establishment": batch.establishment,
        "started_at": begun.performed_at,
        "ended_at": ended_at,
    }
    return state, list(_occupations(batch, begun, ended_at))


def _occupations(batch: Batch, begun: BatchStart, ended_at: datetime | None) -> Iterator[dict[str, Any]]:
    since: dict[str, datetime] = dict.fromkeys(begun.equipment, begun.performed_at)
    uses = EquipmentUse.objects.standing().filter(batch=batch).order_by("performed_at", "id")
    for use in uses:
        key = str(use.equipment_id)
        if use.deed == EquipmentUse.Deed.TAKEN:
            since.setdefault(key, use.performed_at)
        elif key in since:
            yield {"equipment_id": key, "since": since.pop(key), "until": use.performed_at}
    for key in sorted(since):
        yield {"equipment_id": key, "since": since[key], "until": ended_at}


@rebuilds("batch states")
def _rebuild(establishment: Establishment) -> int:
    batches = list(Batch.objects.filter(establishment=establishment))
    for batch in batches:
        _project(batch)
    return len(batches)


@compare_projection("batch states")
def _compare() -> Iterator[str]:
    for batch in Batch.objects.order_by("pk").iterator():
        state, occupations = _from_records(batch)
        kept = BatchState.objects.filter(batch=batch).values("started_at", "ended_at").first()
        if kept != {name: state[name] for name in ("started_at", "ended_at")}:
            yield f"the state of batch {batch.code} is not as its records say"
        rows = Occupation.objects.filter(batch=batch).values_list("equipment_id", "since", "until")
        wanted = {(each["equipment_id"], each["since"], each["until"]) for each in occupations}
        if {(str(equipment), since, until) for equipment, since, until in rows} != wanted:
            yield f"the equipment of batch {batch.code} is not as its records say"
