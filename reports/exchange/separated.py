"""CSV as RFC 4180 has it: commas, quotes where they are needed, CR LF, UTF-8; no cell is taken for a formula."""

import csv
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from types import SimpleNamespace

from config.api.formulas import MAY_START_ONE, defused
from reports.exchange.columns import NAMES, TYPED

CSV = "text/csv; charset=utf-8"
_cell = lru_cache(maxsize=10_000)(defused)  # the same few names stand in thousands of rows
Row = tuple[str, ...]


def as_csv(
    chunks: Iterable[Sequence[Row]],
    names: Sequence[str] = NAMES,
    typed: Sequence[int] = TYPED,
    harmless: Callable[[str], str] = _cell,
) -> Iterator[bytes]:
    """The header at once, before anything was read; then what is read, as it comes.

    ``typed``: places of cells that a person typed, which ``harmless`` makes so; the others begin no formula.
    """
    written, looked_at = list[str](), frozenset(typed)
    writer = csv.writer(SimpleNamespace(write=written.append))
    writer.writerow(names)
    yield "".join(written).encode()
    for rows in chunks:
        written.clear()
        columns = enumerate(zip(*rows, strict=True))
        risky = [place for place, column in columns if place in looked_at and _may_start_one(column)]
        writer.writerows([_made(harmless, row, risky) for row in rows] if risky else rows)
        yield "".join(written).encode()


def _may_start_one(column: Row) -> bool:
    """Of a column at once: the same few texts stand in most rows, so that few are looked at."""
    return not MAY_START_ONE.isdisjoint({cell[:1] for cell in set(column)})


def _made(harmless: Callable[[str], str], row: Row, places: Iterable[int]) -> Sequence[str]:
    cells = list(row)
    for place in places:
        cells[place] = harmless(cells[place])
    return cells
