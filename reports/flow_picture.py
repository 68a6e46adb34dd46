"""The flow of a hazard plan as SVG, in millimetres: steps in layers from top to bottom, what comes in, what returns. Pure.

Nothing is told by colour alone: what returns is dashed, a step with a CCP has a thick border, and a key names both. The
whole flow stands in the title too, in words: that is what a PDF gives to who cannot see it.
"""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

from haccp.drawing import UNWRITABLE
from reports.fitting import POINT, Fitted, fit
from reports.tag_drawing import FAMILY, Box, write
from reports.trace_picture.layers import Layout, Line, layers_of, layout

BOX_WIDTH, BOX_HEIGHT = 42.0, 12.0
ACROSS, DOWN, POINT_ACROSS = 6.0, 6.0, 4.0
"""mm between boxes, between layers, and of a passing line (by eye)."""
EDGE, INSIDE, AROUND = 2.0, 1.2, 5.0
HEAD, CODE_WIDTH = 4.0, 20.0  # mm: the row of code and control points, and how much of it the code has
WORDS, LEAST_SIZE = 8.0, 6.0  # points
RETURNS = {"stroke-dasharray": "2 1"}
PLAIN = {"stroke": "#000", "stroke-width": "0.35", "fill": "none"}


@dataclass(frozen=True)
class FlowStep:
    """``to``: numbers of the steps that follow. ``marks``: the kinds and codes of its control points, in a row."""

    code: str
    name: str
    to: tuple[int, ...]
    marks: str = ""
    critical: bool = False


@dataclass(frozen=True)
class FlowWords:
    """``told``: the flow in words. ``comes_in``: what stands above the steps that nothing leads to; empty: nothing does."""

    told: str
    comes_in: str
    material_codes: str
    returns: str
    critical: str


def svg(steps: Sequence[FlowStep], words: FlowWords) -> str:
    """The flow as one SVG document."""
    boxes, lines = _with_inputs(steps, words)
    back = returning(steps)
    ways = [(line.source, line.target) for line in lines]
    layer = layers_of(len(boxes), [(t, s) if (s, t) in back else (s, t) for s, t in ways])
    found = layout(layer, lines, box_height=BOX_WIDTH + ACROSS, point_height=POINT_ACROSS)
    rows = {each: at for at, members in enumerate(found.layers) for each in members}
    spots = {
        each: (EDGE + at + AROUND, EDGE + rows[each] * (BOX_HEIGHT + DOWN))
        for each, at in found.heights.items()
    }
    root = ElementTree.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img"})
    ElementTree.SubElement(root, "title").text = UNWRITABLE.sub("\ufffd", words.told)
    for line, way in zip(lines, found.ways, strict=True):
        _line(root, line, way, found, spots)
    for number, step in enumerate(boxes):
        _box(root, step, spots[number], dotted=number >= len(steps))
    width = max(x for x, _y in spots.values()) + BOX_WIDTH / 2 + AROUND + EDGE
    height = len(found.layers) * (BOX_HEIGHT + DOWN) - DOWN + 2 * EDGE
    height = _key(root, words, height, bool(back), any(step.critical for step in steps))
    size = {
        "width": f"{width:.2f}mm",
        "height": f"{height:.2f}mm",
        "viewBox": f"0 0 {width:.2f} {height:.2f}",
    }
    root.attrib |= size
    return ElementTree.tostring(root, encoding="unicode")


def returning(steps: Sequence[FlowStep]) -> set[tuple[int, int]]:
    """The ways that lead back: to the step itself, or to one listed before it from which it is reached again."""
    onward = [set(step.to) for step in steps]
    return {
        (source, target)
        for source, step in enumerate(steps)
        for target in step.to
        if target <= source and source in _reached(target, onward)
    }


def _reached(begin: int, onward: Sequence[set[int]]) -> set[int]:
    seen, ahead = {begin}, [begin]
    while ahead:
        fresh = onward[ahead.pop()] - seen
        seen |= fresh
        ahead += fresh
    return seen


def _with_inputs(steps: Sequence[FlowStep], words: FlowWords) -> tuple[list[FlowStep], list[Line]]:
    """The steps, and below them in the list a box for what comes in, above those that nothing leads to."""
    lines = [Line(source, target) for source, step in enumerate(steps) for target in step.to]
    entered = {line.target for line in lines if line.source != line.target}
    entries = [number for number in range(len(steps)) if number not in entered]
    if not words.comes_in or not entries:
        return list(steps), lines
    comes_in = FlowStep(words.comes_in, words.material_codes, tuple(entries))
    return [*steps, comes_in], [*lines, *(Line(len(steps), entry) for entry in entries)]


def _line(
    root: ElementTree.Element,
    line: Line,
    way: Sequence[int],
    found: Layout,
    spots: dict[int, tuple[float, float]],
) -> None:
    if line.source == line.target:
        _again(root, *spots[line.source])
        return
    down = bool(way) and way[0] == line.source
    look = PLAIN if down else PLAIN | RETURNS
    for here, there in itertools.pairwise(way):
        (x1, y1), (x2, y2) = spots[here], spots[there]
        begins, ends, bend = y1 + BOX_HEIGHT, y2, DOWN / 2
        drawn = f"M{x1:.2f} {begins:.2f}C{x1:.2f} {begins + bend:.2f} {x2:.2f} {ends - bend:.2f} {x2:.2f} {ends:.2f}"
        drawn += f"V{ends + BOX_HEIGHT:.2f}" if there >= found.boxes else ""
        ElementTree.SubElement(root, "path", {"d": drawn, **look})
    x, y = spots[line.target]
    tip, back = (y, y - 2) if down else (y + BOX_HEIGHT, y + BOX_HEIGHT + 2)
    arrow = f"M{x:.2f} {tip:.2f}L{x - 1.1:.2f} {back:.2f}H{x + 1.1:.2f}z"
    ElementTree.SubElement(root, "path", {"d": arrow, "fill": "#000"})


def _again(root: ElementTree.Element, x: float, y: float) -> None:
    """A step that is done over and over: a dashed loop at its right side, back into it."""
    side, top, bottom = x + BOX_WIDTH / 2, y + 4, y + BOX_HEIGHT - 4
    loop = f"M{side:.2f} {bottom:.2f}h{AROUND - 2:.2f}V{top:.2f}h-{AROUND - 2:.2f}"
    ElementTree.SubElement(root, "path", {"d": loop, **PLAIN, **RETURNS})
    arrow = f"M{side:.2f} {top:.2f}l1.8 -1.1v2.2z"
    ElementTree.SubElement(root, "path", {"d": arrow, "fill": "#000"})


def _box(root: ElementTree.Element, step: FlowStep, spot: tuple[float, float], *, dotted: bool) -> None:
    left, top = spot[0] - BOX_WIDTH / 2, spot[1]
    look = {"fill": "#fff", "stroke": "#000", "stroke-width": "1.1" if step.critical else "0.35"}
    look |= {"stroke-dasharray": "0.6 0.8"} if dotted else {}
    size = {"x": f"{left:.2f}", "y": f"{top:.2f}", "width": f"{BOX_WIDTH:g}", "height": f"{BOX_HEIGHT:g}"}
    ElementTree.SubElement(root, "rect", size | look)
    write(root, [(box, _fitted(box, text), "#000") for box, text in _texts(step, left, top)])


def _texts(step: FlowStep, left: float, top: float) -> Iterator[tuple[Box, str]]:
    """Code and control points side by side, the name below."""
    x, y, inner = left + INSIDE, top + 0.6, BOX_WIDTH - 2 * INSIDE
    head = CODE_WIDTH if step.marks else inner
    yield Box(x, y, head, HEAD, 9, bold=True), step.code
    yield Box(x, y + HEAD, inner, BOX_HEIGHT - HEAD - 0.8, 8), step.name
    if step.marks:
        yield Box(x + CODE_WIDTH + 1, y, inner - CODE_WIDTH - 1, HEAD, 7.5, bold=True), step.marks


def _fitted(box: Box, text: str) -> Fitted:
    least = min(LEAST_SIZE, box.most)
    return fit(text, width=box.width, height=box.height, most=box.most, least=least, bold=box.bold)


def _key(root: ElementTree.Element, words: FlowWords, y: float, returns: bool, critical: bool) -> float:
    """What dashes and thick borders stand for, where there are any; the height below."""
    if returns:
        ElementTree.SubElement(root, "path", {"d": f"M{EDGE} {y + 2.2:.2f}h9", **PLAIN, **RETURNS})
        _word(root, words.returns, y)
        y += 4.5
    if critical:
        box = {"x": f"{EDGE + 0.6}", "y": f"{y + 0.8:.2f}", "width": "7.8", "height": "2.8", "fill": "#fff"}
        ElementTree.SubElement(root, "rect", box | {"stroke": "#000", "stroke-width": "1.1"})
        _word(root, words.critical, y)
        y += 4.5
    return y


def _word(root: ElementTree.Element, words: str, y: float) -> None:
    said = {
        "x": f"{EDGE + 11}",
        "y": f"{y + 3.2:.2f}",
        "font-family": FAMILY,
        "font-size": f"{WORDS * POINT:.3f}",
    }
    ElementTree.SubElement(root, "text", said).text = words
