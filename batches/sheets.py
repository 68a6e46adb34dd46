"""The batch sheet: everything noted for a batch, as one frozen value (``batches.sheet_lines``). Reads only.

What stands is shown in its place; what was corrected or withdrawn stands under ``struck``, so that a document
can show it struck but legible.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any, TypeVar
from uuid import UUID

from batches import recipes, weighing_up
from batches.models import (
    Batch,
    BatchEnd,
    BatchStart,
    EquipmentUse,
    Movement,
    MovementKind,
    Occupation,
    Part,
    ProcessStep,
    QualityReading,
    TrimReturn,
    WeighedApart,
)
from batches.quantities import in_symbols
from batches.recipe_documents import Step
from batches.sheet_lines import (
    ApartLine,
    BatchSheet,
    Noted,
    OccupiedLine,
    Output,
    PartLine,
    ReadingLine,
    SheetLine,
    StepLine,
    Struck,
    TrimLine,
    Weighing,
    Yield,
)
from ledger.acts import Moment
from ledger.models import Record

Kind = TypeVar("Kind", bound=Record)


def batch_sheet(batch: Batch) -> BatchSheet:
    """Read the sheet of a batch in a flat number of statements, however long it is."""
    whole = Batch.objects.select_related("recipe_version__recipe", "recipe_version__material").get(
        pk=batch.pk
    )
    pages = _Pages(whole)
    version, begun = whole.recipe_version, pages.standing(BatchStart)[-1]
    ended = pages.standing(BatchEnd)
    targets = recipes.targets(version, begun.planned)
    assigned = weighing_up.assign([target.line for target in targets], pages.moved(MovementKind.USED))
    made = pages.moved(MovementKind.MADE)
    steps = tuple(map(_step, pages.standing(ProcessStep)))
    return BatchSheet(
        batch=whole.uid,
        code=whole.code,
        product=version.material_id,
        product_name=version.material.name,
        dimension=version.material.dimension,
        recipe_code=version.recipe.code,
        recipe_name=version.recipe.name,
        recipe_version=version.pk,
        recipe_number=version.number,
        plan_version=whole.plan_version_id,
        permission=whole.permission_id,
        started=Noted(**_noted(begun)),
        ended=Noted(**_noted(ended[-1])) if ended else None,
        planned=begun.planned,
        planned_entered=begun.entered,
        lines=tuple(_line(target, assigned) for target in targets),
        unclear=tuple(map(_weighing, assigned.unclear)),
        outside_recipe=tuple(map(_weighing, assigned.outside)),
        parts=tuple(map(_part, pages.standing(Part))),
        equipment=tuple(_occupied(whole, begun)),
        steps=steps,
        steps_not_noted=tuple(_missing(recipes.document_of(version).steps, steps)),
        readings=tuple(map(_reading, pages.standing(QualityReading))),
        trim=tuple(map(_trim, pages.standing(TrimReturn))),
        apart=tuple(map(_apart, pages.standing(WeighedApart))),
        made=tuple(_outputs(made)),
        result=_yield(begun.planned, version.material_id, pages.moved(MovementKind.USED), made),
        struck=tuple(sorted(pages.struck, key=lambda each: (each.recorded_at, each.id))),
    )


class _Pages:
    """The records of a batch by kind, one statement for each kind, those that stand apart from the others."""

    def __init__(self, batch: Batch):
        self.rows: dict[type[Record], list[Any]] = {}
        self.struck: list[Struck] = []
        for kind, (related, said) in _READ.items():
            rows: Any = kind.objects  # each kind has a batch
            found = rows.filter(batch=batch).select_related(
                "establishment", "performed_by", "recorded_by", "corrected_by__recorded_by", *related
            )
            self._sort(kind, said, found.order_by("performed_at", "recorded_at", "id"))

    def _sort(self, kind: type[Record], said: Callable[[Any], str], found: Iterable[Any]) -> None:
        self.rows[kind] = []
        for record in found:
            later = getattr(record, "corrected_by", None)
            if later is not None:
                self.struck.append(_struck(record, said(record), later))
            elif not record.withdrawn:
                self.rows[kind].append(record)

    def standing(self, kind: type[Kind]) -> list[Kind]:
        return self.rows[kind]

    def moved(self, what: str) -> list[Movement]:
        return [each for each in self.standing(Movement) if each.what == what]


_READ: dict[type[Record], tuple[tuple[str, ...], Callable[[Any], str]]] = {
    BatchStart: ((), lambda it: f"began, planned {in_symbols(it.entered)}"),
    BatchEnd: ((), lambda it: "ended"),
    Part: ((), lambda it: f"part {it.number} {it.name}"),
    EquipmentUse: (("equipment",), lambda it: f"{it.deed} {it.equipment}"),
    Movement: (
        ("lot__material", "lot__state", "part"),
        lambda it: f"{it.what} {in_symbols(f'{it.entered} {it.unit}')} of lot {it.lot.code}",
    ),
    ProcessStep: (("part", "equipment"), lambda it: f"step {it.step}"),
    QualityReading: (("part",), lambda it: in_symbols(f"{it.what}: {it.value} {it.unit}".strip())),
    TrimReturn: (
        ("from_part", "to_part"),
        lambda it: f"trim {in_symbols(it.entered)} from part {it.from_part.number} to {it.to_part.number}",
    ),
    WeighedApart: (
        ("part",),
        lambda it: f"weighed apart, {it.get_what_display()}: {in_symbols(it.entered)}",
    ),
}
"""Each kind that the sheet holds: what is read with it, and what it said, for when it is struck."""


def _local(record: Record) -> datetime:
    return Moment(record.performed_at, record.performed_offset).local


def _written(record: Record) -> datetime:
    """When the service took it, on the establishment's clock."""
    return record.recorded_at.astimezone(record.establishment.zone)


def _noted(record: Record) -> dict[str, Any]:
    another = record.recorded_by_id != record.performed_by_id
    return {
        "id": record.pk,
        "at": _local(record),
        "by": record.performed_by.name,
        "keyed_by": record.recorded_by.name if another else "",
        "recorded_at": _written(record),
        "late": record.is_late,
        "note": record.note,
    }


def _struck(record: Any, said: str, later: Record) -> Struck:
    moved = record if isinstance(record, Movement) else None
    return Struck(
        id=record.pk,
        kind=record.kind,
        said=said,
        at=_local(record),
        by=record.performed_by.name,
        recorded_at=record.recorded_at,
        replaced_by=later.pk,
        replaced_by_whom=later.recorded_by.name,
        withdrawn=later.withdrawn,
        replaced_at=later.recorded_at.astimezone(record.establishment.zone),
        reason=later.reason,
        entered=_entered(moved) if moved else "",
        lot_code=moved.lot.code if moved else "",
    )


def _entered(movement: Movement) -> str:
    return f"{movement.entered} {movement.unit}"


def _line(target: recipes.Target, assigned: weighing_up.Assigned) -> SheetLine:
    line = target.line
    weighings = assigned.by_line.get(line.position, [])
    weighed, result = weighing_up.judge(target, weighings, assigned.unclear)
    return SheetLine(
        position=line.position,
        material=line.material_id,
        material_code=line.material.code,
        material_name=line.material.name,
        dimension=line.material.dimension,
        target=target.amount,
        weighed=weighed,
        difference=weighed - target.amount,
        tolerance_permille=line.tolerance_permille,
        tolerance_amount=line.tolerance_amount,
        result=result,
        weighings=tuple(map(_weighing, weighings)),
    )


def _weighing(movement: Movement) -> Weighing:
    return Weighing(
        **_noted(movement),
        lot=movement.lot.uid,
        lot_code=movement.lot.code,
        material_name=movement.lot.material.name,
        dimension=movement.lot.material.dimension,
        part=_number(movement.part),
        quantity=movement.quantity,
        entered=_entered(movement),
        flags=tuple(movement.flags),
        weighed_with=movement.weighed_with,
    )


def _number(part: Part | None) -> int | None:
    return None if part is None else part.number


def _part(part: Part) -> PartLine:
    return PartLine(**_noted(part), number=part.number, name=part.name)


def _step(step: ProcessStep) -> StepLine:
    ended = step.ended_at
    return StepLine(
        **_noted(step),
        step=step.step,
        part=_number(step.part),
        equipment=str(step.equipment) if step.equipment else "",
        ended_at=None if ended is None else Moment(ended, step.performed_offset).local,
    )


def _reading(reading: QualityReading) -> ReadingLine:
    return ReadingLine(
        **_noted(reading),
        what=reading.what,
        value=reading.value,
        unit=reading.unit,
        part=_number(reading.part),
    )


def _trim(trim: TrimReturn) -> TrimLine:
    return TrimLine(
        **_noted(trim),
        from_part=trim.from_part.number,
        to_part=trim.to_part.number,
        quantity=trim.quantity,
        entered=trim.entered,
    )


def _apart(apart: WeighedApart) -> ApartLine:
    return ApartLine(
        **_noted(apart),
        what=apart.what,
        said=apart.get_what_display(),
        part=_number(apart.part),
        quantity=apart.quantity,
        entered=apart.entered,
    )


def _occupied(batch: Batch, begun: BatchStart) -> Iterable[OccupiedLine]:
    """On the clock that the batch began by."""
    rows = Occupation.objects.filter(batch=batch).select_related("equipment")
    for row in rows.order_by("since", "equipment_id", "id"):
        yield OccupiedLine(
            equipment=row.equipment_id,
            code=row.equipment.code,
            name=row.equipment.name,
            since=Moment(row.since, begun.performed_offset).local,
            until=None if row.until is None else Moment(row.until, begun.performed_offset).local,
        )


def _missing(steps: Sequence[Step], noted: Sequence[StepLine]) -> list[Step]:
    """Steps of the recipe that nobody noted, by code or by name."""
    done = {line.step.casefold() for line in noted}
    return [step for step in steps if not {step.code.casefold(), step.name.casefold()} & done]


def _outputs(made: Iterable[Movement]) -> list[Output]:
    by_lot: defaultdict[int, list[Movement]] = defaultdict(list)
    for movement in made:
        by_lot[movement.lot_id].append(movement)
    return [_output(movements) for movements in by_lot.values()]


def _output(movements: Sequence[Movement]) -> Output:
    lot = movements[0].lot
    return Output(
        lot=lot.uid,
        lot_code=lot.code,
        material=lot.material_id,
        material_name=lot.material.name,
        dimension=lot.material.dimension,
        quantity=sum(each.quantity for each in movements),
        is_rework=lot.is_rework,
        best_before=lot.state.best_before,
        status=lot.state.status,
        makings=tuple(map(_weighing, movements)),
    )


def _yield(planned: int, product: UUID, used: Sequence[Movement], made: Sequence[Movement]) -> Yield:
    good = sum(each.quantity for each in made if each.lot.material_id == product and not each.lot.is_rework)
    return Yield(
        planned=planned,
        made=good,
        percent=str((Decimal(good) * 100 / planned).quantize(Decimal("0.1"))),
        mass_in=_mass(used),
        mass_out=_mass(made),
    )


def _mass(movements: Iterable[Movement]) -> int | None:
    """Milligrams of all together; None as soon as one of them is not known."""
    total = 0
    for movement in movements:
        if movement.mass is None:
            return None
        total += movement.mass
    return total
