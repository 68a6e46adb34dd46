"""The changeover table for the wall: what was made before, what comes next, and the cleaning between, as a document.

Derived anew each time it is printed, for one day. What nobody stated stands there as unknown, never as nothing.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import pairwise
from typing import Any, ClassVar
from uuid import UUID

from django.utils import timezone
from django.utils.translation import gettext as _

from batches.models import Equipment
from config.api.refusals import Unusable
from haccp.allergens import lists
from haccp.changeovers import matrix
from haccp.changeovers.matrix import Cell, Level, Matrix
from haccp.models import CleaningProcedureVersion
from ledger.models import Establishment
from reports import changeover_squares
from reports.api.changeover_table import ChangeoverTableSerializer
from reports.documents import Document, SignatureLine
from reports.listing import spoken
from reports.signed import signatures_on
from reports.tables import FORMS as FORMS
from reports.tables import Table as DataTable

ACROSS = 6
"""Products beside each other on one sheet: wider tables are cut into parts (a site setting, no source)."""
FEW = 4
MOST = 60
"""Products of one document (a site setting, no source)."""
NAMED = 3
"""So many unknown allergens are named in a square; of more the number, and the list of the product names them."""
MARKS = {
    Level.NOTHING: "○",
    Level.CLEAN: "■",
    Level.CLEAN_AND_UNKNOWN: "■?",
    Level.UNKNOWN: "?",
    Level.SEVERAL: "▲",
    Level.NO_PROCEDURE: "▲",
}


@dataclass(frozen=True)
class Way:
    """A procedure in a square. ``minutes`` as its approved version tells them."""

    code: str
    minutes: str


@dataclass(frozen=True)
class Square:
    """One product after another. ``ways``: clear all of it; ``ways_for_known``: where none clears the unknown as well."""

    level: Level
    word: str
    mark: str
    same: bool
    clear: tuple[str, ...]
    unknown: tuple[str, ...]
    none_clears: tuple[str, ...]
    ways: tuple[Way, ...]
    ways_for_known: tuple[Way, ...]

    @property
    def unknown_named(self) -> bool:
        return len(self.unknown) <= NAMED

    @property
    def cleared(self) -> tuple[str, ...]:
        """What must be cleared and can be."""
        return tuple(each for each in self.clear if each not in self.none_clears)


@dataclass(frozen=True)
class Row:
    code: str
    name: str
    squares: tuple[Square, ...]


@dataclass(frozen=True)
class Head:
    code: str
    name: str


@dataclass(frozen=True)
class Part:
    """Some of the columns with every row: as much as stands beside each other on one sheet."""

    number: int
    heads: tuple[Head, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class Told:
    """What a product brings and declares, in words."""

    code: str
    name: str
    recipes: str
    holds: tuple[str, ...]
    unknown: tuple[str, ...]
    declares: tuple[str, ...]
    declared_by: str


@dataclass(frozen=True)
class Means:
    """A procedure of the table in words. ``clears``: allergens only."""

    code: str
    name: str
    version: int
    method: str
    minutes: str
    clears: str
    equipment_kinds: tuple[str, ...]
    record: UUID


@dataclass(frozen=True)
class Table:
    """``equipment``: the pieces it was asked for; empty: by procedures for any equipment. ``mark``: as the API tells it."""

    kind: str
    equipment: tuple[str, ...]
    mark: str
    parts: tuple[Part, ...]
    means: tuple[Means, ...]

    @property
    def few(self) -> bool:
        """So few columns that the squares are set larger."""
        return all(len(part.heads) <= FEW for part in self.parts)


@dataclass(frozen=True)
class Key:
    """What a mark in a square asks for."""

    level: Level
    mark: str
    word: str
    asks: str


@dataclass(frozen=True, kw_only=True)
class ChangeoverTable(Document):
    """``lists``: by which allergen lists. ``record_ids``: the approved procedures and their signatures."""

    kind: ClassVar[str] = "changeover-table"
    tells_rules: ClassVar[bool] = False
    template: ClassVar[str] = "reports/changeover_table.html"
    shows_limits: ClassVar[bool] = False
    hangs: ClassVar[bool] = True
    landscape: ClassVar[bool] = True

    on: date
    lists: str
    keys: tuple[Key, ...]
    tables: tuple[Table, ...]
    products: tuple[Told, ...]
    record_ids: tuple[UUID, ...]

    def data_tables(self) -> tuple[DataTable, ...]:
        return changeover_squares.tables_of(self)


# -- what is asked ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Asked:
    on: date
    equipment: tuple[Equipment, ...]
    materials: tuple[UUID, ...]

    @property
    def kinds(self) -> list[str | None]:
        """Kinds of equipment, one table each; None: whatever there is."""
        kinds: list[str | None] = [*sorted({each.kind for each in self.equipment})]
        return kinds or [None]


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unusable where such a table cannot be made."""
    _found(establishment, _read(establishment, about))


def _read(establishment: Establishment, about: dict[str, Any]) -> Asked:
    reader = ChangeoverTableSerializer(data=about, context={"establishment": establishment})
    reader.is_valid(raise_exception=True)
    said = reader.validated_data
    today = timezone.now().astimezone(establishment.zone).date()
    return Asked(
        said.get("on", today),
        tuple(sorted(set(said["equipment"]), key=lambda each: each.code)),
        tuple(each.pk for each in said["materials"]),
    )


def _found(establishment: Establishment, asked: Asked) -> dict[str | None, Matrix]:
    products = matrix.products_of(establishment, asked.materials or None)
    if not products:
        raise Unusable(
            "None of these products has an approved recipe, so nothing can be derived of them.",
            code="nothing-to-show",
            field="table.materials",
        )
    if products > MOST:
        raise Unusable(
            f"A table shows up to {MOST} products, here there are {products}: name those that share the equipment.",
            code="too-many",
            field="table.materials",
        )
    return matrix.by_kinds(establishment, asked.on, asked.kinds, materials=asked.materials or None)


# -- what stands in it --------------------------------------------------------------------------------


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> ChangeoverTable:
    """Derive the table as things stand; call it within one snapshot."""
    asked = _read(here, about)
    found = _found(here, asked)
    known = {each.version.pk: each.version for own in found.values() for each in own.means}
    approvals = list(signatures_on(known))
    confirmed, unconfirmed = lists.lines_on(here, asked.on)
    first = next(iter(found.values()))
    return ChangeoverTable(
        on=asked.on,
        lists=_lists(confirmed, shipped=first.vocabulary.shipped),
        keys=tuple(_keys(own.cells for own in found.values())),
        tables=tuple(_table(kind, own, asked) for kind, own in found.items()),
        products=tuple(_products(first)),
        record_ids=(*sorted(known), *(each.pk for each in approvals)),
        signatures=tuple(
            SignatureLine.of(each, _("cleaning procedure %s") % _version(known[each.target_id]))
            for each in approvals
        ),
        confirmed_rules=confirmed,
        unconfirmed_rules=unconfirmed,
        cautions=(
            spoken(matrix.CAUTION),
            _(
                "Nothing to clear speaks of allergens only: old product, packaging and labels are removed all the same, "
                "and heat takes no allergen away. Look at the equipment, not at this sheet."
            ),
        ),
        deferral=_(
            "Which allergens count, and whether a cleaning is enough, is for the law of the place, the competent authority "
            "and qualified people to say; this tells what the records know."
        ),
        **head,
    )


def _lists(confirmed: Sequence[str], *, shipped: bool) -> str:
    if confirmed:
        return _("Confirmed with the authority: %s") % "; ".join(line.partition(":")[0] for line in confirmed)
    said = _("No allergen list is confirmed for this establishment.")
    stand_in = _("The house has brought in none, so the lists that ship with the service stand in.")
    return f"{said} {stand_in}" if shipped else said


def _version(version: CleaningProcedureVersion) -> str:
    return f"{version.procedure.code}, {_('version')} {version.number}"


def _keys(cells: Iterable[Iterable[Cell]]) -> Iterator[Key]:
    """Of the levels that are there, in the order of their care."""
    there = {cell.level for each in cells for cell in each}
    words, asks = _words(), _asks()
    return (Key(level, MARKS[level], words[level], asks[level]) for level in Level if level in there)


def _words() -> dict[Level, str]:
    return {
        Level.NOTHING: _("nothing to clear"),
        Level.CLEAN: _("CLEAN"),
        Level.CLEAN_AND_UNKNOWN: _("CLEAN, rest UNKNOWN"),
        Level.UNKNOWN: _("UNKNOWN"),
        Level.SEVERAL: _("NO SINGLE PROCEDURE"),
        Level.NO_PROCEDURE: _("NO PROCEDURE"),
    }


def _asks() -> dict[Level, str]:
    return {
        Level.NOTHING: _(
            "The next product declares all that the one before brings. Clear the line all the same."
        ),
        Level.CLEAN: _(
            "Clean by a procedure named there, verify it, and have it released, because of the allergens named there."
        ),
        Level.CLEAN_AND_UNKNOWN: _(
            "Clean as named there; beyond that it is not known what else must be cleared. Ask the food-safety lead first."
        ),
        Level.UNKNOWN: _(
            "Nobody stated whether the allergens named or counted there are in it. Unknown is not absent: clean as if "
            "they were, or ask the food-safety lead."
        ),
        Level.SEVERAL: _(
            "No single approved procedure clears all of it. Ask the food-safety lead before you go on."
        ),
        Level.NO_PROCEDURE: _(
            "No approved procedure clears it: do not go on. Ask the food-safety lead; make it elsewhere."
        ),
    }


def _table(kind: str | None, own: Matrix, asked: Asked) -> Table:
    pieces = tuple(str(each) for each in asked.equipment if each.kind == kind)
    return Table(kind or "", pieces, own.mark, tuple(_parts(own)), tuple(_means(own)))


def _parts(own: Matrix) -> Iterator[Part]:
    """Columns spread evenly over as few parts as hold them."""
    count = len(own.products)
    parts = -(-count // ACROSS)
    squares = [_square(cell, own) for cell in own.cells]
    bounds = [count * at // parts for at in range(parts + 1)]
    for number, (begins, ends) in enumerate(pairwise(bounds), start=1):
        heads = tuple(Head(each.material.code, each.material.name) for each in own.products[begins:ends])
        rows = tuple(
            Row(
                each.material.code,
                each.material.name,
                tuple(squares[at * count + begins : at * count + ends]),
            )
            for at, each in enumerate(own.products)
        )
        yield Part(number, heads, rows)


def _square(cell: Cell, own: Matrix) -> Square:
    return Square(
        level=cell.level,
        word=_words()[cell.level],
        mark=MARKS[cell.level],
        same=cell.before == cell.after,
        clear=_named(cell.clear, own),
        unknown=_named(cell.unknown, own),
        none_clears=_named(cell.none_clears, own),
        ways=tuple(map(_way, cell.by)),
        ways_for_known=tuple(map(_way, cell.by_known)),
    )


def _named(codes: Iterable[str], own: Matrix) -> tuple[str, ...]:
    return tuple(sorted(lists.spoken(own.vocabulary, code) for code in codes))


def _way(version: CleaningProcedureVersion) -> Way:
    return Way(version.procedure.code, _minutes(Decimal(version.document["minutes"])))


def _minutes(minutes: Decimal) -> str:
    return f"{minutes.normalize():f}"


def _products(own: Matrix) -> Iterator[Told]:
    for each in own.products:
        yield Told(
            code=each.material.code,
            name=each.material.name,
            recipes=_("version %d") % each.version.number,
            holds=_named(each.holds, own),
            unknown=_named(each.unknown - each.holds, own),
            declares=_named(each.bears.codes, own),
            declared_by=spoken(each.bears.by),
        )


def _means(own: Matrix) -> Iterator[Means]:
    for each in own.means:
        clears = each.procedure.clears.allergens
        yield Means(
            code=each.version.procedure.code,
            name=each.version.procedure.name,
            version=each.version.number,
            method=spoken(each.procedure.method),
            minutes=_minutes(each.procedure.minutes),
            clears=_("all allergens")
            if clears is None
            else ", ".join(_named(clears, own)) or _("no allergen"),
            equipment_kinds=each.procedure.equipment_kinds,
            record=each.version.pk,
        )
