"""What a product is going to contain by its approved recipe: the same facts as of a lot, with materials in place of lots.

Nobody knows yet which supplier's lot will be used, so what is stated of any supplier's counts, and what one of them does
not state is unknown. What is made here is followed into its own recipe.
"""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from batches import recipes
from batches.models import Dimension, Material, MaterialKind, RecipeLine, RecipeVersion
from haccp.allergens import lists, statements
from haccp.allergens.bits import Bits, Plane
from haccp.allergens.facts import Facts, KnownLot
from haccp.allergens.spread import Mixed, Web
from haccp.models import AllergenStatement

START = 0


@dataclass(frozen=True)
class _House:
    """The approved recipes of a house on a day, by the material they make, with their lines."""

    lines: dict[UUID, list[RecipeLine]]  # by version
    newest: dict[UUID, list[RecipeVersion]]  # by material


def facts_of(version: RecipeVersion, on: date) -> Facts:
    """What is known of a recipe version, itself as ``START``. Four statements."""
    return facts_of_many([version], on)


def facts_of_many(versions: Sequence[RecipeVersion], on: date) -> Facts:
    """What is known of recipe versions of one house, each under its place from ``START`` on. Four statements."""
    version = versions[0]
    house = _house(versions, on)
    materials, mixed = _walk(versions, house)
    keys = {material.pk: key for key, material in materials.items()}
    known = defaultdict(list)
    for each in statements.standing(list(keys)):
        known[each.material_id].append(each)
    bits = Bits(lists.vocabulary(version.establishment))
    links = [(source, target, 0, 0.0) for target, made in mixed.items() for source, _ in made.parts]
    lots = {
        key: KnownLot(key, row.pk, row.code, on, row.pk, row.kind, None, None)
        for key, row in materials.items()
    }
    spoken = {key: _spoken(known[row.pk], on) for key, row in materials.items()}
    facts = Facts(bits, lots, Web({link[:2]: None for link in links}), links, spoken, lambda facts: mixed)
    for key, row in materials.items():
        facts.own[key] = _own(bits, known[row.pk], on, leaf=key not in mixed)
        if row.kind == MaterialKind.PACKAGING:
            facts.keep[key] = ~bits.on(Plane.UNSTATED, bits.every)
    facts.respread()
    return facts


def _house(versions: Sequence[RecipeVersion], on: date) -> _House:
    version = versions[0]
    rows = RecipeVersion.objects.standing().filter(
        establishment=version.establishment_id, recipe__in_use=True, performed_at__lt=_end_of(version, on)
    )
    latest: dict[Any, RecipeVersion] = {}
    for row in rows.select_related("material").order_by("number"):
        latest[row.recipe_id] = row
    newest: defaultdict[UUID, list[RecipeVersion]] = defaultdict(list)
    for row in latest.values():
        newest[row.material_id].append(row)
    lines: defaultdict[UUID, list[RecipeLine]] = defaultdict(list)
    wanted = {*(each.pk for each in versions), *(row.pk for row in latest.values())}
    for line in RecipeLine.objects.filter(version__in=wanted).select_related("material").order_by("position"):
        lines[line.version_id].append(line)
    return _House(lines, newest)


def _end_of(version: RecipeVersion, on: date) -> datetime:
    """The first moment after a day of the establishment."""
    return datetime.combine(on + timedelta(days=1), time(), version.establishment.zone)


def _walk(versions: Sequence[RecipeVersion], house: _House) -> tuple[dict[int, Material], dict[int, Mixed]]:
    """Every material on the way by key, and what those that are made here are mixed of."""
    materials = {START + at: each.material for at, each in enumerate(versions)}
    keys: dict[UUID, int] = {}
    mixed: dict[int, Mixed] = {}
    waiting = [(START + at, [each]) for at, each in enumerate(versions)]
    while waiting:
        target, made_by = waiting.pop()
        lines = [line for each in made_by for line in house.lines[each.pk]]
        for line in lines:
            if line.material_id not in keys:
                keys[line.material_id] = len(materials)
                materials[len(materials)] = line.material
                if line.material_id in house.newest:
                    waiting.append((keys[line.material_id], house.newest[line.material_id]))
        mixed[target] = _mixed(made_by, lines, keys)
    return materials, mixed


def _mixed(
    versions: Collection[RecipeVersion], lines: Collection[RecipeLine], keys: dict[UUID, int]
) -> Mixed:
    """The shares of the lines; not known where a mass is not, or where several recipes make the same."""
    masses = [_mass(line.material, line.amount) for line in lines]
    total = sum(mass or 0 for mass in masses)
    shares: defaultdict[int, Decimal] = defaultdict(Decimal)
    for line, mass in zip(lines, masses, strict=True):
        shares[keys[line.material_id]] += Decimal(mass or 0) / total if total else Decimal(0)
    known = len(versions) == 1 and None not in masses
    return Mixed(list(shares.items()), _thicker(next(iter(versions)), total) if known else None, known)


def _thicker(version: RecipeVersion, total: int) -> Decimal | None:
    size = _mass(version.material, recipes.document_of(version).batch_size.base)
    return max(Decimal(1), Decimal(total) / size) if size else None


def _mass(material: Material, base: int) -> int | None:
    if material.kind == MaterialKind.PACKAGING:
        return 0
    if material.dimension == Dimension.MASS:
        return base
    return None if material.piece_mass_mg is None else base * material.piece_mass_mg


def _suppliers(known: Collection[AllergenStatement]) -> set[UUID | None]:
    return {each.supplier_id for each in known if each.supplier_id is not None} or {None}


def _spoken(known: list[AllergenStatement], on: date) -> list[AllergenStatement]:
    found = {
        each.pk: each
        for supplier in _suppliers(known)
        for each in statements.about(known, lot=None, supplier=supplier, day=on)
    }
    return list(found.values())


def _own(bits: Bits, known: list[AllergenStatement], on: date, *, leaf: bool) -> int:
    """What any supplier's lot may bring, and what some supplier's does not say."""
    own = 0
    for supplier in _suppliers(known):
        speaking = statements.about(known, lot=None, supplier=supplier, day=on)
        own |= bits.stated((bits.told(each.says) for each in speaking), leaf=leaf)
    return own
