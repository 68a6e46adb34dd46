"""Limits defer: the bounds in force are the plan's, tightened by every confirmed local rule. Pure, no Django.

Each bound remembers who set it.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from batches.quantities import UNITS, Dimension, UnitDoesNotConvert, convert
from config.api.refusals import Reason
from haccp.figures import amount
from haccp.limit_kinds import (
    AllOfLimit,
    BoundedLimit,
    CoolingLimit,
    CoolingWindow,
    CountLimit,
    LethalityLimit,
    Limit,
    ObservationLimit,
    OneLimit,
    TimeLimit,
    from_json,
    members,
    nothing_between,
)

PLAN = "plan"


@dataclass(frozen=True)
class Rule:
    """A confirmed local rule: bounds for a quantity, and where they are written.

    ``trigger``: its bounds enclose what an authority or a label acts on; it informs and never bounds anything.
    ``meant_for``: any, moist or dry food. ``caution``: what to mind where it binds.
    """

    id: str
    quantity: str
    unit: str
    citation: str
    lower: Decimal | None = None
    upper: Decimal | None = None
    lower_inclusive: bool = True
    upper_inclusive: bool = True
    trigger: bool = False
    meant_for: str = "any"
    caution: str = ""


@dataclass(frozen=True)
class Bound:
    """One end of what is allowed, in the limit's unit. ``source``: ``plan``, or the rule's id and citation."""

    value: Decimal
    inclusive: bool
    source: str

    def as_json(self) -> dict[str, Any]:
        return {"value": format(self.value, "f"), "inclusive": self.inclusive, "source": self.source}


@dataclass(frozen=True)
class Trigger:
    """What a rule that is no limit speaks of, in the limit's unit."""

    source: str
    unit: str
    lower: Bound | None
    upper: Bound | None

    def words(self) -> str:
        return " and ".join(_ends(self.lower, self.upper, self.unit))

    def reached(self, low: Decimal, high: Decimal) -> bool:
        """Whether a value between ``low`` and ``high`` may be what it speaks of."""
        return not (
            (self.lower and (high, False) < _lower_key(self.lower))
            or (self.upper and (low, True) > _upper_key(self.upper))
        )


@dataclass(frozen=True)
class InForce:
    """A limit as it binds on a day. ``rules``: the confirmed rules that were looked at, binding or not.

    ``not_compared``: rules for the quantity that could not bind: their unit measures something else, or they say a
    time and not of which window. ``triggers``: rules for the quantity that inform and bind nothing. ``cautions``: what
    to mind about those that bind. ``windows``: of a cooling limit, each window as it binds.
    """

    limit: OneLimit | CoolingWindow
    lower: Bound | None = None
    upper: Bound | None = None
    rules: tuple[str, ...] = ()
    not_compared: tuple[str, ...] = ()
    triggers: tuple[Trigger, ...] = ()
    cautions: tuple[str, ...] = ()
    windows: tuple["InForce", ...] = ()

    @property
    def empty(self) -> bool:
        """Plan and rules together leave nothing allowed; every reading is outside."""
        if not self.lower or not self.upper:
            return False
        both_inclusive = self.lower.inclusive and self.upper.inclusive
        return nothing_between(self.lower.value, self.upper.value, both_inclusive)

    def as_json(self) -> dict[str, Any]:
        """As it is kept with a check."""
        made: dict[str, Any] = {"rules": list(self.rules)}
        if not isinstance(self.limit, CoolingWindow):
            made["limit"] = self.limit.to_json()
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
        if isinstance(self.limit, CountLimit):
            return "as many in as out"
        if isinstance(self.limit, CoolingLimit):
            return "; ".join(f"{each.limit.quantity}: {each.words()}" for each in self.windows)
        return " and ".join(_ends(self.lower, self.upper, self.limit.unit))

    def must(self) -> str:
        """The same for a table, where nothing else says what is counted."""
        if isinstance(self.limit, TimeLimit | LethalityLimit):
            return f"{self.limit.subject}: {self.words()}"
        return self.words()


def _ends(lower: Bound | None, upper: Bound | None, unit: str) -> list[str]:
    parts = []
    if lower:
        shown = amount(lower.value, unit)
        parts.append(f"{shown} or more" if lower.inclusive else f"more than {shown}")
    if upper:
        shown = amount(upper.value, unit)
        parts.append(f"{shown} or less" if upper.inclusive else f"less than {shown}")
    return parts


def words_of(rule: Rule) -> str:
    """The bounds of a rule in words and in its own unit, e.g. ``0.60 or less``."""
    return " and ".join(_ends(*_bounds_of(rule, rule.unit), rule.unit))


def in_force(limit: OneLimit, rules: Iterable[Rule] = ()) -> InForce:
    """The plan's limit tightened by every rule for the same quantity.

    A rule only ever tightens; a trigger does not even that. At equal values the exclusive bound is the tighter
    one. Never raises: a reading that was taken is judged and kept, so bounds that leave nothing are ``empty`` and
    a rule that cannot be compared is named; ``looser_than`` keeps both out of an approved plan.
    """
    if isinstance(limit, ObservationLimit | CountLimit):
        return InForce(limit)
    if isinstance(limit, CoolingLimit):
        at_hand = list(rules)
        windows = tuple(_bounded(window, at_hand) for window in limit.windows)
        lost = tuple(map(_source, _about_no_window(limit, at_hand)))
        looked_at = tuple(dict.fromkeys([*(name for each in windows for name in each.rules), *lost]))
        return InForce(limit, rules=looked_at, not_compared=lost, windows=windows)
    return _bounded(limit, rules)


def in_force_from_json(kept: Mapping[str, Any]) -> InForce:
    """The bounds as they were kept with a judgement: those of its day, whatever plan and rules say now."""
    limit = from_json(kept["limit"])
    assert not isinstance(limit, AllOfLimit)  # each of its members is judged and kept by itself
    if not isinstance(limit, CoolingLimit):
        return _kept(limit, kept)
    return replace(
        _kept(limit, kept),
        windows=tuple(_kept(*each) for each in zip(limit.windows, kept["windows"], strict=True)),
    )


def _kept(limit: OneLimit | CoolingWindow, kept: Mapping[str, Any]) -> InForce:
    lower, upper = (
        Bound(Decimal(kept[end]["value"]), kept[end]["inclusive"], kept[end]["source"])
        if end in kept
        else None
        for end in ("lower", "upper")
    )
    return InForce(limit, lower, upper, tuple(kept["rules"]), tuple(kept.get("not_compared", ())))


def _bounded(limit: BoundedLimit, rules: Iterable[Rule]) -> InForce:
    lower, upper = _bounds_of_plan(limit)
    looked_at, not_compared, cautions = [], [], []
    triggers: list[Trigger] = []
    for rule in _about(limit, rules):
        looked_at.append(_source(rule))
        if not _comparable(limit, rule):
            not_compared.append(_source(rule))
            continue
        theirs_lower, theirs_upper = _bounds_of(rule, limit.unit)
        if rule.trigger:
            triggers.append(Trigger(_source(rule), limit.unit, theirs_lower, theirs_upper))
            continue
        if rule.caution:
            cautions.append(f"{rule.caution} ({_source(rule)})")
        if theirs_lower and (lower is None or _lower_key(theirs_lower) > _lower_key(lower)):
            lower = theirs_lower
        if theirs_upper and (upper is None or _upper_key(theirs_upper) < _upper_key(upper)):
            upper = theirs_upper
    return InForce(
        limit, lower, upper, tuple(looked_at), tuple(not_compared), tuple(triggers), tuple(cautions)
    )


def _about(limit: BoundedLimit, rules: Iterable[Rule]) -> list[Rule]:
    """Rules for the limit's quantity."""
    return [rule for rule in rules if same_quantity(rule.quantity, limit.quantity)]


def same_quantity(one: str, other: str) -> bool:
    """Whether two names mean one quantity: capitals and spacing do not keep a rule from binding."""
    return one.casefold().split() == other.casefold().split()


def _about_no_window(limit: CoolingLimit, rules: Iterable[Rule]) -> list[Rule]:
    """Rules that give the cooling a time, but do not say to which temperature."""
    return [
        rule
        for rule in rules
        if same_quantity(rule.quantity, limit.quantity)
        and not rule.trigger
        and rule.unit in UNITS
        and UNITS[rule.unit].dimension is Dimension.TIME
    ]


def _comparable(limit: BoundedLimit, rule: Rule) -> bool:
    return rule.unit in UNITS and UNITS[rule.unit].dimension is UNITS[limit.unit].dimension


def _bounds_of_plan(limit: BoundedLimit) -> tuple[Bound | None, Bound | None]:
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
    at_hand = list(rules)
    found = [reason for bounded in bounded_parts(limit) for reason in _looser_bounds(bounded, at_hand)]
    for member in members(limit):
        if isinstance(member, CoolingLimit):
            windows = " or ".join(repr(window.quantity) for window in member.windows)
            for rule in _about_no_window(member, at_hand):
                detail = f"{_source(rule)} does not say of which window: make it about {windows}."
                found.append(Reason("no-window", detail, "quantity", (rule.id,)))
    return found


def bounded_parts(limit: Limit) -> Iterator[BoundedLimit]:
    """What of a limit local rules may bound: its members, or the windows of a cooling."""
    for member in members(limit):
        if isinstance(member, CoolingLimit):
            yield from member.windows
        elif not isinstance(member, ObservationLimit | CountLimit):
            yield member


def _looser_bounds(limit: BoundedLimit, rules: Iterable[Rule]) -> list[Reason]:
    reasons = []
    plan_lower, plan_upper = _bounds_of_plan(limit)
    for rule in _about(limit, rules):
        if not _comparable(limit, rule):
            detail = f"{_source(rule)} is given in {rule.unit}, which does not compare with {limit.unit}."
            reasons.append(Reason(UnitDoesNotConvert.code, detail, "unit", (rule.id,)))
            continue
        if rule.trigger:
            continue
        lower, upper = _bounds_of(rule, limit.unit)
        if lower and (plan_lower is None or _lower_key(plan_lower) < _lower_key(lower)):
            reasons.append(_looser(limit, "lower", lower, rule))
        if upper and (plan_upper is None or _upper_key(plan_upper) > _upper_key(upper)):
            reasons.append(_looser(limit, "upper", upper, rule))
    return reasons


def _looser(limit: BoundedLimit, end: str, bound: Bound, rule: Rule) -> Reason:
    detail = f"The {end} limit of {limit.quantity} is looser than {amount(bound.value, limit.unit)} in {bound.source}."
    return Reason("looser-than-rule", detail, end, (rule.id,))
