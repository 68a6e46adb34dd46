"""What the house has in writing of its materials, dated, each with its source. Nothing is guessed."""

from collections.abc import Iterable
from datetime import date
from typing import Any
from uuid import UUID

from django.db.models import Q

from batches import reference
from batches.texts import one_line
from config.api.refusals import Unusable
from haccp import composition_documents, dated
from haccp.models import Composition
from ledger.acts import Act
from ledger.deeds import deed

WORDS = {"method": 200, "source": 300, "provenance": 200}


@deed
def make(*, act: Act, values: dict[str, Any]) -> Composition:
    """Write down what a material consists of. Raises Unusable with every reason, Unknown, RuleBroken."""
    row = Composition(establishment=act.establishment, **values)
    if act.id is not None:
        row.pk = act.id
    _refuse_unusable(row)
    return reference.make(act=act, kind=Composition, values=values)


@deed
def alter(
    *, act: Act, composition: Composition, values: dict[str, Any], expected_version: int | None = None
) -> Composition:
    """Change it; documents keep what they said. Raises Unusable, Unknown, RuleBroken, ChangedMeanwhile."""
    locked = Composition.objects.select_for_update(of=("self",), no_key=True).get(pk=composition.pk)
    for name, value in values.items():
        setattr(locked, name, value)
    _refuse_unusable(locked)
    return reference.alter(act=act, row=locked, values=values, expected_version=expected_version)


def in_force(materials: Iterable[UUID], on: date) -> dict[UUID, Composition]:
    """By material: what holds on a local day, the latest that has begun. One statement."""
    rows = Composition.objects.filter(
        Q(in_force_until__isnull=True) | Q(in_force_until__gt=on),
        material__in=set(materials),
        in_use=True,
        in_force_from__lte=on,
    )
    return {row.material_id: row for row in rows.order_by("in_force_from")}


def _refuse_unusable(row: Composition) -> None:
    composition_documents.read(row.document)
    for name, longest in WORDS.items():
        one_line(getattr(row, name), field=name, longest=longest)
    if row.in_force_until is not None and row.in_force_until <= row.in_force_from:
        raise Unusable("It ends after it begins.", code="ends-before", field="in_force_until")
    dated.refuse_taken_day(row)
