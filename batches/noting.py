"""What is noted beside the weighings while a batch runs: steps, quality readings, trim, what was weighed apart."""

from datetime import datetime
from uuid import UUID

from batches import quantities
from batches.models import (
    Batch,
    Equipment,
    LossKind,
    Part,
    ProcessStep,
    QualityReading,
    TrimReturn,
    WeighedApart,
)
from batches.runs import note, part_of
from batches.signals import weighed_apart
from batches.texts import one_line
from config.api.refusals import Unknown, Unusable
from ledger.acts import Act
from ledger.deeds import deed


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
    """A step of the process, from the time of the act until ``ended_at``. Raises Unusable, Unknown.

    ``step``: the code of a step of the recipe, or words for what else was done.
    """
    _refuse_foreign(act, batch, equipment)
    if ended_at is not None and ended_at < act.performed.at:
        raise Unusable("A step ends after it begins.", code="ends-before-it-began", field="ended_at")
    return note(
        ProcessStep.new(
            act,
            batch=batch,
            part=part_of(batch, part),
            step=one_line(step, field="step", longest=60),
            equipment=equipment,
            ended_at=ended_at,
        )
    )


@deed
def note_quality(
    *, act: Act, batch: Batch, what: str, value: str, unit: str = "", part: Part | None = None
) -> QualityReading:
    """Something observed for quality: kept as entered, judged by nobody. Raises Unusable, Unknown."""
    _refuse_foreign(act, batch)
    return note(
        QualityReading.new(
            act,
            batch=batch,
            part=part_of(batch, part),
            what=one_line(what, field="what", longest=80),
            value=one_line(value, field="value", longest=80),
            unit=unit and one_line(unit, field="unit", longest=10),
        )
    )


@deed
def return_trim(
    *, act: Act, batch: Batch, from_part: Part, to_part: Part, quantity: str, unit: str
) -> TrimReturn:
    """Trim of one part folded into another of the same batch; it is no lot of its own. Raises Unusable, Unknown."""
    _refuse_foreign(act, batch)
    amount = _weighed(quantity, unit, positive=True)
    return note(
        TrimReturn.new(
            act,
            batch=batch,
            from_part=part_of(batch, from_part, "from_part"),
            to_part=part_of(batch, to_part, "to_part"),
            quantity=amount.base,
            entered=f"{amount.entered} {amount.unit}",
        )
    )


@deed
def weigh_apart(
    *,
    act: Act,
    batch: Batch,
    what: str,
    quantity: str,
    unit: str,
    part: Part | None = None,
    weighed_with: UUID | None = None,
) -> WeighedApart:
    """What was cooked off, left in the pot, thrown away, or picked up of a coating; no lot. Raises Unusable, Unknown.

    ``what``: a value of ``LossKind``. Nothing is an amount too: an empty pot is worth knowing. ``weighed_with``: the
    balance.
    """
    _refuse_foreign(act, batch)
    if what not in LossKind.values:
        raise Unusable(f"What is weighed apart is one of: {', '.join(LossKind.values)}.", field="what")
    amount = _weighed(quantity, unit, positive=False)
    record = note(
        WeighedApart.new(
            act,
            batch=batch,
            part=part_of(batch, part),
            what=what,
            quantity=amount.base,
            entered=f"{amount.entered} {amount.unit}",
            weighed_with=weighed_with,
        )
    )
    weighed_apart.send(sender=WeighedApart, record=record)
    return record


def _weighed(quantity: str, unit: str, *, positive: bool) -> quantities.Quantity:
    if quantities.known_unit(unit).dimension is not quantities.Dimension.MASS:
        raise quantities.UnitDoesNotConvert(f"This is weighed; {unit} is no mass.", field="unit")
    return quantities.parse(quantity, unit, positive=positive)


def _refuse_foreign(act: Act, batch: Batch, equipment: Equipment | None = None) -> None:
    for field, row in (("batch", batch), ("equipment", equipment)):
        if row is not None and row.establishment_id != act.establishment.pk:
            raise Unknown(f"There is no {field} {row.pk} here.", field=field)
