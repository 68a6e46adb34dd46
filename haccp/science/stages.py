"""Sugar stages of a syrup boiled with water, on the day and at the altitude where it is boiled.

A stage temperature stands for a solids content, since a boiling syrup's temperature says how much water is left.
Where water boils lower, every stage lies lower: by 1.0 to 1.2 times the fall of water's own boiling point (computed
with ``haccp.science.boiling`` for 80 to 95 % solids up to 3000 m). Two rows and the dry method are no boiling points.

Three things stay apart: the table's temperatures, the shift by altitude or weather, and the probe's own error.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from haccp.science.answers import Answer, Computed, NotComputed, number
from haccp.science.boiling import SEA_LEVEL_KPA, saturation_c

SOURCE = (
    "trade stage tables at sea level; seven tables read, their edges differ by up to 4 °C (thread by up to 8 °C); "
    "hard ball 90 % in some, 92 % in others"
)
SHIFT_MODEL = "Shift of a stage by altitude or weather"
SHIFT_SOURCE = (
    f"{SOURCE}; trade rule: take off as many degrees as water boils lower (read); 1.0 to 1.2 times (computed)"
)
LEAST_RATIO, MOST_RATIO = 1.0, 1.2
NOT_BOILING = "This is no boiling point: hardly any water is left to boil, so pressure does not move it."
END_POINT = (
    "Its end point is the colour against the site's own reference, without crystals or lumps, and the time; "
    "a temperature only helps to find it."
)


@dataclass(frozen=True)
class Stage:
    """One row at sea level: °C from ``low_c`` to ``high_c`` (None: no temperature), trade solids in % by mass."""

    name: str
    low_c: float | None
    high_c: float | None
    solids_pct: str
    boils: bool = True


STAGES = (
    Stage("thread", 110, 112, "80"),
    Stage("soft ball", 112, 116, "85"),
    Stage("firm ball", 118, 120, "87"),
    Stage("hard ball", 121, 130, "90 to 92"),
    Stage("soft crack", 132, 143, "95"),
    Stage("hard crack", 146, 154, "99"),
    Stage("clear liquid", 160, 160, "100", boils=False),
    Stage("brown liquid (caramel)", 170, 170, "100", boils=False),
    Stage(
        "caramel, dry method", None, None, "100", boils=False
    ),  # sugar melted alone: common practice, no source
)


@dataclass(frozen=True)
class StageTarget:
    """A stage, the shift of its temperatures (never of the probe), and beside it the probe's own error if known."""

    stage: Stage
    shift: Answer
    instrument_error_c: float | None = None

    @property
    def low_c(self) -> float | None:
        return self._moved(self.stage.low_c)

    @property
    def high_c(self) -> float | None:
        return self._moved(self.stage.high_c)

    def _moved(self, celsius: float | None) -> float | None:
        if celsius is None or isinstance(self.shift, NotComputed):
            return celsius
        return celsius + self.shift.value

    @property
    def sentences(self) -> tuple[str, ...]:
        """What to show, one fact each: table, shift, probe."""
        return tuple(s for s in (self._table(), self._shift(), self._probe()) if s)

    def _table(self) -> str:
        if self.stage.low_c is None:
            return f"{self.stage.name}: no temperature of its own."
        return f"{self.stage.name} at sea level: {self.stage.low_c:g} to {self.stage.high_c:g} °C."

    def _shift(self) -> str:
        if isinstance(self.shift, NotComputed):
            return self.shift.sentence
        return f"Altitude or weather: {self.shift.value:+.1f} °C (from {self.shift.low:+.1f} to {self.shift.high:+.1f})."

    def _probe(self) -> str:
        if self.instrument_error_c is None:
            return ""
        return f"Probe: reads {self.instrument_error_c:+.1f} °C off at its last check. This is not in the temperatures above."


def stage(name: str) -> Stage | None:
    """The row of that name, or None."""
    return next((row for row in STAGES if row.name == name), None)


def shift(row: Stage, water: Answer) -> Answer:
    """By how much (K) ``row`` moves where water boils at ``water`` (an answer of ``boiling.water_boils`` or ``_at``).

    The value is the trade rule; the band runs to 1.2 times the fall. Not for rows that are no boiling point.
    """
    if not row.boils:
        return NotComputed(SHIFT_MODEL, NOT_BOILING, END_POINT)
    if isinstance(water, NotComputed):
        return NotComputed(SHIFT_MODEL, water.why, water.advice)
    sea_level = saturation_c(SEA_LEVEL_KPA)
    moves = [
        ratio * (celsius - sea_level)
        for ratio in (LEAST_RATIO, MOST_RATIO)
        for celsius in (water.low, water.high)
    ]
    note = "The table's own edges differ by up to 4 °C from source to source."
    return Computed(
        water.value - sea_level,
        min(moves),
        max(moves),
        "KEL",
        SHIFT_MODEL,
        SHIFT_SOURCE,
        (note, *water.notes),
    )


def target(row: Stage, water: Answer, instrument_error_c: float | None = None) -> StageTarget:
    """The stage where water boils at ``water``; the probe's error (reading minus truth, K) stands beside it."""
    if instrument_error_c is not None:
        number(instrument_error_c, "instrument error")
    return StageTarget(row, shift(row, water), instrument_error_c)


@dataclass(frozen=True)
class ProbeCheck:
    """What checks at ``points_c`` (°C) say of a probe at ``work_c``: nothing unless it lies between two of them."""

    points_c: tuple[float, ...]
    work_c: float
    speaks: bool
    sentence: str


def what_checks_say(points_c: Sequence[float], work_c: float) -> ProbeCheck:
    """Whether checks in ice (0 °C) or boiling water say anything of a probe used at ``work_c``.

    A probe is checked between the lowest and the highest point tried, never beyond (common practice, no source).
    Raises Unusable for what is no number.
    """
    points = tuple(sorted(number(point, "check point") for point in points_c))
    work = number(work_c, "working temperature")
    tried = ", ".join(f"{point:g} °C" for point in points)
    if not points:
        return ProbeCheck(
            points, work, False, f"The probe was not checked; it says nothing sure at {work:g} °C."
        )
    if len(points) > 1 and points[0] <= work <= points[-1]:
        return ProbeCheck(points, work, True, f"Checked at {tried}: {work:g} °C lies between.")
    sentence = (
        f"Checked at {tried}: this does not verify the probe at {work:g} °C. "
        f"Have it calibrated on both sides of {work:g} °C."
    )
    return ProbeCheck(points, work, False, sentence)
