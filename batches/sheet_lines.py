"""What a batch sheet says: frozen values, read from records by ``batches.sheets``.

Amounts are base steps (milligrams, or pieces where ``dimension`` is count); times carry the offset of the clock they
were read from.
"""

from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from batches.recipe_documents import Step
from batches.weighing_up import WeighUp


@dataclass(frozen=True)
class Noted:
    """What every line of the sheet says of itself. ``keyed_by``: who wrote it down, where that is another."""

    id: UUID
    at: datetime
    by: str
    keyed_by: str
    recorded_at: datetime
    late: bool
    note: str


@dataclass(frozen=True)
class Weighing(Noted):
    """Some of a lot went in, or came out. ``flags``: codes of ``batches.flags``. ``weighed_with``: the balance it names."""

    lot: UUID
    lot_code: str
    material_name: str
    dimension: str
    part: int | None
    quantity: int
    entered: str
    flags: tuple[str, ...]
    weighed_with: UUID | None


@dataclass(frozen=True)
class SheetLine:
    """A recipe line against what was weighed for it. One of the two tolerances is set."""

    position: int
    material: UUID
    material_code: str
    material_name: str
    dimension: str
    target: int
    weighed: int
    difference: int
    tolerance_permille: int | None
    tolerance_amount: int | None
    result: WeighUp
    weighings: tuple[Weighing, ...]


@dataclass(frozen=True)
class PartLine(Noted):
    number: int
    name: str


@dataclass(frozen=True)
class StepLine(Noted):
    step: str
    part: int | None
    equipment: str
    ended_at: datetime | None


@dataclass(frozen=True)
class ReadingLine(Noted):
    what: str
    value: str
    unit: str
    part: int | None


@dataclass(frozen=True)
class TrimLine(Noted):
    from_part: int
    to_part: int
    quantity: int
    entered: str


@dataclass(frozen=True)
class ApartLine(Noted):
    """``what``: a value of ``LossKind``; ``said``: the same in words. ``quantity``: mg."""

    what: str
    said: str
    part: int | None
    quantity: int
    entered: str


@dataclass(frozen=True)
class OccupiedLine:
    """Equipment the batch was on."""

    equipment: UUID
    code: str
    name: str
    since: datetime
    until: datetime | None


@dataclass(frozen=True)
class Output:
    """A lot that came out, all of it together. ``makings``: each time some of it was written down."""

    lot: UUID
    lot_code: str
    material: UUID
    material_name: str
    dimension: str
    quantity: int
    is_rework: bool
    best_before: date | None
    status: str
    makings: tuple[Weighing, ...]


@dataclass(frozen=True)
class Yield:
    """What came out against what was planned, and the mass in and out; None where a mass is not known.

    ``made`` counts the recipe's product, rework apart. ``percent`` of the plan has one decimal.
    """

    planned: int
    made: int
    percent: str
    mass_in: int | None
    mass_out: int | None


@dataclass(frozen=True)
class Struck:
    """A record that no longer stands: what it said, and what replaced it or said that it never happened.

    ``entered`` and ``lot_code``: of a movement, as they stood in its row; empty of everything else.
    """

    id: UUID
    kind: str
    said: str
    at: datetime
    by: str
    recorded_at: datetime
    replaced_by: UUID
    replaced_by_whom: str
    withdrawn: bool
    replaced_at: datetime
    reason: str
    entered: str = ""
    lot_code: str = ""


@dataclass(frozen=True)
class BatchSheet:
    batch: UUID
    code: str
    product: UUID
    product_name: str
    dimension: str
    recipe_code: str
    recipe_name: str
    recipe_version: UUID
    recipe_number: int
    plan_version: UUID | None
    permission: UUID
    started: Noted
    ended: Noted | None
    planned: int
    planned_entered: str
    lines: tuple[SheetLine, ...]
    unclear: tuple[Weighing, ...]
    outside_recipe: tuple[Weighing, ...]
    parts: tuple[PartLine, ...]
    equipment: tuple[OccupiedLine, ...]
    steps: tuple[StepLine, ...]
    steps_not_noted: tuple[Step, ...]
    readings: tuple[ReadingLine, ...]
    trim: tuple[TrimLine, ...]
    apart: tuple[ApartLine, ...]
    made: tuple[Output, ...]
    result: Yield
    struck: tuple[Struck, ...]

    @property
    def started_at(self) -> datetime:
        return self.started.at

    @property
    def started_by(self) -> str:
        return self.started.by

    @property
    def ended_at(self) -> datetime | None:
        return None if self.ended is None else self.ended.at
