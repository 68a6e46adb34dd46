"""CSV as RFC 4180 has it: commas, quotes where they are needed, CR LF, UTF-8; no cell is taken for a formula."""

import csv
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from operator import itemgetter
from types import SimpleNamespace

from reports.exchange.columns import MAY_START_ONE, NAMES, TYPED, defused

typed_of = itemgetter(*TYPED)
_TYPED_OF = tuple(map(itemgetter, TYPED))
PLACES = frozenset(TYPED)
_cell = lru_cache(maxsize=10_000)(defused)  # the same few names stand in thousands of rows


def as_csv(chunks: Iterable[Sequence[tuple[str, ...]]]) -> Iterator[bytes]:
    """The header at once, before anything was read; then what is read, as it comes."""
    written: list[str] = []
    writer = csv.writer(SimpleNamespace(write=written.append))
    writer.writerow(NAMES)
    yield "".join(written).encode()
    for rows in chunks:
        written.clear()
        writer.writerows(
            rows if _are_plain(rows) else [row if _is_plain(row) else _defused(row) for row in rows]
        )
        yield "".join(written).encode()


def _are_plain(rows: Sequence[tuple[str, ...]]) -> bool:
    """Of all rows at once, column by column: the same few texts stand in most rows, so that few are looked at."""
    return all(MAY_START_ONE.isdisjoint({cell[:1] for cell in set(map(of, rows))}) for of in _TYPED_OF)


def _is_plain(row: tuple[str, ...]) -> bool:
    """Hardly any row has a cell that begins so: the first characters of all are looked at together."""
    return MAY_START_ONE.isdisjoint([cell[0] for cell in typed_of(row) if cell])


def _defused(row: tuple[str, ...]) -> list[str]:
    return [_cell(cell) if place in PLACES else cell for place, cell in enumerate(row)]
