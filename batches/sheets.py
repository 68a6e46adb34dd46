"""The batch sheet: what is noted while a batch runs, and the whole of it as one value."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from batches import quantities, recipes
from batches.models import (
    Batch,
    BatchStart,
    Equipment,
    Movement,
    MovementKind,
    Part,
    ProcessStep,
    QualityReading,
    RecipeLine,
    TrimReturn,
)
from batches.runs import part_of
from config.api.refusals import Unusable
from ledger.acts import Act
from ledger.deeds import deed

Noted = TypeVar("Noted", ProcessStep, QualityReading, TrimReturn)


@deed
def note_step(
    *,
    act: Act,
    batch: Batch,
    step: str,
    part: Part | None = None,
    equipment: Equipment | None = None,
    ended_at: datetime | None = None,
) -> ProcessStep:
    """A step of the process, from the time of the act until ``ended_at``. Raises Unusable, Unknown."""
    if ended_at is not None and ended_at < act.performed.at:
        raise Unusable("A step ends after it begins.", code="ends-before-it-began", field="ended_at")
    record = ProcessStep.new(
        act, batch=batch, part=part_of(batch, part), step=step, equipment=equipment, ended_at=ended_at
    )
    return record.insert()


@deed
def note_quality(
    *, act: Act, batch: Batch, what: str, value: str, unit: str = "", part: Part | None = None
) -> QualityReading:
    """Something observed for quality: kept as entered, judged by nobody. Raises Unknown."""
    return QualityReading.new(
        act, batch=batch, part=part_of(batch, part), what=what, value=value, unit=unit
    ).insert()


@deed
def return_trim(
    *, act: Act, batch: Batch, from_part: Part, to_part: Part, quantity: str, unit: str
) -> TrimReturn:
    """Trim of one part folded into another of the same batch; it is no lot of its own. Raises Unusable."""
    amount = quantities.parse(quantity, unit, positive=True)
    if amount.dimension is not quantities.Dimension.MASS:
        raise Unusable("Trim is weighed.", code="other-dimension", field="unit")
    return TrimReturn.new(
        act,
        batch=batch,
        from_part=part_of(batch, from_part, "from_part"),
        to_part=part_of(batch, to_part, "to_part"),
        quantity=amount.base,
        entered=f"{amount.entered} {amount.unit}",
    ).insert()


@dataclass(frozen=True)
class WeighedLine:
    """A recipe line against what was weighed for it, in base steps of its material."""

    line: RecipeLine
    target: int
    weighings: tuple[Movement, ...]
    weighed: int
    difference: int
    within: bool


@dataclass(frozen=True)
class BatchSheet:
    """Everything noted for a batch; corrected records are left out, they stay readable by themselves."""

    batch: Batch
    begun: BatchStart
    lines: tuple[WeighedLine, ...]
    outside_recipe: tuple[Movement, ...]
    made: tuple[Movement, ...]
    parts: tuple[Part, ...]
    steps: tuple[ProcessStep, ...]
    readings: tuple[QualityReading, ...]
    trim: tuple[TrimReturn, ...]


def batch_sheet(batch: Batch) -> BatchSheet:
    """Read the sheet in a flat number of statements."""
    begun = BatchStart.objects.standing().get(batch=batch)
    moved = list(
        Movement.objects.standing()
        .filter(batch=batch)
        .select_related("lot", "lot__material", "lot__state", "part", "performed_by", "establishment")
        .order_by("performed_at", "id")
    )
    targets = recipes.targets(batch.recipe_version, begun.planned)
    by_line, rest = _by_line(targets, [each for each in moved if each.what == MovementKind.USED])
    return BatchSheet(
        batch=batch,
        begun=begun,
        lines=tuple(_weighed(target, by_line[target.line.position]) for target in targets),
        outside_recipe=tuple(rest),
        made=tuple(each for each in moved if each.what == MovementKind.MADE),
        parts=tuple(batch.parts.order_by("number")),
        steps=tuple(_noted(ProcessStep, batch)),
        readings=tuple(_noted(QualityReading, batch)),
        trim=tuple(_noted(TrimReturn, batch)),
    )


def _noted(kind: type[Noted], batch: Batch) -> Iterable[Noted]:
    rows = kind.objects.standing().filter(batch=batch).select_related("performed_by", "establishment")
    related = ("from_part", "to_part") if kind is TrimReturn else ("part",)
    found: Iterable[Noted] = rows.select_related(*related).order_by("performed_at", "id")
    return found


def _by_line(
    targets: list[recipes.Target], used: list[Movement]
) -> tuple[defaultdict[int, list[Movement]], list[Movement]]:
    """Weighings by the line they name, else by the first line of their material; and those of no line."""
    positions = {target.line.position for target in targets}
    of_material: dict[object, int] = {}
    for target in targets:
        of_material.setdefault(target.line.material_id, target.line.position)
    by_line: defaultdict[int, list[Movement]] = defaultdict(list)
    rest = []
    for movement in used:
        position = movement.recipe_line or of_material.get(movement.lot.material_id)
        if position in positions:
            by_line[position].append(movement)
        else:
            rest.append(movement)
    return by_line, rest


def _weighed(target: recipes.Target, weighings: list[Movement]) -> WeighedLine:
    weighed = sum(each.quantity for each in weighings)
    found = quantities.within_tolerance(target.amount, weighed, per_mille=target.line.tolerance_permille)
    return WeighedLine(
        line=target.line,
        target=target.amount,
        weighings=tuple(weighings),
        weighed=weighed,
        difference=found.difference,
        within=found.within,
    )
