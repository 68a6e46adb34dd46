"""XLSX: texts as texts, so that nothing is a formula; amounts as numbers, so that they sort and sum."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import IO, Any

import xlsxwriter

from config.api.refusals import RuleBroken
from reports.exchange.columns import AMOUNTS, NAMES

MOST_ROWS = 1_048_576  # of a sheet, its header counted (ECMA-376; figure from memory)
PROPERTIES = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}


@dataclass(frozen=True)
class Sheet:
    """``amounts``: the places of cells that hold a number or nothing."""

    name: str
    heads: Sequence[str]
    rows: Iterable[Sequence[str]]
    amounts: Collection[int] = ()


def write(file: IO[bytes], chunks: Iterable[Sequence[tuple[str, ...]]]) -> None:
    """Write a workbook of movements into ``file``. Raises RuleBroken for more than a sheet holds."""
    write_sheets(file, [Sheet("movements", NAMES, chain.from_iterable(chunks), AMOUNTS)])


def write_sheets(file: IO[bytes], sheets: Iterable[Sheet]) -> None:
    """Write the sheets into ``file``, row by row; memory does not grow. Raises RuleBroken for more than one holds."""
    book = xlsxwriter.Workbook(file, {"constant_memory": True, **PROPERTIES})
    bold = book.add_format({"bold": True})
    for sheet in sheets:
        _fill(book.add_worksheet(sheet.name), sheet, bold)
    book.close()


def _fill(page: Any, sheet: Sheet, bold: Any) -> None:
    for place, head in enumerate(sheet.heads):
        page.write_string(0, place, head, bold)
    page.freeze_panes(1, 0)
    line = 0
    for line, row in enumerate(sheet.rows, start=1):
        _refuse_beyond(line)
        for place, cell in enumerate(row):
            if cell:
                if place in sheet.amounts:
                    page.write_number(line, place, float(cell))
                else:
                    page.write_string(line, place, cell)
    page.autofilter(0, 0, line, len(sheet.heads) - 1)


def _refuse_beyond(line: int) -> None:
    if line >= MOST_ROWS:
        raise RuleBroken(
            f"A sheet holds {MOST_ROWS - 1:,} rows, and these are more. Take CSV, or a shorter period.",
            code="too-many-rows",
        )
