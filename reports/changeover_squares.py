"""The changeover table as rows for spreadsheets and programs: one a square, what comes after what on which equipment."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from reports import tables
from reports.tables import Table, text

if TYPE_CHECKING:
    from reports import changeover_table
    from reports.changeover_table import Part, Square, Way

SQUARES = (
    "kind",
    "equipment",
    "before_code",
    "before",
    "after_code",
    "after",
    "level",
    "clear",
    "unknown",
    "none_clears",
    "ways",
    "ways_for_known",
)
PRODUCTS = ("code", "name", "recipes", "holds", "unknown", "declares", "declared_by")
PROCEDURES = ("code", "name", "version", "method", "minutes", "clears", "equipment_kinds", "record")


def tables_of(document: "changeover_table.ChangeoverTable") -> tuple[Table, ...]:
    """The squares of all its tables, the products, and each procedure once."""
    squares = [row for table in document.tables for part in table.parts for row in _rows(table, part)]
    procedures = {each.record: each for table in document.tables for each in table.means}
    return (
        Table("squares", SQUARES, squares),
        tables.of_lines("products", document.products, PRODUCTS),
        tables.of_lines("procedures", procedures.values(), PROCEDURES),
    )


def _rows(table: "changeover_table.Table", part: "Part") -> Iterator[tuple[str, ...]]:
    on = (table.kind, text(table.equipment))
    for row in part.rows:
        for head, square in zip(part.heads, row.squares, strict=True):
            yield (*on, row.code, row.name, head.code, head.name, *_cells(square))


def _cells(square: "Square") -> tuple[str, ...]:
    known = (square.level, square.clear, square.unknown, square.none_clears)
    return (*map(text, known), _ways(square.ways), _ways(square.ways_for_known))


def _ways(ways: "tuple[Way, ...]") -> str:
    return "; ".join(f"{way.code}, {way.minutes} min" for way in ways)
