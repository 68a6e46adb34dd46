"""What a PDF of this service has printed on its pages, read from the drawing itself and not from what is attached.

Only as far as our own renderer writes it: text in two-byte codes of embedded fonts, each with a table that tells the
characters. All white space is left out, since a long digest runs over lines.
"""

import re
from collections.abc import Iterator
from typing import Any

import pikepdf

PAIRS = re.compile(rb"<([0-9a-fA-F]{4})>\s*<((?:[0-9a-fA-F]{4})+)>")


def text_of(pdf: pikepdf.Pdf) -> str:
    """Every page's text in the order in which it is drawn, without white space."""
    return "".join(piece for page in pdf.pages for piece in _page(page.obj))


def together(text: str, length: int) -> set[str]:
    """Every run of so many hex digits in a text, wherever it begins."""
    return {found[1] for found in re.finditer(rf"(?=([0-9a-f]{{{length}}}))", text)}


def _page(holder: pikepdf.Object) -> Iterator[str]:
    fonts = {name: _characters(font) for name, font in holder.Resources.get("/Font", {}).items()}
    now: dict[bytes, str] = {}
    for each in pikepdf.parse_content_stream(holder, "Tf Tj TJ"):
        operands: Any = each.operands
        operator = str(each.operator)
        if operator == "Tf":
            now = fonts.get(str(operands[0]), {})
        else:
            yield _said(operands[0] if operator == "TJ" else operands, now)


def _said(pieces: Any, characters: dict[bytes, str]) -> str:
    codes = b"".join([bytes(piece) for piece in pieces if isinstance(piece, pikepdf.String)])
    pairs = (codes[at : at + 2] for at in range(0, len(codes) - 1, 2))
    return "".join([characters.get(pair, "\N{REPLACEMENT CHARACTER}") for pair in pairs])


def _characters(font: pikepdf.Object) -> dict[bytes, str]:
    """Code -> character, by the font's own table; nothing for white space."""
    if "/ToUnicode" not in font:
        return {}
    pairs = PAIRS.findall(font.ToUnicode.read_bytes())
    return {
        bytes.fromhex(code.decode()): "".join(
            bytes.fromhex(text.decode()).decode("utf-16-be", "replace").split()
        )
        for code, text in pairs
    }
