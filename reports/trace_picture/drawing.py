"""A layered picture as SVG, in millimetres: boxes with rows of text, lines between them, a key. Pure.

Nothing is told by colour alone: lines differ by width and dashes, boxes by their border, and a key names them. Every text
is fitted into its box, and told whole in the box's title.
"""

import itertools
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from xml.etree import ElementTree

from haccp.drawing import UNWRITABLE
from reports.fitting import LEADING, LEAST, POINT, fit, width_of
from reports.tag_drawing import ASCENT, FAMILY
from reports.trace_picture.layers import Layout, Line, layers_of, layout

BOX_WIDTH, BOX_HEIGHT = 40.0, 20.0
ACROSS, DOWN, POINT_DOWN = 17.0, 5.0, 3.0
"""mm between layers, between boxes, and of a passing line (by eye)."""
EDGE, INSIDE = 4.0, 1.2
ROWS = ((4.3, 9.5, True), *((3.6, 8.0, False),) * 4)
"""Height in mm, largest size in points and weight of the rows of a box; together lower than it."""
TITLE, WORDS = 12.0, 8.5  # points
LEAST_WIDTH = 150.0  # room for title and key


class Look(StrEnum):
    """What a line or a box stands for."""

    START = "start"
    SUSPECT = "suspect"
    SOURCE = "source"
    MIXED = "mixed"
    TOGETHER = "together"
    CONTACT = "contact"


STROKES: dict[Look, dict[str, str]] = {
    Look.START: {"stroke": "#a30d20", "stroke-width": "1.4"},
    Look.SUSPECT: {"stroke": "#a30d20", "stroke-width": "0.9"},
    Look.SOURCE: {"stroke": "#000", "stroke-width": "0.35"},
    Look.MIXED: {"stroke": "#7a4a00", "stroke-width": "0.6", "stroke-dasharray": "3 1 0.8 1"},
    Look.TOGETHER: {"stroke": "#7a4a00", "stroke-width": "0.6", "stroke-dasharray": "5 2"},
    Look.CONTACT: {"stroke": "#0b57a4", "stroke-width": "0.6", "stroke-dasharray": "0.9 1.1"},
}
"""Thick, less thick and thin without a break; dash and dot; long dashes; dots: apart in black and white."""


@dataclass(frozen=True)
class Bounds:
    """How many boxes are drawn at most: in all, under each other, beside each other (site settings, no source)."""

    boxes: int = 60
    down: int = 12
    across: int = 8


SCREEN, PAPER = Bounds(), Bounds(boxes=40, down=10, across=6)


@dataclass(frozen=True)
class Box:
    """``rows``: up to five, the first bold; ``told``: all of it in words."""

    rows: tuple[str, ...]
    told: str
    look: Look


@dataclass(frozen=True)
class Picture:
    """Boxes in a fixed order, each with its look; ``lines`` between their numbers. ``key``: a word for each look.

    ``box`` makes one that is drawn; of thousands that are not nobody asks.
    ``more``: stands below a box some of whose lines are not drawn, with %d for how many.
    """

    title: str
    looks: tuple[Look, ...]
    box: Callable[[int], Box]
    lines: tuple[Line, ...]
    key: tuple[tuple[Look, str], ...]
    more: str = "+ %d"


@dataclass(frozen=True)
class Chosen:
    """What is drawn of a picture: numbers of its boxes and lines."""

    boxes: tuple[int, ...]
    lines: tuple[int, ...]
    layers: tuple[int, ...]


def chosen(picture: Picture, bounds: Bounds) -> Chosen:
    """The boxes nearest to the start, each linked with one that is nearer and drawn; all lines between them."""
    layer = layers_of(len(picture.looks), [(line.source, line.target) for line in picture.lines])
    taken: set[int] = set()
    full: Counter[int] = Counter()
    for box, near in _from_the_start(picture):
        here = layer[box]
        wide = here not in full and len(full) >= bounds.across
        alone = near is not None and near not in taken
        if len(taken) < bounds.boxes and full[here] < bounds.down and not wide and not alone:
            taken.add(box)
            full[here] += 1
    lines = tuple(
        place
        for place, line in enumerate(picture.lines)
        if line.source != line.target and {line.source, line.target} <= taken
    )
    kept = tuple(sorted(taken))
    return Chosen(kept, lines, tuple(layer[box] for box in kept))


def _from_the_start(picture: Picture) -> Iterator[tuple[int, int | None]]:
    """Every box, nearest to the start first, with the one it was reached from; what hangs on nothing comes last."""
    linked: list[list[int]] = [[] for _ in picture.looks]
    for line in picture.lines:
        linked[line.source].append(line.target)
        linked[line.target].append(line.source)
    starts = [number for number, look in enumerate(picture.looks) if look == Look.START]
    seen: set[int] = set()
    for roots in (starts, *([box] for box in range(len(picture.looks)))):
        reached: list[tuple[int, int | None]] = [(box, None) for box in roots if box not in seen]
        seen.update(roots)
        for box, near in reached:  # grows on the way
            yield box, near
            fresh = [other for other in dict.fromkeys(linked[box]) if other not in seen]
            seen.update(fresh)
            reached += [(other, box) for other in fresh]


# -- drawn -----------------------------------------------------------------------------------------


def svg(picture: Picture, drawn: Chosen, *, told: str, words: Sequence[str]) -> str:
    """The picture as one SVG document. ``told``: in words, for who cannot see it; ``words``: stand below it."""
    place = {box: number for number, box in enumerate(drawn.boxes)}
    lines = [picture.lines[each] for each in drawn.lines]
    lines = [Line(place[each.source], place[each.target], each.look) for each in lines]
    found = layout(drawn.layers, lines, box_height=BOX_HEIGHT + DOWN, point_height=POINT_DOWN)
    left = _not_drawn(picture, drawn)
    width = max(LEAST_WIDTH, len(found.layers) * (BOX_WIDTH + ACROSS) - ACROSS + 2 * EDGE)
    root = _root(picture.title, told)
    y = _written(root, [(picture.title, TITLE, True)], width, EDGE)
    top, column = y + 2, {each: at for at, layer in enumerate(found.layers) for each in layer}
    spots = {
        each: (EDGE + column[each] * (BOX_WIDTH + ACROSS), top + at) for each, at in found.heights.items()
    }
    _lines(root, found, lines, spots)
    for number, each in enumerate(drawn.boxes):
        _box(root, picture.box(each), *spots[number])
        if left[each]:
            x, below = spots[number][0], spots[number][1] + BOX_HEIGHT / 2 + 0.9
            _text(root, picture.more % left[each], x, below + LEAST * POINT * ASCENT, LEAST, bold=True)
    depth = max((at for at in found.heights.values()), default=0.0) + (BOX_HEIGHT + DOWN) / 2
    used = {*(line.look for line in lines), *(picture.looks[each] for each in drawn.boxes)}
    y = _key(root, [each for each in picture.key if each[0] in used], top + depth + 3)
    y = _written(root, [(each, WORDS, False) for each in words], width, y + 1)
    _measured(root, width, y + EDGE)
    return ElementTree.tostring(root, encoding="unicode")


def _not_drawn(picture: Picture, drawn: Chosen) -> Counter[int]:
    """By box, how many of its lines are not drawn."""
    kept = set(drawn.lines)
    left = (line for place, line in enumerate(picture.lines) if place not in kept)
    return Counter(box for line in left for box in {line.source, line.target})


def _root(title: str, told: str) -> ElementTree.Element:
    said = {"xmlns": "http://www.w3.org/2000/svg", "role": "img", "aria-labelledby": "trace-title trace-desc"}
    root = ElementTree.Element("svg", said)
    ElementTree.SubElement(root, "title", {"id": "trace-title"}).text = _writable(title)
    ElementTree.SubElement(root, "desc", {"id": "trace-desc"}).text = _writable(told)
    ElementTree.SubElement(root, "rect", {"x": "0", "y": "0", "fill": "#fff"})
    return root


def _measured(root: ElementTree.Element, width: float, height: float) -> None:
    wide, high = _number(width), _number(height)
    root.attrib |= {"width": f"{wide}mm", "height": f"{high}mm", "viewBox": f"0 0 {wide} {high}"}
    root[2].attrib |= {"width": wide, "height": high}


def _lines(
    root: ElementTree.Element, found: Layout, lines: Sequence[Line], spots: dict[int, tuple[float, float]]
) -> None:
    """Each stretch once, the strongest look on top; an arrow where a line enters its box."""
    stretches: dict[tuple[Look, str], None] = {}
    arrows: dict[tuple[Look, str], None] = {}
    for line, way in zip(lines, found.ways, strict=True):
        look = Look(str(line.look))
        for here, there in itertools.pairwise(way):
            stretches[look, _stretch(here, there, found.boxes, spots)] = None
        if way and look != Look.TOGETHER:  # neither of the two leads to the other
            arrows[look, _arrow(spots[line.target], at_left=way[-1] == line.target)] = None
    for look in reversed(Look):
        for own, drawn in stretches:
            if own == look:
                ElementTree.SubElement(root, "path", {"d": drawn, "fill": "none", **STROKES[look]})
        for own, drawn in arrows:
            if own == look:
                ElementTree.SubElement(root, "path", {"d": drawn, "fill": STROKES[look]["stroke"]})


def _stretch(here: int, there: int, boxes: int, spots: dict[int, tuple[float, float]]) -> str:
    """From the right of one to the left of the other; a point is passed straight."""
    (x1, y1), (x2, y2) = spots[here], spots[there]
    begins = x1 + BOX_WIDTH
    bend = ACROSS / 2
    curve = f"C{_number(begins + bend)} {_number(y1)} {_number(x2 - bend)} {_number(y2)} {_number(x2)} {_number(y2)}"
    along = f"H{_number(x2 + BOX_WIDTH)}" if there >= boxes else ""
    return f"M{_number(begins)} {_number(y1)}{curve}{along}"


def _arrow(spot: tuple[float, float], *, at_left: bool) -> str:
    x, y = spot
    tip, back = (x, x - 2.6) if at_left else (x + BOX_WIDTH, x + BOX_WIDTH + 2.6)
    return f"M{_number(tip)} {_number(y)}L{_number(back)} {_number(y - 1.3)}V{_number(y + 1.3)}z"


def _box(root: ElementTree.Element, box: Box, x: float, middle: float) -> None:
    top = middle - BOX_HEIGHT / 2
    group = ElementTree.SubElement(root, "g")
    ElementTree.SubElement(group, "title").text = _writable(box.told)
    size = {"width": _number(BOX_WIDTH), "height": _number(BOX_HEIGHT)}
    look = {"fill": "#fff", **STROKES[box.look]}
    ElementTree.SubElement(group, "rect", {"x": _number(x), "y": _number(top), **size, **look})
    for row, y, (height, most, bold) in _rows(box, top):
        fitted = fit(row, width=BOX_WIDTH - 2 * INSIDE, height=height, most=most, bold=bold)
        for words in fitted.rows[:1]:
            _text(group, words, x + INSIDE, y + fitted.size * POINT * ASCENT, fitted.size, bold)


def _rows(box: Box, top: float) -> Iterator[tuple[str, float, tuple[float, float, bool]]]:
    y = top + (BOX_HEIGHT - sum(row[0] for row in ROWS)) / 2
    for row, how in zip(box.rows, ROWS, strict=False):
        yield row, y, how
        y += how[0]


def _key(root: ElementTree.Element, key: Sequence[tuple[Look, str]], y: float) -> float:
    for look, word in key:
        line = {"x1": _number(EDGE), "x2": _number(EDGE + 14), "y1": _number(y + 2), "y2": _number(y + 2)}
        ElementTree.SubElement(root, "line", line | STROKES[look])
        y = _written(root, [(word, WORDS, False)], LEAST_WIDTH, y, x=EDGE + 17)
    return y


def _written(
    root: ElementTree.Element,
    sentences: Sequence[tuple[str, float, bool]],
    width: float,
    y: float,
    x: float = EDGE,
) -> float:
    """Sentences below each other, each over as many rows as it takes; the y below them."""
    for sentence, size, bold in sentences:
        fitted = fit(sentence, width=width - x - EDGE, height=1000, most=size, least=size, bold=bold)
        for row in fitted.rows:
            _text(root, row, x, y + size * POINT * ASCENT, size, bold)
            y += size * POINT * LEADING
    return y


def _text(inside: ElementTree.Element, words: str, x: float, y: float, size: float, bold: bool) -> None:
    """Its length is said, so that another font is narrowed to it and does not run out."""
    length = width_of(words, bold) * size * POINT
    said = {"x": _number(x), "y": _number(y), "font-family": FAMILY, "font-size": _number(size * POINT)}
    said |= {"textLength": _number(length), "lengthAdjust": "spacingAndGlyphs"} if words else {}
    said |= {"font-weight": "bold"} if bold else {}
    ElementTree.SubElement(inside, "text", said).text = _writable(words)


def _number(value: float) -> str:
    return f"{value + 0.0:.2f}".rstrip("0").rstrip(".")


def _writable(words: str) -> str:
    return UNWRITABLE.sub("\ufffd", words)
