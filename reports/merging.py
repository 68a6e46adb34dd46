"""Finished PDFs put one after the other: pages, bookmarks and tags, and the page's number in the whole on each.

The first stays what it is: its title, language, metadata and attachments are those of the whole. What hangs in the
others is left, since the first brings the data of all.
"""

import io
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import pikepdf
from django.utils.translation import gettext as _
from pikepdf import Array, Name, Pdf

from reports import paper


def words(number: str) -> tuple[str, str, str]:
    """What stands around the page's number in the file of this number, in the active language."""
    said = _("File %(number)s, page {page} of {pages}") % {"number": number}
    before, rest = said.split("{page}")
    between, after = rest.split("{pages}")
    return before, between, after


def page_counts(parts: Iterable[bytes]) -> list[int]:
    """How many pages each PDF has."""
    counts = []
    for part in parts:
        with pikepdf.open(io.BytesIO(part)) as pdf:
            counts.append(len(pdf.pages))
    return counts


def merged(first: bytes, others: Sequence[bytes], words: tuple[str, str, str]) -> bytes:
    """One PDF. ``words``: what stands before, between and after the two numbers at the foot of each page."""
    whole = pikepdf.open(io.BytesIO(first))
    identifier = bytes(whole.trailer.ID[0])
    for content in others:
        with pikepdf.open(io.BytesIO(content)) as part:
            _append(whole, part)
    _number(whole, words)
    whole.trailer.ID = Array([pikepdf.String(identifier), pikepdf.String(identifier)])
    out = io.BytesIO()
    whole.save(out, object_stream_mode=pikepdf.ObjectStreamMode.generate)
    return out.getvalue()


def _append(whole: Pdf, part: Pdf) -> None:
    began = len(whole.pages)
    whole.pages.extend(part.pages)
    _take_tags(whole, part, began)
    _take_bookmarks(whole, part)


# -- tags ---------------------------------------------------------------------------------------------


def _take_tags(whole: Pdf, part: Pdf, began: int) -> None:
    """The part's structure beside those before it; its keys of pages go on where theirs end (ISO 32000-1, 14.7.4.4)."""
    root, brought = whole.Root.StructTreeRoot, whole.copy_foreign(part.Root.StructTreeRoot)
    kept = root.ParentTree.Nums
    offset = 1 + max((int(key) for key in list(kept)[::2]), default=-1)
    for key, value in _pairs(brought.ParentTree.Nums):
        kept.append(key + offset)
        kept.append(value)
    if not isinstance(root.K, Array):
        root.K = Array([root.K])
    for element in brought.K if isinstance(brought.K, Array) else [brought.K]:
        element.P = root
        root.K.append(element)
    for page in whole.pages[began:]:
        _shift(page.obj, offset)


def _pairs(flat: Any) -> Iterator[tuple[int, pikepdf.Object]]:
    values = list(flat)
    return ((int(key), value) for key, value in zip(values[::2], values[1::2], strict=True))


def _shift(page: pikepdf.Object, offset: int) -> None:
    if "/StructParents" in page:
        page.StructParents = int(page.StructParents) + offset
    for note in page.get("/Annots", Array()):
        if "/StructParent" in note:
            note.StructParent = int(note.StructParent) + offset


# -- bookmarks ----------------------------------------------------------------------------------------


def _take_bookmarks(whole: Pdf, part: Pdf) -> None:
    """The part's top bookmarks after those that are there."""
    if "/Outlines" not in part.Root or "/First" not in part.Root.Outlines:
        return
    outlines, brought = whole.Root.Outlines, whole.copy_foreign(part.Root.Outlines)
    outlines.Last.Next, brought.First.Prev = brought.First, outlines.Last
    outlines.Last = brought.Last
    outlines.Count = int(outlines.Count) + int(brought.Count)
    each: Any = brought.First
    while each is not None:
        each.Parent = outlines
        each = each.get("/Next")


# -- numbers ------------------------------------------------------------------------------------------


def _number(whole: Pdf, words: tuple[str, str, str]) -> None:
    """Each page's number in the whole, as an artefact that no reader of tags reads aloud (ISO 32000-1, 14.8.2.2)."""
    sizes = [(float(page.mediabox[2]), float(page.mediabox[3])) for page in whole.pages]
    with pikepdf.open(io.BytesIO(paper.numbers(sizes, words))) as drawn:
        for page, number in zip(whole.pages, drawn.pages, strict=True):
            form = whole.copy_foreign(number.as_form_xobject())
            name = page.add_resource(form, Name.XObject)
            page.contents_add(b"q", prepend=True)
            page.contents_add(f"Q /Artifact BMC q {name} Do Q EMC".encode())
