"""What a reading must hold to, and whether it does. Pure and typed: no Django, no clock, no database.

A limit (``haccp.limit_kinds``) defers: the bounds in force are the plan's, tightened by every confirmed local
rule, and each bound remembers who set it. A judgement never says that food is safe; it says where the reading
lies.

Guard bands follow JCGM 106:2012, clause 8 (from memory): with a known expanded uncertainty U (k = 2) the bound is
moved inside by U before a reading is accepted.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, ROUND_UP, Decimal
from enum import StrEnum
from typing import Any, Literal

from batches.quantities import UNITS, UnitDoesNotConvert, convert, convert_difference, plain_text
from config.api.refusals import Reason, Unusable
from haccp.limit_kinds import Limit, ObservationLimit, RangeLimit, from_json, nothing_between
from haccp.readings import Reading

PLAN = "plan"
Guard = Literal["off", "one-sided", "two-sided"]
GUARDS: tuple[Guard, ...] = ("off", "one-sided", "two-sided")


class Result(StrEnum):
    WITHIN = "within"
    OUTSIDE = "outside"
    UNDECIDED = "undecided"


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
    """A limit as it binds on a day. ``rules``: the confirmed rules that were looked at, binding or not.

    ``not_compared``: rules for the quantity whose unit measures something else, so that they could not bind.
    """

    limit: Limit
    lower: Bound | None = None
    upper: Bound | None = None
    rules: tuple[str, ...] = ()
    not_compared: tuple[str, ...] = ()

    @property
    def empty(self) -> bool:
        """Plan and rules together leave nothing allowed; every reading is outside."""
        if not self.lower or not self.upper:
            return False
        both_inclusive = self.lower.inclusive and self.upper.inclusive
        return nothing_between(self.lower.value, self.upper.value, both_inclusive)

    def as_json(self) -> dict[str, Any]:
        """As it is kept with a check."""
        made: dict[str, Any] = {"limit": self.limit.to_json(), "rules": list(self.rules)}
        if self.not_compared:
            made["not_compared"] = list(self.not_compared)
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


def in_force(limit: Limit, rules: Iterable[Rule] = ()) -> InForce:
    """The plan's limit tightened by every rule for the same quantity.

    A rule only ever tightens. At equal values the exclusive bound is the tighter one. Never raises: a reading
    that was taken is judged and kept, so bounds that leave nothing are ``empty`` and a rule that cannot be
    compared is named; ``looser_than`` keeps both out of an approved plan.
    """
    if isinstance(limit, ObservationLimit):
        return InForce(limit)
    lower, upper = _bounds_of_plan(limit)
    looked_at, not_compared = [], []
    for rule in _about(limit, rules):
        looked_at.append(_source(rule))
        if not _comparable(limit, rule):
            not_compared.append(_source(rule))
            continue
        theirs_lower, theirs_upper = _bounds_of(rule, limit.unit)
        if theirs_lower and (lower is None or _lower_key(theirs_lower) > _lower_key(lower)):
            lower = theirs_lower
        if theirs_upper and (upper is None or _upper_key(theirs_upper) < _upper_key(upper)):
            upper = theirs_upper
    return InForce(limit, lower, upper, tuple(looked_at), tuple(not_compared))


def _about(limit: RangeLimit, rules: Iterable[Rule]) -> list[Rule]:
    """Rules for the limit's quantity; capitals and spacing do not keep a rule from binding."""
    return [rule for rule in rules if _plain(rule.quantity) == _plain(limit.quantity)]


def _plain(quantity: str) -> str:
    return " ".join(quantity.casefold().split())


def _comparable(limit: RangeLimit, rule: Rule) -> bool:
    return rule.unit in UNITS and UNITS[rule.unit].dimension is UNITS[limit.unit].dimension


def _bounds_of_plan(limit: RangeLimit) -> tuple[Bound | None, Bound | None]:
    return (
        None if limit.lower is None else Bound(limit.lower, limit.lower_inclusive, PLAN),
        None if limit.upper is None else Bound(limit.upper, limit.upper_inclusive, PLAN),
    )


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
    plan_lower, plan_upper = _bounds_of_plan(limit)
    for rule in _about(limit, rules):
        if not _comparable(limit, rule):
            detail = f"{_source(rule)} is given in {rule.unit}, which does not compare with {limit.unit}."
            reasons.append(Reason(UnitDoesNotConvert.code, detail, "unit", (rule.id,)))
            continue
        lower, upper = _bounds_of(rule, limit.unit)
        if lower and (plan_lower is None or _lower_key(plan_lower) < _lower_key(lower)):
            reasons.append(_looser(limit, "lower", lower, rule))
        if upper and (plan_upper is None or _upper_key(plan_upper) > _upper_key(upper)):
            reasons.append(_looser(limit, "upper", upper, rule))
    return reasons


def _looser(limit: RangeLimit, end: str, bound: Bound, rule: Rule) -> Reason:
    symbol = UNITS[limit.unit].symbol
    detail = (
        f"The {end} limit of {limit.quantity} is looser than {_shown(bound.value, symbol)} in {bound.source}."
    )
    return Reason("looser-than-rule", detail, end, (rule.id,))


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
    ``two-sided``: undecided within U on either side of the bound. A guard without a known uncertainty judges
    the reading as it is, and warns.
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
    warnings = [_shortcoming(bounds), _unguarded(uncertainty, guard)]
    if result is Result.WITHIN:
        warnings.append(_operating(value, limit))
    return Judgement(
        result,
        bounds,
        _sentence(reading, value, limit, bounds, bound, margin, result),
        margin=_kept(margin),
        decided_by=bound.source,
        warning=" ".join(filter(None, warnings)),
    )


def _kept(margin: Decimal) -> Decimal:
    """At most six decimals, rounded away from 0 so that the sign stays true."""
    return margin if _decimals(margin) <= 6 else margin.quantize(Decimal("0.000001"), ROUND_UP)


def _decimals(value: Decimal) -> int:
    return len(f"{value:f}".partition(".")[2])


def _shortcoming(bounds: InForce) -> str:
    """What is wrong with the bounds themselves, which whoever made the reading cannot mend."""
    if bounds.empty:
        return "Plan and local rules together leave nothing allowed: tell the food-safety lead."
    if bounds.not_compared:
        return f"Not applied, its unit does not compare: {'; '.join(bounds.not_compared)}."
    return ""


def _unguarded(uncertainty: Decimal | None, guard: Guard) -> str:
    if guard == "off" or uncertainty is not None:
        return ""
    return "The plan asks for a guard band, but the uncertainty of the instrument is not known."


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
    off = f"Off by {_shown(-margin, symbol)}" if margin else "The bound itself is not allowed"
    return f"{read}; {must}. {off}. {NEXT}"


def _operating(value: Decimal, limit: RangeLimit) -> str:
    symbol = UNITS[limit.unit].symbol
    if limit.operating_lower is not None and value < limit.operating_lower:
        return f"Below the operating limit {_shown(limit.operating_lower, symbol)}: act before the limit is lost."
    if limit.operating_upper is not None and value > limit.operating_upper:
        return f"Above the operating limit {_shown(limit.operating_upper, symbol)}: act before the limit is lost."
    return ""


def _shown(value: Decimal, symbol: str) -> str:
    """For people. Only a conversion has more than six decimals; it is then rounded to four and says so."""
    if _decimals(value) > 6:
        return f"about {_shown(value.quantize(Decimal('0.0001'), ROUND_HALF_EVEN), symbol)}"
    return f"{plain_text(value)} {symbol}".strip()


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
    "Guard",
    "InForce",
    "Judgement",
    "Limit",
    "ObservationLimit",
    "RangeLimit",
    "Result",
    "Rule",
    "from_json",
    "in_force",
    "judge",
    "looser_than",
    "worst",
]
