"""A tag as SVG: black on white, its state in words, every text inside its box whatever font the reader has. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from xml.etree import ElementTree

from haccp.drawing import UNWRITABLE
from reports.code_drawing import Code, path, square
from reports.fitting import LEADING, POINT, Fitted, fit, width_of

WIDTH, HEIGHT = 95.0, 51.0
"""mm: two across and five down fit on A4 and on US Letter (site setting, no source)."""
EDGE = 3.0
FAMILY = "'Record Sans', 'DejaVu Sans Condensed', 'Arial Narrow', sans-serif"
ASCENT = 0.93  # of the size: where the line of the letters lies below the top of a row (from memory)


@dataclass(frozen=True)
class Tag:
    """What stands on a tag. ``head``: what it is, in words; ``state``: of the lot when it was printed.

    ``bodies``: the same, shorter and shorter; none may be cut, so the first that fits stands there. ``facts``: two short
    ones, side by side. ``house``: whose it is. ``code``: by which a scanner finds the lot.
    """

    head: str
    state: str
    name: str
    lot: str
    bodies: tuple[str, ...]
    facts: tuple[str, str]
    house: str
    code: Code
    warns: bool = False


@dataclass(frozen=True)
class Box:
    """A place on the tag, in mm from its upper left corner, with its largest size in points."""

    x: float
    y: float
    width: float
    height: float
    most: float
    bold: bool = False


INNER = WIDTH - 2 * EDGE
BAND = Box(EDGE, 2, INNER, 7.4, 0)
HEAD = Box(EDGE + 1, 3.2, 54, 5.2, 11, bold=True)
STATE = Box(61, 2.7, WIDTH - EDGE - 1 - 61, 6.2, 8)  # two rows at the least size
CODE = Box(WIDTH - EDGE - 21, 28.5, 21, 21, 0)
BESIDE = CODE.x - EDGE - 1  # what is left beside the code
NAME = Box(EDGE, 10, INNER, 9.8, 15, bold=True)
LOT = Box(EDGE, 20, INNER, 5.8, 13, bold=True)
BODY = Box(EDGE, 26.2, BESIDE, 14.8, 9)
FACTS = (Box(EDGE, 41.2, 31.5, 5.4, 9.5, bold=True), Box(EDGE + 33, 41.2, 34, 5.4, 9.5, bold=True))
HOUSE = Box(EDGE, 46.8, BESIDE, 3.1, 7.5)


def placed(tag: Tag) -> list[tuple[Box, Fitted]]:
    """Each text of a tag in its box, as it is drawn."""
    texts = [
        (HEAD, tag.head),
        (STATE, tag.state),
        (NAME, tag.name),
        (LOT, tag.lot),
        (HOUSE, tag.house),
        *zip(FACTS, tag.facts, strict=True),
    ]
    found = [(box, fitted(box, text)) for box, text in texts]
    bodies = [fitted(BODY, body) for body in tag.bodies]
    return [*found, (BODY, next((body for body in bodies if body.whole), bodies[-1]))]


def fitted(box: Box, text: str) -> Fitted:
    """A text as large as its box lets it be."""
    return fit(text, width=box.width, height=box.height, most=box.most, bold=box.bold)


def told(tag: Tag) -> str:
    """The whole tag in words, nothing left out."""
    return " · ".join(
        each
        for each in (tag.head, tag.state, tag.name, tag.lot, tag.bodies[0], *tag.facts, tag.house)
        if each
    )


def svg(tag: Tag) -> str:
    """The tag as one SVG document, in millimetres. The head of a tag that warns is white on black."""
    root = frame(WIDTH, HEIGHT, f"{tag.head} {tag.lot}", told(tag), thick=tag.warns)
    band = {"x": f"{BAND.x:g}", "y": f"{BAND.y:g}", "width": f"{BAND.width:g}", "height": f"{BAND.height:g}"}
    look = {"fill": "#000" if tag.warns else "#fff", "stroke": "#000", "stroke-width": "0.3"}
    ElementTree.SubElement(root, "rect", band | look)
    root.append(path(square(tag.code), CODE.x, CODE.y, CODE.width, CODE.height))
    on_black = (HEAD, STATE) if tag.warns else ()
    write(root, [(box, text, "#fff" if box in on_black else "#000") for box, text in placed(tag)])
    return ElementTree.tostring(root, encoding="unicode")


def frame(width: float, height: float, title: str, told: str, *, thick: bool = False) -> ElementTree.Element:
    """An empty picture in millimetres with a border, and what it says in words."""
    size = {"width": f"{width:g}mm", "height": f"{height:g}mm", "viewBox": f"0 0 {width:g} {height:g}"}
    root = ElementTree.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img", **size})
    ElementTree.SubElement(root, "title").text = _writable(title)
    ElementTree.SubElement(root, "desc").text = _writable(told)
    edge = {"x": "0.5", "y": "0.5", "width": f"{width - 1:g}", "height": f"{height - 1:g}", "fill": "#fff"}
    border = {"stroke": "#000", "stroke-width": "1" if thick else "0.3"}
    ElementTree.SubElement(root, "rect", edge | border)
    return root


def write(root: ElementTree.Element, texts: Iterable[tuple[Box, Fitted, str]]) -> None:
    """Each text in its box, in its colour."""
    writing = ElementTree.SubElement(root, "g", {"font-family": FAMILY})
    for box, text, fill in texts:
        for row in _rows(box, text):
            writing.append(_text(row, box, text.size, fill))


def _rows(box: Box, text: Fitted) -> Iterable[tuple[float, str]]:
    """Where each row's letters stand, in mm from the top."""
    size = text.size * POINT
    return ((box.y + size * (ASCENT + at * LEADING), row) for at, row in enumerate(text.rows))


def _text(row: tuple[float, str], box: Box, size: float, fill: str) -> ElementTree.Element:
    """One row. Its length is said, so that another font is narrowed to it and does not run out."""
    y, words = row
    length = width_of(words, box.bold) * size * POINT
    said = {"x": f"{box.x:g}", "y": f"{y:.2f}", "font-size": f"{size * POINT:.3f}", "fill": fill}
    said |= {"textLength": f"{length:.2f}", "lengthAdjust": "spacingAndGlyphs"}
    said |= {"font-weight": "bold"} if box.bold else {}
    element = ElementTree.Element("text", said)
    element.text = _writable(words)
    return element


def _writable(words: str) -> str:
    return UNWRITABLE.sub("\ufffd", words)
