"""Finished PDFs put one after the other: pages, bookmarks and tags, and the page's number in the whole on each.

Documents one after the other (``merged``), or stretches of one document (``continued``). The first stays what it is: its
title, language, metadata and attachments are those of the whole. What hangs in the others is left, since the first
brings the data of all.
"""

import io
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import pikepdf
from django.utils.translation import gettext as _
from pikepdf import Array, Name, Pdf


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


def merged(first: bytes, others: Iterable[bytes], words: tuple[str, str, str]) -> bytes:
    """One PDF of documents. ``words``: what stands before, between and after the two numbers at the foot of each page."""
    whole = pikepdf.open(io.BytesIO(first))
    for content in others:
        with pikepdf.open(io.BytesIO(content)) as part:
            began = _append(whole, part)
            _take_tags(whole, part, began, whole.Root.StructTreeRoot)
            _take_bookmarks(whole, part, whole.Root.Outlines)
    _number(whole, words, "left")
    return _saved(whole)


def continued(stretches: Sequence[bytes], words: tuple[str, str, str]) -> bytes:
    """One document of its stretches, which are drawn without the page's number; ``words`` as for ``merged``."""
    whole = pikepdf.open(io.BytesIO(stretches[0]))
    document, title = whole.Root.StructTreeRoot.K[0], whole.Root.Outlines.Last
    for content in stretches[1:]:
        with pikepdf.open(io.BytesIO(content)) as part:
            began = _append(whole, part)
            _take_tags(whole, part, began, document)
            _take_bookmarks(whole, part, title)
    _number(whole, words, "right")
    return _saved(whole)


def _append(whole: Pdf, part: Pdf) -> int:
    """The place of the first page that came."""
    began = len(whole.pages)
    whole.pages.extend(part.pages)
    return began


def _saved(whole: Pdf) -> bytes:
    """The file's identifier is the first's, which is the beginning of the digest of its data."""
    identifier = pikepdf.String(bytes(whole.trailer.ID[0]))
    whole.trailer.ID = Array([identifier, identifier])
    out = io.BytesIO()
    whole.save(out, object_stream_mode=pikepdf.ObjectStreamMode.generate)
    return out.getvalue()


# -- tags ---------------------------------------------------------------------------------------------


def _take_tags(whole: Pdf, part: Pdf, began: int, below: Any) -> None:
    """The part's structure behind what stands ``below`` the root, or below the document that it goes on with; its keys of
    pages go on where those before it end (ISO 32000-1, 14.7.4.4)."""
    root, brought = whole.Root.StructTreeRoot, whole.copy_foreign(part.Root.StructTreeRoot)
    kept = root.ParentTree.Nums
    offset = 1 + max((int(key) for key in list(kept)[::2]), default=-1)
    for key, value in _pairs(brought.ParentTree.Nums):
        kept.append(key + offset)
        kept.append(value)
    for element in brought.K if below.objgen == root.objgen else brought.K[0].K:
        element.P = below
        below.K.append(element)
    for page in whole.pages[began:]:
        _shift(page.obj, offset)
    _take_names(root, brought)


def _take_names(root: Any, brought: Any) -> None:
    """The identifiers of heads of tables: each file's are its own, and the tree is sorted (ISO 32000-1, 7.9.6)."""
    if "/IDTree" not in brought:
        return
    if "/IDTree" not in root:
        root.IDTree = brought.IDTree
        return
    names = [*root.IDTree.Names, *brought.IDTree.Names]
    pairs = sorted(zip(names[::2], names[1::2], strict=True), key=lambda pair: bytes(pair[0]))
    root.IDTree.Names = Array([part for pair in pairs for part in pair])


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


def _take_bookmarks(whole: Pdf, part: Pdf, below: Any) -> None:
    """The part's top bookmarks after those that are there ``below`` all, or below the title that it goes on with."""
    if "/Outlines" not in part.Root or "/First" not in part.Root.Outlines:
        return
    brought = whole.copy_foreign(part.Root.Outlines)
    if "/Last" in below:
        below.Last.Next, brought.First.Prev = brought.First, below.Last
    else:
        below.First = brought.First
    below.Last = brought.Last
    outlines = whole.Root.Outlines
    for each in [below] if below.objgen == outlines.objgen else [below, outlines]:
        each.Count = int(each.get("/Count", 0)) + int(brought.Count)
    one: Any = brought.First
    while one is not None:
        one.Parent = below
        one = one.get("/Next")


# -- numbers ------------------------------------------------------------------------------------------


def _number(whole: Pdf, words: tuple[str, str, str], corner: str) -> None:
    """Each page's number in the whole, as an artefact that no reader of tags reads aloud (ISO 32000-1, 14.8.2.2)."""
    from reports import paper  # needs a library that only workers need

    sizes = [(float(page.mediabox[2]), float(page.mediabox[3])) for page in whole.pages]
    with pikepdf.open(io.BytesIO(paper.numbers(sizes, words, corner))) as drawn:
        for page, number in zip(whole.pages, drawn.pages, strict=True):
            form = whole.copy_foreign(number.as_form_xobject())
            name = page.add_resource(form, Name.XObject)
            page.contents_add(b"q", prepend=True)
            page.contents_add(f"Q /Artifact BMC q {name} Do Q EMC".encode())
