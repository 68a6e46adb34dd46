"""HTML to PDF with WeasyPrint, walled in: it gets our style sheet and fonts from memory, and nothing else.

Importing this module needs the Pango library and raises OSError without it; import it where it is used.
"""

import io
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import Any

import pydyf
from fontTools.ttLib import TTFont
from weasyprint import CSS, HTML, Attachment
from weasyprint.text.fonts import FontConfiguration
from weasyprint.urls import URLFetcher, URLFetcherResponse

PACKAGED = "https://packaged.invalid/reports/"
"""A made-up address (RFC 2606) below which the style sheet's fonts are found in memory."""

FONTS = ("DejaVuSansCondensed.ttf", "DejaVuSansCondensed-Bold.ttf", "DejaVuSansMono.ttf")
FEET = {"left": "10mm", "right": "13mm"}
"""How high the foot is in which a number stands that is laid over: the right one as that of a sheet that lies."""
LOOKS_ONLY = frozenset(range(0xFE00, 0xFE10))
"""Variation selectors: they choose how the character before them looks, and have no look of their own."""


def draw(
    html: str,
    *,
    identifier: str,
    made_at: datetime,
    attachments: Iterable[tuple[str, bytes, str]] = (),
    variant: str = "pdf/a-3u",
) -> bytes:
    """PDF bytes (option PDF/A-3u or PDF/UA-1, tagged) of ``html`` with files (name, content, description) inside.

    ``identifier`` becomes the first half of the file's /ID, ``made_at`` the date of the attachments. Whatever the
    HTML asks for beside the packaged style sheet and fonts is refused and left out.
    """
    fonts = FontConfiguration()
    fetcher = PackagedOnly()
    sheet = CSS(string=_style_sheet(), base_url=PACKAGED, url_fetcher=fetcher, font_config=fonts)
    page = HTML(string=html.translate(_shown()), base_url=PACKAGED, url_fetcher=fetcher)
    made = page.render(stylesheets=[sheet], font_config=fonts)
    made.metadata.attachments = [_attachment(file, made_at, fetcher) for file in attachments]

    def finish(_document: Any, pdf: Any) -> None:
        _put_files_right(pdf)
        _identify_heads(pdf, sha256(html.encode()).hexdigest()[:16])

    pdf: bytes = made.write_pdf(
        pdf_variant=variant, pdf_tags=True, pdf_identifier=identifier.encode(), finisher=finish
    )
    return pdf


def numbers(sizes: Sequence[tuple[float, float]], words: tuple[str, str, str], corner: str) -> bytes:
    """One page for each of ``sizes`` (width, height in points) with nothing on it but its number, to lay over others.

    ``words``: before the number, between it and the number of all, and after. ``corner``: of the foot, left where documents
    have their own at the right.
    """
    fonts, fetcher = FontConfiguration(), PackagedOnly()
    before, between, after = map(_css_text, words)
    said = f"content: {before} counter(page) {between} counter(pages) {after}"
    kinds = {size: f"s{number}" for number, size in enumerate(dict.fromkeys(sizes))}
    rules = [_font_faces(), "html { font: 7.5pt 'Record Sans' } div { break-after: page; height: 1pt }"]
    for (width, height), name in kinds.items():
        rules.append(f"@page {name} {{ size: {width}pt {height}pt; margin: 20mm 12mm {FEET[corner]} }}")
        rules.append(f".{name} {{ page: {name} }}")
    rules.append(f"@page {{ color: #444; font: 7.5pt 'Record Sans'; @bottom-{corner} {{ {said} }} }}")
    rules.append("div:last-child { break-after: auto }")
    sheet = CSS(string="\n".join(rules), base_url=PACKAGED, url_fetcher=fetcher, font_config=fonts)
    pages = "".join(f'<div class="{kinds[size]}"></div>' for size in sizes)
    html = HTML(string=f"<body style='margin:0'>{pages}", base_url=PACKAGED, url_fetcher=fetcher)
    pdf: bytes = html.write_pdf(stylesheets=[sheet], font_config=fonts)
    return pdf


def _css_text(text: str) -> str:
    return '"' + text.translate(_shown()).replace("\\", "\\\\").replace('"', '\\"') + '"'


def _font_faces() -> str:
    return "\n".join(line for line in _style_sheet().splitlines() if line.startswith("@font-face"))


class PackagedOnly(URLFetcher):
    """Serves the packaged fonts from memory and refuses every other address, whatever its scheme."""

    def __init__(self) -> None:
        super().__init__(allowed_protocols=())

    def fetch(self, url: str, headers: Any = None) -> URLFetcherResponse:
        content = _packaged_fonts().get(url)
        if content is None:
            raise ValueError("Documents are drawn from what is packaged; nothing else is fetched.")
        return URLFetcherResponse(url, content, {"Content-Type": "font/ttf"})


@cache
def _packaged_fonts() -> dict[str, bytes]:
    folder = files("reports") / "static/reports/fonts"
    return {f"{PACKAGED}fonts/{name}": (folder / name).read_bytes() for name in FONTS}


@cache
def _style_sheet() -> str:
    return (files("reports") / "static/reports/print.css").read_text(encoding="utf-8")


def _attachment(file: tuple[str, bytes, str], made_at: datetime, fetcher: URLFetcher) -> Attachment:
    name, content, description = file
    utc = made_at.astimezone(UTC)
    return Attachment(
        file_obj=io.BytesIO(content),
        name=name,
        description=description,
        created=utc,
        modified=utc,
        relationship="Data",
        url_fetcher=fetcher,
    )


def _put_files_right(pdf: Any) -> None:
    """WeasyPrint lists each attachment several times among the associated files, which ISO 19005-3 wants once, and names
    them in the order given, where a name tree is sorted (ISO 32000; both from memory)."""
    if "AF" not in pdf.catalog:
        return
    pdf.catalog["AF"][:] = dict.fromkeys(pdf.catalog["AF"])
    number = int(pdf.catalog["Names"]["EmbeddedFiles"].split()[0])
    names = pdf.objects[number]["Names"]
    pairs = sorted(zip(names[::2], names[1::2], strict=True), key=lambda pair: pair[0].string)
    names[:] = [part for pair in pairs for part in pair]


def _identify_heads(pdf: Any, of_file: str) -> None:
    """Each cell of a table names its heads by their identifiers. WeasyPrint numbers these alike on every page and in every
    file, and leaves out the tree they are found by; ISO 32000-1, 14.7.2 wants them unique and the tree there (from memory).
    ``of_file`` keeps them apart where files are laid together. A head and the cells below it share one object for it."""
    things: list[Any] = [thing for thing in pdf.objects if isinstance(thing, dict)]
    heads = [thing for thing in things if "ID" in thing and thing.get("S") == "/TH"]
    if not heads:
        return
    names: list[Any] = []
    for number, head in enumerate(heads):
        head["ID"].string = f"{of_file}-{number:06d}"
        names += [pydyf.String(head["ID"].string), head.reference]
    tree = pydyf.Dictionary({"Names": pydyf.Array(names)})
    pdf.add_object(tree)
    pdf.objects[int(pdf.catalog["StructTreeRoot"].split()[0])]["IDTree"] = tree.reference


class _Covered(dict[int, str]):
    """For ``str.translate``: a character the packaged fonts can draw as it is, any other written out."""

    def __init__(self, drawable: frozenset[int]):
        super().__init__()
        self.drawable = drawable

    def __missing__(self, code: int) -> str:
        self[code] = chr(code) if code in self.drawable else f"[U+{code:04X}]"
        return self[code]


@cache
def _shown() -> _Covered:
    """A missing glyph would be an empty box (and is not allowed in PDF/A): its code point can still be read."""
    regular, bold = (
        frozenset(TTFont(io.BytesIO(content)).getBestCmap())
        for content in list(_packaged_fonts().values())[:2]
    )
    covered = _Covered(regular & bold | frozenset(b"\t\n\r"))
    covered.update(dict.fromkeys(LOOKS_ONLY, ""))
    return covered
