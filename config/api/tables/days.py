"""Days in a cell: only in forms that everybody reads alike."""

import re
from datetime import date

from config.api.refusals import Unusable
from config.api.tables.shape import Row

ISO = re.compile(r"(\d{4})-(\d{2})-(\d{2})", re.ASCII)
DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", re.ASCII)
"""With full stops the day stands first wherever it is written so (common practice, no source)."""
NUMBER_OF_A_DAY = re.compile(r"\d{5}", re.ASCII)


def read_day(row: Row, column: str) -> date:
    """The day in a filled cell: 2026-03-02, 2.3.2026, or a workbook's own number of a day. Raises Unusable."""
    return day_of(row.serials.get(column, row.cells[column]), column)


def day_of(text: str, column: str) -> date:
    try:
        if found := ISO.fullmatch(text):
            return date(*map(int, found.groups()))
        if found := DAY_FIRST.fullmatch(text):
            return date(*map(int, reversed(found.groups())))
    except ValueError:
        raise Unusable(f"There is no day {text[:20]!a}.", code="not-a-day", field=column) from None
    hint = ""
    if "/" in text:
        hint = " With / nobody can tell the day from the month."
    elif NUMBER_OF_A_DAY.fullmatch(text):
        hint = " This looks like a workbook's number of a day: give the column the format of a date and save again."
    sentence = f"Write the day as year-month-day, as in 2026-03-02, not {text[:20]!a}.{hint}"
    raise Unusable(sentence, code="not-a-day", field=column)
