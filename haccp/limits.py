"""What a reading must hold to, and whether it does. Pure and typed: no Django, no clock, no database.

Two kinds of limit so far: a range, and an observation with named outcomes. A limit defers: the bounds in force
are the plan's, tightened by every confirmed local rule, and each bound remembers who set it. A judgement never
says that food is safe; it says where the reading lies.

Guard bands follow JCGM 106:2012, clause 8 (from memory): with a known expanded uncertainty U (k = 2) the bound is
moved inside by U before a reading is accepted.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Any, Literal

from batches.quantities import (
    UNITS,
    UnitDoesNotConvert,
    convert,
    convert_difference,
    known_unit,
    parse_number,
)
from config.api.refusals import Reason, Unusable
from haccp.readings import Reading

PLAN = "plan"
Guard = Literal["off", "one-sided", "two-sided"]
GUARDS: tuple[Guard, ...] = ("off", "one-sided", "two-sided")


class Result(StrEnum):
    WITHIN = "within"
    OUTSIDE = "outside"
    UNDECIDED = "undecided"


@dataclass(frozen=True)
class RangeLimit:
    """A measured quantity between bounds; either may be missing. Operating limits warn before one is lost."""

    quantity: str
    unit: str
    lower: Decimal | None = None
    upper: Decimal | None = None
    lower_inclusive: bool = True
    upper_inclusive: bool = True
    operating_lower: Decimal | None = None
    operating_upper: Decimal | None = None

    def to_json(self) -> dict[str, Any]:
        made: dict[str, Any] = {"kind": "range", "quantity": self.quantity, "unit": self.unit}
        for name in ("lower", "upper", "operating_lower", "operating_upper"):
            value = getattr(self, name)
            if value is not None:
                made[name] = format(value, "f")
        for name in ("lower", "upper"):
            if name in made and not getattr(self, f"{name}_inclusive"):
                made[f"{name}_inclusive"] = False
        return made


@dataclass(frozen=True)
class ObservationLimit:
    """A named outcome, against the site's own ``reference`` where it is a colour or a texture."""

    quantity: str
    accepted: tuple[str, ...]
    outcomes: tuple[str, ...]
    reference: str = ""

    def to_json(self) -> dict[str, Any]:
        made: dict[str, Any] = {
            "kind": "observation",
            "quantity": self.quantity,
            "accepted": list(self.accepted),
            "outcomes": list(self.outcomes),
        }
        return made | ({"reference": self.reference} if self.reference else {})


Limit = RangeLimit | ObservationLimit


def from_json(said: Mapping[str, Any]) -> Limit:
    """A limit from a plan's document. Raises Unusable with every reason at once."""
    kind = said.get("kind")
    if kind == "range":
        return _range(said)
    if kind == "observation":
        return _observation(said)
    raise Unusable("A limit is a range or an observation.", code="unknown-kind", field="kind")


def _range(said: Mapping[str, Any]) -> RangeLimit:
    reasons: list[Reason] = []
    numbers = {name: _number(said, name, reasons) for name in
               ("lower", "upper", "operating_lower", "operating_upper")}  # fmt: skip
    quantity, unit = str(said.get("quantity", "")), str(said.get("unit", ""))
    if not quantity:
        reasons.append(Reason("missing", "Say what is measured.", "quantity"))
    if unit not in UNITS:
        reasons.append(
            Reason("unknown-unit", f"Give the unit by its UN/ECE code; {unit!r} is none we know.", "unit")
        )
    lower, upper = numbers["lower"], numbers["upper"]
    if lower is None and upper is None and not reasons:
        reasons.append(Reason("no-bound", "A range has a lower or an upper bound.", "lower"))
    if lower is not None and upper is not None and lower > upper:
        reasons.append(Reason("bounds-crossed", "The lower bound lies above the upper.", "lower"))
    if reasons:
        raise Unusable("The limit cannot be read.", reasons=reasons)
    return RangeLimit(
        quantity,
        unit,
        lower_inclusive=said.get("lower_inclusive", True) is True,
        upper_inclusive=said.get("upper_inclusive", True) is True,
        **numbers,
    )


def _number(said: Mapping[str, Any], name: str, reasons: list[Reason]) -> Decimal | None:
    if said.get(name) in (None, ""):
        return None
    try:
        return parse_number(said[name], field=name)
    except Unusable as refusal:
        reasons += refusal.reasons
        return None


def _observation(said: Mapping[str, Any]) -> ObservationLimit:
    accepted, outcomes = tuple(said.get("accepted") or ()), tuple(said.get("outcomes") or ())
    reasons = []
    if not said.get("quantity"):
        reasons.append(Reason("missing", "Say what is looked at.", "quantity"))
    if not accepted or not all(isinstance(each, str) and each for each in (*accepted, *outcomes)):
        reasons.append(Reason("missing", "Name the outcomes, and which of them are accepted.", "accepted"))
    elif not set(accepted) < set(outcomes):
        reasons.append(
            Reason("cannot-fail", "The outcomes hold the accepted ones and at least one more.", "outcomes")
        )
    if reasons:
        raise Unusable("The limit cannot be read.", reasons=reasons)
    return ObservationLimit(str(said["quantity"]), accepted, outcomes, str(said.get("reference") or ""))


@dataclass(frozen=True)
class Rule:
    """A confirmed local rule: bounds for a quantity, and where they are written."""

    id: str
    quantity: str
    unit: str
    citation: str
    lower: Decimal | None = None
    upper: Decimal | None = None
    lower_inclusive: bool = True
    upper_inclusive: bool = True


@dataclass(frozen=True)
class Bound:
    """One end of what is allowed, in the limit's unit. ``source``: ``plan``, or the rule's id and citation."""

    value: Decimal
    inclusive: bool
    source: str

    def as_json(self) -> dict[str, Any]:
        return {"value": format(self.value, "f"), "inclusive": self.inclusive, "source": self.source}


@dataclass(frozen=True)
class InForce:
    """A limit as it binds on a day. ``rules``: the confirmed rules that were looked at, binding or not."""

    limit: Limit
    lower: Bound | None = None
    upper: Bound | None = None
    rules: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """As it is kept with a check."""
        made: dict[str, Any] = {"limit": self.limit.to_json(), "rules": list(self.rules)}
        for name in ("lower", "upper"):
            bound = getattr(self, name)
            if bound is not None:
                made[name] = bound.as_json()
        return made

    def words(self) -> str:
        """What must hold, in words, e.g. ``0.60 or less``."""
        if isinstance(self.limit, ObservationLimit):
            return " or ".join(self.limit.accepted)
        symbol = UNITS[self.limit.unit].symbol
        parts = []
        if self.lower:
            parts.append(f"{_shown(self.lower.value, symbol)} or more" if self.lower.inclusive
                         else f"more than {_shown(self.lower.value, symbol)}")  # fmt: skip
        if self.upper:
            parts.append(f"{_shown(self.upper.value, symbol)} or less" if self.upper.inclusive
                         else f"less than {_shown(self.upper.value, symbol)}")  # fmt: skip
        return " and ".join(parts)


class EmptyRange(Unusable):
    """Plan and rules together leave nothing allowed."""

    code = "empty-range"


def in_force(limit: Limit, rules: Iterable[Rule] = ()) -> InForce:
    """The plan's limit tightened by every rule for the same quantity. Raises EmptyRange.

    A rule only ever tightens. At equal values the exclusive bound is the tighter one.
    """
    if isinstance(limit, ObservationLimit):
        return InForce(limit)
    lower = None if limit.lower is None else Bound(limit.lower, limit.lower_inclusive, PLAN)
    upper = None if limit.upper is None else Bound(limit.upper, limit.upper_inclusive, PLAN)
    looked_at = []
    for rule in (rule for rule in rules if rule.quantity == limit.quantity):
        theirs_lower, theirs_upper = _bounds_of(rule, limit.unit)
        looked_at.append(_source(rule))
        if theirs_lower and (lower is None or _lower_key(theirs_lower) > _lower_key(lower)):
            lower = theirs_lower
        if theirs_upper and (upper is None or _upper_key(theirs_upper) < _upper_key(upper)):
            upper = theirs_upper
    if lower and upper and (lower.value, not (lower.inclusive and upper.inclusive)) > (upper.value, False):
        raise EmptyRange(f"Nothing is allowed between {lower.source} and {upper.source}.", field="lower")
    return InForce(limit, lower, upper, tuple(looked_at))


def _lower_key(bound: Bound) -> tuple[Decimal, bool]:
    return bound.value, not bound.inclusive


def _upper_key(bound: Bound) -> tuple[Decimal, bool]:
    return bound.value, bound.inclusive


def _source(rule: Rule) -> str:
    return f"rule {rule.id}: {rule.citation}"


def _bounds_of(rule: Rule, unit: str) -> tuple[Bound | None, Bound | None]:
    lower = None if rule.lower is None else convert(rule.lower, rule.unit, unit)
    upper = None if rule.upper is None else convert(rule.upper, rule.unit, unit)
    return (
        None if lower is None else Bound(lower, rule.lower_inclusive, _source(rule)),
        None if upper is None else Bound(upper, rule.upper_inclusive, _source(rule)),
    )


def looser_than(limit: Limit, rules: Iterable[Rule]) -> list[Reason]:
    """Where a plan's limit allows what a confirmed rule does not: such a plan cannot be approved."""
    if isinstance(limit, ObservationLimit):
        return []
    reasons = []
    for rule in (rule for rule in rules if rule.quantity == limit.quantity):
        lower, upper = _bounds_of(rule, limit.unit)
        plan_lower = None if limit.lower is None else Bound(limit.lower, limit.lower_inclusive, PLAN)
        plan_upper = None if limit.upper is None else Bound(limit.upper, limit.upper_inclusive, PLAN)
        if lower and (plan_lower is None or _lower_key(plan_lower) < _lower_key(lower)):
            reasons.append(_looser(limit, "lower", lower))
        if upper and (plan_upper is None or _upper_key(plan_upper) > _upper_key(upper)):
            reasons.append(_looser(limit, "upper", upper))
    return reasons


def _looser(limit: RangeLimit, end: str, bound: Bound) -> Reason:
    symbol = UNITS[limit.unit].symbol
    detail = (
        f"The {end} limit of {limit.quantity} is looser than {_shown(bound.value, symbol)} in {bound.source}."
    )
    return Reason("looser-than-rule", detail, end)


@dataclass(frozen=True)
class Judgement:
    """Where a reading lies. ``margin``: distance to the nearer bound in the limit's unit, negative outside."""

    result: Result
    in_force: InForce
    sentence: str
    margin: Decimal | None = None
    decided_by: str = ""
    warning: str = ""

    def as_json(self) -> dict[str, Any]:
        made: dict[str, Any] = self.in_force.as_json() | {
            "result": self.result.value,
            "sentence": self.sentence,
            "must": self.in_force.words(),
        }
        if self.margin is not None:
            made["margin"] = format(self.margin, "f")
        if self.decided_by:
            made["decided_by"] = self.decided_by
        return made | ({"warning": self.warning} if self.warning else {})


NEXT = "Stop, keep what it touched apart, and tell the food-safety lead."


def judge(
    reading: Reading, bounds: InForce, *, uncertainty: Decimal | None = None, guard: Guard = "off"
) -> Judgement:
    """Say whether a reading holds to what is in force. Raises Unusable, UnitDoesNotConvert.

    ``uncertainty``: the expanded uncertainty of the instrument, in the reading's unit. Guard ``off``: the reading
    as it is. ``one-sided``: within only when inside by U; in the band it is undecided, beyond the bound outside.
    ``two-sided``: undecided within U on either side of the bound.
    """
    if isinstance(bounds.limit, ObservationLimit):
        return _judge_observation(reading, bounds, bounds.limit)
    return _judge_range(reading, bounds, bounds.limit, uncertainty, guard)


def _judge_observation(reading: Reading, bounds: InForce, limit: ObservationLimit) -> Judgement:
    if not reading.outcome:
        raise Unusable(
            f"Choose an outcome: {', '.join(limit.outcomes)}.", code="outcome-missing", field="outcome"
        )
    if reading.outcome not in limit.outcomes:
        raise Unusable(
            f"{reading.outcome!r} is no outcome of this check. Choose one of: {', '.join(limit.outcomes)}.",
            code="unknown-outcome",
            field="outcome",
        )
    if reading.outcome in limit.accepted:
        return Judgement(
            Result.WITHIN, bounds, f"Seen: {reading.outcome}. As the plan asks.", decided_by=PLAN
        )
    asked = " or ".join(limit.accepted)
    sentence = f"Seen: {reading.outcome}. The plan asks for: {asked}. {NEXT}"
    return Judgement(Result.OUTSIDE, bounds, sentence, decided_by=PLAN)


def _judge_range(
    reading: Reading, bounds: InForce, limit: RangeLimit, uncertainty: Decimal | None, guard: Guard
) -> Judgement:
    if reading.value is None:
        raise Unusable(f"Give the value of {limit.quantity}.", code="value-missing", field="value")
    value = convert(reading.value, reading.unit, limit.unit)
    band = Decimal(0)
    if uncertainty is not None and guard != "off":
        band = convert_difference(uncertainty, reading.unit, limit.unit)
    margin, bound = _nearest(value, bounds)
    result = _result(margin, bound, band, guard)
    return Judgement(
        result,
        bounds,
        _sentence(reading, value, limit, bounds, bound, margin, result),
        margin=margin,
        decided_by=bound.source,
        warning=_warning(value, limit) if result is Result.WITHIN else "",
    )


def _nearest(value: Decimal, bounds: InForce) -> tuple[Decimal, Bound]:
    ends = []
    if bounds.lower:
        ends.append((value - bounds.lower.value, bounds.lower))
    if bounds.upper:
        ends.append((bounds.upper.value - value, bounds.upper))
    return min(ends, key=lambda end: (end[0], end[1].inclusive))


def _result(margin: Decimal, bound: Bound, band: Decimal, guard: Guard) -> Result:
    inside = margin > 0 or (margin == 0 and bound.inclusive)
    if not band:
        return Result.WITHIN if inside else Result.OUTSIDE
    if margin >= band:
        return Result.WITHIN
    if inside or (guard == "two-sided" and margin > -band):
        return Result.UNDECIDED
    return Result.OUTSIDE


def _sentence(
    reading: Reading,
    value: Decimal,
    limit: RangeLimit,
    bounds: InForce,
    bound: Bound,
    margin: Decimal,
    result: Result,
) -> str:
    symbol = UNITS[limit.unit].symbol
    read = f"Read {_shown(value, symbol)}"
    if reading.unit != limit.unit:
        read += f" (entered {reading.entered} {UNITS[reading.unit].symbol})"
    must = f"{limit.quantity} must be {bounds.words()} ({bound.source})"
    if result is Result.WITHIN:
        return f"{read}; {must}. Margin {_shown(margin, symbol)}."
    if result is Result.UNDECIDED:
        return f"{read}; {must}. Too near the bound for this instrument to decide. Measure again, or tell the food-safety lead."
    return f"{read}; {must}. Off by {_shown(-margin, symbol)}. {NEXT}"


def _warning(value: Decimal, limit: RangeLimit) -> str:
    symbol = UNITS[limit.unit].symbol
    if limit.operating_lower is not None and value < limit.operating_lower:
        return f"Below the operating limit {_shown(limit.operating_lower, symbol)}: act before the limit is lost."
    if limit.operating_upper is not None and value > limit.operating_upper:
        return f"Above the operating limit {_shown(limit.operating_upper, symbol)}: act before the limit is lost."
    return ""


def _shown(value: Decimal, symbol: str) -> str:
    text = format(value.normalize() if value else Decimal(0), "f")
    return f"{text} {symbol}".strip()


def worst(results: Sequence[Result]) -> Result:
    """Outside before undecided before within."""
    for result in (Result.OUTSIDE, Result.UNDECIDED):
        if result in results:
            return result
    return Result.WITHIN


__all__ = [
    "GUARDS",
    "PLAN",
    "Bound",
    "EmptyRange",
    "Guard",
    "InForce",
    "Judgement",
    "Limit",
    "ObservationLimit",
    "RangeLimit",
    "Result",
    "Rule",
    "UnitDoesNotConvert",
    "from_json",
    "in_force",
    "judge",
    "known_unit",
    "looser_than",
    "worst",
]
