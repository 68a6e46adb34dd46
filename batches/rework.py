"""Rework that was used: by which rules, of which age and generation, and how large its share is. Reads only.

What is out of order is flagged when the use is recorded, and asked anew when other facts come in late: more was used
upstream, less of an ingredient, where the rework came from. The rules are in ``batches.rework_rules``.
"""

import json
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Q, QuerySet

from batches import edges, judging, recipe_documents, recipes
from batches.edges import among, as_one, read
from batches.flags import Flag
from batches.models import (
    Batch,
    BatchStart,
    BatchState,
    Dimension,
    Lot,
    MaterialKind,
    Movement,
    MovementKind,
    RecipeVersion,
    ReworkFrom,
)
from batches.rework_rules import Rules, Share, Use, broken, generation


def rules_of(version: RecipeVersion) -> Rules | None:
    """What an approved recipe allows; None: no rework at all."""
    if "rework" not in version.document:
        return None
    found = recipe_documents.read(version.document)
    return None if isinstance(found, list) else found.rework


def allows(version: RecipeVersion, lot: Lot) -> bool:
    """Whether the recipe names the material of a rework lot, or the recipe it came out of."""
    made_by = lot.batch.recipe_version.recipe_id if lot.batch is not None else None
    return version.rework_sources.filter(
        Q(material=lot.material_id) | Q(recipe=made_by, recipe__isnull=False)
    ).exists()


def generation_of(lot: Lot) -> int:
    """1 for rework of what had no rework in it. Two statements."""
    links = [(source, target) for source, target, *_ in edges.reached([lot.pk], back=True)]
    keys = {key for link in links for key in link} | {lot.pk}
    reworks = set(Lot.objects.filter(pk__in=keys, is_rework=True).order_by().values_list("pk", flat=True))
    return generation(lot.pk, links, reworks)


def came_from(lot: Lot) -> str:
    """Where the rework was said to come from when it was made, as it stands; empty where it was not said."""
    birth = Movement.objects.standing().filter(lot=lot, what=MovementKind.MADE).exclude(new_lot={}).first()
    return "" if birth is None else str(birth.new_lot.get("rework_from", ""))


def of_unknown_origin(lots: Collection[Lot]) -> set[int]:
    """The keys of those rework lots of which nobody knows what they are: said so, or nothing went into their batch.

    They count as containing everything that the equipment of their batch could have left.
    """
    return unknown_among({lot.pk: lot.batch_id for lot in lots if lot.is_rework})


def unknown_among(
    made_by: Mapping[int, int | None],
    fed: Collection[int] = (),
    births: Mapping[int, str | None] | None = None,
) -> set[int]:
    """The same by keys: rework lots, each with the batch that made it. Two statements, none where there are none.

    ``fed``: batches of which it is known already that food went in; no statement where they are all. ``births``: by lot
    what ``birth`` answers, where it was read already; one statement less.
    """
    if not made_by:
        return set()
    births = _births(made_by) if births is None else births
    said = {lot for lot, born in births.items() if born and _says_unknown(json.loads(born))}
    asked = {batch for batch in made_by.values() if batch is not None}.difference(fed)
    known = {*fed, *(_fed(asked) if asked else ())}
    return said | {lot for lot, batch in made_by.items() if batch not in known}


def _says_unknown(born: Mapping[str, Any]) -> bool:
    return born.get("rework_from", ReworkFrom.UNKNOWN) == ReworkFrom.UNKNOWN


def birth(lot: str) -> str:
    """SQL of what the movement says, as JSON, that a lot came into the world by as rework; none where none stands."""
    moved = Movement._meta.db_table
    return (
        f"(SELECT CAST(moved.new_lot AS text) FROM {moved} moved WHERE moved.lot_id = {lot} "
        f"AND moved.what = '{MovementKind.MADE}' AND NOT moved.withdrawn AND CAST(moved.new_lot AS text) <> '{{}}' "
        f"AND NOT EXISTS (SELECT 1 FROM {moved} later WHERE later.corrects_id = moved.id) LIMIT 1)"
    )


def _births(lots: Collection[int]) -> dict[int, str | None]:
    rows = read(
        f"SELECT lot.id, {birth('lot.id')} FROM {Lot._meta.db_table} lot WHERE lot.id {among()}",
        [as_one(lots)],
    )
    return dict(rows)


def _fed(batches: Collection[int]) -> Iterable[int]:
    rows: Any = Movement.objects.standing().order_by().filter(what=MovementKind.USED)
    rows = rows.exclude(lot__material__kind=MaterialKind.PACKAGING)
    rows = rows.extra(where=[f"{Movement._meta.db_table}.batch_id {among()}"], params=[as_one(batches)])
    return set(rows.values_list("batch_id", flat=True))


# -- one use ------------------------------------------------------------------------------------------------


def use_of(movement: Movement) -> Use:
    """What a use of a rework lot comes to by what stands now."""
    lot = movement.lot
    assert movement.batch is not None
    return Use(
        from_allowed=allows(movement.batch.recipe_version, lot),
        days=(judging.day_of(movement) - lot.day).days,
        generation=generation_of(lot),
        came_from=came_from(lot),
        origin_known=not of_unknown_origin([lot]),
    )


def of_use(movement: Movement) -> list[Flag]:
    """What the use of a lot breaks by itself; for a movement that is recorded, or is about to be."""
    returns = Movement.objects.standing().filter(lot=movement.lot_id, what=MovementKind.RETURNED)
    came_back = returns.filter(performed_at__lte=movement.performed_at).exists()
    flags = [Flag.RETURNED] if came_back else []
    if not movement.lot.is_rework:
        return flags
    assert movement.batch is not None
    return flags + broken(rules_of(movement.batch.recipe_version), use_of(movement))


def of_share(movement: Movement) -> list[Flag]:
    """What a use of rework that is about to be recorded makes of the batch's share of it."""
    assert movement.batch is not None
    rules = rules_of(movement.batch.recipe_version) if movement.lot.is_rework else None
    if rules is None:
        return []
    flag = share_of(movement.batch, and_this=movement).breaks(rules)
    return [] if flag is None else [flag]


# -- the whole batch -----------------------------------------------------------------------------------------


def share_of(batch: Batch, and_this: Movement | None = None) -> Share:
    """All rework in a batch over all that is in it. ``and_this``: a use that is not stored yet.

    While the batch runs its mass is what the recipe's lines come to for the planned amount, or what was used already if
    that is more; from its end on it is what was used. What has no known mass adds none to the batch.
    """
    used = Movement.objects.standing().filter(batch=batch, what=MovementKind.USED)
    if and_this is not None and and_this.corrects_id is not None:
        used = used.exclude(pk=and_this.corrects_id)
    masses = list(used.order_by().values_list("lot__is_rework", "mass"))
    masses += [] if and_this is None else [(and_this.lot.is_rework, and_this.mass)]
    whole = sum(mass or 0 for _, mass in masses)
    if BatchState.objects.get(batch=batch).ended_at is None:
        whole = max(whole, _planned_mass(batch))
    rework = [mass for is_rework, mass in masses if is_rework]
    return Share(sum(mass or 0 for mass in rework), whole, unknown=None in rework)


def _planned_mass(batch: Batch) -> int:
    begun = BatchStart.objects.standing().filter(batch=batch).order_by("-recorded_at").first()
    if begun is None:
        return 0
    return sum(_mass(target) for target in recipes.targets(batch.recipe_version, begun.planned))


def _mass(target: recipes.Target) -> int:
    material = target.line.material
    if material.kind == MaterialKind.PACKAGING:
        return 0
    return (
        target.amount
        if material.dimension == Dimension.MASS
        else target.amount * (material.piece_mass_mg or 0)
    )


@dataclass(frozen=True)
class Looked:
    """A use of rework that stands, what it comes to, and what it breaks by what stands now, the share left out."""

    movement: Movement
    use: Use
    broken: tuple[Flag, ...]


def look(movement: Movement) -> Looked:
    return Looked(movement, use_of(movement), tuple(of_use(movement)))


def _used(**which: Any) -> QuerySet[Movement]:
    found = Movement.objects.standing().filter(what=MovementKind.USED, **which)
    return found.select_related("lot__batch__recipe_version", "batch__recipe_version")  # type: ignore[no-any-return]


def uses(batch: Batch) -> list[Movement]:
    """Standing uses of rework in a batch, the oldest first."""
    return list(_used(batch=batch, lot__is_rework=True).order_by("performed_at", "id"))


def touched_by(movement: Movement) -> list[Movement]:
    """Uses of rework that a movement may have put in another light, by what it says or no longer says.

    Of a use: those in its batch, and of whatever came of it later. Of a making or a return: those of the lot.
    """
    told = [each for each in (movement, movement.replaces) if each is not None]
    batches = {each.batch_id for each in told if each.what == MovementKind.USED}
    if batches:
        made = list(Lot.objects.filter(batch__in=batches).order_by().values_list("pk", flat=True))
        later = {link[1] for link in edges.reached(made, back=False)} if made else set()
        concerned = Q(batch__in=batches) | Q(lot__in={*made, *later})
        return list(_used(lot__is_rework=True).filter(concerned))
    if movement.what in (MovementKind.MADE, MovementKind.RETURNED):
        return list(_used(lot=movement.lot_id))
    return []
