"""Lines of a recipe of which no use is recorded in a batch: what they name may be in its lots, or come yet.

While a batch runs they may still be weighed in; once it ended, a weighing was left out or was never written down. Either
way what the line's material brings is possible, and what nobody stated of it is unknown. What the material contains is kept
apart from what it may contain: a forgotten record is likelier than a forgotten weighing, so that a label has to name it. A
line is answered by a use of its material, or of whatever else was recorded for that line.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, Q

from batches.edges import among, among_few, as_one, as_time, as_uuid, read
from batches.models import Batch, BatchState, Material, Movement, MovementKind, RecipeLine, RecipeVersion
from batches.near import Lines, NamedBatch
from haccp.allergens import planned
from haccp.allergens.bits import Bits, Plane
from haccp.allergens.facts import Facts, OpenBatch, OpenLine
from haccp.allergens.statements import Stated
from ledger.models import Establishment


@dataclass(frozen=True)
class Instead:
    """What was known before a late fact: by material what was stated of it, by batch which lines something was recorded for."""

    stated: Mapping[UUID, Sequence[Stated]] = field(default_factory=dict)
    answered: Mapping[int, Collection[int]] = field(default_factory=dict)


AS_IT_STANDS = Instead()


def add_to(
    facts: Facts,
    establishment: Establishment,
    moved: Mapping[int, Collection[int]] | None = None,
    known: tuple[Mapping[int, NamedBatch], Lines] | None = None,
    instead: Instead = AS_IT_STANDS,
) -> None:
    """Open the batches on the way that lack a use. One statement, seven more where one lacks it.

    ``moved``: the lots that each batch used or made, where batches matter that made none of the lots that are known.
    ``known``: the batches and the lines of their recipes, where they were read already. ``instead``: what counts in place
    of what stands.
    """
    keys = _on_the_way(facts) if moved is None else moved
    batches, named = known or (_batches(keys) if keys else ({}, {}))
    if not named:
        return
    used = _used(facts) if moved is None else _used_of(facts, moved)
    lines = _unanswered(named, batches, used, instead.answered)
    if lines:
        began = _began(lines)
        days = {batch: began[batch].astimezone(establishment.zone).date() for batch in lines}
        facts.open = _opened(facts.bits, batches, lines, days, instead.stated)
        for lot in facts.lots.values():
            if lot.batch in facts.open:
                facts.own[lot.key] |= _on(facts.bits, facts.open[lot.batch])
        facts.respread()


def take_from(facts: Facts) -> None:
    """Forget the open lines again. What was carried on of them goes with the next ``respread``."""
    bits = facts.bits
    kept = ~(
        bits.on(Plane.OPEN_CONTAINS, bits.every)
        | bits.on(Plane.OPEN, bits.every)
        | bits.on(Plane.OPEN_UNSTATED, bits.every)
    )
    for lot in facts.lots.values():
        if lot.batch in facts.open:
            facts.own[lot.key] &= kept
    facts.open = {}


def _on(bits: Bits, found: OpenBatch) -> int:
    return (
        bits.on(Plane.OPEN_CONTAINS, found.contains)
        | bits.on(Plane.OPEN, found.may)
        | bits.on(Plane.OPEN_UNSTATED, found.unstated)
    )


def _on_the_way(facts: Facts) -> set[int]:
    """The batches that made a lot on the way."""
    return {lot.batch for lot in facts.lots.values() if lot.batch is not None}


def _used(facts: Facts) -> dict[int, set[UUID]]:
    """By batch that made a lot on the way: the materials of what was used in it."""
    found: dict[int, set[UUID]] = {batch: set() for batch in _on_the_way(facts)}
    for each in facts.fed:
        found.setdefault(each.batch, set()).update(facts.lots[source].material for source in each.sources)
    return found


def _used_of(facts: Facts, moved: Mapping[int, Collection[int]]) -> dict[int, set[UUID]]:
    known = facts.lots
    return {
        batch: {known[key].material for key in keys if key in known and known[key].batch != batch}
        for batch, keys in moved.items()
    }


def _batches(keys: Collection[int]) -> tuple[dict[int, NamedBatch], Lines]:
    """Batches, and the lines of their recipes. One statement."""
    batch, line = (model._meta.db_table for model in (Batch, RecipeLine))
    rows = read(
        f"SELECT id, uid, code, recipe_version_id, NULL, NULL FROM {batch} WHERE id {among_few()} UNION ALL "
        f"SELECT NULL, NULL, NULL, version_id, position, material_id FROM {line} "
        f"WHERE version_id IN (SELECT recipe_version_id FROM {batch} WHERE id {among_few()})",
        [as_one(keys)] * 2,
    )
    batches, lines = dict[int, NamedBatch](), Lines(list)
    for pk, uid, code, version, position, material in rows:
        if pk is None:
            lines[as_uuid(version)].append((position, as_uuid(material)))
        else:
            batches[pk] = NamedBatch(as_uuid(uid), code, as_uuid(version))
    return batches, lines


def _began(batches: Collection[int]) -> dict[int, datetime]:
    table = BatchState._meta.db_table
    rows = read(f"SELECT batch_id, started_at FROM {table} WHERE batch_id {among()}", [as_one(batches)])
    return {batch: as_time(at) for batch, at in rows}


def _unanswered(
    lines: Mapping[UUID, Sequence[tuple[int, UUID]]],
    batches: Mapping[int, NamedBatch],
    used: Mapping[int, Collection[UUID]],
    answered: Mapping[int, Collection[int]],
) -> dict[int, set[int]]:
    """By batch: the positions of the lines that no use answers, where there are any."""
    found = {}
    for batch, known in batches.items():
        left = {
            position for position, material in lines.get(known.version, ()) if material not in used[batch]
        }
        if left:
            found[batch] = left
    if not found:
        return {}
    for batch, position in _said(found):
        if batch not in answered:
            found[batch].discard(position)
    for batch in found.keys() & answered.keys():
        found[batch].difference_update(answered[batch])
    return {batch: left for batch, left in found.items() if left}


def _said(batches: Collection[int]) -> Iterable[tuple[int, int]]:
    """For which lines something else was recorded as used."""
    rows: Any = Movement.objects.standing().filter(what=MovementKind.USED, recipe_line__isnull=False)
    rows = rows.extra(where=[f"{Movement._meta.db_table}.batch_id {among()}"], params=[as_one(batches)])
    return list(rows.order_by().values_list("batch_id", "recipe_line").distinct())


def _opened(
    bits: Bits,
    batches: Mapping[int, NamedBatch],
    left: Mapping[int, Collection[int]],
    days: Mapping[int, date],
    stated: Mapping[UUID, Sequence[Stated]],
) -> dict[int, OpenBatch]:
    """What the lines may bring, by what was approved and stated by the day the batch began."""
    rows = RecipeVersion.objects.filter(pk__in={batches[batch].version for batch in left})
    rows = rows.select_related("material", "establishment").prefetch_related("lines")
    versions = {row.pk: row for row in rows}
    asked: defaultdict[date, dict[UUID, RecipeVersion]] = defaultdict(dict)
    for batch, day in days.items():
        version = batches[batch].version
        asked[day][version] = versions[version]
    by_day = planned.facts_by_day({day: list(wanted.values()) for day, wanted in asked.items()}, bits, stated)
    return {
        batch: _open(batches[batch], versions[batches[batch].version], by_day[days[batch]], positions)
        for batch, positions in left.items()
    }


def _open(batch: NamedBatch, version: RecipeVersion, plan: Facts, positions: Collection[int]) -> OpenBatch:
    used = {key for sources in plan.web.sources.values() for key in sources}
    keys = {lot.uid: key for key, lot in plan.lots.items() if key in used}
    lines = []
    for line in version.lines.all():
        if line.position in positions:
            key = keys[line.material_id]
            found = plan.found[key] & plan.keep.get(key, -1)
            contains = plan.bits.of(Plane.CONTAINS, found)
            may = plan.bits.of(Plane.MAY, found) & ~contains
            unstated = plan.bits.of(Plane.UNSTATED, found) & ~(contains | may)
            code = plan.lots[key].code
            lines.append(OpenLine(line.position, line.material_id, code, contains, may, unstated))
    return OpenBatch(batch.uid, batch.code, tuple(lines))


def open_to(material: Material) -> dict[int, datetime]:
    """When each batch began whose recipe names a material, or anything that may be made of it, where no use answers that line."""
    materials, fresh = {material.pk}, {material.pk}
    while fresh:
        lines = RecipeLine.objects.filter(material__in=fresh).order_by()
        fresh = set(lines.values_list("version__material_id", flat=True).distinct()) - materials
        materials |= fresh
    lines = RecipeLine.objects.filter(version=OuterRef("recipe_version"), material__in=materials)
    uses = Movement.objects.standing().filter(what=MovementKind.USED, batch=OuterRef(OuterRef("pk")))
    answers = uses.filter(Q(recipe_line=OuterRef("position")) | Q(lot__material=OuterRef("material")))
    batches = Batch.objects.filter(Exists(lines.filter(~Exists(answers))))
    return dict(batches.order_by().values_list("pk", "state__started_at"))
