"""Barcodes as SVG paths in millimetres, their quiet zones inside. Pure: libraries arrange the modules, this draws them.

What goes in was looked at before (``batches.marking``): the libraries check no identifier, date or check digit.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from xml.etree import ElementTree

import segno
from pystrich.code128 import Code128Data, Code128Encoder
from pystrich.datamatrix import DataMatrixData, DataMatrixEncoder
from pystrich.gs1 import GS1Fixed, GS1Variable

from batches.scanning import elements

QUIET_QR = 4  # modules (ISO/IEC 18004, from memory)
QUIET_DATA_MATRIX = 2  # one is asked (ISO/IEC 16022, from memory)
QUIET_CODE_128 = 10  # modules (GS1 General Specifications, from memory)
WIDEST_BAR = 0.495
"""mm, the least width of the narrowest bar for goods that are shipped (GS1 General Specifications, from memory)."""

Modules = Sequence[Sequence[int | None]]


class Carrier(StrEnum):
    QR = "qr"
    DIGITAL_LINK = "digital-link"
    DATA_MATRIX = "gs1-datamatrix"
    GS1_128 = "gs1-128"


@dataclass(frozen=True)
class Code:
    """``text``: what a reader sends; of GS1 fields without FNC1 in front."""

    carrier: Carrier
    text: str


def square(code: Code) -> Modules:
    """The modules of a square code, its quiet zone included."""
    if code.carrier == Carrier.DATA_MATRIX:
        data = DataMatrixData.gs1(*_fields(code.text))
        return DataMatrixEncoder(data, quiet_zone=QUIET_DATA_MATRIX).init_renderer().matrix
    made = segno.make(code.text, error="m", micro=False)
    return [list(row) for row in made.matrix_iter(border=QUIET_QR)]


def bars(code: Code) -> Modules:
    """The one row of a GS1-128, its quiet zones included."""
    quiet = [0] * QUIET_CODE_128
    made = Code128Encoder(Code128Data.gs1(*_fields(code.text)))
    return [[*quiet, *(int(each) for each in made.bars), *quiet]]


def _fields(text: str) -> Iterable[GS1Fixed | GS1Variable]:
    for each in elements.read(text):
        kind = GS1Variable if elements.needs_separator(each) else GS1Fixed
        yield kind(each.ai, each.value)


def path(modules: Modules, x: float, y: float, width: float, height: float) -> ElementTree.Element:
    """The modules as one black path that fills the box."""
    across, down = width / len(modules[0]), height / len(modules)
    drawn = []
    for row, line in enumerate(modules):
        for begins, ends in _runs(line):
            left, top = x + begins * across, y + row * down
            drawn.append(f"M{left:.4f} {top:.4f}h{(ends - begins) * across:.4f}v{down:.4f}H{left:.4f}z")
    return ElementTree.Element("path", {"d": "".join(drawn), "fill": "#000", "shape-rendering": "crispEdges"})


def _runs(line: Sequence[int | None]) -> Iterable[tuple[int, int]]:
    """Where dark begins and ends."""
    begins = None
    for at, dark in enumerate([*line, 0]):
        if dark and begins is None:
            begins = at
        elif not dark and begins is not None:
            yield begins, at
            begins = None
