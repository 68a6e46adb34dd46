"""Rules written for moist food or for dry food, and the food a plan makes: one aimed at the other kind warns.

Whether a material is dry is read from what the plan holds it to, not guessed: a limit on its water activity.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from decimal import Decimal
from uuid import UUID

from batches.models import Material
from haccp.limit_kinds import RangeLimit, from_json, members
from haccp.limits import Rule, same_quantity
from haccp.models import ControlPoint, LocalRule, MeantFor
from haccp.plan_documents import control_point

BORDER = Decimal("0.85")
"""Water activity of a low-moisture ready-to-eat food at most: FDA draft guidance, January 2025 (seen in a secondary
text); above it a food may be low-acid: 21 CFR 113.3, 114.3 (from memory). It only decides whether to warn."""
QUANTITY = "water activity"


def held_to(points: Iterable[ControlPoint]) -> dict[str, Decimal]:
    """By material code, the highest water activity that a limit of these control points allows."""
    found: dict[str, Decimal] = {}
    for point in points:
        spec = control_point(point.document)
        highest = [
            member.upper
            for said in spec.limits
            for member in members(from_json(said))
            if isinstance(member, RangeLimit) and same_quantity(member.quantity, QUANTITY) and member.upper
        ]
        for code in (*spec.products, *spec.materials) if highest else ():
            found[code] = max(*highest, found.get(code, Decimal(0)))
    return found


def is_other_food(meant_for: str, water_activity: Decimal) -> bool:
    """Whether a rule meant for one kind of food is aimed at the other."""
    dry = water_activity <= BORDER
    return meant_for == (MeantFor.MOIST if dry else MeantFor.DRY)


def cautioned(in_force: Sequence[Rule], version_id: UUID, materials: Collection[UUID]) -> list[Rule]:
    """The rules, each with a caution where the plan version holds a material of the check to be other food."""
    if all(rule.meant_for == MeantFor.ANY for rule in in_force):
        return list(in_force)
    held = held_to(ControlPoint.objects.filter(version=version_id))
    codes = Material.objects.filter(pk__in=materials).values_list("code", flat=True)
    here = {code: held[code] for code in codes if code in held}
    return [replace(rule, caution=_caution(rule.meant_for, here)) for rule in in_force]


def warning(rule: LocalRule) -> str:
    """What to mind before the rule is confirmed; empty where nothing is known against it."""
    held = held_to(ControlPoint.newest(rule.establishment_id))
    if rule.material is not None:
        held = {code: most for code, most in held.items() if code == rule.material.code}
    return _caution(rule.meant_for, held)


def _caution(meant_for: str, held: dict[str, Decimal]) -> str:
    other = {code: most for code, most in sorted(held.items()) if is_other_food(meant_for, most)}
    if not other:
        return ""
    told = ", ".join(f"{code} (water activity up to {most:f})" for code, most in other.items())
    return (
        f"This rule is meant for {MeantFor(meant_for).label}; the plan holds {told}. "
        "Ask your authority whether it applies."
    )
