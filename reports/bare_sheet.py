"""A batch record as it may leave the house: without the quantities of the recipe, and with a list of what was left out.

Pure: it takes values out of what was read.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID

from django.utils.translation import gettext as _

from batches.sheet_lines import BatchSheet, Struck, Weighing
from reports.left_out import SAY_WHAT_WENT_IN


@dataclass(frozen=True)
class BareWeighing:
    """That something went in, when and by whom; not how much."""

    id: UUID
    at: datetime
    by: str
    keyed_by: str
    recorded_at: datetime
    late: bool
    note: str
    lot_code: str
    part: int | None
    flags: tuple[str, ...]


@dataclass(frozen=True)
class BareLine:
    """A line of the recipe: whether what was weighed held to it. ``result`` is empty where the recipe has no such line."""

    material_code: str
    material_name: str
    result: str
    weighings: tuple[BareWeighing, ...]


def bare_lines(sheet: BatchSheet) -> tuple[BareLine, ...]:
    within = (
        BareLine(line.material_code, line.material_name, line.result, tuple(map(_bare, line.weighings)))
        for line in sheet.lines
    )
    outside = (
        BareLine("", each.material_name, "", (_bare(each),))
        for each in (*sheet.outside_recipe, *sheet.unclear)
    )
    return (*within, *outside)


def without_quantities(sheet: BatchSheet) -> BatchSheet:
    """The sheet without what tells the recipe. Plain notes and reasons stay as they were written."""
    return replace(
        sheet,
        lines=(),
        unclear=(),
        outside_recipe=(),
        trim=(),
        apart=(),
        struck=tuple(_struck(sheet.struck)),
        result=replace(sheet.result, mass_in=None),
    )


def told() -> tuple[str, ...]:
    """What was left out, in the active language."""
    return (
        _("The quantities of the recipe, their tolerances, and what was weighed in"),
        _("Trim between parts, and what was weighed apart"),
        _("The mass that went in, and what the recipe was predicted to come to"),
        _("What the records of these say, in the attached evidence: their digests and proofs are there"),
    )


def _bare(each: Weighing) -> BareWeighing:
    return BareWeighing(
        each.id,
        each.at,
        each.by,
        each.keyed_by,
        each.recorded_at,
        each.late,
        each.note,
        each.lot_code,
        each.part,
        each.flags,
    )


def _struck(lines: Iterable[Struck]) -> Iterable[Struck]:
    for line in lines:
        tells = line.kind == "batches.movement" or line.kind in SAY_WHAT_WENT_IN
        yield replace(line, said=_("an amount, left out"), entered="") if tells else line
