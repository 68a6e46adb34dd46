"""The tables as files, whichever way they come in: one for each, or a workbook with a sheet for each."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import IO

from batches.bringing import columns
from config.api.refusals import Reason
from config.api.tables import Table, UnreadableTable, read


@dataclass(frozen=True)
class Given:
    """``label``: how errors call it. ``is_sheet``: a workbook's, which need not have a sheet for every table."""

    table: str
    file: IO[bytes]
    label: str
    is_sheet: bool = False


def read_all(given: Iterable[Given]) -> dict[str, Table]:
    """The rows by table. Raises UnreadableTable with everything that is wrong with all of them."""
    tables: dict[str, Table] = {}
    reasons: list[Reason] = []
    for each in given:
        each.file.seek(0)  # a workbook is read once for each of its sheets
        known = columns.columns_of(each.table)
        try:
            tables[each.table] = read(each.file, name=each.label, columns=known, sheet=each.table)
        except UnreadableTable as refusal:
            if not (each.is_sheet and refusal.code == "which-sheet"):
                reasons += refusal.reasons
    if reasons:
        raise UnreadableTable("Nothing was written.", reasons=reasons)
    return tables
