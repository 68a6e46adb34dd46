"""Heads and cells of lists on paper: in Spanish, on US Letter, where words are longest and the paper is narrowest."""

import io
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import pytest
from django.utils import translation
from pdfminer.high_level import extract_pages
from pdfminer.layout import LTChar, LTPage, LTTextContainer

from reports import (
    changeover_log,
    deviation_list,
    people_list,
    receiving_log,
    rendering,
    verification_log,
)
from reports.documents import Column, PageSize, RecordLine
from reports.listing import Listing, Section
from tests.reports import samples

pytestmark = pytest.mark.pdf
OF_RECORDS = (
    receiving_log.COLUMNS,
    verification_log.COLUMNS,
    deviation_list.COLUMNS,
    changeover_log.COLUMNS,
    people_list.QUALIFICATIONS,
)
PLAIN = (verification_log.REGISTER, people_list.PEOPLE)
LONG = "W" * 200
DAY, DAYS = "2026-09-01", frozenset({"best_before", "valid_from", "valid_until"})


@dataclass(frozen=True, kw_only=True)
class Line(RecordLine):
    """Says the same in each column of whatever table, but for days."""

    said: str

    def __getattr__(self, name: str) -> str:
        return DAY if name in DAYS else self.said


class Plain:
    def __getattr__(self, name: str) -> str:
        return "x"


def line(said: str) -> Line:
    return Line(
        record=samples.record_id(1),
        digest="0" * 64,
        performed_by="Omar Stove",
        performed_at=samples.NOON,
        recorded_by="Omar Stove",
        recorded_at=samples.NOON,
        said=said,
    )


@dataclass(frozen=True, kw_only=True)
class Tables(Listing):
    kind = "tables"
    said: str
    record_ids: tuple[Any, ...] = ()

    def sections(self) -> tuple[Section, ...]:
        records = [Section("Registros", [line(self.said)], columns, "") for columns in OF_RECORDS]
        return (*records, *(Section("Lista", [Plain()], columns, "") for columns in PLAIN))


def drawn(said: str) -> list[LTPage]:
    with translation.override("es"):
        document = Tables(
            said=said,
            number="000001",
            title="Tablas",
            establishment="Lindenhof Sweets",
            establishment_lines=("DE",),
            asked_by="Petra Inspect",
            made_at=samples.NOON,
            confirmed_rules=(),
            seal=None,
            language="es",
            page_size=PageSize.LETTER,
        )
        return list(extract_pages(io.BytesIO(rendering.to_pdf(document))))


def text(pages: list[LTPage]) -> str:
    found = "".join(box.get_text() for page in pages for box in page if isinstance(box, LTTextContainer))
    return found.replace("\u2010\n", "")


def heads() -> Iterator[Column]:
    for columns in (*OF_RECORDS, *PLAIN):
        yield from columns


def test_no_head_breaks_within_a_syllable_and_a_day_stays_whole() -> None:
    words = text(drawn("x")).split()
    with translation.override("es"):
        asked = {word for column in heads() for word in str(column.head).split()}
    assert asked - set(words) == set()
    assert words.count(DAY) == sum(each.attribute in DAYS for columns in OF_RECORDS for each in columns)


def test_a_word_that_fills_its_cell_keeps_off_the_next() -> None:
    """Two letters of one line lie side by side, or 2.5 mm apart at least where a column ends."""
    gaps = [gap for page in drawn(LONG) for gap in _gaps(page)]
    between = [gap for gap in gaps if gap > 0.5]
    assert between
    assert min(between) > 2.5 / 25.4 * 72


def _gaps(page: LTPage) -> Iterator[float]:
    lines: dict[int, list[LTChar]] = {}
    for each in _letters(page):
        if each.get_text() == "W":
            lines.setdefault(round(each.y0), []).append(each)
    for letters in lines.values():
        letters.sort(key=lambda each: each.x0)
        yield from (after.x0 - before.x1 for before, after in pairwise(letters))


def _letters(item: Any) -> Iterator[LTChar]:
    if isinstance(item, LTChar):
        yield item
    elif hasattr(item, "__iter__"):
        for each in item:
            yield from _letters(each)
