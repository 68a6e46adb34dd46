"""How much of a batch should have gone off in cooking, and by what that is known.

A syrup boiled with water keeps its solids, so what goes off is water. Caramelised sugar loses reaction water besides:
there only the house's own earlier batches say how much is usual.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from statistics import mean, stdev
from typing import Any

from django.db.models import Count, Q, Sum
from django.utils.translation import gettext as _

from batches import recipes
from batches.models import (
    Batch,
    Dimension,
    LossKind,
    MaterialKind,
    Movement,
    MovementKind,
    RecipeVersion,
    WeighedApart,
)
from batches.quantities import shown
from batches.recipe_documents import CookedTo, RecipeDocument
from haccp import composition_documents, compositions
from haccp.science import moisture
from haccp.science.answers import NotComputed

FEWEST_BATCHES = 5  # site setting, no source
MOST_BATCHES = 20  # site setting, no source
COVERAGE = 2.0  # k, about 95 % (GUM 6.3.3, from memory)
MG_PER_KG = 1_000_000


class How(StrEnum):
    WEIGHED = "weighed"
    SOLIDS = "solids-balance"
    TOTAL = "recipe-total"
    HISTORY = "own-history"
    UNKNOWN = "not-known"


@dataclass(frozen=True)
class CookLoss:
    """What goes off, mg: the value and between which bounds it is expected. ``how``: by what that is known."""

    how: How
    value: int
    low: int
    high: int
    sentence: str


def unknown(sentence: str) -> CookLoss:
    return CookLoss(How.UNKNOWN, 0, 0, 0, sentence)


def expected(batch: Batch, used: Sequence[Movement], weighed: int | None, on: date) -> CookLoss:
    """Of what was ``used`` (food of known mass). ``weighed``: what was weighed as cooked off, if it was."""
    total = sum(each.mass or 0 for each in used)
    if weighed is not None:
        return CookLoss(
            How.WEIGHED, weighed, weighed, weighed, _("Weighed: %s went off.") % shown(weighed, "mass")
        )
    document = recipes.document_of(batch.recipe_version)
    if not document.caramelised and document.cooked_to is not None:
        return _cooked(batch.recipe_version, document.cooked_to, used, total, on)
    return _by_history(batch, document, total)


def _cooked(version: RecipeVersion, to: CookedTo, used: Sequence[Movement], total: int, on: date) -> CookLoss:
    if to.total is not None:
        return _to_total(version, to, total)
    return _by_solids(to, used, total, on)


def _to_total(version: RecipeVersion, to: CookedTo, total: int) -> CookLoss:
    """The recipe's own total, in proportion to what went in."""
    asked = _asked(version)
    if not asked:
        return unknown(
            _("The mass of one piece of an ingredient is not stated, so what goes off is not known.")
        )
    assert to.total is not None
    left, spread = (round(float(each) * total / asked) for each in (to.total, to.uncertainty))
    off = total - left
    if off < 0:
        return unknown(_("By the recipe it should come to more than was weighed in. Look at both."))
    sentence = _("The recipe says what it comes to: %s should go off.") % shown(max(off, 0), "mass")
    return CookLoss(How.TOTAL, off, max(off - spread, 0), off + spread, sentence)


def _asked(version: RecipeVersion) -> int | None:
    """mg of food that the lines of the recipe come to; None where the mass of a piece is not stated."""
    total = 0
    for line in version.lines.select_related("material"):
        if line.material.kind == MaterialKind.PACKAGING:
            continue
        each = 1 if line.material.dimension == Dimension.MASS else line.material.piece_mass_mg
        if each is None:
            return None
        total += line.amount * each
    return total


def _by_solids(to: CookedTo, used: Sequence[Movement], total: int, on: date) -> CookLoss:
    """Solids stay, water goes: conservation of solids (computed)."""
    held = compositions.in_force((each.lot.material_id for each in used), on)
    missing = sorted({each.lot.material.name for each in used if each.lot.material_id not in held})
    if missing:
        return unknown(
            _("The composition of %s is not stated, so what goes off is not known.") % ", ".join(missing)
        )
    if not total:
        return unknown(_("Nothing was weighed in."))
    lines = [
        moisture.Line(
            each.lot.material.name, (each.mass or 0) / MG_PER_KG, _water(held[each.lot.material_id])
        )
        for each in used
    ]
    kilograms = math.fsum(line.mass_kg for line in lines)
    mixed = moisture.mixed(lines, total_kg=kilograms, tolerance_kg=1e-9 * kilograms)
    before = moisture.Moisture(mixed.value, max(mixed.high - mixed.value, mixed.value - mixed.low))
    assert to.moisture is not None
    after = moisture.Moisture(float(to.moisture), float(to.uncertainty))
    if after.percent > before.percent:
        return unknown(
            _("By what was weighed in it is drier already than the recipe cooks it to. Look at both.")
        )
    cooked = moisture.cooked_off(kilograms, before, after)
    if isinstance(cooked, NotComputed):
        return unknown(cooked.sentence)
    value, low, high = (
        round(kg * MG_PER_KG) for kg in (cooked.water_off.value, cooked.water_off.low, cooked.water_off.high)
    )
    sentence = _("By the solids: %s of water should go off.") % shown(value, "mass")
    return CookLoss(How.SOLIDS, value, max(low, 0), high, sentence)


def _water(held: Any) -> moisture.Moisture:
    stated = composition_documents.read(held.document)
    return moisture.Moisture(stated.water, stated.water_uncertainty)


def _by_history(batch: Batch, document: RecipeDocument, total: int) -> CookLoss:
    found = losses_before(batch)
    why = (
        _("Caramelised sugar loses more than water, so no solids balance says how much goes off.")
        if document.caramelised
        else _("The recipe does not say what it is cooked to.")
    )
    if len(found) < FEWEST_BATCHES:
        few = _(
            "By its own history it takes %(needed)d earlier batches of this recipe; %(found)d can be counted. What went off "
            "stands in what is unexplained."
        ) % {"needed": FEWEST_BATCHES, "found": len(found)}
        return unknown(f"{why} {few}")
    middle, spread = mean(found), COVERAGE * stdev(found)
    value, low, high = (round(each * total) for each in (middle, middle - spread, middle + spread))
    history = _(
        "In %(count)d earlier batches of this recipe %(low).1f %% to %(high).1f %% went off (mean and twice the standard "
        "deviation)."
    ) % {"count": len(found), "low": 100 * (middle - spread), "high": 100 * (middle + spread)}
    return CookLoss(How.HISTORY, value, low, high, f"{why} {history}")


def losses_before(batch: Batch) -> list[float]:
    """Of the latest ended batches of the recipe before this one: which part of what went in was not seen again.

    Only batches whose masses are all known. What was weighed apart is not in it, but for what cooked off. Three
    statements.
    """
    earlier = Batch.objects.filter(
        recipe_version__recipe=batch.recipe_version.recipe_id,
        state__ended_at__isnull=False,
        state__started_at__lt=batch.state.started_at,
    )
    keys = list(earlier.order_by("-state__started_at", "-pk").values_list("pk", flat=True)[:MOST_BATCHES])
    moved = _masses(keys)
    apart = WeighedApart.objects.standing().filter(batch__in=keys)
    kept_apart = apart.exclude(what__in=[LossKind.COATING, LossKind.COOKED_OFF])
    weighed = dict(kept_apart.order_by().values_list("batch").annotate(Sum("quantity")))
    return [
        (came - went - weighed.get(key, 0)) / came
        for key in keys
        for came, went in [moved[key]]
        if came and went
    ]


def _masses(keys: Sequence[int]) -> dict[int, tuple[int, int]]:
    """By batch: mg that went in and that came out; 0 where some mass is not known."""
    rows = (
        Movement.objects.standing()
        .filter(batch__in=keys)
        .order_by()
        .values_list("batch", "what")
        .annotate(total=Sum("mass"), unknown=Count("pk", filter=Q(mass=None)))
    )
    found: defaultdict[int, dict[str, int]] = defaultdict(dict)
    for batch, what, mass, not_known in rows:
        found[batch][what] = 0 if not_known else int(mass)
    return {key: (found[key].get(MovementKind.USED, 0), found[key].get(MovementKind.MADE, 0)) for key in keys}
