"""What bought compound ingredients are made of, as their suppliers list it; dated, with its source."""

from collections.abc import Collection
from datetime import date
from typing import Any
from uuid import UUID

from batches import reference
from batches.texts import one_line
from haccp import dated
from haccp.allergens import lists
from haccp.labels import stated_parts
from haccp.models import StatedParts
from ledger.acts import Act
from ledger.deeds import deed

WORDS = {"source": 300, "provenance": 200}


@deed
def make(*, act: Act, values: dict[str, Any]) -> StatedParts:
    """Write down what a material is made of. Raises Unusable with every reason, Unknown, RuleBroken."""
    row = StatedParts(establishment=act.establishment, **values)
    if act.id is not None:
        row.pk = act.id
    _refuse_unusable(row)
    return reference.make(act=act, kind=StatedParts, values=values)


@deed
def alter(
    *, act: Act, row: StatedParts, values: dict[str, Any], expected_version: int | None = None
) -> StatedParts:
    """Change it; approved labels keep what they print. Raises Unusable, Unknown, RuleBroken, ChangedMeanwhile."""
    locked = StatedParts.objects.select_for_update(of=("self",), no_key=True).get(pk=row.pk)
    for name, value in values.items():
        setattr(locked, name, value)
    _refuse_unusable(locked)
    return reference.alter(act=act, row=locked, values=values, expected_version=expected_version)


def in_force(materials: Collection[UUID], on: date) -> dict[UUID, StatedParts]:
    """By material: what holds on a local day, the latest that has begun. One statement."""
    rows = StatedParts.objects.filter(material__in=set(materials), in_use=True, in_force_from__lte=on)
    return {row.material_id: row for row in rows.order_by("in_force_from")}


def _refuse_unusable(row: StatedParts) -> None:
    parts = stated_parts.read(row.document)
    lists.vocabulary(row.establishment).refuse_unknown(
        sorted(set(stated_parts.allergens(parts))), field="document.parts"
    )
    for name, longest in WORDS.items():
        one_line(getattr(row, name), field=name, longest=longest)
    dated.refuse_taken_day(row)
