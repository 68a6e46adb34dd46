"""What was read at a control point over time, over every version of its plan, and the chart of it.

A history says what was recorded: the value in the limit's unit, and the result and bounds as they were then. It
reads only; a signal is a warning for the food-safety lead and opens nothing.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from batches.quantities import UNITS, convert
from config.api.refusals import Unknown, Unusable
from haccp import charting, figures, limits, plans, readings
from haccp.bounds import Bound, same_quantity
from haccp.charting import Asked, Charted, Measured
from haccp.limit_kinds import OneLimit, RangeLimit, ResidueLimit
from haccp.models import Check, ControlPoint
from ledger.models import Establishment

MOST = 500  # checks in one history: site setting, no source
DAY = timedelta(days=1)
APART = {
    "no-number": "{} said an outcome, a count or a course over time, not one number.",
    "below-detection": "{} lay below what the method detects: no number to draw.",
    "other-unit": "{} cannot be brought to the unit of the limit as it is now.",
}
"""Why a reading is counted apart."""
ROW = (
    "id",
    "performed_at",
    "readings",
    "judgements",
    "batch__code",
    "lot__code",
    "instrument__code",
    "control_point__version__plan__code",
)


@dataclass(frozen=True)
class Period:
    """Local days, both included, or the ``last`` so many checks; nothing: the newest ``MOST``.

    ``newest``: of days with more than ``MOST`` checks the newest, in place of a refusal.
    """

    first: date | None = None
    last_day: date | None = None
    last: int | None = None
    newest: bool = False

    def refuse_wrong(self) -> None:
        """Raises Unusable naming the parameter."""
        if self.last is not None and (self.first or self.last_day):
            sentence = "Give days or a number of checks, not both."
            raise Unusable(sentence, code="one-way-to-say-it", field="last")
        if self.first and self.last_day and self.last_day < self.first:
            raise Unusable("The period ends before it begins.", code="out-of-order", field="to")


@dataclass(frozen=True)
class Apart:
    """``count`` readings that are no plain number, with ``why`` for programs and a ``sentence`` for people."""

    why: str
    count: int
    sentence: str


@dataclass(frozen=True)
class History:
    """``unit``: of the limit in the newest plan version, empty where it has none. ``period``: in words."""

    code: str
    name: str
    quantity: str
    unit: str
    zone: str
    period: str
    readings: tuple[Measured, ...]
    apart: tuple[Apart, ...]
    notes: tuple[str, ...]
    charted: Charted

    @property
    def symbol(self) -> str:
        return UNITS[self.unit].symbol if self.unit else ""


def control_points(establishment: Establishment, code: str) -> list[ControlPoint]:
    """A control point in every approved version that has it, newest first. Raises Unknown."""
    found = ControlPoint.objects.filter(establishment=establishment, code=code)
    points = list(found.select_related("establishment").order_by("-version__recorded_at", "-version_id"))
    if not points:
        raise Unknown(f"No approved plan has a control point {code} here.", field="code")
    return points


def history(points: Sequence[ControlPoint], quantity: str, period: Period, asked: Asked) -> History:
    """The readings of ``quantity`` at these ``points`` of one code, and their chart. Raises Unusable by field."""
    period.refuse_wrong()
    asked.refuse_wrong()
    limit, newest = _limit_of(points, quantity), points[0]
    unit = limit.unit if isinstance(limit, RangeLimit | ResidueLimit) else ""
    rows, words = _rows(newest.establishment, newest.code, period)
    found = [_read(row, limit.quantity, unit, newest.establishment.zone) for row in rows]
    measured = tuple(each for each in found if isinstance(each, Measured))
    apart = Counter(each for each in found if isinstance(each, str))
    return History(
        code=newest.code,
        name=newest.name,
        quantity=limit.quantity,
        unit=unit,
        zone=newest.establishment.time_zone,
        period=words,
        readings=measured,
        apart=tuple(
            Apart(why, count, _(APART[why]).format(ngettext("%d reading", "%d readings", count) % count))
            for why, count in sorted(apart.items())
        ),
        notes=_notes(rows),
        charted=charting.charted(measured, asked),
    )


def _limit_of(points: Sequence[ControlPoint], quantity: str) -> OneLimit:
    """The limit for a quantity in the newest version that has it. Raises Unusable."""
    known = [
        member
        for point in points
        for each in plans.spec(point).limits
        for member in limits.members(limits.from_json(each))
    ]
    for limit in known:
        if same_quantity(limit.quantity, quantity):
            return limit
    names = ", ".join(dict.fromkeys(limit.quantity for limit in known)) or "nothing"
    sentence = f"{points[0].code} does not ask for {quantity!a}. It asks for: {names}."
    raise Unusable(sentence, code="unknown-quantity", field="quantity")


# -- the checks of a period ---------------------------------------------------------------------------


def _rows(here: Establishment, code: str, period: Period) -> tuple[list[dict[str, Any]], str]:
    """Standing checks, oldest first, and the period in words. Raises Unusable where they are too many."""
    found = Check.objects.standing().of(here).filter(control_point__code=code)
    if period.first:
        found = found.filter(performed_at__gte=_midnight(here, period.first, "from"))
    if period.last_day:
        found = found.filter(performed_at__lt=_midnight(here, period.last_day, "to", DAY))
    most = period.last or MOST
    rows = list(found.order_by("-performed_at", "-id").values(*ROW)[: most + 1])
    if len(rows) > most and (period.first or period.last_day) and not period.newest:
        sentence = f"There are more than {MOST} checks in that period: name a shorter one."
        raise Unusable(sentence, code="too-many", field="from" if period.first else "to")
    return rows[:most][::-1], _words(period, len(rows) > most, most)


def _midnight(here: Establishment, day: date, field: str, after: timedelta = timedelta(0)) -> datetime:
    """When a local day begins, or the one after it."""
    if not date.min + DAY < day < date.max - DAY:
        raise Unusable("No work was done on that day.", code="out-of-range", field=field)
    return datetime.combine(day + after, time.min, here.zone)


def _words(period: Period, more: bool, most: int) -> str:
    if period.first or period.last_day:
        days = _("%(first)s to %(last)s") % {
            "first": period.first or _("The beginning"),
            "last": period.last_day or _("now"),
        }
        newest = _("%(days)s, the newest %(count)d checks of it")
        return newest % {"days": days, "count": most} if more else days
    return _("The newest %d checks; there are older ones") % most if more else _("All checks")


def _notes(rows: Sequence[dict[str, Any]]) -> tuple[str, ...]:
    codes = sorted({row["control_point__version__plan__code"] for row in rows})
    if len(codes) < 2:
        return ()
    several = _("These readings are of %(count)d plans that use this code: %(codes)s.")
    return (several % {"count": len(codes), "codes": ", ".join(codes)},)


# -- the readings of a check --------------------------------------------------------------------------


def _read(row: dict[str, Any], quantity: str, unit: str, zone: ZoneInfo) -> Measured | str | None:
    """The reading of a quantity as one number, or why it is none; None where that day's plan did not ask for it."""
    judgement = _named(quantity, ((each.get("limit", {}), each) for each in row["judgements"]))
    said = _named(quantity, ((each, each) for each in row["readings"]))
    if judgement is None or said is None:
        return None
    limit, reading = limits.from_json(judgement["limit"]), readings.kept(said)
    if not isinstance(limit, RangeLimit | ResidueLimit) or reading.value is None:
        return "no-number"
    if reading.below:
        return "below-detection"
    try:
        value = convert(figures.figure(limit, reading).value, limit.unit, unit)
        ends = [_bound(judgement.get(end), limit.unit, unit) for end in ("lower", "upper")]
    except Unusable:
        return "other-unit"
    return Measured(
        check=row["id"],
        at=row["performed_at"].astimezone(zone),
        value=value,
        entered=said["value"],
        entered_unit=said["unit"],
        result=judgement["result"],
        must=judgement["must"],
        lower=ends[0],
        upper=ends[1],
        batch=row["batch__code"] or "",
        lot=row["lot__code"] or "",
        instrument=row["instrument__code"] or "",
    )


def _named(quantity: str, parts: Iterable[tuple[Mapping[str, Any], dict[str, Any]]]) -> dict[str, Any] | None:
    """The part whose first member names the quantity."""
    return next((part for said, part in parts if same_quantity(said.get("quantity", ""), quantity)), None)


def _bound(kept: dict[str, Any] | None, from_unit: str, unit: str) -> Bound | None:
    if kept is None:
        return None
    return Bound(convert(Decimal(kept["value"]), from_unit, unit), kept["inclusive"], kept["source"])
