"""Recording a changeover: taken as it was done, with what is missing; never refused for it."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, TypedDict

from batches.locks import lock_material
from batches.models import Area, Batch, Equipment, Material, RecipeVersion
from config.api.refusals import Unknown, Unusable
from haccp.changeovers import falls, procedures, sheets
from haccp.models import Changeover, CleaningProcedureVersion
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Person


class Ticked(TypedDict, total=False):
    """A step that was done: its code in the procedure, when, and by whom (who did the work, if left out)."""

    step: str
    done_at: datetime
    person: Person


@deed
def record(
    *,
    act: Act,
    equipment: Sequence[Equipment],
    procedure_version: CleaningProcedureVersion,
    from_batch: Batch | None = None,
    to_material: Material | None = None,
    to_recipe_version: RecipeVersion | None = None,
    area: Area | None = None,
    steps: Sequence[Ticked] = (),
    dry_before_start: bool | None = None,
    clearance: Mapping[str, Any] | None = None,
    ended_at: datetime | None = None,
) -> Changeover:
    """Keep a changeover from the time of the act until ``ended_at``. Raises Unusable, Unknown, RuleBroken.

    Missing steps, an overlap and counts that do not come out even are kept and named by ``lines.shortcomings``; the
    release is what waits for them. A correction lets the release of what it corrects fall, an overlap that of the other.
    """
    lock_material(act.establishment)
    _refuse_foreign(
        act,
        equipment=equipment,
        procedure_version=[procedure_version],
        from_batch=[from_batch],
        to_material=[to_material],
        to_recipe_version=[to_recipe_version],
        area=[area],
    )
    made = Changeover.new(
        act,
        equipment=sorted({str(each.pk) for each in equipment}),
        area=area,
        from_batch=from_batch,
        to_material=to_material,
        to_recipe_version=to_recipe_version,
        procedure_version=procedure_version,
        steps=[_plain(act, each) for each in steps],
        dry_before_start=dry_before_start,
        clearance=dict(clearance or {}),
        ended_at=ended_at,
    )
    made.answer_if_repeated()
    _refuse_unusable(made)
    made.insert()
    falls.after(act, made, "The changeover it rests on was corrected.")
    falls.after_overlap(act, made)
    return made


@deed
def withdraw(*, act: Act) -> Changeover:
    """Say that the changeover ``act.corrects`` never happened; its release falls. Raises Unknown, RuleBroken."""
    lock_material(act.establishment)
    made = Changeover.withdrawal(replace(act, withdraws=True))
    made.answer_if_repeated()
    made.insert()
    falls.after(act, made, "The changeover it rests on was withdrawn.")
    return made


def _plain(act: Act, ticked: Ticked) -> dict[str, str]:
    person = ticked.get("person") or act.performed_by
    at = ticked["done_at"].astimezone(UTC).isoformat()
    return {"step": ticked["step"], "done_at": at, "person": str(person.pk)}


def _refuse_foreign(act: Act, **rows: Sequence[Any]) -> None:
    for field, several in rows.items():
        for row in several:
            if row is not None and row.establishment_id != act.establishment.pk:
                raise Unknown(f"There is no {row._meta.verbose_name} {row.pk} here.", field=field)


def _refuse_unusable(made: Changeover) -> None:
    """What cannot be read at all; what is only missing is no matter here."""
    if not made.equipment:
        raise Unusable("Name the equipment that was changed over.", code="missing", field="equipment")
    if made.to_material_id is None and made.to_recipe_version_id is None:
        sentence = "Say what is made next: a material, or the version of its recipe."
        raise Unusable(sentence, code="missing", field="to_material")
    if made.ended_at is not None and made.ended_at < made.performed_at:
        raise Unusable("A changeover ends after it begins.", code="ends-before-it-began", field="ended_at")
    sheets.read_steps(made.steps, procedures.document_of(made.procedure_version))
    made.clearance = sheets.read_clearance(made.clearance)
