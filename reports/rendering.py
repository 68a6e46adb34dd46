"""One dataclass, three looks: a page, a PDF for paper and archive, and data.

    to_html(document, for_paper=False)              the page
    to_pdf(document, attachments=[own_data(document)])
    to_json(document)                               the same facts for programs

The PDF is made with the PDF/A-3u option and tags; nothing here has validated it. It is drawn from what is in
this package and nothing else: no network, no files, no fonts of the machine. The same document gives the same
bytes as long as the libraries stay the same.
"""

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from enum import Enum
from typing import Any
from uuid import UUID

from django.template.loader import render_to_string
from django.utils import translation
from django.utils.duration import duration_iso_string
from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import pgettext

from config.api.refusals import Unavailable
from ledger.canonical import canonical
from reports import drawers, merging
from reports.documents import Document, PdfVariant, Stretch
from reports.drawers import Sheet


class PdfUnavailable(Unavailable):
    """The libraries that draw PDFs are not on this machine (503); pages and data work without."""

    code = "pdf-unavailable"
    title = "PDFs cannot be made on this machine yet"


@dataclass(frozen=True)
class DataFile:
    """A file to hang in a PDF. The name's ending says what it is: .json, .csv, .xml."""

    name: str
    content: bytes
    description: str = ""


@dataclass(frozen=True)
class Made:
    """A finished document and its files, by their endings."""

    document: Document
    files: dict[str, bytes]


def to_html(document: Document, *, for_paper: bool) -> str:
    """The document as one HTML page, in the document's language.

    Control characters and marks that turn the reading direction are written out, like [U+202E]: in a record
    nothing may hide. ``for_paper`` leaves out the link to the style sheet, which the PDF brings itself.
    """
    with translation.override(document.language):
        return _page(document, document.whole(), for_paper)


def _page(document: Document, stretch: Stretch, for_paper: bool) -> str:
    """One stretch of it, in the active language."""
    shown = {"document": document, "stretch": stretch, "look": document.look(stretch)}
    shown |= {"for_paper": for_paper, "data_digest": data_digest(document)}
    return render_to_string(document.template, shown).translate(_SHOWN)


def to_pdf(
    document: Document, *, attachments: Sequence[DataFile] = (), variant: PdfVariant = PdfVariant.ARCHIVE
) -> bytes:
    """The document as PDF bytes with ``attachments`` inside. Raises PdfUnavailable.

    Characters that the packaged fonts lack (emoji, Chinese, ...) are written out like [U+1F36C]; attach
    ``own_data`` so that the text is there as it was entered.
    """
    try:
        from reports import paper
    except OSError as error:
        raise PdfUnavailable(
            "PDFs need the Pango library. Install it (Debian, Ubuntu: libpangoft2-1.0-0; macOS: brew install pango) "
            "and ask again. Nothing was lost: the page and the data of this document can be read meanwhile."
        ) from error
    files = tuple((file.name, file.content, file.description) for file in attachments)
    first, *others = sheets(document)
    first = replace(first, files=files, variant=variant.value)
    if others:
        return _laid_together(document, [first, *(replace(each, variant=variant.value) for each in others)])
    return paper.draw(
        first.html,
        identifier=first.identifier,
        made_at=first.made_at,
        variant=first.variant,
        attachments=first.files,
    )


def _laid_together(document: Document, several: Sequence[Sheet]) -> bytes:
    """Drawn side by side, each by a child of its own: a long document in a fraction of the time."""
    drawn = dict(drawers.draw_all(several))
    return _continued(document, [drawn[place] for place in range(len(several))])


def _continued(document: Document, stretches: Sequence[bytes]) -> bytes:
    if len(stretches) == 1:
        return stretches[0]
    with translation.override(document.language):
        words = (f"{_('Page')} ", f" {pgettext('page 2 of 5', 'of')} ", "")
    return merging.continued(stretches, words)


def draw_all(documents: Iterable[Document]) -> Iterator[tuple[int, bytes]]:
    """The place of each document and its PDF without attachments, as they are finished: drawn side by side, stretches of a
    long one too, so that no child draws thousands of lines while the others wait."""
    waiting: list[_Waiting] = []
    of: list[tuple[int, int]] = []

    def asked() -> Iterator[Sheet]:
        for place, document in enumerate(documents):
            several = sheets(document)
            waiting.append(_Waiting(document, len(several)))
            of.extend((place, stretch) for stretch in range(len(several)))
            yield from several

    for at, pdf in drawers.draw_all(asked()):
        place, stretch = of[at]
        whole = waiting[place]
        whole.drawn[stretch] = pdf
        if len(whole.drawn) == whole.stretches:
            yield (
                place,
                _continued(whole.document, [whole.drawn.pop(each) for each in range(whole.stretches)]),
            )


@dataclass(frozen=True)
class _Waiting:
    """A document of which not all stretches are drawn yet."""

    document: Document
    stretches: int
    drawn: dict[int, bytes] = field(default_factory=dict)


def sheets(document: Document) -> list[Sheet]:
    """The document as what is drawn of it, here or in processes of their own: its stretches, one of most documents."""
    with translation.override(document.language):
        pages = [_page(document, each, for_paper=True) for each in document.stretches()]
    return [Sheet(page, data_digest(document)[:32], document.made_at) for page in pages]


def to_json(document: Document) -> bytes:
    """The document as canonical JSON (RFC 8785): numbers as text, times in ISO 8601 with their offset.

    Raises TypeError for a value that has no exact text (a float, a set, ...), ValueError for a time without an
    offset; both name the field. A document never changes, so what was made of it once is kept with it.
    """
    kept = vars(document)
    if _JSON not in kept:
        said = {"kind": document.kind, "form": str(document.form), **_plain_fields(document, "")}
        kept[_JSON] = canonical(said)
    made: bytes = kept[_JSON]
    return made


def data_digest(document: Document) -> str:
    """SHA-256 of the document's data; printed in its foot, and the beginning of it is the PDF's own identifier."""
    return hashlib.sha256(to_json(document)).hexdigest()


def own_data(document: Document) -> DataFile:
    """The document's own data, to attach to its PDF."""
    return DataFile(
        file_name(document, "json"), to_json(document), "The facts of this document, for programs"
    )


def file_name(document: Document, ending: str) -> str:
    """A name for a file of this document that every system takes: ``batch-record-B26-061-1.pdf``."""
    number = re.sub(r"[^A-Za-z0-9._-]+", "-", document.number).strip("-.")[:80]
    return f"{document.kind}-{number or 'document'}.{ending}"


_JSON = "_json"

# -- data -------------------------------------------------------------------------------------------


def _plain_fields(value: Any, where: str) -> dict[str, Any]:
    return {f.name: _plain(getattr(value, f.name), f"{where}/{f.name}") for f in fields(value)}


def _plain(value: Any, where: str) -> Any:
    """``value`` in text, truth values, None, lists and objects."""
    if isinstance(value, Enum):
        return _plain(value.value, where)
    if value is None or isinstance(value, (bool, str)):
        return value
    if is_dataclass(value):
        return _plain_fields(value, where)
    if isinstance(value, Mapping):
        return {str(name): _plain(part, f"{where}/{name}") for name, part in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(part, f"{where}/{at}") for at, part in enumerate(value)]
    return _text(value, where)


def _text(value: Any, where: str) -> str:
    if isinstance(value, datetime):
        if value.utcoffset() is None:
            raise ValueError(f"{where} is a time without an offset from UTC.")
        return value.isoformat()
    if isinstance(value, Decimal) and value.is_finite():
        return format(value, "f")
    if isinstance(value, timedelta):
        return duration_iso_string(value)
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, (int, UUID, Promise)):
        return str(value)
    raise TypeError(f"{where} is {type(value).__name__}, which has no exact text: {value!r:.80}")


# -- text -------------------------------------------------------------------------------------------

TURNING = frozenset([*range(0x202A, 0x202F), *range(0x2066, 0x206A)])
"""Marks that turn or embed the reading direction (Unicode Standard Annex 9): they can make text lie."""


def written_out(code: int) -> str:
    return f"[U+{code:04X}]"


class _Shown(dict[int, str]):
    """For ``str.translate``: a character as it is, or written out when it would hide something."""

    def __missing__(self, code: int) -> str:
        character = chr(code)
        hides = code in TURNING or (
            unicodedata.category(character) in ("Cc", "Cs") and character not in "\t\n\r"
        )
        self[code] = written_out(code) if hides else character
        return self[code]


_SHOWN = _Shown()
