"""A label with a GS1-128 across it as SVG: twice as wide as a tag, since the bars may not be narrower. Pure."""

from dataclasses import dataclass
from xml.etree import ElementTree

from reports.code_drawing import WIDEST_BAR, Code, bars, path
from reports.fitting import Fitted
from reports.tag_drawing import EDGE, HEIGHT, Box, fitted, frame, write

WIDTH = 190.0  # mm: one across, five down
NAME = Box(EDGE, 2.2, 112, 7.2, 13, bold=True)
LOT = Box(118, 2.2, WIDTH - EDGE - 118, 7.2, 13, bold=True)
BARS_AT, BARS_HIGH = 10.2, 28.0
LINE = Box(EDGE, 38.8, WIDTH - 2 * EDGE, 4.6, 9)
FACTS = Box(EDGE, 44, 112, 5, 9)
HOUSE = Box(118, 44, WIDTH - EDGE - 118, 5, 9)


@dataclass(frozen=True)
class BarLabel:
    """What stands on it. ``line``: the fields in brackets, as under every GS1 barcode; ``code``: a GS1-128."""

    name: str
    lot: str
    line: str
    facts: str
    house: str
    code: Code


def placed(label: BarLabel) -> list[tuple[Box, Fitted]]:
    texts = (
        (NAME, label.name),
        (LOT, label.lot),
        (LINE, label.line),
        (FACTS, label.facts),
        (HOUSE, label.house),
    )
    return [(box, fitted(box, text)) for box, text in texts]


def told(label: BarLabel) -> str:
    """The whole label in words."""
    return " · ".join((label.name, label.lot, label.facts, label.line, label.house))


def svg(label: BarLabel) -> str:
    """The label as one SVG document, in millimetres."""
    root = frame(WIDTH, HEIGHT, label.lot, told(label))
    modules = bars(label.code)
    across = min(WIDEST_BAR, (WIDTH - 2 * EDGE) / len(modules[0])) * len(modules[0])
    root.append(path(modules, (WIDTH - across) / 2, BARS_AT, across, BARS_HIGH))
    write(root, [(box, text, "#000") for box, text in placed(label)])
    return ElementTree.tostring(root, encoding="unicode")
