"""A trial on past checks: what a proposed limit, rule or guard band would have flagged, and what it would have let pass.

Reads only. Every standing check of the period that holds a reading of the quantity is judged again, by the proposal and
by the local rules of its own day; the result it was given when it was made stands beside it. Nothing is rewritten.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from batches.quantities import UNITS, convert
from config.api.refusals import Refusal, Unusable
from haccp import instruments, limits, moist_food, plan_documents, readings, rules, series
from haccp.limit_kinds import CoolingLimit
from haccp.limits import GUARDS, Guard, InForce, OneLimit, Result
from haccp.models import Check, ControlPoint, Instrument, LocalRule
from haccp.plan_documents import ControlPointSpec
from haccp.plan_documents.points import without_source
from haccp.readings import Reading
from ledger.acts import Moment
from ledger.models import Establishment

NOTE = (
    "A trial rewrites nothing: each check keeps its result. Uncertainty is the instrument's as registered today. "
    "That a proposal would have flagged little does not show that it is right; validate it, and ask your authority."
)
MOST_DAYS = 3660
MOST_LISTED = 100  # changed checks named for each control point; all are counted
AT_ONCE = 2000
COLUMNS = (
    "pk", "control_point_id", "instrument_id", "performed_at", "performed_offset", "readings", "result",
    "batch__recipe_version__material_id", "lot__material_id", "batch__code", "lot__code",
)  # fmt: skip


@dataclass(frozen=True)
class Proposal:
    """What is tried on readings of ``quantity``: another ``limit``, a ``rule`` besides those confirmed, a ``guard``.

    What is left out stays as the control point has it. ``points``: codes of control points; empty = every one.
    ``material``: the one that the rule is about; None = every one.
    """

    quantity: str
    limit: OneLimit | None = None
    rule: limits.Rule | None = None
    guard: Guard | None = None
    points: tuple[str, ...] = ()
    material: UUID | None = None


@dataclass(frozen=True)
class Changed:
    """A check whose result would have been another."""

    check: UUID
    performed_at: datetime
    on: str  # code of the batch or lot
    entered: str
    was: Result
    would_be: Result


@dataclass
class PointTrial:
    """One control point: how many checks went from which result to which, and those that changed, oldest first.

    ``cautions``: what to mind about the rule that was tried on what was checked there.
    """

    code: str
    name: str
    counts: Counter[tuple[Result, Result]] = field(default_factory=Counter)
    flagged: list[Changed] = field(default_factory=list)
    passed: list[Changed] = field(default_factory=list)
    not_judged: Counter[str] = field(default_factory=Counter)
    cautions: list[str] = field(default_factory=list)

    @property
    def checks(self) -> int:
        return sum(self.counts.values()) + sum(self.not_judged.values())

    @property
    def would_flag(self) -> int:
        """Within then, not within by the proposal."""
        return sum(count for (was, now), count in self.counts.items() if was == Result.WITHIN != now)

    @property
    def would_pass(self) -> int:
        """Not within then, within by the proposal."""
        return sum(count for (was, now), count in self.counts.items() if was != Result.WITHIN == now)


@dataclass(frozen=True)
class Trial:
    """``first_day`` and ``last_day`` are local days, both included. ``points``: in the order of their codes."""

    proposal: Proposal
    first_day: date
    last_day: date
    points: tuple[PointTrial, ...]


def propose(
    *,
    quantity: str,
    limit: dict[str, Any] | None = None,
    rule: LocalRule | limits.Rule | None = None,
    guard: str | None = None,
    points: tuple[str, ...] = (),
) -> Proposal:
    """A proposal as people write it. Raises Unusable for a limit that cannot be read, another quantity's limit or rule,
    an unknown guard, a rule that bounds nothing, or nothing to try."""
    if limit is None and rule is None and guard is None:
        raise Unusable("Say what to try: a limit, a rule or a guard.", code="nothing-to-try", field="limit")
    if guard is not None and guard not in GUARDS:
        raise Unusable(f"A guard is one of: {', '.join(GUARDS)}.", code="unknown-name", field="guard")
    read = None if limit is None else _limit(limit)
    as_rule = rules.as_limit(rule) if isinstance(rule, LocalRule) else rule
    for name, part in (("limit", read), ("rule", as_rule)):
        if part is not None and not limits.same_quantity(part.quantity, quantity):
            sentence = f"It is about {part.quantity!r}, not about {quantity!r}."
            raise Unusable(sentence, code="another-quantity", field=f"{name}.quantity")
    if as_rule is not None and as_rule.trigger:
        sentence = (
            "This rule says where an authority or the label acts; it bounds nothing that could be tried."
        )
        raise Unusable(sentence, code="bounds-nothing", field="rule")
    material = rule.material_id if isinstance(rule, LocalRule) else None
    return Proposal(quantity, read, as_rule, guard, points, material)  # type: ignore[arg-type]


def _limit(said: dict[str, Any]) -> OneLimit:
    try:
        read = limits.from_json(without_source(said))
    except Unusable as refusal:
        reasons = [_below(reason, "limit") for reason in refusal.reasons]
        raise Unusable(refusal.detail, reasons=reasons) from refusal
    if isinstance(read, limits.AllOfLimit):
        raise Unusable("Try the members of an all_of one by one.", code="unknown-kind", field="limit.kind")
    return read


def _below(reason: Any, place: str) -> Any:
    return type(reason)(reason.code, reason.detail, f"{place}.{reason.field}".rstrip("."), reason.ids)


def run(establishment: Establishment, proposal: Proposal, first_day: date, last_day: date) -> Trial:
    """Judge the standing checks of a period again. Raises Unusable for a period that ends before it begins or is longer
    than ten years. A check that the proposal cannot judge is counted with the reason."""
    refuse_period(first_day, last_day)
    house = _House(establishment, proposal, last_day)
    for row in _rows(establishment, house, first_day, last_day):
        house.take(row)
    found = sorted(house.trials.values(), key=lambda trial: trial.code)
    return Trial(proposal, first_day, last_day, tuple(found))


def refuse_period(first_day: date, last_day: date) -> None:
    """Raise Unusable for a period that ends before it begins or is longer than ten years."""
    if last_day < first_day:
        raise Unusable("The period ends before it begins.", code="ends-before-it-begins", field="last_day")
    if (last_day - first_day).days > MOST_DAYS:
        raise Unusable("Ask for ten years at most.", code="period-too-long", field="first_day")


def _rows(
    establishment: Establishment, house: "_House", first_day: date, last_day: date
) -> Iterator[tuple[Any, ...]]:
    zone = establishment.zone
    began = datetime.combine(first_day, time.min, zone)
    over = datetime.combine(last_day + timedelta(days=1), time.min, zone)
    checks = Check.objects.of(establishment).standing()
    checks = checks.filter(
        performed_at__gte=began, performed_at__lt=over, control_point__in=list(house.points)
    )
    columns = (*COLUMNS, "judgements") if house.several else COLUMNS
    return checks.order_by("performed_at", "pk").values_list(*columns).iterator(chunk_size=AT_ONCE)


class _House:
    """What judging leans on, read once: control points with the quantity, rules of all days, instruments."""

    def __init__(self, establishment: Establishment, proposal: Proposal, last_day: date):
        self.establishment, self.proposal, self.zone = establishment, proposal, establishment.zone
        self.points = points_asked(establishment, proposal)
        self.several = any(not each.alone for each in self.points.values())
        confirmed = LocalRule.objects.filter(
            establishment=establishment, confirmed_by__isnull=False, in_force_from__lte=last_day
        )
        self.rules = [(rule, rules.as_limit(rule)) for rule in confirmed]
        self.instruments = {each.pk: each for each in Instrument.objects.filter(establishment=establishment)}
        self.trials: dict[str, PointTrial] = {}
        self._bounds: dict[Any, InForce] = {}
        self._cautions: dict[Any, str] = {}

    def take(self, row: tuple[Any, ...]) -> None:
        asked = self.points[row[1]]
        point, spec, planned = asked.point, asked.spec, asked.limit
        trial = self.trials.setdefault(point.code, PointTrial(point.code, point.name))
        said = next((each for each in row[5] if each["quantity"] == planned.quantity), None)
        if said is None:
            return
        if asked.not_bound:
            trial.not_judged[asked.not_bound] += 1
            return
        if (caution := self._caution(row, point)) and caution not in trial.cautions:
            trial.cautions.append(caution)
        guard: Guard = self.proposal.guard or spec.document.get("guard", "off")
        try:
            reading, instrument = self._taken(row, said)
            bounds = self._in_force(row, planned)
            now = limits.decide(
                reading, bounds, uncertainty=self._uncertainty(instrument, reading), guard=guard
            )
        except Refusal as refusal:
            trial.not_judged[refusal.detail] += 1
            return
        was = self._was(row, planned)
        trial.counts[was, now] += 1
        if was != now:
            _list(trial, row, said, was, now)

    def _in_force(self, row: tuple[Any, ...], planned: OneLimit) -> InForce:
        day = row[3].astimezone(self.zone).date()
        materials = (row[7], row[8])
        place = (row[1], day, materials)
        if place not in self._bounds:
            in_force = [rule for kept, rule in self.rules if _binds(kept, day, materials)]
            if self.proposal.rule is not None and self._is_about(materials):
                in_force.append(self.proposal.rule)
            self._bounds[place] = limits.in_force(self.proposal.limit or planned, in_force)
        return self._bounds[place]

    def _is_about(self, materials: tuple[UUID | None, ...]) -> bool:
        return self.proposal.material in (None, *materials)

    def _caution(self, row: tuple[Any, ...], point: ControlPoint) -> str:
        """What to mind where the rule that is tried was written for other food than was checked."""
        rule, materials = self.proposal.rule, (row[7], row[8])
        if rule is None or not self._is_about(materials):
            return ""
        place = (point.version_id, materials)
        if place not in self._cautions:
            known = [each for each in materials if each is not None]
            self._cautions[place] = moist_food.cautioned([rule], point.version_id, known)[0].caution
        return self._cautions[place]

    def _taken(self, row: tuple[Any, ...], said: dict[str, Any]) -> tuple[Reading, UUID | None]:
        """The reading with its course, and the instrument it was taken with. Raises Unknown, Gone, Damaged."""
        reading = _read(said)
        if not reading.series:
            return reading, row[2]
        found = series.standing(self.establishment, reading.series, field="series")
        return series.follow(reading, found), found.instrument_id or row[2]

    def _uncertainty(self, key: UUID | None, reading: Reading) -> Decimal | None:
        instrument = None if key is None else self.instruments.get(key)
        if instrument is None:
            return None
        unit = reading.unit if reading.course is None else reading.course.unit
        return instruments.uncertainty_in(instrument, unit)

    def _was(self, row: tuple[Any, ...], planned: OneLimit) -> Result:
        """The result of this reading when it was recorded; the check's own where it has one reading only."""
        judged = row[-1] if self.several else []
        for each in judged:
            if each["limit"]["quantity"] == planned.quantity:
                return Result(each["result"])
        return Result(row[6])


@dataclass(frozen=True)
class PointAsked:
    """A control point that reads the quantity. ``alone``: it reads nothing else. ``not_bound``: why the rule that is
    tried cannot bind it."""

    point: ControlPoint
    spec: ControlPointSpec
    limit: OneLimit
    alone: bool
    not_bound: str


def points_asked(establishment: Establishment, proposal: Proposal) -> dict[UUID, PointAsked]:
    """The control points that a trial is about. A window of a cooling may be tried by its own name.

    Raises Unusable for a code there is not, and for a rule that can bind none of them, saying why.
    """
    found = {}
    for point in _points(establishment, proposal):
        spec = plan_documents.control_point(point.document)
        read = [each for said in spec.limits for each in limits.members(limits.from_json(said))]
        for limit in read:
            if _is_asked(limit, proposal):
                why = _not_bound(proposal.limit or limit, proposal.rule)
                found[point.pk] = PointAsked(point, spec, limit, len(read) == 1, why)
    reasons = {each.not_bound for each in found.values()}
    if found and "" not in reasons:
        raise Unusable(" ".join(sorted(reasons)), code="binds-nothing", field="rule")
    return found


def _is_asked(limit: OneLimit, proposal: Proposal) -> bool:
    if limits.same_quantity(limit.quantity, proposal.quantity):
        return True
    windows = limit.windows if isinstance(limit, CoolingLimit) and proposal.limit is None else ()
    return any(limits.same_quantity(window.quantity, proposal.quantity) for window in windows)


def _not_bound(limit: OneLimit, rule: limits.Rule | None) -> str:
    """Why a rule cannot tighten a limit, in words; empty where it can or none is tried."""
    if rule is None:
        return ""
    about = [
        part for part in limits.bounded_parts(limit) if limits.same_quantity(part.quantity, rule.quantity)
    ]
    if not about and isinstance(limit, CoolingLimit):
        windows = " or ".join(repr(window.quantity) for window in limit.windows)
        return f"The rule does not say of which window of the cooling: make it about {windows}."
    if not about:
        return f"{limit.quantity} has no bounds that a rule could tighten."
    try:
        convert(Decimal(1), rule.unit, about[0].unit)
    except Unusable:
        return f"The rule is given in {rule.unit}, which does not compare with {about[0].unit}."
    return ""


def _points(establishment: Establishment, proposal: Proposal) -> list[ControlPoint]:
    points = ControlPoint.objects.filter(establishment=establishment)
    if proposal.points:
        points = points.filter(code__in=proposal.points)
        missing = sorted(set(proposal.points) - set(points.values_list("code", flat=True)))
        if missing:
            sentence = f"There is no control point {', '.join(missing)} here."
            raise Unusable(sentence, code="unknown-point", field="points")
    return list(points)


def _binds(rule: LocalRule, day: date, materials: tuple[UUID | None, ...]) -> bool:
    until = rule.in_force_until
    on_the_day = rule.in_force_from <= day and (until is None or day < until)
    return on_the_day and rule.material_id in (None, *materials)


def _read(said: dict[str, Any]) -> Reading:
    """A stored reading; the usual one, a plain value, without the checks it passed when it was recorded."""
    if set(said) <= PLAIN and not said["value"].lstrip().startswith("<"):
        value = Decimal(said["value"].strip().replace(",", "."))
        return Reading(said["quantity"], said["value"], value, said["unit"], "", said.get("method", ""),
                       said.get("sample_temperature", ""))  # fmt: skip
    return readings.kept(said)


PLAIN = frozenset(["quantity", "value", "unit", "method", "sample_temperature", "sample_temperature_unit"])


def _list(trial: PointTrial, row: tuple[Any, ...], said: dict[str, Any], was: Result, now: Result) -> None:
    listed = trial.passed if now == Result.WITHIN else trial.flagged
    if len(listed) < MOST_LISTED:
        unit = UNITS[said["unit"]].symbol if "unit" in said else ""
        entered = " ".join(filter(None, [said.get("value", ""), unit, said.get("outcome", "")]))
        if "points" in said:
            entered = f"{len(said['points'])} points, {entered}"
        if "counted_out" in said:
            entered = f"{said['counted_out']} out, {said['counted_in']} in"
        at = Moment(row[3], row[4]).local
        listed.append(Changed(row[0], at, row[9] or row[10] or "", entered, was, now))
