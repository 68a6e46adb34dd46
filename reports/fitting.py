"""Text in a box: as large as it fits, wrapped, and never out of it. Pure: widths from the packaged fonts, no Pango.

Sizes are points, boxes millimetres. What the fonts cannot draw is written out like [U+1F36C], as on paper.
"""

import io
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from fontTools.ttLib import TTFont

FONTS = {False: "DejaVuSansCondensed.ttf", True: "DejaVuSansCondensed-Bold.ttf"}  # by whether it is bold
LEAST = 7.0
"""Points: small letters are then 1.35 mm high; the EU asks 1.2 mm of the list on a pack (from memory)."""
STEP = 0.5
LEADING = 1.2  # of the size, from line to line (common practice, no source)
POINT = 25.4 / 72  # mm
MORE = "…"


@dataclass(frozen=True)
class Fitted:
    """``rows`` at ``size``; ``whole`` is false where something was left out, which "…" shows."""

    rows: tuple[str, ...]
    size: float
    whole: bool


def fit(
    text: str, *, width: float, height: float, most: float, least: float = LEAST, bold: bool = False
) -> Fitted:
    """``text`` at the largest size from ``most`` down to ``least`` at which it fits; cut with "…" if at none."""
    shown = drawable(" ".join(text.split()))
    size = most
    while True:
        rows = wrapped(shown, width / (size * POINT), bold)
        lines = rows_in(height, size)
        if len(rows) <= lines:
            return Fitted(tuple(rows), size, whole=True)
        if size <= least:
            kept = rows[: max(lines, 1)]
            kept[-1] = _cut(kept[-1], width / (size * POINT), bold)
            return Fitted(tuple(kept), size, whole=False)
        size = max(least, size - STEP)


def rows_in(height: float, size: float) -> int:
    return int(height / (size * POINT * LEADING) + 1e-9)


def wrapped(text: str, ems: float, bold: bool) -> list[str]:
    """Rows of at most ``ems`` (in sizes of the font); a word that is wider alone is broken."""
    rows: list[str] = []
    for word in text.split():
        if rows and width_of(f"{rows[-1]} {word}", bold) <= ems:
            rows[-1] += f" {word}"
        else:
            rows += _pieces(word, ems, bold)
    return rows


def _pieces(word: str, ems: float, bold: bool) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and width_of(pieces[-1] + letter, bold) > ems:
            pieces.append("")
        pieces[-1] += letter
    return pieces


def _cut(row: str, ems: float, bold: bool) -> str:
    while row and width_of(row + MORE, bold) > ems:
        row = row[:-1]
    return row.rstrip() + MORE


def width_of(text: str, bold: bool) -> float:
    """In sizes of the font, without kerning."""
    advances, across = _font(bold)
    return sum(advances.get(ord(letter), across) for letter in text) / across


def drawable(text: str) -> str:
    known = [_font(bold)[0] for bold in FONTS]
    return "".join(
        letter if all(ord(letter) in each for each in known) else f"[U+{ord(letter):04X}]" for letter in text
    )


@cache
def _font(bold: bool) -> tuple[dict[int, int], int]:
    """How far each character goes on, and how many such units the size has."""
    content = (files("reports") / "static/reports/fonts" / FONTS[bold]).read_bytes()
    font = TTFont(io.BytesIO(content))
    metrics = font["hmtx"]
    return {code: metrics[name][0] for code, name in font.getBestCmap().items()}, font["head"].unitsPerEm
