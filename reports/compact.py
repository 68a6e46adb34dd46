"""Many records on paper: lines of one size in place of a table, which are drawn in a tenth of the time.

Everything stands there that a table would hold. A record begins a line, and goes on in indented ones where it is long.
"""

from collections.abc import Iterable, Iterator

from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

from config.templatetags.moments import local_time
from reports.documents import RecordLine
from reports.templatetags.documents import RESULT_MARKS, result_word, short_id, span

WIDTH = 180  # letters of the compact size beside each other on both papers, lying; measured
INDENT = 4
RECORDS_AT_ONCE = 40
"""So many records are one element: the time to draw one grows with the square of its lines (measured)."""


def blocks(lines: Iterable[tuple[RecordLine, Iterable[str]]]) -> Iterator[SafeString]:
    """Records with the pieces of text that tell them, as HTML for ``pre`` elements; what was corrected is struck."""
    waiting: list[str] = []
    for line, pieces in lines:
        told = escape("\n".join(_wrapped(pieces)))
        waiting.append(told if line.replaced is None else f"<s>{told}</s>")
        if len(waiting) == RECORDS_AT_ONCE:
            yield mark_safe("\n".join(waiting))
            waiting = []
    if waiting:
        yield mark_safe("\n".join(waiting))


def _wrapped(pieces: Iterable[str]) -> Iterator[str]:
    """The pieces after one another, broken between them, and within one that is longer than a line."""
    row = ""
    for piece in pieces:
        plain = " ".join(piece.split())
        if row and len(row) + 2 + len(plain) > WIDTH:
            yield row
            row = " " * INDENT
        row = f"{row}  {plain}" if row.strip() else f"{row}{plain}"
        while len(row) > WIDTH:
            yield row[:WIDTH]
            row = " " * INDENT + row[WIDTH:]
    yield row


def began(line: RecordLine, result: str = "") -> Iterator[str]:
    """When it was done, and with which result: by a mark and a word."""
    yield local_time(line.performed_at)
    if result:
        yield f"{RESULT_MARKS[result]} {result_word(result)}"


def ended(line: RecordLine) -> Iterator[str]:
    """Who did it, what marks it, and its record with the beginning of its digest."""
    yield line.performed_by
    yield from marks(line)
    yield f"{short_id(line.record)} {line.digest[:8]}"


def marks(line: RecordLine) -> Iterator[str]:
    """What is out of the ordinary about a record: late, keyed for another, transcribed, corrected, with its place and note."""
    if line.late_by:
        yield _("LATE ENTRY: written down %(after)s after the work, %(time)s, by %(name)s") % {
            "after": span(line.late_by),
            "time": local_time(line.recorded_at),
            "name": line.recorded_by,
        }
    elif line.performed_by != line.recorded_by:
        yield _("Entered by %(typist)s for %(name)s") % {
            "typist": line.recorded_by,
            "name": line.performed_by,
        }
    if line.transcribed is not None:
        yield _("TRANSCRIBED from sheet %(code)s, line %(number)s; keyed in by %(name)s") % {
            "code": line.transcribed.sheet,
            "number": line.transcribed.line,
            "name": line.recorded_by,
        }
        yield from (_("scan: %s") % scan for scan in line.transcribed.scans)
    if line.clock_ahead_by:
        yield _("CLOCK AHEAD by %s") % span(line.clock_ahead_by)
    if line.corrects is not None:
        yield _("CORRECTION of record %s") % short_id(line.corrects)
    yield from _gone(line)
    if line.place:
        yield _("Place: %s") % line.place
    if line.note:
        yield _("Note: %s") % line.note


def _gone(line: RecordLine) -> Iterator[str]:
    gone = line.replaced
    if gone is not None:
        word = _("WITHDRAWN, it never happened") if gone.withdrawn else _("CORRECTED")
        yield f"{word}: {gone.reason} ({gone.by}, {local_time(gone.at)}, {short_id(gone.record)})"
