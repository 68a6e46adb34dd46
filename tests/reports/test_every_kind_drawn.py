"""What holds for each kind of document on paper: drawn once, on US Letter, made for assistive technology.

Rules of ISO 14289-1 (PDF/UA-1) and ISO 32000-1 are from memory; no validator was run, so these tests show marks of the form.
Text is read by poppler's pdftotext too, where it is on the machine.
"""

import io
import shutil
import subprocess
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pikepdf
import pytest
from pdfminer.high_level import extract_pages
from pdfminer.layout import LTTextContainer, LTTextLine

from reports import jobs, rendering
from reports.documents import PageSize, PdfVariant
from tests.reports import every_kind
from tests.reports.every_kind import ASKED
from tests.scene import Scene

pytestmark = [pytest.mark.django_db, pytest.mark.pdf]
KINDS = [kind for kind in ASKED if kind != "tag-sheet"]
"""Sheets of tags are labels from edge to edge, without tags or seal: see `test_tags`."""


@pytest.fixture(scope="module")
def drawn(scene: Scene, django_db_blocker: Any) -> dict[str, tuple[Any, bytes]]:
    with django_db_blocker.unblock():
        documents = {
            kind: jobs.read(every_kind.ask(kind, page_size=PageSize.LETTER.value))[0] for kind in KINDS
        }
    return {
        kind: (document, rendering.to_pdf(document, variant=PdfVariant.ACCESSIBLE))
        for kind, document in documents.items()
    }


def elements(pdf: pikepdf.Pdf) -> Iterator[Any]:
    return (each for each in pdf.objects if isinstance(each, pikepdf.Dictionary) and "/S" in each)


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_cut_at_an_edge_of_the_paper(drawn: Any, kind: str) -> None:
    for page in extract_pages(io.BytesIO(drawn[kind][1])):
        assert sorted((round(page.width), round(page.height))) == [
            612,
            792,
        ]  # US Letter in points, upright or lying
        boxes = [
            line.bbox
            for box in page
            if isinstance(box, LTTextContainer)
            for line in box
            if isinstance(line, LTTextLine)
        ]
        assert min(left for left, *_ in boxes) > 20
        assert max(right for _, _, right, _ in boxes) < page.width - 20
        assert min(bottom for _, bottom, _, _ in boxes) > 14


@pytest.mark.parametrize("kind", KINDS)
def test_it_is_tagged_named_and_every_font_is_embedded(drawn: Any, kind: str) -> None:
    document, content = drawn[kind]
    with pikepdf.open(io.BytesIO(content)) as pdf:
        assert bool(pdf.Root.MarkInfo.Marked)
        assert (str(pdf.Root.Lang), str(pdf.docinfo["/Title"])) == (
            document.language,
            f"{document.title} {document.number}",
        )
        assert {str(page.obj.Tabs) for page in pdf.pages} == {"/S"}  # 7.18.3: in the order of the structure
        fonts = [each for each in pdf.objects if isinstance(each, pikepdf.Dictionary) and "/FontName" in each]
        assert fonts
        assert all("/FontFile2" in each or "/FontFile3" in each for each in fonts)
        assert pdf.check_pdf_syntax() == []


@pytest.mark.parametrize("kind", KINDS)
def test_every_cell_finds_its_heads_and_every_picture_says_what_it_shows(drawn: Any, kind: str) -> None:
    """7.3: figures have words in their place; 7.5: cells lead to their heads."""
    with pikepdf.open(io.BytesIO(drawn[kind][1])) as pdf:
        found = list(elements(pdf))
        heads = {bytes(each.ID) for each in found if each.S == "/TH" and "/ID" in each}
        named = {bytes(head) for each in found if "/A" in each for head in each.A.get("/Headers", ())}
        assert named <= heads
        assert all(str(each.get("/Alt", "")).strip() for each in found if each.S == "/Figure")


@pytest.mark.parametrize("kind", KINDS)
def test_it_begins_with_a_heading_and_leaves_out_no_level(drawn: Any, kind: str) -> None:
    """7.4.2: headings begin at the first level and go down one at a time."""
    with pikepdf.open(io.BytesIO(drawn[kind][1])) as pdf, pdf.open_outline() as outline:
        assert len(outline.root) == 1
        assert str(outline.root[0].title) == str(pdf.docinfo["/Title"])
        levels = [
            int(str(each.S)[2]) for each in _in_order(pdf.Root.StructTreeRoot.K) if str(each.S)[:2] == "/H"
        ]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def _in_order(kids: Any) -> Iterator[Any]:
    for each in kids if isinstance(kids, pikepdf.Array) else [kids]:
        if isinstance(each, pikepdf.Dictionary) and "/S" in each:
            yield each
            yield from _in_order(each.get("/K", pikepdf.Array()))


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler is not on this machine")
@pytest.mark.parametrize("kind", KINDS)
def test_another_reader_finds_head_content_and_seal_in_this_order(drawn: Any, kind: str) -> None:
    document, content = drawn[kind]
    ran = subprocess.run(["pdftotext", "-raw", "-", "-"], input=content, capture_output=True, check=True)
    text = "".join(ran.stdout.decode().split())
    told = (
        document.establishment,
        f"{document.title} {document.number}",
        "Caution",
        "Local regulation",
        document.seal.root,
    )
    places = [text.index("".join(each.split())) for each in told]
    assert places == sorted(places)
