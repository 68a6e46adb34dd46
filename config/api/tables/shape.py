"""What a table is: columns by name, rows with their line, and how the header is taken."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches

from config.api.refusals import Reason, Unusable

MOST_BYTES = 50_000_000
MOST_ROWS = 50_000
MOST_COLUMNS = 100
LONGEST_CELL = 4000


class UnreadableTable(Unusable):
    """The file as a whole cannot be read; the reasons say where. Nothing was kept."""

    code = "unreadable-table"


@dataclass(frozen=True)
class Columns:
    """``known``: every name a column may have; ``needed``: those without which nothing can be read.

    Names are lower case with underscores; in a file "Best before" and "best-before" are ``best_before``.
    """

    known: Sequence[str]
    needed: Sequence[str] = ()


@dataclass(frozen=True)
class Row:
    """``cells``: what is filled in, by column; an empty cell is not there. ``line``: where it begins, from 1.

    ``serials``: cells of a workbook that hold a plain number, as the day which that number is in the workbook's own
    calendar (year-month-day). Only a column of days asks for it.
    """

    file: str
    line: int
    cells: dict[str, str]
    serials: dict[str, str] = field(default_factory=dict)

    def wrong(self, code: str, detail: str, column: str = "", ids: Sequence[str] = ()) -> Reason:
        """A reason with file, line and column, for people in its sentence and for programs in its field."""
        where = f"{self.file}, line {self.line}" + (f", column {column}" if column else "")
        place = f"{self.file}:{self.line}" + (f".{column}" if column else "")
        return Reason(code, f"{where}: {detail}", place, ids)


@dataclass
class Table:
    file: str
    rows: list[Row] = field(default_factory=list)
    wrong: list[Reason] = field(default_factory=list)


@dataclass(frozen=True)
class Raw:
    """A row as it was taken apart, before its columns are named. ``faults``: by position, what a cell cannot be."""

    line: int
    cells: list[str]
    serials: dict[int, str] = field(default_factory=dict)
    faults: dict[int, tuple[str, str]] = field(default_factory=dict)

    @property
    def empty(self) -> bool:
        return not any(self.cells) and not self.faults


def name_of(title: str) -> str:
    """The name of a column from what its header says."""
    return "_".join(title.strip().lower().replace("-", " ").replace("_", " ").split())


def checked_header(file: str, raw: Raw, columns: Columns) -> list[str]:
    """The names of the columns, "" where a header cell is empty. Raises UnreadableTable with everything wrong."""
    names = [name_of(title) for title in raw.cells]
    row = Row(file, raw.line, {})
    reasons = [row.wrong(code, detail) for code, detail in raw.faults.values()]
    for name in dict.fromkeys(names):
        if name and name not in columns.known:
            reasons.append(row.wrong("unknown-column", _unknown(name, columns), name[:40]))
        elif name and names.count(name) > 1:
            reasons.append(row.wrong("column-twice", "This column stands twice.", name))
    lacking = [name for name in columns.needed if name not in names]
    if lacking:
        sentence = f"Columns that are needed are missing: {', '.join(lacking)}."
        reasons.append(row.wrong("column-missing", sentence))
    if reasons:
        raise UnreadableTable(
            f"{file}: its columns are not those asked for. Nothing was kept.", reasons=reasons
        )
    return names


def _unknown(name: str, columns: Columns) -> str:
    guess = get_close_matches(name, columns.known, 1)
    hint = f"did you mean {guess[0]}?" if guess else f"known are {', '.join(columns.known)}."
    return f"{name[:40]!a} is no column here; {hint}"


def take(table: Table, raw: Raw, names: Sequence[str]) -> None:
    """Add a row to the table under its columns, and what is wrong with its cells."""
    if raw.empty:
        return
    if len(table.rows) >= MOST_ROWS:
        sentence = f"{table.file}: more than {MOST_ROWS:,} rows. Send it in parts. Nothing was kept."
        raise UnreadableTable(sentence, code="too-many-rows")
    row = Row(table.file, raw.line, {}, {})
    for at, text in enumerate(raw.cells):
        name = names[at] if at < len(names) else ""
        if at in raw.faults:
            code, detail = raw.faults[at]
            table.wrong.append(row.wrong(code, detail, name or f"number {at + 1}"))
        elif text and not name:
            sentence = f"{text[:20]!a} stands under no column: it is cell {at + 1} of the row."
            table.wrong.append(row.wrong("no-column", sentence))
        elif len(text) > LONGEST_CELL:
            sentence = f"Longer than {LONGEST_CELL} characters."
            table.wrong.append(row.wrong("too-long", sentence, name))
        elif text:
            row.cells[name] = text
            row.serials.update({name: raw.serials[at]} if at in raw.serials else {})
    table.rows.append(row)
