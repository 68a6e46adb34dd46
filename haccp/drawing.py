"""Plots as SVG, for screen, paper and whoever reads by ear. Pure: plain values in, text out.

Nothing is told by colour alone: lines differ by their dashes and are named at their end, marks differ by shape and
number. Text is large enough to be read at arm's length. Every text is escaped by the XML writer. No scripts, no
styles, no addresses.
"""

import math
import re
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal
from xml.etree import ElementTree

WIDTH, LEFT, RIGHT, EDGE = 1200, 110, 330, 30  # RIGHT: room for the names of the lines
ROW, TEXT, HEAD = 28, 20, 26
LETTERS_A_ROW = 108  # of TEXT size between the edges, by eye
STEEP = 30
NUMBER_ROOM = 42  # above the highest mark
MOST_STRETCH = 3.0  # a far line may stretch the picture so much; one still farther is only named at its edge
UNWRITABLE = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # no characters of XML 1.0

Look = Literal["data", "centre", "control", "plan"]
Shape = Literal["dot", "signal", "outside"]
LOOKS: dict[Look, dict[str, str]] = {
    "data": {"stroke": "#000", "stroke-width": "2"},
    "centre": {"stroke": "#000", "stroke-width": "1.5"},
    "control": {"stroke": "#0b57a4", "stroke-width": "2.5", "stroke-dasharray": "14 8"},
    "plan": {"stroke": "#a30d20", "stroke-width": "5", "stroke-dasharray": "3 7"},
}
"""Thin and whole, long dashes, thick dots: apart in black and white."""


@dataclass(frozen=True)
class Line:
    """Points joined in order, a None in y breaks the line. ``name`` stands at its right end."""

    name: str
    points: tuple[tuple[float, float | None], ...]
    look: Look = "data"


@dataclass(frozen=True)
class Mark:
    """A dot, a signal (a diamond with its ``number``), or a square round what lies outside. ``told``: in words."""

    x: float
    y: float
    shape: Shape = "dot"
    number: str = ""
    told: str = ""


@dataclass(frozen=True)
class Panel:
    """One picture of a plot; several lie under each other over the same x."""

    name: str
    lines: tuple[Line, ...]
    marks: tuple[Mark, ...] = ()
    height: int = 360


@dataclass(frozen=True)
class Tick:
    """A place on the axis of x with its rows of text."""

    x: float
    rows: tuple[str, ...]


@dataclass(frozen=True)
class Plot:
    """``told``: what the picture shows, for readers of text. ``axis``: what x is. ``words``: stand below it.

    ``beyond``: said of a line that lies above the picture, and of one below it.
    """

    title: str
    told: str
    panels: tuple[Panel, ...] = ()
    ticks: tuple[Tick, ...] = ()
    axis: str = ""
    words: tuple[str, ...] = ()
    beyond: tuple[str, str] = ("higher", "lower")


def svg(plot: Plot) -> str:
    """The plot as one SVG document."""
    root = ElementTree.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img"})
    _plain(root, "title", plot.title)
    _plain(root, "desc", plot.told)
    ground = _put(root, "rect", x=0, y=0, width=WIDTH, fill="#fff")
    look: dict[str, str | float] = {"font-family": "sans-serif", "font-size": TEXT, "fill": "#000"}
    writing = _put(root, "g", **look)
    y = _rows(writing, plot.title, HEAD + 14, size=HEAD, bold=True, letters=70)
    across = _across(plot)
    for panel in plot.panels:
        y = _panel(writing, panel, across, y + 16, plot.beyond)
    if plot.panels:
        y = _axis(writing, plot, across, y)
    for sentence in plot.words:
        y = _rows(writing, sentence, y)
    root.set("viewBox", f"0 0 {WIDTH} {y}")
    ground.set("height", str(y))
    return ElementTree.tostring(root, encoding="unicode")


def figure(value: float, decimals: int) -> str:
    """A number for a picture, never in powers of ten."""
    return f"{value + 0.0:.{decimals}f}"


# -- scales -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Scale:
    """From ``low`` to ``high`` of the data onto ``start`` to ``end`` of the picture."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)


def _across(plot: Plot) -> _Scale:
    every = [x for panel in plot.panels for line in panel.lines for x, _ in line.points]
    every += [mark.x for panel in plot.panels for mark in panel.marks]
    low, high = _apart(min(every, default=0.0), max(every, default=0.0))
    return _Scale(low, high, LEFT, WIDTH - RIGHT)


def _apart(low: float, high: float) -> tuple[float, float]:
    """The two, with something between them."""
    half = max(abs(low) * 0.05, 1e-6) if high - low <= abs(low) * 1e-9 else 0.0
    return low - half, high + half


def _heights(lines: Iterable[Line]) -> list[float]:
    return [y for line in lines for _, y in line.points if y is not None]


def _window(panel: Panel) -> tuple[float, float]:
    """The lowest and highest y shown: all that is data, and the plan's lines where they are not too far."""
    near = _heights(line for line in panel.lines if line.look != "plan") + [mark.y for mark in panel.marks]
    far = _heights(line for line in panel.lines if line.look == "plan")
    low, high = _apart(min(near or far, default=0.0), max(near or far, default=0.0))
    most = MOST_STRETCH * (high - low)
    for y in sorted(far, key=lambda y: max(low - y, y - high)):
        if max(high, y) - min(low, y) <= most:
            low, high = min(low, y), max(high, y)
    air = (high - low) * 0.08
    return low - air, high + max(air, (high - low) * NUMBER_ROOM / panel.height)


def _round_values(low: float, high: float) -> tuple[list[float], int]:
    """Values for an axis, in steps of 1, 2 or 5, and the decimals they need."""
    rough = (high - low) / 5
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * part for part in (1, 2, 5, 10) if power * part >= rough * 0.999)
    first, last = math.ceil(low / step), math.floor(high / step)
    return [count * step for count in range(first, last + 1)], max(0, -math.floor(math.log10(step) + 1e-9))


# -- parts of the picture -----------------------------------------------------------------------------


def _panel(
    writing: ElementTree.Element, panel: Panel, across: _Scale, top: int, beyond: tuple[str, str]
) -> int:
    _text(writing, EDGE, top + TEXT, panel.name, bold=True)
    top += ROW + 8
    low, high = _window(panel)
    up = _Scale(low, high, top + panel.height, top)
    _frame(writing, up)
    for line in panel.lines:
        _line(writing, line, across, up)
    _names(writing, panel.lines, up, beyond)
    _marks(writing, panel.marks, across, up)
    return top + panel.height


def _frame(writing: ElementTree.Element, up: _Scale) -> None:
    values, decimals = _round_values(up.low, up.high)
    for value in values:
        y = up.at(value)
        _put(writing, "line", x1=LEFT - 6, x2=WIDTH - RIGHT, y1=y, y2=y, stroke="#ccc")
        _text(writing, LEFT - 12, y + 7, figure(value, decimals), anchor="end")
    _put(writing, "path", d=f"M{LEFT} {up.end}V{up.start}H{WIDTH - RIGHT}", fill="none", stroke="#000")


def _line(writing: ElementTree.Element, line: Line, across: _Scale, up: _Scale) -> None:
    drawn, pen = [], "M"
    for x, y in line.points:
        if y is None or not up.low <= y <= up.high:
            pen = "M"
            continue
        drawn.append(f"{pen}{across.at(x):.1f} {up.at(y):.1f}")
        pen = "L"
    if drawn:
        _put(writing, "path", d="".join(drawn), fill="none", **LOOKS[line.look])


def _names(writing: ElementTree.Element, lines: Sequence[Line], up: _Scale, words: tuple[str, str]) -> None:
    """The names at the right ends of the lines, kept from lying on each other."""
    wanted = []
    for line in lines:
        if line.name and (heights := _heights([line])):
            last = heights[-1]
            beyond = f" ({words[0]})" if last > up.high else f" ({words[1]})" if last < up.low else ""
            wanted.append((up.at(min(max(last, up.low), up.high)), line, beyond))
    wanted.sort(key=lambda each: each[0])
    free = up.end
    for at, (y, line, beyond) in enumerate(wanted):
        place = min(max(y, free), up.start - ROW * (len(wanted) - 1 - at))
        free = place + ROW
        x = WIDTH - RIGHT  # from where the line ends to where its name found room
        _put(
            writing, "path", d=f"M{x} {y:.1f}L{x + 20} {place:.1f}H{x + 44}", fill="none", **LOOKS[line.look]
        )
        _text(writing, x + 52, place + 7, line.name + beyond)


def _marks(writing: ElementTree.Element, marks: Sequence[Mark], across: _Scale, up: _Scale) -> None:
    taken = before = -math.inf
    for mark in sorted(marks, key=lambda mark: mark.x):
        x, y = across.at(mark.x), up.at(mark.y)
        steep, before = (
            STEEP < y - before < math.inf,
            y,
        )  # the line comes from above: the number stands beside it
        group = _put(writing, "g")
        if mark.told:
            _plain(group, "title", mark.told)
        _shape(group, mark.shape, x, y)
        place = x + 22 if steep else x
        if (
            mark.number and place - taken >= TEXT
        ):  # where they crowd, the words below and the data have them all
            _text(group, place, y - 10 if steep else y - 19, mark.number, anchor="middle", bold=True)
            taken = place + 6 * (len(mark.number) - 1)


def _shape(group: ElementTree.Element, shape: Shape, x: float, y: float) -> None:
    if shape == "dot":
        _put(group, "circle", cx=x, cy=y, r=4.5)
    elif shape == "signal":
        corners = f"{x:.1f},{y - 12:.1f} {x + 12:.1f},{y:.1f} {x:.1f},{y + 12:.1f} {x - 12:.1f},{y:.1f}"
        _put(group, "polygon", points=corners, fill="#ffd34d", stroke="#000", **{"stroke-width": 2.5})
    else:
        _put(
            group,
            "rect",
            x=x - 15,
            y=y - 15,
            width=30,
            height=30,
            fill="none",
            stroke="#a30d20",
            **{"stroke-width": 3},
        )


def _axis(writing: ElementTree.Element, plot: Plot, across: _Scale, y: int) -> int:
    for tick in plot.ticks:
        x = across.at(tick.x)
        _put(writing, "line", x1=x, x2=x, y1=y, y2=y + 8, stroke="#000")
        for at, row in enumerate(tick.rows):
            _text(writing, x, y + 30 + at * 24, row, anchor="middle")
    y += 30 + 24 * max((len(tick.rows) for tick in plot.ticks), default=0)
    _text(writing, (LEFT + WIDTH - RIGHT) / 2, y + 6, plot.axis, anchor="middle")
    return y + ROW + 12


def _rows(
    writing: ElementTree.Element,
    sentence: str,
    y: int,
    *,
    size: int = TEXT,
    bold: bool = False,
    letters: int = LETTERS_A_ROW,
) -> int:
    """A sentence over as many rows as it takes; the y below it."""
    for row in textwrap.wrap(sentence, letters) or [""]:
        _text(writing, EDGE, y, row, bold=bold, size=size)
        y += ROW + (size - TEXT)
    return y


def _text(
    inside: ElementTree.Element,
    x: float,
    y: float,
    words: str,
    *,
    anchor: str = "start",
    bold: bool = False,
    size: int = TEXT,
) -> None:
    more = {"text-anchor": anchor} if anchor != "start" else {}
    more |= {"font-weight": "bold"} if bold else {}
    more |= {"font-size": str(size)} if size != TEXT else {}
    _put(inside, "text", x=x, y=y, **more).text = UNWRITABLE.sub("\ufffd", words)


def _plain(inside: ElementTree.Element, tag: str, words: str) -> None:
    ElementTree.SubElement(inside, tag).text = UNWRITABLE.sub("\ufffd", words)


def _put(inside: ElementTree.Element, tag: str, **attributes: str | float) -> ElementTree.Element:
    said = {
        name: f"{value:.1f}" if isinstance(value, float) else str(value) for name, value in attributes.items()
    }
    return ElementTree.SubElement(inside, tag, said)
