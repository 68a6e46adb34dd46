"""Batches begin, run in parts on equipment, and end."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar
from uuid import UUID

from django.db.models import Q

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
    ProcessStep,
    QualityReading,
    RecipeVersion,
    TrimReturn,
    WeighedApart,
)
from batches.models.batches import hours_within
from batches.movements import read_amount
from batches.projections import rebuilds
from batches.signals import run_changed
from batches.texts import one_line
from config.api.refusals import RuleBroken, Unknown, Unusable
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Establishment, Record
from ledger.verification import compare_projection

Noted = TypeVar("Noted", BatchEnd, EquipmentUse, ProcessStep, QualityReading, TrimReturn, WeighedApart)
OfBatch = BatchEnd | EquipmentUse | ProcessStep | QualityReading | TrimReturn | WeighedApart
ROWS_A_STATEMENT = 500


def shape_start(
    *, act: Act, recipe_version: RecipeVersion, quantity: str, unit: str, equipment: Sequence[Equipment] = ()
) -> BatchStart:
    """The start record as the client said it, not written yet; a repeat ends here with what is stored.

    Takes the material lock: call it in the transaction of the gate. The amount is of the recipe's product.
    Raises Unusable, Unknown, RuleBroken for a correction, which ``correct_start`` is for.
    """
    lock_material(act.establishment)
    _refuse_foreign(act, recipe_version=[recipe_version], equipment=equipment)
    record = BatchStart.new(
        act, recipe_version=recipe_version, **_planned(recipe_version, quantity, unit, equipment)
    )
    record.answer_if_repeated()
    if act.corrects is not None:
        raise RuleBroken(
            "This would begin another batch. Correct the start of a batch at its own address.",
            code="corrects-a-start",
            field="corrects",
        )
    return record


def _planned(
    version: RecipeVersion, quantity: str, unit: str, equipment: Iterable[Equipment]
) -> dict[str, Any]:
    amount = read_amount(version.material, quantity, unit)
    return {
        "planned": amount.base,
        "entered": f"{amount.entered} {amount.unit}",
        "equipment": sorted({str(each.pk) for each in equipment}),
    }


@deed
def start(
    *, act: Act, record: BatchStart, permission: Entry, plan_version: Entry | None, code: str = ""
) -> BatchStart:
    """Write that a batch began. ``permission`` is the record that the start gate wrote.

    Of a batch of the past it is the row that was brought in (``batches.bringing``), with the ``code`` it had then. The
    batch bears the id of its start record, so that a tablet without a network can name it at once.
    """
    _refuse_foreign(act, permission=[permission], plan_version=[plan_version] if plan_version else [])
    material = record.recipe_version.material
    batch = Batch(
        uid=record.pk,
        establishment=act.establishment,
        code=_free(act.establishment, code)
        or codes.next_batch_code(establishment=act.establishment, material=material, day=act.local_day),
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


def _free(establishment: Establishment, code: str) -> str:
    taken = code and Batch.objects.filter(establishment=establishment, code=code).first()
    if taken:
        raise RuleBroken(
            f"Batch code {code} is taken by batch {taken.uid}.", code="code-taken", field="batch"
        )
    return code


@deed
def correct_start(
    *, act: Act, batch: Batch, quantity: str, unit: str, equipment: Sequence[Equipment] = ()
) -> BatchStart:
    """Say anew when a batch began, how much was planned and on which equipment; ``act.corrects`` names the start.

    Recipe, plan and permission stay as they were pinned. Raises Unusable, Unknown, RuleBroken.
    """
    lock_material(act.establishment)
    _refuse_foreign(act, batch=[batch], equipment=equipment)
    version = batch.recipe_version
    record = BatchStart.new(
        act,
        batch=batch,
        code=batch.code,
        recipe_version=version,
        permission_id=batch.permission_id,
        plan_version_id=batch.plan_version_id,
        **_planned(version, quantity, unit, equipment),
    )
    record.answer_if_repeated()
    if act.corrects is None or act.withdraws:
        raise RuleBroken(
            f"Batch {batch.code} has begun: name the start record to correct. It cannot be withdrawn; a batch "
            "that came to nothing is ended, with a note.",
            code="nothing-to-correct",
            field="corrects",
        )
    _refuse_other_batch(record)
    ended_at = BatchState.objects.get(batch=batch).ended_at
    if ended_at is not None and ended_at < act.performed.at:
        raise Unusable(
            f"Batch {batch.code} ended before that, at {ended_at.isoformat()}. Correct its end first if that "
            "is wrong.",
            code="begins-after-it-ended",
            field="performed_at",
        )
    record.insert()
    _retell(act, batch, record)
    return record


def _refuse_foreign(act: Act, **rows: Iterable[Any]) -> None:
    for field, several in rows.items():
        for row in several:
            if row.establishment_id != act.establishment.pk:
                raise Unknown(f"There is no {row._meta.verbose_name} {row.pk} here.", field=field)


def _refuse_other_batch(record: BatchStart | OfBatch) -> None:
    """A correction stays with its batch: what belongs to another is withdrawn there and recorded here."""
    corrected: Any = record.corrects
    if corrected is not None and corrected.batch_id != record.batch_id:
        raise RuleBroken(
            f"Record {corrected.pk} is of batch {corrected.batch.code}. Withdraw it there and record it anew.",
            code="corrects-another-batch",
            field="corrects",
        )


@deed
def end(*, act: Act, batch: Batch) -> BatchEnd:
    """A batch ended; its equipment is free from then on. Raises RuleBroken when it ended already, Unusable."""
    lock_material(act.establishment)
    _refuse_foreign(act, batch=[batch])
    record = BatchEnd.new(act, batch=batch)
    record.answer_if_repeated()
    _refuse_other_batch(record)
    state = BatchState.objects.get(batch=batch)
    if act.corrects is None and state.ended_at is not None:
        raise RuleBroken(
            f"Batch {batch.code} ended already, at {state.ended_at.isoformat()}; correct that record instead.",
            code="ended-already",
        )
    if act.performed.at < state.started_at:
        raise Unusable(
            f"Batch {batch.code} began after that, at {state.started_at.isoformat()}.",
            code="ends-before-it-began",
            field="performed_at",
        )
    record.insert()
    _retell(act, batch, record)
    return record


@deed
def open_part(*, act: Act, batch: Batch, number: int, name: str) -> Part:
    """Begin a numbered part of a batch: a boil, a slab. Raises RuleBroken when the number is taken, Unusable."""
    _refuse_foreign(act, batch=[batch])
    part = Part.new(act, batch=batch, number=number, name=one_line(name, field="name", longest=60))
    part.answer_if_repeated()
    if act.corrects is not None:
        raise RuleBroken(
            "A part is named once, since weighings and checks lean on it. Open another part.",
            code="a-part-is-not-corrected",
            field="corrects",
        )
    if Part.objects.filter(batch=batch, number=number).exists():
        raise RuleBroken(f"Batch {batch.code} has a part {number}.", code="part-taken", field="number")
    return part.insert()


@deed
def note_equipment(*, act: Act, batch: Batch, equipment: Equipment, deed: str) -> EquipmentUse:
    """Equipment was ``taken`` into a batch, or ``freed`` before its end. It is noted, never refused.

    Whoever asks can learn from ``equipment_conflicts`` that another batch was on it.
    """
    lock_material(act.establishment)
    _refuse_foreign(act, batch=[batch], equipment=[equipment])
    if deed not in EquipmentUse.Deed.values:
        raise Unusable(f"Say one of: {', '.join(EquipmentUse.Deed.values)}.", field="deed")
    record = EquipmentUse.new(act, batch=batch, equipment=equipment, deed=deed)
    record.answer_if_repeated()
    _refuse_other_batch(record)
    record.insert()
    _retell(act, batch, record)
    return record


@deed
def withdraw(*, act: Act, batch: Batch, kind: type[Noted]) -> Noted:
    """Say that what was noted of a batch never happened; ``act.corrects`` names it. Raises Unknown, RuleBroken.

    ``kind``: an end, an equipment use, a step, a quality reading, trim or what was weighed apart. Starts and parts stay.
    """
    lock_material(act.establishment)
    record: Noted = kind.withdrawal(act)
    if record.batch_id != batch.pk:
        raise Unknown(f"Batch {batch.code} has no {kind.kind} record {act.corrects}.", field="corrects")
    record.answer_if_repeated()
    record.insert()
    if kind in (BatchEnd, EquipmentUse):
        _retell(act, record.batch, record)
    return record


def note(record: Noted) -> Noted:
    """Write a record of a batch, which a correction does not carry to another batch. Raises RuleBroken."""
    record.answer_if_repeated()
    _refuse_other_batch(record)
    return record.insert()


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


def equipment_conflicts(
    equipment: Iterable[Equipment], at: datetime, *, but: Batch | None = None
) -> list[Conflict]:
    """Which of ``equipment`` another batch occupied at a time, or occupies still; what is shared never counts.

    One that was taken later and is occupied still is in the way too: nobody knows yet when a batch that
    begins will end.
    """
    alone = [each.pk for each in equipment if not each.shared]
    taken = Occupation.objects.filter(equipment__in=alone).filter(
        Q(until__isnull=True) | Q(since__lte=at, until__gt=at)
    )
    if but is not None:
        taken = taken.exclude(batch=but)
    found = taken.select_related("equipment", "batch").order_by("equipment_id", "since", "id")
    return [Conflict(row.equipment, row.batch, row.since) for row in found]


# -- projections ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Run:
    """What the standing records of a batch say of its state and its equipment."""

    state: BatchState
    occupations: list[Occupation]


def _retell(act: Act, batch: Batch, record: Record) -> None:
    """Project a run anew after a record changed it, and tell whoever judges by its times and equipment."""
    _project(batch)
    run_changed.send(sender=Batch, batch=batch, record=record, act=act)


def _project(batch: Batch) -> None:
    """Write the state and the occupations of a batch anew from its standing records."""
    (run,) = _runs(batch=batch)
    BatchState.objects.bulk_create(
        [run.state],
        update_conflicts=True,
        unique_fields=["batch"],
        update_fields=["started_at", "ended_at"],
    )
    batch._state.fields_cache["state"] = run.state
    Occupation.objects.filter(batch=batch).delete()
    Occupation.objects.bulk_create(run.occupations)


def _runs(**which: Any) -> Iterator[Run]:
    """The runs of batches as their records say, in three statements for any number of them."""
    ends = BatchEnd.objects.standing().filter(**which).order_by("recorded_at", "id")
    ended = dict(ends.values_list("batch_id", "performed_at"))
    uses: defaultdict[int, list[EquipmentUse]] = defaultdict(list)
    for use in EquipmentUse.objects.standing().filter(**which).order_by("performed_at", "recorded_at", "id"):
        uses[use.batch_id].append(use)
    for begun in BatchStart.objects.standing().filter(**which).order_by("batch_id"):
        ended_at = ended.get(begun.batch_id)
        state = BatchState(
            batch_id=begun.batch_id,
            establishment_id=begun.establishment_id,
            started_at=begun.performed_at,
            ended_at=ended_at,
        )
        yield Run(state, list(_occupations(begun, uses[begun.batch_id], ended_at)))


def _occupations(
    begun: BatchStart, uses: Iterable[EquipmentUse], ended_at: datetime | None
) -> Iterator[Occupation]:
    """From being taken until being freed, else until the batch ended; never a time that runs backward."""
    since: dict[str, datetime] = dict.fromkeys(begun.equipment, begun.performed_at)
    for use in uses:
        key = str(use.equipment_id)
        if use.deed == EquipmentUse.Deed.TAKEN:
            since[key] = min(since.get(key, use.performed_at), use.performed_at)
        elif key in since and since[key] <= use.performed_at:
            yield _occupation(begun, key, since.pop(key), use.performed_at)
    for key, taken in sorted(since.items()):
        yield _occupation(begun, key, taken, ended_at and max(taken, ended_at))


def _occupation(begun: BatchStart, key: str, since: datetime, until: datetime | None) -> Occupation:
    return Occupation(
        batch_id=begun.batch_id,
        equipment_id=UUID(key),
        since=since,
        until=until,
        within_hours=hours_within(since, until),
    )


@rebuilds("batch states")
def _rebuild(establishment: Establishment) -> int:
    runs = list(_runs(establishment=establishment))
    Occupation.objects.filter(batch__establishment=establishment).delete()
    BatchState.objects.filter(establishment=establishment).delete()
    BatchState.objects.bulk_create([run.state for run in runs], batch_size=ROWS_A_STATEMENT)
    Occupation.objects.bulk_create(
        [each for run in runs for each in run.occupations], batch_size=ROWS_A_STATEMENT
    )
    return len(runs)


@compare_projection("batch states")
def _compare() -> Iterator[str]:
    for establishment in Establishment.objects.all():
        yield from _differences(establishment)


def _differences(establishment: Establishment) -> Iterator[str]:
    states = BatchState.objects.filter(establishment=establishment).values_list(
        "batch_id", "started_at", "ended_at"
    )
    kept = {batch: times for batch, *times in states}
    taken: defaultdict[int, list[Any]] = defaultdict(list)
    for row in Occupation.objects.filter(batch__establishment=establishment):
        taken[row.batch_id].append(_key(row))
    for run in _runs(establishment=establishment):
        batch = run.state.batch_id
        if kept.pop(batch, None) != [run.state.started_at, run.state.ended_at]:
            yield f"the state of batch {run.state.batch.uid} is not as its records say"
        if sorted(taken.pop(batch, [])) != sorted(map(_key, run.occupations)):
            yield f"the equipment of batch {run.state.batch.uid} is not as its records say"
    yield from (f"the state of batch {batch} stands without a start record" for batch in kept)
    yield from (f"equipment is occupied by batch {batch}, which has no start record" for batch in taken)


def _key(row: Occupation) -> tuple[str, datetime, datetime, bool, int]:
    """An occupation as something that sorts; one that is open ends for this with its beginning."""
    return str(row.equipment_id), row.since, row.until or row.since, row.until is None, row.within_hours
