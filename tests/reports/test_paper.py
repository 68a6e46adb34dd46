"""The PDF: an archive file that names its parts, and a renderer that reaches nothing.

Structure is looked at with pikepdf and text with pdfminer. Rules of ISO 19005-3 (PDF/A-3) and ISO 32000 are
from memory; no validator was run, so these tests show marks of the form, not conformance.
"""

import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib.abc import MetaPathFinder
from importlib.resources import files
from typing import Any
from xml.etree import ElementTree

import pikepdf
import pytest
from pdfminer.high_level import extract_pages, extract_text
from pdfminer.layout import LTTextContainer

import reports
from reports.documents import PdfVariant
from reports.rendering import DataFile, PdfUnavailable, own_data, to_html, to_json, to_pdf
from reports.templatetags.documents import short_id
from tests.reports.samples import LETTER, NOON, ShiftSheet, check_line, hostile_lines, sheet, short_sheet

paper = pytest.importorskip("reports.paper", exc_type=OSError, reason="Pango is not installed")
pytestmark = pytest.mark.pdf

CSV = DataFile("checks.csv", b"point,result\n1,within\n", "Checks as a table")


@cache
def big() -> bytes:
    return to_pdf(sheet(), attachments=[own_data(sheet()), CSV])


@cache
def big_pages() -> tuple[str, ...]:
    return pages_of(big())


def pages_of(pdf: bytes) -> tuple[str, ...]:
    return tuple(extract_text(io.BytesIO(pdf)).rstrip("\f").split("\f"))


def opened(pdf: bytes) -> pikepdf.Pdf:
    return pikepdf.open(io.BytesIO(pdf))


def text_of(document: ShiftSheet) -> str:
    return "".join(pages_of(to_pdf(document)))


# -- an archive file --------------------------------------------------------------------------------


def test_the_metadata_name_part_3_and_conformance_u() -> None:
    with opened(big()) as pdf:
        xmp = ElementTree.fromstring(bytes(pdf.Root.Metadata.read_bytes()))
    name = "{http://www.aiim.org/pdfa/ns/id/}"
    found = {key: value for node in xmp.iter() for key, value in node.attrib.items() if key.startswith(name)}
    assert found == {f"{name}part": "3", f"{name}conformance": "U"}


def test_the_colours_have_an_output_intent_with_a_profile() -> None:
    with opened(big()) as pdf:
        (intent,) = pdf.Root.OutputIntents
        assert intent.S == "/GTS_PDFA1"
        assert len(intent.DestOutputProfile.read_bytes()) > 1000


def test_every_font_is_ours_and_embedded() -> None:
    with opened(big()) as pdf:
        descriptors = [
            thing for thing in pdf.objects if isinstance(thing, pikepdf.Dictionary) and "/FontName" in thing
        ]
        names = {str(font.FontName).split("+")[1].split("-Semi")[0] for font in descriptors}
        assert names == {"Record-Sans", "Record-Sans-Bold", "Record-Mono"}
        assert all("/FontFile2" in font or "/FontFile3" in font for font in descriptors)


def test_each_attached_file_is_associated_once() -> None:
    with opened(big()) as pdf:
        files = list(pdf.Root.AF)
        assert sorted(str(file.UF) for file in files) == ["checks.csv", "shift-sheet-HP-26-061-1.json"]
        assert {str(file.AFRelationship) for file in files} == {"/Data"}


def test_attached_data_come_out_as_they_went_in() -> None:
    with opened(big()) as pdf:
        assert pdf.attachments["shift-sheet-HP-26-061-1.json"].get_file().read_bytes() == to_json(sheet())
        assert pdf.attachments["checks.csv"].get_file().mime_type == "text/csv"


def test_nothing_in_its_syntax_needs_repair() -> None:
    """What `qpdf --check` looks at, over its library: among others that names are sorted (ISO 32000)."""
    with opened(big()) as pdf:
        assert pdf.check_pdf_syntax() == []


def test_what_marks_a_record_stands_on_its_page() -> None:
    lines = tuple(check_line(at, reading=f"R{at:03}", note="a word " * 60 + f"N{at:03}") for at in range(50))
    pages = pages_of(to_pdf(short_sheet(checks=lines)))
    for at in range(50):
        assert [f"R{at:03}" in page for page in pages] == [f"N{at:03}" in page for page in pages]
        assert sum(f"R{at:03}" in page for page in pages) == 1


def test_a_document_without_files_has_none() -> None:
    with opened(to_pdf(short_sheet())) as pdf:
        assert "/AF" not in pdf.Root


def test_the_file_is_tagged_and_names_its_language_and_title() -> None:
    with opened(big()) as pdf:
        assert bool(pdf.Root.MarkInfo.Marked)
        assert "/StructTreeRoot" in pdf.Root
        assert str(pdf.Root.Lang) == "en"
        assert str(pdf.docinfo["/Title"]) == "Shift sheet HP-26-061-1"


def test_the_files_dates_are_the_documents() -> None:
    with opened(big()) as pdf:
        assert str(pdf.docinfo["/CreationDate"]).startswith("D:20260303120000+01")
        params = pdf.Root.AF[0].EF.F.Params
        assert str(params.CreationDate) == "D:20260303110000Z"


def test_the_same_document_gives_the_same_bytes() -> None:
    once, again = (to_pdf(short_sheet(), attachments=[own_data(short_sheet())]) for _ in range(2))
    assert once == again


def test_another_document_has_another_file_identifier() -> None:
    def identifier(document: ShiftSheet) -> bytes:
        with opened(to_pdf(document)) as pdf:
            return bytes(pdf.trailer.ID[0])

    assert identifier(short_sheet()) != identifier(short_sheet(product="Plain lemon drops"))


@cache
def accessible() -> bytes:
    return to_pdf(short_sheet(), attachments=[own_data(short_sheet())], variant=PdfVariant.ACCESSIBLE)


def test_made_for_assistive_technology_it_names_that_standard() -> None:
    """ISO 14289-1, clause 5: pdfuaid:part is 1 in the metadata (from memory)."""
    with opened(accessible()) as pdf:
        xmp = ElementTree.fromstring(bytes(pdf.Root.Metadata.read_bytes()))
    name = "{http://www.aiim.org/pdfua/ns/id/}part"
    told = [node.text or node.get(name) for node in xmp.iter() if node.tag == name or name in node.attrib]
    assert told == ["1"]


@pytest.mark.parametrize("variant", list(PdfVariant))
def test_either_is_tagged_named_and_in_a_language(variant: PdfVariant) -> None:
    """ISO 14289-1, 7.1 and 7.2: tagged, a title that viewers show, a language (from memory)."""
    with opened(big() if variant is PdfVariant.ARCHIVE else accessible()) as pdf:
        assert bool(pdf.Root.MarkInfo.Marked)
        assert "/StructTreeRoot" in pdf.Root
        assert bool(pdf.Root.ViewerPreferences.DisplayDocTitle)
        assert str(pdf.Root.Lang) == "en"
        assert pdf.check_pdf_syntax() == []
        assert "/Encrypt" not in pdf.trailer


def test_headings_tables_and_their_heads_are_tagged_as_such() -> None:
    """ISO 32000-1, 14.8.4: standard structure types (from memory)."""
    with opened(accessible()) as pdf:
        tags = {
            str(thing.S) for thing in pdf.objects if isinstance(thing, pikepdf.Dictionary) and "/S" in thing
        }
    assert {"/H1", "/H2", "/Table", "/TR", "/TH", "/TD", "/P"} <= tags


def test_nothing_that_runs_or_calls_out_is_in_the_file() -> None:
    """ISO 19005-3, 6.5.1: no JavaScript, launching, or form that sends (from memory)."""
    with opened(big()) as pdf:
        actions = {
            str(thing.S) for thing in pdf.objects if isinstance(thing, pikepdf.Dictionary) and "/S" in thing
        }
        assert not actions & {"/JavaScript", "/Launch", "/URI", "/SubmitForm", "/GoToR"}
        assert "/OpenAction" not in pdf.Root
        assert "/AA" not in pdf.Root


def test_the_text_comes_in_the_order_it_is_read() -> None:
    """By pdfminer: head, checks as they were made, then what proves it."""
    text = "".join(pages_of(accessible()))
    order = ["Shift sheet", "112.0 °C", "121.0 °C", "Signatures", "Caution", "Local regulation", "Seal"]
    places = [text.index(each) for each in order]
    assert places == sorted(places)


SCRIPTS = {
    "Latin": "Zuckerwürfel, Őrség, Łódź, İstanbul, œuf, ñandú, šećer",
    "Greek": "Ζαχαρωτά με φουντούκια, Ώρα",
    "Cyrillic": "Карамель с фундуком, Ґалаґан, Ђурђевдан",
}


@cache
def in_many_scripts() -> str:
    lines = tuple(check_line(at, note=text) for at, text in enumerate(SCRIPTS.values(), 1))
    return text_of(short_sheet(checks=lines))


@pytest.mark.parametrize("script", SCRIPTS)
def test_our_own_font_prints(script: str) -> None:
    assert SCRIPTS[script] in " ".join(in_many_scripts().split())


def test_the_font_brings_its_licence() -> None:
    licence = (files("reports") / "static/reports/fonts/LICENCE.txt").read_text(encoding="utf-8")
    assert "Permission is hereby granted, free of charge" in licence


# -- pages ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("size", "width", "height"), [(None, 595.28, 841.89), (LETTER, 612, 792)])
def test_paper_is_a4_or_letter(size: Any, width: float, height: float) -> None:
    """ISO 216: 210 x 297 mm; ANSI/ASME Y14.1: 8.5 x 11 in; a point is 1/72 in (from memory)."""
    document = short_sheet(page_size=size) if size else short_sheet()
    with opened(to_pdf(document)) as pdf:
        box = [float(side) for side in pdf.pages[0].mediabox]
    assert box == pytest.approx([0, 0, width, height], abs=0.01)


def test_every_page_says_which_of_how_many_it_is() -> None:
    count = len(big_pages())
    assert count > 3
    assert [f"Page {number} of {count}" in text for number, text in enumerate(big_pages(), 1)] == [
        True
    ] * count


def test_every_page_names_establishment_and_document() -> None:
    assert all("Lindenhof Sweets" in text and "HP-26-061-1" in text for text in big_pages())


def test_a_table_repeats_its_head_on_every_page() -> None:
    with_rows = [text for text in big_pages() if "°C" in text]
    assert len(with_rows) > 2
    assert all("Control point" in text for text in with_rows)


def test_no_record_is_lost_between_pages() -> None:
    text = "".join(big_pages())
    assert [line.record for line in sheet().checks if short_id(line.record) not in text] == []


def test_a_very_long_word_is_there_to_its_last_letter() -> None:
    assert "".join(big_pages()).count("Ж") == 10_000


def test_nothing_runs_over_the_edge_of_a_page() -> None:
    for page in extract_pages(io.BytesIO(big())):
        boxes = [element.bbox for element in page if isinstance(element, LTTextContainer)]
        assert min(left for left, *_ in boxes) > 28
        assert max(right for _, _, right, _ in boxes) < page.width - 28
        assert min(bottom for _, bottom, _, _ in boxes) > 14


def test_results_are_told_by_shape_beside_the_word() -> None:
    text = text_of(short_sheet())
    assert all(told in text for told in ("○ within", "▲ outside", "◇ undecided"))


def test_characters_the_fonts_lack_are_written_out() -> None:
    assert "too hot [U+1F36C][U+1F525] ☹, [U+786C][U+7CD6]" in "".join(big_pages())


def test_arabic_and_hebrew_are_drawn_with_our_font() -> None:
    text = "".join(big_pages())
    assert any(letter in text for letter in "ﺮرﺣﺎ")
    assert "\u05d0" in text  # alef of the second word


# -- walls ------------------------------------------------------------------------------------------

HOSTILE_PAGE = """<!doctype html><html lang="en"><head><title>x</title>
<base href="file:///etc/">
<link rel="stylesheet" href="http://127.0.0.1:9/a.css">
<link rel="attachment" href="file:///etc/passwd">
<style>@import url("file:///etc/b.css"); @import "ftp://127.0.0.1/c.css";
@font-face { font-family: "Spy"; src: local("DejaVu Sans"), url("file:///etc/hostname") }
body { background: url("http://127.0.0.1:9/d.png"); font-family: Spy }
p { content: url("data:image/svg+xml,<svg xmlns='http://www.w3.org/2000/svg'/>") }</style></head>
<body><p>text</p><img src="file:///etc/hostname"><img src="//127.0.0.1:9/e.png"><img src="/etc/hostname">
<object data="file:///etc/hostname"></object><embed src="http://127.0.0.1:9/f">
<svg><image href="file:///etc/hostname"/><use href="http://127.0.0.1:9/g.svg#h"/></svg>
<a rel="attachment" href="file:///etc/passwd">file</a></body></html>"""

_events: list[tuple[str, str]] = []
_listening = False


def _hear(event: str, arguments: tuple[Any, ...]) -> None:
    if _listening and event.split(".")[0] in ("open", "socket", "urllib", "ftplib", "subprocess"):
        _events.append((event, str(arguments[0])))


@contextmanager
def heard() -> Iterator[list[tuple[str, str]]]:
    """What Python opens and whom it calls meanwhile. An audit hook stays for good; it only listens in here."""
    global _listening
    paper.draw("<html lang='en'>", identifier="0", made_at=NOON)  # what is packaged is in memory from here on
    if not hasattr(_hear, "hooked"):
        sys.addaudithook(_hear)
        _hear.hooked = True  # type: ignore[attr-defined]
    _events.clear()
    _listening = True
    try:
        yield _events
    finally:
        _listening = False


def outside(events: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Leaves out the renderer's own folder for fonts and its own package files."""
    return [event for event in events if "weasyprint" not in event[1]]


def test_a_page_that_asks_for_files_and_addresses_gets_none() -> None:
    with heard() as events:
        pdf = paper.draw(HOSTILE_PAGE, identifier="0", made_at=NOON)
    assert outside(events) == []
    with opened(pdf) as made:
        assert "/AF" not in made.Root


def test_hostile_notes_reach_no_file_and_no_socket() -> None:
    html = to_html(sheet(checks=hostile_lines()[:-1]), for_paper=True)
    with heard() as events:
        paper.draw(html, identifier="0", made_at=NOON)
    assert outside(events) == []


def test_the_ear_hears() -> None:
    """The two tests above could not fail if nothing were heard."""
    with heard() as events:
        open("/dev/null").close()
    assert outside(events) == [("open", "/dev/null")]


@pytest.mark.parametrize(
    "address",
    [
        "file:///etc/hostname",
        "http://127.0.0.1:9/",
        "https://packaged.invalid/reports/print.css",
        "https://packaged.invalid/reports/fonts/../../settings.py",
        "ftp://127.0.0.1/x",
        "data:text/plain,x",
        "",
    ],
)
def test_only_the_packaged_fonts_are_served(address: str) -> None:
    with pytest.raises(ValueError, match="packaged"):
        paper.PackagedOnly()(address)


def test_a_packaged_font_is_served() -> None:
    served = paper.PackagedOnly()(f"{paper.PACKAGED}fonts/DejaVuSansMono.ttf")
    assert served.read(4) == b"\x00\x01\x00\x00"  # TrueType, OpenType specification (from memory)


# -- without Pango ----------------------------------------------------------------------------------


class NoPango(MetaPathFinder):
    def find_spec(self, name: str, path: Any = None, target: Any = None) -> None:
        if name == "reports.paper":
            raise OSError("cannot load library 'libpango-1.0-0'")


def test_without_pango_a_pdf_is_refused_with_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(reports, "paper", raising=False)
    monkeypatch.delitem(sys.modules, "reports.paper", raising=False)
    monkeypatch.setattr(sys, "meta_path", [NoPango(), *sys.meta_path])
    with pytest.raises(PdfUnavailable, match="libpangoft2") as refused:
        to_pdf(short_sheet())
    assert refused.value.status == 503
