"""Tables of a document for spreadsheets and programs: CSV of the main one, XLSX with a sheet for each.

Heads are the same in every language, so that a program finds them. A cell that a spreadsheet could take for a formula is
made harmless; a plain number stays one, also below zero.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from enum import Enum
from functools import lru_cache
from io import BytesIO
from itertools import islice
from operator import attrgetter
from typing import IO, TYPE_CHECKING, Any
from uuid import UUID

import orjson

from config.api.formulas import harmless
from reports.exchange import separated, workbooks

if TYPE_CHECKING:
    from reports.documents import RecordLine

FORMS = ("pdf", "json", "html", "csv", "xlsx")
"""Of a document that is a table."""
ROWS_AT_ONCE = 2000
RECORD_HEADS = (
    "performed_at",
    "performed_by",
    "recorded_at",
    "recorded_by",
    "late_by_minutes",
    "clock_ahead_by_minutes",
    "transcribed_from",
    "place",
    "note",
    "state",
    "corrects",
    "replaced_by",
    "replaced_because",
    "record",
    "digest",
)
"""What every record says in a table, behind the columns of its kind."""
MADE_HERE = frozenset(
    ("performed_at", "recorded_at", "late_by_minutes", "clock_ahead_by_minutes", "state")
) | frozenset(("corrects", "replaced_by", "record", "digest"))
"""Of those: times, counts, ids and digests, in which nobody typed anything that could begin as a formula does."""


@dataclass(frozen=True)
class Table:
    """Rows of text below ``heads``. ``amounts``: heads of what a workbook keeps as numbers."""

    name: str
    heads: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]
    amounts: frozenset[str] = frozenset()


def of_lines(
    name: str, lines: Iterable[Any], heads: Sequence[str], amounts: frozenset[str] = frozenset()
) -> Table:
    """One row a line: its attributes named by ``heads``, as text."""
    values = attrgetter(*heads)
    return Table(name, tuple(heads), [tuple(map(text, values(line))) for line in lines], amounts)


def of_records(
    name: str, lines: Iterable["RecordLine"], heads: Sequence[str], amounts: frozenset[str] = frozenset()
) -> Table:
    """One row a record: its own attributes named by ``heads``, then what every record says."""
    values, known = attrgetter(*heads), list(lines)
    rows = [
        (*map(text, values(line)), *cells) for line, cells in zip(known, record_cells(known), strict=True)
    ]
    return Table(name, (*heads, *RECORD_HEADS), rows, amounts)


def record_cells(lines: Sequence["RecordLine"]) -> Iterator[tuple[str, ...]]:
    """The cells below ``RECORD_HEADS`` of each."""
    performed = _together([line.performed_at for line in lines])
    recorded = _together([line.recorded_at for line in lines])
    return map(_record_cells, lines, performed, recorded, _together([line.record for line in lines]))


def _together(values: list[datetime] | list[UUID]) -> list[str]:
    """Times in ISO 8601, or ids; so many together take a fifth of the time that one by one they do."""
    return orjson.dumps(values)[2:-2].decode().split('","') if values else []


def _record_cells(line: "RecordLine", performed_at: str, recorded_at: str, record: str) -> tuple[str, ...]:
    gone, sheet = line.replaced, line.transcribed
    return (
        performed_at,
        line.performed_by,
        recorded_at,
        line.recorded_by,
        _minutes(line.late_by),
        _minutes(line.clock_ahead_by),
        "" if sheet is None else f"{sheet.sheet}, {sheet.line}",
        line.place,
        line.note,
        "stands" if gone is None else "withdrawn" if gone.withdrawn else "corrected",
        "" if line.corrects is None else str(line.corrects),
        "" if gone is None else str(gone.record),
        "" if gone is None else gone.reason,
        record,
        line.digest,
    )


def _minutes(span: timedelta | None) -> str:
    return "" if span is None else str(int(span.total_seconds() // 60))


def text(value: Any) -> str:
    """A value as a cell. Several are parted by semicolons; times bear their offset."""
    if type(value) is str:  # most are: asked first, since a log has a quarter of a million cells
        return value
    if value is None:
        return ""
    if isinstance(value, tuple):
        return "; ".join(map(text, value))
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (datetime, date)):
        return value.isoformat()
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, (int, UUID)):
        return str(value)
    raise TypeError(f"{type(value).__name__} is no cell of a table: {value!r:.80}")


def as_csv(table: Table) -> Iterator[bytes]:
    """The table as CSV (RFC 4180), some thousand rows at a time."""
    return separated.as_csv(_chunks(table.rows), table.heads, _typed(table.heads), _harmless)


def _typed(heads: Sequence[str]) -> list[int]:
    """Places of cells that may begin as a formula does: all but what the service made itself of each record."""
    own = len(heads) - len(RECORD_HEADS) if heads[-len(RECORD_HEADS) :] == RECORD_HEADS else len(heads)
    return [place for place, head in enumerate(heads) if place < own or head not in MADE_HERE]


def _chunks(rows: Iterable[tuple[str, ...]]) -> Iterator[list[tuple[str, ...]]]:
    left = iter(rows)
    while chunk := list(islice(left, ROWS_AT_ONCE)):
        yield chunk


_harmless = lru_cache(maxsize=10_000)(harmless)  # the same few texts stand in thousands of rows


def write_workbook(file: IO[bytes], tables: Iterable[Table]) -> None:
    """All tables as one workbook. Raises RuleBroken for more rows than a sheet holds."""
    workbooks.write_sheets(file, map(_sheet, tables))


def _sheet(table: Table) -> workbooks.Sheet:
    places = frozenset(place for place, head in enumerate(table.heads) if head in table.amounts)
    return workbooks.Sheet(table.name, table.heads, table.rows, places)


def as_files(tables: Sequence[Table]) -> dict[str, bytes]:
    """By form: the main one as CSV, all as one workbook; nothing where there is no table."""
    if not tables:
        return {}
    book = BytesIO()
    write_workbook(book, tables)
    return {"csv": b"".join(as_csv(tables[0])), "xlsx": book.getvalue()}
