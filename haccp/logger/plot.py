"""A series as a plot: one line, its limits, gaps left open.

Of many readings each column of the picture shows the lowest and the highest, so that no peak is lost.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from haccp.drawing import Line, Mark, Panel, Plot, Tick
from haccp.science.courses import Course, gaps

COLUMNS = 760  # as many as the picture is wide, by eye
MINUTE, HOUR, DAY = 60, 3600, 86_400
STEPS = (1, 2, 5, 10, 15, 30, *(each * MINUTE for each in (1, 2, 5, 10, 15, 30)))
STEPS += (
    *(each * HOUR for each in (1, 2, 3, 6, 12)),
    *(each * DAY for each in (1, 2, 7, 14, 28, 91, 182, 364)),
)
MOST_TICKS = 7
MOST_DOTS = 60  # beyond which they would lie on each other, by eye
GAPS_TOLD = 5
Places = NDArray[np.int64]


@dataclass(frozen=True)
class Drawn:
    """``began`` on the logger's own clock; ``longest_gap`` in seconds; ``symbol`` of the unit; ``limits``: their
    names and values."""

    title: str
    course: Course
    began: datetime
    symbol: str
    longest_gap: float
    limits: Sequence[tuple[str, float]] = ()


def plot(of: Drawn) -> Plot:
    """What ``haccp.drawing.svg`` draws."""
    parts = list(_parts(of.course, of.longest_gap))
    told = f"{len(of.course.values):,} readings from {of.began:%Y-%m-%d %H:%M:%S} (UTC{of.began:%z})"
    told += _gaps_told(of)
    lines = [Line(name, ((0.0, value), (of.course.lasts, value)), "plan") for name, value in of.limits]
    return Plot(
        title=of.title,
        told=told,
        panels=(Panel(of.symbol, (_line(of.course, parts), *lines), tuple(_dots(of.course, parts))),),
        ticks=tuple(_ticks(of.began, of.course.lasts)),
        axis="time on the logger's clock",
        words=(told,),
    )


def _gaps_told(of: Drawn) -> str:
    """How many gaps there are and where the first few lie, by the logger's clock."""
    found = gaps(of.course, of.longest_gap)
    if not found:
        return "; no gap."
    named = [f"{_clock(of, gap.after)} to {_clock(of, gap.ends)}" for gap in found[:GAPS_TOLD]]
    more = ", and more" if len(found) > len(named) else ""
    return f"; {len(found)} gap{'s' if len(found) > 1 else ''} left open: {', '.join(named)}{more}."


def _clock(of: Drawn, after: float) -> str:
    at = of.began + timedelta(seconds=after)
    return f"{at:%H:%M:%S}" if at.date() == of.began.date() else f"{at:%Y-%m-%d %H:%M:%S}"


def _line(course: Course, parts: Sequence[Places]) -> Line:
    points: list[tuple[float, float | None]] = []
    for part in parts:
        points += zip(course.seconds[part].tolist(), course.values[part].tolist(), strict=True)
        points.append((points[-1][0], None))
    return Line("", tuple(points[:-1]))


def _dots(course: Course, parts: Sequence[Places]) -> Iterator[Mark]:
    """Where there are few readings each is a dot: the line between them is no reading. Of many, those that lie alone
    between two gaps, since one makes no line."""
    every = len(course.values) <= MOST_DOTS
    for part in parts:
        for at in part if every or len(part) == 1 else ():
            yield Mark(float(course.seconds[at]), float(course.values[at]))


def _parts(course: Course, longest_gap: float) -> Iterator[Places]:
    """Which readings are drawn, apart where the line breaks."""
    breaks = np.flatnonzero(np.diff(course.seconds) > longest_gap) + 1
    columns = (course.seconds * (COLUMNS / course.lasts)).astype(np.int64)
    if len(breaks) > COLUMNS:  # more gaps than columns: a stroke for each column, nothing between them
        breaks = np.flatnonzero(np.diff(columns)) + 1
    rows = np.arange(len(columns))
    kept = rows if len(rows) <= 2 * COLUMNS else _outline(columns, course.values, breaks)
    yield from np.split(kept, np.searchsorted(kept, breaks))


def _outline(columns: Places, values: NDArray[np.float64], breaks: Places) -> Places:
    """Of each column its first reading, its lowest, its highest and its last, and those beside a break, in order."""
    starts = np.flatnonzero(np.diff(columns, prepend=-1)).tolist()
    kept = {*breaks.tolist(), *(breaks - 1).tolist()}
    for start, end in zip(starts, [*starts[1:], len(columns)], strict=True):
        piece = values[start:end]
        kept |= {start, start + int(piece.argmin()), start + int(piece.argmax()), end - 1}
    return np.array(sorted(kept))


def _ticks(began: datetime, lasts: float) -> Iterator[Tick]:
    """Round times of the logger's own clock; the day stands under the first, and where it changes."""
    step = next((each for each in STEPS if lasts / each <= MOST_TICKS), _long_step(lasts))
    midnight = began.replace(hour=0, minute=0, second=0, microsecond=0)
    since, day = (began - midnight).total_seconds(), None
    for number in range(math.ceil(since / step), math.floor((since + lasts) / step) + 1):
        at = midnight + timedelta(seconds=number * step)
        rows = [] if step >= DAY else [f"{at:%H:%M:%S}" if step < MINUTE else f"{at:%H:%M}"]
        if at.date() != day:
            day = at.date()
            rows.append(day.isoformat())
        yield Tick(number * step - since, tuple(rows))


def _long_step(lasts: float) -> int:
    return 364 * DAY * math.ceil(lasts / (364 * DAY * MOST_TICKS))
