"""XLSX: one sheet, read a row at a time, after what the archive declares of itself was looked at.

An archive is refused before anything is unpacked where it declares more than it may unpack to; of each part no more
than it declares is ever read (``zipfile``). Entities in its XML are refused (``defusedxml``). Formulas are not
reckoned and what a program last showed for them may be stale: such a cell is an error, to be pasted as its value.
"""

import io
import re
import warnings
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any

import openpyxl
from defusedxml.common import DefusedXmlException
from openpyxl.cell.read_only import EMPTY_CELL
from openpyxl.utils.datetime import from_excel

from config.api.characters import UNKEEPABLE
from config.api.tables.shape import MOST_COLUMNS, Columns, Raw, Table, UnreadableTable, checked_header, take

MOST_UNPACKED = 50_000_000
MOST_PARTS = 1000
MOST_LINES = 1_048_576  # rows of a sheet in this format (ECMA-376; figure from memory)
LAST_SERIAL = 2_958_465  # 31 December 9999 (from memory)
DIGITS = 15  # significant ones that such a program keeps (from memory); what lies beyond is the float's
NOTHING = {id(EMPTY_CELL)}  # the library has one such cell
ZEROS = re.compile("0+")


def read(data: bytes, name: str, columns: Columns, sheet: str) -> Table:
    _refuse_bomb(data, name)
    table = Table(name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of what it leaves out: styles, charts, validations
            rows = _raw_rows(data, name, sheet)
            header = next((raw for raw in rows if not raw.empty), None)
            if header is None:
                raise UnreadableTable(f"{name}: the sheet is empty.", code="empty-file", field=name)
            names = checked_header(name, header, columns)
            for raw in rows:
                take(table, raw, names)
    except UnreadableTable:
        raise
    except Exception as error:  # the library raises whatever a broken part makes it stumble over
        sentence = f"{name}: cannot be read as a workbook{_why(error)}. Nothing was kept."
        raise UnreadableTable(sentence, code="unreadable-workbook", field=name) from error
    return table


def _why(error: BaseException | None) -> str:
    while error is not None:
        if isinstance(error, DefusedXmlException):
            return ": its XML declares entities, which are not read"
        error = error.__cause__
    return ""


def _refuse_bomb(data: bytes, name: str) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = archive.infolist()
    except (zipfile.BadZipFile, ValueError, NotImplementedError, EOFError, OSError):
        sentence = f"{name}: neither CSV nor a workbook that can be opened. Nothing was kept."
        raise UnreadableTable(sentence, code="unreadable-workbook", field=name) from None
    size = sum(part.file_size for part in parts)
    if size > MOST_UNPACKED or len(parts) > MOST_PARTS:
        sentence = (
            f"{name}: it says it unpacks to {size // 1_000_000} MB in {len(parts)} parts; at most "
            f"{MOST_UNPACKED // 1_000_000} MB in {MOST_PARTS} are opened. Nothing was kept."
        )
        raise UnreadableTable(sentence, code="unpacks-too-large", field=name)


def _raw_rows(data: bytes, name: str, sheet: str) -> Iterator[Raw]:
    workbook = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=False, keep_links=False)
    try:
        chosen = _sheet(workbook, name, sheet)
        chosen.reset_dimensions()  # what a sheet says of its own size is often wrong
        rows = chosen.iter_rows(max_row=MOST_LINES, max_col=MOST_COLUMNS + 1)
        before = None
        for line, cells in enumerate(rows, start=1):
            if cells is before:  # the library gives one and the same for all rows that are not there
                continue
            before = cells
            if set(map(id, cells)) != NOTHING:
                yield _raw(line, cells, workbook.epoch)
    finally:
        workbook.close()


def _sheet(workbook: Any, name: str, wanted: str) -> Any:
    """The sheet of that name, else the only one. Raises UnreadableTable, naming those there are."""
    sheets = workbook.worksheets
    named = [each for each in sheets if each.title.strip().lower() == wanted.lower()]
    if wanted and named:
        return named[0]
    if len(sheets) == 1:
        return sheets[0]
    titles = ", ".join(each.title[:40] for each in sheets[:20])
    asked = f"none is called {wanted}" if wanted else "say which"
    sentence = f"{name}: it has {len(sheets)} sheets ({titles}); {asked}. Nothing was kept."
    raise UnreadableTable(sentence, code="which-sheet", field=name)


def _raw(line: int, cells: Any, epoch: Any) -> Raw:
    raw = Raw(line, [])
    for at, cell in enumerate(cells):
        text, fault = _text(cell)
        if at == MOST_COLUMNS and (text or fault):
            fault = ("too-many-columns", f"At most {MOST_COLUMNS} columns are read.")
        raw.cells.append(text)
        if fault:
            raw.faults[at] = fault
        elif _is_serial(cell):
            raw.serials[at] = from_excel(cell.value, epoch).date().isoformat()
    while raw.cells and not raw.cells[-1] and len(raw.cells) - 1 not in raw.faults:
        raw.cells.pop()
    return raw


def _text(cell: Any) -> tuple[str, tuple[str, str] | None]:
    """The cell as text, or why it cannot be taken."""
    value, kind = cell.value, getattr(cell, "data_type", "n")
    if value is None:
        return "", None
    if kind == "f":
        return "", (
            "formula",
            "A formula stands here. Paste its value instead, so that what is read is what you saw.",
        )
    if kind == "e":
        return "", ("error-value", f"The sheet shows an error here: {str(value)[:20]}.")
    text = _plain(value, cell)
    if found := UNKEEPABLE.search(text):
        return "", ("unusable-text", f"It holds a character that cannot be kept (U+{ord(found[0]):04X}).")
    return text, None


def _plain(value: Any, cell: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int) and ZEROS.fullmatch(str(cell.number_format)):
        return str(value).zfill(len(cell.number_format))  # a code that is shown with leading zeros
    if isinstance(value, float):
        return _fixed(value)
    if isinstance(value, datetime):
        return _moment(value)
    if isinstance(value, time):
        return value.isoformat("minutes")
    return value.isoformat() if isinstance(value, date) else str(value).strip()


def _fixed(value: float) -> str:
    """Without an exponent, to the digits that a sheet keeps: 0.1 + 0.2 is shown and taken as 0.3."""
    text = f"{Decimal(f'{value:.{DIGITS}g}'):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _moment(value: datetime) -> str:
    """A day by itself where there is no time of day; seconds are the float's where they lie near a whole one."""
    whole = (value + timedelta(milliseconds=500)).replace(microsecond=0)
    if whole.time() == time(0):
        return whole.date().isoformat()
    return whole.isoformat(" ", "seconds" if whole.second else "minutes")


def _is_serial(cell: Any) -> bool:
    value = cell.value
    return type(value) in (int, float) and value == int(value) and 1 <= value <= LAST_SERIAL
