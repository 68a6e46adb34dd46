"""What document templates use: tables of records, local times, short ids."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID
from xml.etree import ElementTree

from django import template
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from config.templatetags.moments import clock, local_day, local_time
from haccp.limits import Result
from reports.code_drawing import Carrier, Code, path, square
from reports.documents import Column, OutOfOrder, RecordLine

register = template.Library()
for shown in (local_time, local_day, clock):
    register.filter(shown)

WHEN = Column(gettext_lazy("When"), "performed_at", 3)
BY = Column(gettext_lazy("By"), "performed_by", 3)
RECORD = Column(gettext_lazy("Record"), "record", 2, mono=True)


@register.filter
def w3c(value: datetime) -> str:
    """For a document's metadata, which know no fractions: ``2026-03-02T12:00:00+01:00``."""
    return value.isoformat(timespec="seconds")


@register.filter
def short_id(value: UUID) -> str:
    """The last eight digits of an id: enough to find a row in the same document; the data hold it whole."""
    return value.hex[-8:]


@register.filter
def span(value: timedelta) -> str:
    """A stretch of time in whole minutes, hours and days: ``3 h 20 min``."""
    minutes = int(value.total_seconds() // 60)
    days, rest = divmod(minutes, 24 * 60)
    parts = ((days, _("d")), (rest // 60, _("h")), (rest % 60, _("min")))
    return " ".join(f"{number} {unit}" for number, unit in parts if number) or _("less than a minute")


@register.filter
def late_words(at: datetime | None) -> str:
    """What follows the stated time of something that was written down late, at ``at``; nothing where that is none."""
    if at is None:
        return ""
    return f"; {_('late entry')}, {_('written down %(time)s') % {'time': local_time(at)}}"


@dataclass(frozen=True)
class Cell:
    """A value and how it is to be shown: ``text``, ``time``, ``result``, ``out-of-order``, ``lines`` or ``nothing``."""

    value: Any
    look: str
    mono: bool


@dataclass(frozen=True)
class Row:
    cells: tuple[Cell, ...]
    line: Any
    is_record: bool

    @property
    def look(self) -> str:
        """Classes of its style sheet: what is ``long`` may break between pages, as it might fill more than one."""
        gone = self.is_record and self.line.replaced
        return " ".join(filter(None, ("gone" if gone else "", "long" if self._length > LONG else "")))

    @property
    def _length(self) -> int:
        cells = sum(len(str(each.value)) for each in self.cells)
        if not self.is_record:
            return cells
        gone, sheet = self.line.replaced, self.line.transcribed
        words = (
            self.line.note,
            self.line.place,
            gone.reason if gone else "",
            *(sheet.scans if sheet else ()),
        )
        return cells + sum(map(len, words))


LONG = 1500
"""Letters, some third of a page in the narrowest column of a list; a site setting, no source."""


@register.inclusion_tag("reports/_records_table.html")
def records_table(
    lines: Iterable[Any], columns: Sequence[Column], caption: str, nothing: str = "", level: int = 2
) -> dict[str, Any]:
    """A table of dataclass lines. Records get when, by whom and their id around ``columns``, and what marks them.

    ``nothing``: the sentence to print in place of an empty table. ``level``: of the heading, 2 to 4.
    """
    rows = list(lines)
    shown = (WHEN, BY, *columns, RECORD) if rows and isinstance(rows[0], RecordLine) else tuple(columns)
    whole = sum(column.share for column in shown)
    return {
        "caption": caption,
        "level": level,
        "heads": [(column.head, f"{100 * column.share / whole:.2f}") for column in shown],
        "rows": [_row(line, shown) for line in rows],
        "nothing": nothing or _("Nothing is recorded."),
    }


def _row(line: Any, columns: Sequence[Column]) -> Row:
    cells = tuple(_cell(getattr(line, column.attribute), column.mono) for column in columns)
    return Row(cells, line, isinstance(line, RecordLine))


def _cell(value: Any, mono: bool) -> Cell:
    if value is None or value in ("", ()):
        return Cell("–", "nothing", False)
    if isinstance(value, Result):
        return Cell(value.value, "result", False)
    if isinstance(value, OutOfOrder):
        return Cell(value, "out-of-order", False)
    if isinstance(value, datetime):
        return Cell(value, "time", False)
    if isinstance(value, tuple):
        return Cell([_words(part) for part in value], "lines", mono)
    return Cell(_words(value), "text", mono)


def _words(value: Any) -> str:
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, UUID):
        return short_id(value)
    if isinstance(value, timedelta):
        return span(value)
    return value.isoformat() if isinstance(value, date) else str(value)


RESULT_MARKS = {"within": "○", "outside": "▲", "undecided": "◇"}
"""Circle, filled triangle, open diamond: the style sheet draws the same in tables."""


def result_word(value: str) -> str:
    words = {"within": _("within"), "outside": _("outside"), "undecided": _("undecided")}
    return words[value]


@register.simple_tag
def qr(text: str) -> SafeString:
    """A QR code as a picture of 22 mm with its quiet zone; what it says stands beside it in words too."""
    modules = square(Code(Carrier.QR, text))
    size = str(len(modules))
    picture = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "class": "qr",
            "viewBox": f"0 0 {size} {size}",
            "role": "img",
        },
    )
    ElementTree.SubElement(picture, "title").text = text
    picture.append(path(modules, 0, 0, len(modules), len(modules)))
    return mark_safe(ElementTree.tostring(picture, encoding="unicode"))


@register.inclusion_tag("reports/_result.html")
def result(value: str) -> dict[str, str]:
    """A result by word and shape; each shape differs in black and white too."""
    return {"name": value, "word": result_word(value)}


@register.filter
def marked(row: Row) -> bool:
    """Whether a record has anything to say below its cells."""
    line = row.line
    return row.is_record and bool(
        line.replaced
        or line.corrects
        or line.late_by
        or line.clock_ahead_by
        or line.transcribed
        or line.note
        or line.place
        or line.performed_by != line.recorded_by
    )
