"""The weigh-up: what a recipe asks for against what was weighed. Nothing here refuses or opens a deviation."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from uuid import UUID

from batches import quantities
from batches.models import Movement, RecipeLine
from batches.recipes import Target


class WeighUp(StrEnum):
    """How a recipe line came out."""

    WITHIN = "within"
    OUTSIDE = "outside"
    NOT_WEIGHED = "not-weighed"
    UNDECIDED = "undecided"  # some of the material was weighed without saying for which of several lines


@dataclass(frozen=True)
class Assigned:
    """Weighings by recipe line; those that may belong to several lines; those of no line."""

    by_line: dict[int, list[Movement]]
    unclear: list[Movement]
    outside: list[Movement]


def assign(lines: Sequence[RecipeLine], used: Sequence[Movement]) -> Assigned:
    """Each weighing to the line it names, if that is of its material; else to the only line of its material."""
    by_position = {line.position: line for line in lines}
    of_material: defaultdict[UUID, list[RecipeLine]] = defaultdict(list)
    for line in lines:
        of_material[line.material_id].append(line)
    found = Assigned(defaultdict(list), [], [])
    for movement in used:
        material = movement.lot.material_id
        fitting = of_material.get(material, [])
        if movement.recipe_line is not None:
            named = by_position.get(movement.recipe_line)
            fitting = [named] if named is not None and named.material_id == material else []
        if len(fitting) == 1:
            found.by_line[fitting[0].position].append(movement)
        else:
            (found.unclear if fitting else found.outside).append(movement)
    return found


def judge(target: Target, weighings: Sequence[Movement], unclear: Sequence[Movement]) -> tuple[int, WeighUp]:
    """Base steps weighed, and how that compares with the target of the line."""
    line = target.line
    weighed = sum(each.quantity for each in weighings)
    if any(each.lot.material_id == line.material_id for each in unclear):
        return weighed, WeighUp.UNDECIDED
    if not weighings:
        return weighed, WeighUp.NOT_WEIGHED
    found = quantities.within_tolerance(
        target.amount, weighed, per_mille=line.tolerance_permille, steps=line.tolerance_amount
    )
    return weighed, WeighUp.WITHIN if found.within else WeighUp.OUTSIDE
