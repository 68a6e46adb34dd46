"""CSV: UTF-8 with or without a byte order mark, cells parted by commas, semicolons or tabs as the header has it."""

import csv
import io
from collections.abc import Iterator

from config.api.characters import UNKEEPABLE
from config.api.tables.shape import (
    MOST_COLUMNS,
    Columns,
    Raw,
    Row,
    Table,
    UnreadableTable,
    checked_header,
    take,
)

SEPARATORS = ";\t,"
UTF_16 = (b"\xff\xfe", b"\xfe\xff")


def read(data: bytes, name: str, columns: Columns) -> Table:
    text = _decoded(data, name)
    table, rows = Table(name), _raw_rows(text, name)
    header = next(rows, None)
    if header is None:
        raise UnreadableTable(f"{name}: the file is empty.", code="empty-file", field=name)
    names = checked_header(name, header, columns)
    for raw in rows:
        take(table, raw, names)
    return table


def _decoded(data: bytes, name: str) -> str:
    try:
        if data.startswith(UTF_16):
            raise ValueError
        text = data.decode("utf-8-sig")
    except ValueError:
        sentence = f"{name}: not UTF-8 text. Save it as CSV UTF-8, or as .xlsx. Nothing was kept."
        raise UnreadableTable(sentence, code="not-utf-8", field=name) from None
    if found := UNKEEPABLE.search(text):
        line = text.count("\n", 0, found.start()) + 1
        raise _broken(name, line, f"a character that cannot be kept (U+{ord(found[0]):04X})")
    return text


def _raw_rows(text: str, name: str) -> Iterator[Raw]:
    """Each row with the line it begins in; a cell may hold several lines."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_separator(text), strict=True)
    begins = 1
    try:
        for cells in reader:
            if len(cells) > MOST_COLUMNS:
                raise _broken(name, begins, f"{len(cells)} cells; at most {MOST_COLUMNS} columns are read")
            raw = Raw(begins, [cell.strip() for cell in cells])
            if not raw.empty:
                yield raw
            begins = reader.line_num + 1
    except csv.Error as error:
        raise _broken(name, reader.line_num, str(error)) from None


def _separator(text: str) -> str:
    """The one that stands oftenest in the first line with something in it."""
    first = next((line for line in io.StringIO(text) if line.strip()), "")
    return max(SEPARATORS, key=first.count) if any(mark in first for mark in SEPARATORS) else ","


def _broken(name: str, line: int, what: str) -> UnreadableTable:
    reason = Row(name, line, {}).wrong("unreadable-table", f"{what}.")
    return UnreadableTable(f"{reason.detail} Nothing was kept.", reasons=[reason])
