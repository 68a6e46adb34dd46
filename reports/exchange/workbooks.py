"""XLSX of one sheet: texts as texts, so that nothing is a formula; amounts as numbers, so that they sort and sum."""

from collections.abc import Iterable, Sequence
from itertools import chain
from typing import IO

import xlsxwriter

from config.api.refusals import RuleBroken
from reports.exchange.columns import AMOUNTS, COLUMNS

MOST_ROWS = 1_048_576  # of a sheet, its header counted (ECMA-376; figure from memory)
PROPERTIES = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}


def write(file: IO[bytes], chunks: Iterable[Sequence[tuple[str, ...]]]) -> None:
    """Write the workbook into ``file``, row by row; memory does not grow. Raises RuleBroken for more than a sheet holds."""
    book = xlsxwriter.Workbook(file, {"constant_memory": True, **PROPERTIES})
    sheet = book.add_worksheet("movements")
    head = book.add_format({"bold": True})
    for place, column in enumerate(COLUMNS):
        sheet.write_string(0, place, column.name, head)
    sheet.freeze_panes(1, 0)
    line = 0
    for line, row in enumerate(chain.from_iterable(chunks), start=1):
        _refuse_beyond(line)
        for place, cell in enumerate(row):
            if cell:
                if place in AMOUNTS:
                    sheet.write_number(line, place, float(cell))
                else:
                    sheet.write_string(line, place, cell)
    sheet.autofilter(0, 0, line, len(COLUMNS) - 1)
    book.close()


def _refuse_beyond(line: int) -> None:
    if line >= MOST_ROWS:
        raise RuleBroken(
            f"A sheet holds {MOST_ROWS - 1:,} movements, and these are more. Take CSV, or a shorter period.",
            code="too-many-rows",
        )
