"""Products before and after each other: which allergens must be cleared between them, and which procedure does it.

Derived from contents, labels and approved procedures as they stand on a day; nobody keeps it by hand. What nobody stated
is shown as unknown: it may have to be cleared, and no minutes are told for it unless a procedure clears it as well.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from uuid import UUID

from django.db.models import Exists, OuterRef, QuerySet

from batches.models import Material, RecipeVersion
from config.api.refusals import Unusable
from haccp.allergens import content, lists
from haccp.allergens.content import Content
from haccp.allergens.vocabulary import Vocabulary
from haccp.changeovers import bearing, procedures
from haccp.changeovers.bearing import Bears
from haccp.changeovers.procedures import Means, that_clear
from haccp.labels import versions as labels
from haccp.models import CleaningProcedureVersion
from ledger import canonical
from ledger.models import Establishment

FIRST_YEAR, LAST_YEAR = 2, 9998  # exclusive, as of moments
MARK = 8  # hex digits: to tell two tables apart, not to prove one
CAUTION = (
    "Derived from what is stated; what no document states is unknown, never absent. A procedure counts once its changeover "
    "is verified and released. Qualified people and your authority decide whether a cleaning is enough."
)


@dataclass(frozen=True)
class Product:
    """A product with the recipe in force: what it contains or may contain, and what it declares."""

    material: Material
    version: RecipeVersion
    holds: frozenset[str]
    unknown: frozenset[str]
    bears: Bears


class Level(StrEnum):
    """Which cleaning stands between two products; what is not known is a level of its own, never nothing."""

    NOTHING = "nothing-to-clear"
    CLEAN = "clean"
    CLEAN_AND_UNKNOWN = "clean-and-unknown"  # no procedure clears what is unknown as well
    UNKNOWN = "unknown"
    SEVERAL = "no-single-procedure"  # each is cleared by some procedure, all together by none
    NO_PROCEDURE = "no-procedure"


@dataclass(frozen=True)
class Cell:
    """One product after another. ``by``: procedures that clear all of it, the unknown too, the quickest first.

    ``by_known``: those that clear what is known to be there, where none clears the unknown as well. ``none_clears``: what
    no approved procedure clears. ``minutes`` None: not known, or no single procedure does it.
    """

    before: UUID
    after: UUID
    clear: tuple[str, ...]
    unknown: tuple[str, ...]
    by: tuple[CleaningProcedureVersion, ...]
    by_known: tuple[CleaningProcedureVersion, ...]
    none_clears: tuple[str, ...]
    minutes: Decimal | None

    @property
    def level(self) -> Level:
        if self.none_clears:
            return Level.NO_PROCEDURE
        if self.clear:
            return Level.CLEAN if self.by else Level.CLEAN_AND_UNKNOWN if self.by_known else Level.SEVERAL
        return Level.UNKNOWN if self.unknown else Level.NOTHING


@dataclass(frozen=True)
class Matrix:
    """``means``: the procedures it was derived by."""

    products: tuple[Product, ...]
    cells: tuple[Cell, ...]
    vocabulary: Vocabulary
    means: tuple[Means, ...] = ()

    @property
    def mark(self) -> str:
        """The same for as long as nothing that it says has changed: to hold a print against the table of today.

        Names and codes count as well: who reads the print knows products, allergens and procedures by them.
        """
        products = [
            [
                *(str(each.material.pk), each.material.code, each.material.name),
                *(str(each.version.pk), str(each.version.number), each.bears.by),
                *map(self._named, (each.holds, each.unknown, each.bears.codes)),
            ]
            for each in self.products
        ]
        means = [[*_told(each), self._named(each.procedure.clears.allergens or ())] for each in self.means]
        cells = [
            [
                str(each.before),
                str(each.after),
                *map(self._named, (each.clear, each.unknown, each.none_clears)),
            ]
            + [[str(version.pk) for version in by] for by in (each.by, each.by_known)]
            for each in self.cells
        ]
        return canonical.digest({"products": products, "cells": cells, "means": means})[:MARK]

    def _named(self, codes: Collection[str]) -> list[list[str]]:
        return [[code, self.vocabulary.name(code)] for code in sorted(codes)]


def _told(means: Means) -> list[str]:
    version = means.version
    return [str(version.pk), str(version.number), version.procedure.code, version.procedure.name]


def of_day(
    establishment: Establishment,
    on: date,
    *,
    equipment_kind: str | None = None,
    materials: Collection[UUID] | None = None,
) -> Matrix:
    """Every product with an approved recipe after every other, on a local day. A flat number of statements.

    ``equipment_kind``: by procedures that are meant for it; for any, if None. ``materials``: of these products only.
    Raises Unusable for a day on which nobody works.
    """
    return by_kinds(establishment, on, [equipment_kind], materials=materials)[equipment_kind]


def products_of(establishment: Establishment, materials: Collection[UUID] | None = None) -> int:
    """Of how many products a table would be, before anything is derived of them. One statement."""
    return _in_force(establishment, materials).order_by().values("material").distinct().count()


def by_kinds(
    establishment: Establishment,
    on: date,
    kinds: Collection[str | None],
    *,
    materials: Collection[UUID] | None = None,
) -> dict[str | None, Matrix]:
    """The same for several kinds of equipment, read once. Raises Unusable."""
    if not FIRST_YEAR < on.year < LAST_YEAR:
        raise Unusable("No work is done on that day.", code="out-of-range", field="on")
    vocabulary = lists.vocabulary(establishment)
    means = procedures.means(establishment)
    products = tuple(_products(establishment, on, materials))
    found: dict[str | None, Matrix] = {}
    for kind in kinds:
        own = tuple(each for each in means if kind is None or each.procedure.is_for(kind))
        cells = tuple(cell(before, after, own, vocabulary) for before in products for after in products)
        found[kind] = Matrix(products, cells, vocabulary, own)
    return found


def cell(before: Product, after: Product, means: Sequence[Means], vocabulary: Vocabulary) -> Cell:
    """What must be cleared after one product before another, and by what."""

    def undeclared(codes: Collection[str]) -> list[str]:
        return sorted(code for code in codes if not after.bears.names(code, vocabulary.groups_of(code)))

    clear, unknown = undeclared(before.holds), undeclared(before.unknown - before.holds)
    by = that_clear(means, [*clear, *unknown], vocabulary) if clear or unknown else []
    by_known = that_clear(means, clear, vocabulary) if clear and not by else []
    none_clears = [code for code in clear if not any(each.clears([code], vocabulary) for each in means)]
    nothing = not clear and not unknown
    return Cell(
        before.material.pk,
        after.material.pk,
        tuple(clear),
        tuple(unknown),
        tuple(each.version for each in by),
        tuple(each.version for each in by_known),
        tuple(none_clears),
        Decimal(0) if nothing else by[0].procedure.minutes if by else None,
    )


def _products(establishment: Establishment, on: date, materials: Collection[UUID] | None) -> list[Product]:
    """By the newest approved recipe of each product; where it has several, by what any of them brings."""
    rows = _in_force(establishment, materials)
    versions = list(rows.select_related("material", "establishment").order_by("material__code", "id"))
    contents = content.of_recipes(versions, on)
    declared = labels.all_in_force_of([each.material for each in versions], on)
    found: dict[UUID, list[tuple[RecipeVersion, Content]]] = {}
    for version, own in zip(versions, contents, strict=True):
        found.setdefault(version.material_id, []).append((version, own))
    return [_product(made, declared) for made in found.values()]


def _in_force(establishment: Establishment, materials: Collection[UUID] | None) -> QuerySet[RecipeVersion]:
    newer = RecipeVersion.objects.filter(recipe=OuterRef("recipe"), number__gt=OuterRef("number"))
    rows: QuerySet[RecipeVersion] = RecipeVersion.objects.standing().of(establishment)
    rows = rows.filter(~Exists(newer), recipe__in_use=True, material__in_use=True)
    return rows if materials is None else rows.filter(material__in=list(materials))


def _product(
    made: Sequence[tuple[RecipeVersion, Content]], declared: Mapping[UUID, Sequence[bearing.Label]]
) -> Product:
    version = made[-1][0]
    holds = frozenset(code for _, own in made for code in (*own.contains, *own.may))
    unknown = frozenset(code for _, own in made for code in own.unknown)
    every = [bearing.of(own, declared[version.material_id]) for _, own in made]
    codes = frozenset.intersection(*(each.codes for each in every))
    return Product(version.material, version, holds, unknown, Bears(codes, every[-1].by, unknown))
