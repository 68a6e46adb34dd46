"""Process charts of recorded readings: which chart, limits from which readings, signals and capability. Pure.

Nothing here opens a deviation. What cannot be computed is said in words, without numbers.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from config.api.refusals import Reason, Unusable
from haccp.bounds import Bound
from haccp.said import Said, said
from haccp.science import capability, charts
from haccp.science.answers import NotComputed, number
from haccp.science.capability import Capability
from haccp.science.charts import A_WARNING, Chart

LEAST = 10
"""Points a baseline needs: as many as the handbook's worked example of individuals has; 20 or more are usual practice
(from memory)."""
USUAL = 20
RULES = {"western-electric": charts.western_electric, "nelson": charts.nelson}
NAMES = {
    "individuals": "Individuals and moving range",
    "xbar-r": "X-bar and R of batches",
    "ewma": "EWMA",
    "cusum": "CUSUM",
}
OF_BASELINE = frozenset({"rules", "baseline", "baseline_from", "baseline_to", "confidence"})
TAKES: dict[str, frozenset[str]] = {
    "individuals": OF_BASELINE,
    "xbar-r": OF_BASELINE | {"subgroup_size"},
    "ewma": frozenset({"target", "sigma", "weight", "width"}),
    "cusum": frozenset({"target", "slack", "decision"}),
}
NEEDS = {name: takes - OF_BASELINE for name, takes in TAKES.items()}
CONFIDENCE = 0.95  # the usual one, from memory
NEXT = (
    "Tell the food-safety lead. Look at the readings around it, at the instrument and its last verification, at the "
    "lots that were used, and at what changed since the readings before: recipe, equipment, room, person."
)
NO_CHART = "Cp and Cpk: cannot be computed. No chart shows whether the baseline is in control."
NOTHING = "Nothing stands out by these rules. That does not show that a hazard is controlled."


@dataclass(frozen=True)
class Measured:
    """One reading of a standing check. ``value`` and bounds in the chart's unit, ``at`` in local time.

    ``entered`` and ``entered_unit``: as it was typed. ``result``, bounds and ``must``: as recorded then.
    """

    check: UUID
    at: datetime
    value: Decimal
    entered: str
    entered_unit: str
    result: str
    must: str
    lower: Bound | None = None
    upper: Bound | None = None
    batch: str = ""
    lot: str = ""
    instrument: str = ""


@dataclass(frozen=True)
class Asked:
    """Which chart and by what, in the limit's unit; what a chart does not take stays None.

    The limits come from the first ``baseline`` points, or from those of the local days ``baseline_from`` to
    ``baseline_to``, or from all. EWMA and CUSUM are given everything: nothing about them is assumed.
    """

    chart: str = "individuals"
    rules: str | None = None
    baseline: int | None = None
    baseline_from: date | None = None
    baseline_to: date | None = None
    confidence: float | None = None
    subgroup_size: int | None = None
    target: float | None = None
    sigma: float | None = None
    weight: float | None = None
    width: float | None = None
    slack: float | None = None
    decision: float | None = None

    def refuse_wrong(self) -> None:
        """Raises Unusable naming every parameter that is missing, or that this chart does not take."""
        given = {name for name in frozenset().union(*TAKES.values()) if getattr(self, name) is not None}
        reasons = [
            Reason("missing", f"{NAMES[self.chart]}: give the {name.replace('_', ' ')}.", name)
            for name in sorted(NEEDS[self.chart] - given)
        ]
        reasons += [
            Reason("not-taken", f"{NAMES[self.chart]}: takes no {name.replace('_', ' ')}.", name)
            for name in sorted(given - TAKES[self.chart])
        ]
        reasons += self._baseline_said_twice()
        if reasons:
            sentence = "The chart cannot be made as asked; each reason is named."
            raise Unusable(sentence, code="chart-parameters", reasons=reasons)
        if number(self.sure, "confidence", above=0) >= 1:
            raise Unusable("The confidence must be below 1.", code="out-of-range", field="confidence")

    @property
    def sure(self) -> float:
        return CONFIDENCE if self.confidence is None else self.confidence

    def _baseline_said_twice(self) -> list[Reason]:
        days = (self.baseline_from, self.baseline_to)
        if self.baseline is not None and any(days):
            sentence = "Give the baseline as a number of points or as days, not both."
            return [Reason("one-way-to-say-it", sentence, "baseline")]
        if days[0] and days[1] and days[1] < days[0]:
            return [Reason("out-of-order", "The baseline ends before it begins.", "baseline_to")]
        return []


@dataclass(frozen=True)
class Spot:
    """A point along the chart: one reading, or the readings of one batch."""

    readings: tuple[Measured, ...]

    @property
    def at(self) -> datetime:
        return self.readings[0].at

    @property
    def batch(self) -> str:
        return self.readings[0].batch


@dataclass(frozen=True)
class Signalled:
    """A signal at ``spots[place]``; signals of one spot share a ``number``, counted from 1 in order of time."""

    number: int
    place: int
    series: str
    rule: str
    sentence: str


@dataclass(frozen=True)
class Charted:
    """A chart over its spots, or, ``cannot``, the sentence why there is none.

    ``run``: which spots the limits were made from (None: limits by what was given). ``capability`` None: ``capable``
    says why. ``left_out``: readings that have no place in this chart, in words.
    """

    kind: str
    spots: tuple[Spot, ...] = ()
    chart: Chart | None = None
    cannot: str = ""
    run: slice | None = None
    basis: str = ""
    signals: tuple[Signalled, ...] = ()
    capability: Capability | None = None
    capable: str = ""
    left_out: tuple[str, ...] = ()
    confidence: float = CONFIDENCE

    @property
    def next(self) -> str:
        return NEXT if self.signals else NOTHING

    def offset(self, series: charts.Series) -> int:
        """Where the first value of a series stands: a moving range begins at the second spot."""
        return len(self.spots) - len(series.values)


def charted(readings: Sequence[Measured], asked: Asked) -> Charted:
    """The chart asked for, over readings in order of time. Raises Unusable naming a parameter."""
    asked.refuse_wrong()
    spots, left_out = _spots(readings, asked)
    if asked.chart in ("ewma", "cusum"):
        return _by_what_was_given(spots, asked)
    run = _run(spots, asked)
    each = asked.chart == "individuals"
    what = Said("readings") if each else Said("batches of %(size)d readings", size=asked.subgroup_size)
    basis = _basis(spots, run, asked, what)
    cannot = _too_few(run, asked, what)
    chart = None if cannot else _by_baseline(spots, run, asked)
    if chart is not None and not chart.sigma:
        cannot = _cannot(asked, "The readings of the baseline do not differ.", "Read more finely.")
    if chart is None or cannot:
        return Charted(asked.chart, spots, cannot=cannot, basis=basis, capable=NO_CHART, left_out=left_out)
    signals = _signalled(chart, len(spots))
    able, capable = _capability(
        spots[run], [each for each in signals if _within(each, run)], spots[-1], asked
    )
    return Charted(asked.chart, spots, chart, "", run, basis, signals, able, capable, left_out, asked.sure)


# -- which readings -----------------------------------------------------------------------------------


def _spots(readings: Sequence[Measured], asked: Asked) -> tuple[tuple[Spot, ...], tuple[str, ...]]:
    if asked.chart != "xbar-r":
        return tuple(Spot((reading,)) for reading in readings), ()
    groups: dict[str, list[Measured]] = {}
    for reading in readings:
        groups.setdefault(reading.batch, []).append(reading)
    loose = len(groups.pop("", ()))
    others = {batch: len(group) for batch, group in groups.items() if len(group) != asked.subgroup_size}
    left_out = [
        Said("Left out: batch %(batch)s, with %(many)s.", batch=batch, many=_many(count))
        for batch, count in others.items()
    ]
    if loose:
        left_out.append(Said("Left out: %(many)s of no batch.", many=_many(loose)))
    spots = [Spot(tuple(group)) for batch, group in groups.items() if batch not in others]
    return tuple(spots), tuple(left_out)


def _many(count: int) -> Said:
    return Said("1 reading") if count == 1 else Said("%(count)d readings", count=count)


def _run(spots: Sequence[Spot], asked: Asked) -> slice:
    if asked.baseline is not None:
        return slice(0, min(asked.baseline, len(spots)))
    first, last = asked.baseline_from or date.min, asked.baseline_to or date.max
    inside = [at for at, spot in enumerate(spots) if first <= spot.at.date() <= last]
    return slice(inside[0], inside[-1] + 1) if inside else slice(0, 0)


def _basis(spots: Sequence[Spot], run: slice, asked: Asked, what: Said) -> Said:
    count = run.stop - run.start
    if asked.baseline is not None:
        told = Said("Limits from the first %(count)d %(what)s.", count=asked.baseline, what=what)
    elif asked.baseline_from or asked.baseline_to:
        told = Said(
            "Limits from the %(count)d %(what)s of the baseline, %(first)s to %(last)s.",
            count=count,
            what=what,
            first=asked.baseline_from or Said("the first day"),
            last=asked.baseline_to or Said("the last day"),
        )
    else:
        told = Said(
            "Limits from all %(count)d %(what)s shown: no baseline was named.", count=count, what=what
        )
    if not LEAST <= count < USUAL:
        return told
    return Said(
        "%(told)s %(rough)s", told=told, rough=Said("Fewer than %(usual)d give rough limits.", usual=USUAL)
    )


def _too_few(run: slice, asked: Asked, what: Said) -> str:
    needed, there = asked.baseline or LEAST, run.stop - run.start
    if there >= needed:
        return ""
    return _cannot(
        asked,
        Said("%(needed)d %(what)s are needed, there are %(there)d.", needed=needed, what=what, there=there),
        "Go on recording.",
    )


def _cannot(asked: Asked, why: str, advice: str) -> str:
    return NotComputed(NAMES[asked.chart], why, advice).sentence


# -- the charts ---------------------------------------------------------------------------------------


def _by_baseline(spots: Sequence[Spot], run: slice, asked: Asked) -> Chart:
    rules = RULES[asked.rules or "western-electric"]
    groups = [[float(reading.value) for reading in spot.readings] for spot in spots]
    if asked.chart == "individuals":
        return charts.individuals([value for [value] in groups], rules, run)
    return charts.xbar_r(groups, rules, run)


def _by_what_was_given(spots: tuple[Spot, ...], asked: Asked) -> Charted:
    values = [float(spot.readings[0].value) for spot in spots]
    given: dict[str, Any] = {name: getattr(asked, name) for name in NEEDS[asked.chart]}
    make: Callable[..., Chart] = charts.ewma if asked.chart == "ewma" else charts.cusum
    make([0.0], **given)  # a parameter that makes no sense is refused, also where there is no reading yet
    told = ", ".join(f"{name} {value:g}" for name, value in sorted(given.items()))
    basis = Said("By what was given: %(told)s.", told=told)
    capable = (
        "Cp and Cpk are told with a chart of individuals or of batches, whose limits come from readings."
    )
    if not values:
        cannot = _cannot(asked, "1 reading is needed, there is none.", "Go on recording.")
        return Charted(asked.chart, cannot=cannot, basis=basis, capable=capable)
    chart = make(values, **given)
    return Charted(
        asked.chart, spots, chart, basis=basis, signals=_signalled(chart, len(spots)), capable=capable
    )


def _signalled(chart: Chart, many: int) -> tuple[Signalled, ...]:
    found = [
        (signal.index + many - len(series.values), series.name, signal)
        for series in chart.series
        for signal in series.signals
    ]
    found.sort(key=lambda each: each[0])
    numbers = {place: at for at, place in enumerate(dict.fromkeys(each[0] for each in found), start=1)}
    return tuple(
        Signalled(numbers[place], place, name, signal.rule, signal.sentence) for place, name, signal in found
    )


def _within(signal: Signalled, run: slice) -> bool:
    return run.start <= signal.place < run.stop


# -- capability ---------------------------------------------------------------------------------------


def _capability(
    baseline: Sequence[Spot], signals: Sequence[Signalled], newest: Spot, asked: Asked
) -> tuple[Capability | None, str]:
    """Cp and Cpk of the baseline's readings against the bounds of the newest reading, or why there are none."""
    if signals:
        numbers = ", ".join(dict.fromkeys(str(each.number) for each in signals))
        why = Said(
            "The baseline is not in control: look at its signals first (%(numbers)s).", numbers=numbers
        )
        return None, NotComputed("Cp and Cpk", why, "Then name a baseline without signals.").sentence
    last = newest.readings[-1]
    lower, upper = (None if bound is None else float(bound.value) for bound in (last.lower, last.upper))
    values = [float(reading.value) for spot in baseline for reading in spot.readings]
    try:
        found = capability.capability(values, lower, upper, asked.sure)
    except Unusable as refusal:
        return None, NotComputed("Cp and Cpk", refusal.detail, "Look at the readings.").sentence
    return found, Said(
        "%(many)s of the baseline against the bounds of the newest reading: %(must)s. %(one_sided)s%(steady)s "
        "They describe the past and control no hazard.",
        many=_many(len(values)),
        must=last.must,
        one_sided=Said("" if found.cp else "With one bound there is no Cp. "),
        steady=said(capability.STEADY),
    )


__all__ = ["A_WARNING", "NAMES", "RULES", "Asked", "Charted", "Measured", "Signalled", "Spot", "charted"]
