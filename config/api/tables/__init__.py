"""Tables that people send, CSV or XLSX: rows of text by column, each with its file and line, and what is wrong in them.

``read`` is told which columns there may be (``Columns``) and answers a ``Table``. What makes the whole file unreadable
raises ``UnreadableTable``; what is wrong with single rows and cells stands in ``Table.wrong``, so that whoever reads
their content can tell all errors at once. Nothing is guessed: a cell is the text that stands there. No Django here.
"""

from config.api.tables.days import read_day
from config.api.tables.reading import read
from config.api.tables.shape import (
    MOST_BYTES,
    MOST_ROWS,
    Columns,
    Row,
    Table,
    UnreadableTable,
)

__all__ = ["MOST_BYTES", "MOST_ROWS", "Columns", "Row", "Table", "UnreadableTable", "read", "read_day"]
