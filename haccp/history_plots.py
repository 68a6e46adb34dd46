"""The picture of a history: its chart with limits, signals and the limits of the plan, told in text as well."""

from collections.abc import Iterator, Sequence
from decimal import Decimal

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from haccp.charting import A_WARNING, NAMES, Charted, Measured, Signalled, Spot
from haccp.drawing import Line, Mark, Panel, Plot, Tick, figure
from haccp.histories import History
from haccp.said import by, said
from haccp.science.charts import Series

MOST_TICKS = 6
MOST_TOLD = 12  # signals in words below the picture; the data has all
MOST_DECIMALS = 4
SINGLE = "The limits of the plan hold for single readings, so this chart does not show them."
SQUARE = "Square: a reading outside the limits of the plan as it was judged then."
DIAMOND = "Diamond: a signal, by its number."


def plot_of(history: History) -> Plot:
    """A history as a plot; one whose chart cannot be computed says so in words."""
    charted = history.charted
    title = f"{history.code} {history.name}: {_(history.quantity)}" + (
        history.symbol and f", {history.symbol}"
    )
    words = tuple(_words(history))
    if charted.chart is None:
        return Plot(title, " ".join(words), words=words)
    decimals = _decimals(history.readings)
    panels = tuple(
        _panel(history, series, decimals, first=at == 0) for at, series in enumerate(charted.chart.series)
    )
    told = f"{_(NAMES[charted.kind])}. " + " ".join([*_limits_told(charted, decimals), *words])
    axis = _("local time (%s)") % history.zone
    return Plot(title, told, panels, _ticks(charted.spots), axis, words, (_("higher"), _("lower")))


def _decimals(readings: Sequence[Measured]) -> int:
    """One more than the readings have."""
    have = [max(0, -int(reading.value.normalize().as_tuple().exponent)) for reading in readings]
    return min(max(have) + 1, MOST_DECIMALS)


def _ticks(spots: Sequence[Spot]) -> tuple[Tick, ...]:
    every = -(-len(spots) // MOST_TICKS)
    return tuple(
        Tick(float(at), (f"{spots[at].at:%Y-%m-%d}", f"{spots[at].at:%H:%M}"))
        for at in range(0, len(spots), every)
    )


# -- one picture --------------------------------------------------------------------------------------


def _panel(history: History, series: Series, decimals: int, *, first: bool) -> Panel:
    charted, start = history.charted, history.charted.offset(series)
    points = tuple((float(start + at), value) for at, value in enumerate(series.values))
    lines = [Line("", points), *_control_lines(series, start, decimals)]
    if charted.kind == "individuals" and first:
        lines += _plan_lines(history)
    unit = f", {history.symbol}" if history.symbol else ""
    return Panel(
        f"{_(series.name)}{unit}",
        tuple(lines),
        tuple(_marks(charted, series, points, first=first)),
        height=360 if first else 200,
    )


def _control_lines(series: Series, start: int, decimals: int) -> Iterator[Line]:
    last = start + len(series.values) - 1
    limits = series.limits
    yield Line(
        _("centre %s") % figure(limits.centre, decimals),
        ((float(start), limits.centre), (float(last), limits.centre)),
        "centre",
    )
    for name, values in ((_("upper limit %s"), limits.upper), (_("lower limit %s"), limits.lower)):
        if any(values):  # ranges and sums have 0 as their floor, which is no limit
            points = tuple((float(start + at), value) for at, value in enumerate(values))
            yield Line(name % figure(values[-1], decimals), points, "control")


def _plan_lines(history: History) -> Iterator[Line]:
    """Each bound as it was recorded with each reading, so that a change of the plan is a step."""
    for end, words in (("lower", _("plan: %s or more")), ("upper", _("plan: %s or less"))):
        bounds = [getattr(reading, end) for reading in history.readings]
        known = [bound for bound in bounds if bound is not None]
        if known:
            strict = "" if known[-1].inclusive else f" ({_('itself out')})"
            heights = [None if bound is None else float(bound.value) for bound in bounds]
            points = tuple((float(at), y) for at, y in enumerate(heights))
            yield Line(words % _short(known[-1].value) + strict, points, "plan")


def _short(value: Decimal) -> str:
    return f"{value.normalize():f}" if len(f"{value:f}") < 12 else f"{value:.4f}"


def _marks(
    charted: Charted, series: Series, points: Sequence[tuple[float, float]], *, first: bool
) -> Iterator[Mark]:
    start = charted.offset(series)
    numbers = {each.place: str(each.number) for each in charted.signals if each.series == series.name}
    for at, (x, y) in enumerate(points):
        spot = charted.spots[start + at]
        if first and any(reading.result == "outside" for reading in spot.readings):
            yield Mark(x, y, "outside")
        number = numbers.get(start + at)
        yield Mark(x, y, "signal" if number else "dot", number or "", _told(spot))


def _told(spot: Spot) -> str:
    said = ", ".join(
        f"{reading.entered} {reading.entered_unit} {_(reading.result)}" for reading in spot.readings
    )
    return f"{_when(spot)}: {said}"


def _when(spot: Spot) -> str:
    batch = ", " + _("batch %s") % spot.batch if spot.batch else ""
    return f"{spot.at:%Y-%m-%d %H:%M}{batch}"


# -- in words -----------------------------------------------------------------------------------------


def _limits_told(charted: Charted, decimals: int) -> Iterator[str]:
    assert charted.chart is not None
    for series in charted.chart.series:
        lower, upper = (figure(ends[-1], decimals) for ends in (series.limits.lower, series.limits.upper))
        centre = figure(series.limits.centre, decimals)
        yield _("%(name)s: centre %(centre)s, limits %(lower)s to %(upper)s.") % {
            "name": _(series.name),
            "centre": centre,
            "lower": lower,
            "upper": upper,
        }


def _words(history: History) -> Iterator[str]:
    charted, many = history.charted, len(history.readings)
    yield f"{history.period}: {ngettext('%d reading', '%d readings', many) % many}."
    if charted.cannot:
        yield by(charted.cannot, _)
    else:
        yield by(charted.basis, _)
        yield f"{_(DIAMOND)} {_(SQUARE)}"
        yield from () if charted.kind == "individuals" else (_(SINGLE),)
        yield from _signals_told(charted)
        yield f"{_(A_WARNING)} {_(charted.next)}"
    yield from _capability_told(charted)
    yield from (by(each, _) for each in charted.left_out)
    yield from (each.sentence for each in history.apart)
    yield from history.notes


def _signals_told(charted: Charted) -> Iterator[str]:
    for signal in charted.signals[:MOST_TOLD]:
        yield _signal_told(charted, signal)
    more = len(charted.signals) - MOST_TOLD
    if more > 0:
        yield _("And %d more; the data has them all.") % more


def _signal_told(charted: Charted, signal: Signalled) -> str:
    when = _when(charted.spots[signal.place])
    return f"{signal.number}: {when}, {_(signal.series)}. {by(said(signal.sentence), _)} ({signal.rule})"


def _capability_told(charted: Charted) -> Iterator[str]:
    found = charted.capability
    if found is None:
        yield by(said(charted.capable), _)
        return
    both = [(each.model, each) for each in (found.cp, found.cpk) if each is not None]
    figures = _("%(name)s %(value).2f (%(low).2f to %(high).2f)")
    told = "; ".join(
        figures % {"name": name, "value": each.value, "low": each.low, "high": each.high}
        for name, each in both
    )
    sure = _("%(told)s with %(confidence)s %% confidence.")
    yield f"{sure % {'told': told, 'confidence': f'{charted.confidence * 100:g}'}} {by(charted.capable, _)}"
