"""What a product is going to contain by its approved recipe: the same facts as of a lot, with materials in place of lots.

Nobody knows yet which supplier's lot will be used, so what is stated of any supplier's counts, and what one of them does
not state is unknown. What is made here is followed into its own recipe.
"""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
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
from haccp.allergens.statements import Stated
from ledger.models import Establishment

START = 0


@dataclass(frozen=True)
class _House:
    """What a house approved and was told, as far as some days ask for it."""

    bits: Bits
    rows: list[RecipeVersion]  # by number
    lines: dict[UUID, list[RecipeLine]]  # by version
    known: dict[UUID, list[Stated]]  # by material

    def newest(self, on: date) -> dict[UUID, list[RecipeVersion]]:
        """The approved recipes in force on a day, by the material they make."""
        found: defaultdict[UUID, list[RecipeVersion]] = defaultdict(list)
        for row in _latest(self.rows, on).values():
            found[row.material_id].append(row)
        return found

    def facts(self, versions: Sequence[RecipeVersion], on: date) -> Facts:
        materials, mixed = _walk(versions, self.lines, self.newest(on))
        web = Web((source, target) for target, made in mixed.items() for source, _ in made.parts)
        lots = {
            key: KnownLot(key, row.pk, row.code, on, row.pk, row.kind, None, None)
            for key, row in materials.items()
        }
        spoken = {key: _spoken(self.known[row.pk], on) for key, row in materials.items()}
        facts = Facts(self.bits, lots, web, [], spoken, lambda facts: mixed)
        for key, row in materials.items():
            facts.own[key] = of_any_lot(self.bits, self.known[row.pk], on, leaf=key not in mixed)
            if row.kind == MaterialKind.PACKAGING:
                facts.keep[key] = ~self.bits.on(Plane.UNSTATED, self.bits.every)
        facts.respread()
        return facts


def facts_of(version: RecipeVersion, on: date) -> Facts:
    """What is known of a recipe version, itself as ``START``. Four statements."""
    return facts_of_many([version], on)


def facts_of_many(versions: Sequence[RecipeVersion], on: date) -> Facts:
    """What is known of recipe versions of one house, each under its place from ``START`` on. Four statements."""
    return facts_by_day({on: versions})[on]


def facts_by_day(
    asked: Mapping[date, Sequence[RecipeVersion]],
    bits: Bits | None = None,
    instead: Mapping[UUID, Sequence[Stated]] | None = None,
) -> dict[date, Facts]:
    """The same of several days, each with its recipe versions: what was approved and stated by then. Four statements.

    ``instead``: by material, statements that count in place of those that stand.
    """
    house = _read(asked, bits)
    house.known.update({material: list(stated) for material, stated in (instead or {}).items()})
    return {on: house.facts(versions, on) for on, versions in asked.items()}


def _read(asked: Mapping[date, Sequence[RecipeVersion]], bits: Bits | None) -> _House:
    asked_for = [version for versions in asked.values() for version in versions]
    here = asked_for[0].establishment
    rows = list(
        RecipeVersion.objects.standing()
        .filter(establishment=here, recipe__in_use=True, performed_at__lt=_end_of(here, max(asked)))
        .select_related("material", "establishment")
        .order_by("number")
    )
    wanted = {row.pk for on in asked for row in _latest(rows, on).values()} | {each.pk for each in asked_for}
    lines: defaultdict[UUID, list[RecipeLine]] = defaultdict(list)
    for line in RecipeLine.objects.filter(version__in=wanted).select_related("material").order_by("position"):
        lines[line.version_id].append(line)
    materials = {each.material_id for each in asked_for}
    materials |= {line.material_id for each in lines.values() for line in each}
    known: defaultdict[UUID, list[Stated]] = defaultdict(list)
    for each in statements.standing(materials):
        known[each.material_id].append(each)
    return _House(bits or lists.bits(here), rows, lines, known)


def _latest(rows: Sequence[RecipeVersion], on: date) -> dict[Any, RecipeVersion]:
    """The newest version of each recipe by the end of a day."""
    if not rows:
        return {}
    end = _end_of(rows[0].establishment, on)
    return {row.recipe_id: row for row in rows if row.performed_at < end}


def _end_of(here: Establishment, on: date) -> datetime:
    """The first moment after a day of the establishment."""
    return datetime.combine(on + timedelta(days=1), time(), here.zone)


def _walk(
    versions: Sequence[RecipeVersion],
    lines_of: Mapping[UUID, list[RecipeLine]],
    newest: Mapping[UUID, list[RecipeVersion]],
) -> tuple[dict[int, Material], dict[int, Mixed]]:
    """Every material on the way by key, and what those that are made here are mixed of."""
    materials = {START + at: each.material for at, each in enumerate(versions)}
    keys: dict[UUID, int] = {}
    mixed: dict[int, Mixed] = {}
    waiting = [(START + at, [each]) for at, each in enumerate(versions)]
    while waiting:
        target, made_by = waiting.pop()
        lines = [line for each in made_by for line in lines_of.get(each.pk, ())]
        for line in lines:
            if line.material_id not in keys:
                keys[line.material_id] = len(materials)
                materials[len(materials)] = line.material
                if line.material_id in newest:
                    waiting.append((keys[line.material_id], newest[line.material_id]))
        if lines:  # of what nobody knows how it is made, nothing is known
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


def _suppliers(known: Collection[Stated]) -> set[UUID | None]:
    return {each.supplier_id for each in known if each.supplier_id is not None} or {None}


def _spoken(known: list[Stated], on: date) -> list[Stated]:
    found = {
        each.pk: each
        for supplier in _suppliers(known)
        for each in statements.about(known, lot=None, supplier=supplier, day=on)
    }
    return list(found.values())


def of_any_lot(bits: Bits, known: Sequence[Stated], on: date, *, leaf: bool) -> int:
    """What any supplier's lot may bring, and what some supplier's does not say."""
    own = 0
    for supplier in _suppliers(known):
        speaking = statements.about(known, lot=None, supplier=supplier, day=on)
        own |= bits.stated((bits.told_by(each.text) for each in speaking), on, leaf=leaf)
    return own
