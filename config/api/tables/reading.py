"""One way in for both kinds of file: what it is, is seen in its first bytes, whatever its name says."""

from typing import IO

from config.api.tables import separated, workbooks
from config.api.tables.shape import MOST_BYTES, Columns, Table, UnreadableTable

OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"


def read(file: IO[bytes], *, name: str, columns: Columns, sheet: str = "") -> Table:
    """The rows of a CSV or XLSX file. ``name``: how to call it in errors. Raises UnreadableTable.

    ``sheet``: of a workbook the one with this name, in any case of letters, where there are several.
    """
    data = file.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        sentence = f"{name}: larger than {MOST_BYTES // 1_000_000} MB. Send it in parts. Nothing was kept."
        raise UnreadableTable(sentence, code="too-large", field=name)
    if data.startswith(b"PK"):
        return workbooks.read(data, name, columns, sheet)
    if data.startswith(OLD_WORKBOOK):
        sentence = (
            f"{name}: a workbook of the old kind (.xls), or one with a password. Save it as .xlsx or CSV "
            "without one. Nothing was kept."
        )
        raise UnreadableTable(sentence, code="old-workbook", field=name)
    return separated.read(data, name, columns)
