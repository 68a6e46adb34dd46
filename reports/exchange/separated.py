"""CSV as RFC 4180 has it: commas, quotes where they are needed, CR LF, UTF-8; no cell is taken for a formula."""

import csv
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from operator import itemgetter
from types import SimpleNamespace

from config.api.formulas import MAY_START_ONE, defused
from reports.exchange.columns import NAMES, TYPED

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
    written: list[str] = []
    writer = csv.writer(SimpleNamespace(write=written.append))
    writer.writerow(names)
    yield "".join(written).encode()
    typed_of, places = [itemgetter(place) for place in typed], frozenset(typed)
    for rows in chunks:
        written.clear()
        plain = _are_plain(rows, typed_of)
        writer.writerows(rows if plain else [_made(harmless, row, places) for row in rows])
        yield "".join(written).encode()


def _are_plain(rows: Sequence[Row], typed_of: Iterable[Callable[[Row], str]]) -> bool:
    """Of all rows at once, column by column: the same few texts stand in most rows, so that few are looked at."""
    return all(MAY_START_ONE.isdisjoint({cell[:1] for cell in set(map(of, rows))}) for of in typed_of)


def _made(harmless: Callable[[str], str], row: Row, places: frozenset[int]) -> Sequence[str]:
    """Hardly any row has a cell that begins so: the first characters of all are looked at together."""
    if MAY_START_ONE.isdisjoint([cell[:1] for cell in row]):
        return row
    return [harmless(cell) if place in places else cell for place, cell in enumerate(row)]
