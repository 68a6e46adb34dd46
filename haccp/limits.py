"""What a reading must hold to, and whether it does. Pure and typed: no Django, no clock, no database.

A judgement never says that food is safe; it says where the reading lies. Guard bands follow JCGM 106:2012, clause 8
(from memory): with a known expanded uncertainty U (k = 2) the bound is moved inside by U before a reading is accepted.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_UP, Decimal
from enum import StrEnum
from typing import Any, Literal

from config.api.refusals import Unusable
from haccp import figures
from haccp.bounds import (
    PLAN,
    Bound,
    InForce,
    Rule,
    Trigger,
    bounded_parts,
    in_force,
    looser_than,
    same_quantity,
    words_of,
)
from haccp.figures import Figure, amount
from haccp.limit_kinds import (
    AllOfLimit,
    BoundedLimit,
    CoolingLimit,
    CountLimit,
    LethalityLimit,
    Limit,
    ObservationLimit,
    OneLimit,
    RangeLimit,
    from_json,
    members,
)
from haccp.readings import Reading
from haccp.science import courses
from haccp.science.courses import Course
from haccp.science.lethality import MOIST, OVERSTATES

Guard = Literal["off", "one-sided", "two-sided"]
GUARDS: tuple[Guard, ...] = ("off", "one-sided", "two-sided")


class Result(StrEnum):
    WITHIN = "within"
    OUTSIDE = "outside"
    UNDECIDED = "undecided"


@dataclass(frozen=True)
class Judgement:
    """Where a reading lies. ``margin``: distance to the nearer bound in the limit's unit, negative outside.

    ``reached``: of the triggers in force, those the reading may be a case for. They say nothing of the result.
    """

    result: Result
    in_force: InForce
    sentence: str
    margin: Decimal | None = None
    decided_by: str = ""
    warning: str = ""
    reached: tuple[Trigger, ...] = ()
    windows: tuple["Judgement", ...] = ()

    def as_json(self) -> dict[str, Any]:
        made: dict[str, Any] = self.in_force.as_json() | {
            "result": self.result.value,
            "sentence": self.sentence,
            "must": self.in_force.must(),
        }
        if self.margin is not None:
            made["margin"] = format(self.margin, "f")
        for name in ("decided_by", "warning"):
            if getattr(self, name):
                made[name] = getattr(self, name)
        if self.in_force.triggers:
            made["triggers"] = [
                {"rule": each.source, "speaks_of": each.words(), "reached": each in self.reached}
                for each in self.in_force.triggers
            ]
        return made | ({"windows": [each.as_json() for each in self.windows]} if self.windows else {})


NEXT = "Stop, keep what it touched apart, and tell the food-safety lead."
TOO_NEAR = "Too near the bound for this instrument to decide."
UNGUARDED = "The plan asks for a guard band, but the uncertainty of the instrument is not known: enter it in the register."
AGAIN_COUNT = "Count again, or tell the food-safety lead."
AGAIN = "Measure again, or tell the food-safety lead."


def judge(
    reading: Reading, bounds: InForce, *, uncertainty: Decimal | None = None, guard: Guard = "off"
) -> Judgement:
    """Say whether a reading holds to what is in force. Raises Unusable, UnitDoesNotConvert.

    ``uncertainty``: the expanded uncertainty of the instrument, in the reading's unit. Guard ``off``: the reading
    as it is. ``one-sided``: within only when inside by U; in the band it is undecided, beyond the bound outside.
    ``two-sided``: undecided within U on either side of the bound. A guard without a known uncertainty cannot be
    kept: what lies inside is undecided. What the reading itself leaves open (a gap, a result below detection) is
    undecided whatever the guard, where it would change the result.
    """
    known = None if guard == "off" else uncertainty
    limit = bounds.limit
    if isinstance(limit, ObservationLimit):
        return _judge_observation(reading, bounds, limit)
    if isinstance(limit, CountLimit):
        return _judge_count(reading, bounds, limit)
    if isinstance(limit, CoolingLimit):
        return _judge_cooling(reading, bounds, limit, known, guard)
    if isinstance(limit, RangeLimit) and reading.course is not None:
        return _judge_every(reading, bounds, limit, known, guard)
    return _judge_figure(figures.figure(limit, reading, known), bounds, limit, known, guard)


def decide(
    reading: Reading, bounds: InForce, *, uncertainty: Decimal | None = None, guard: Guard = "off"
) -> Result:
    """The result alone, as ``judge`` comes to it: for many readings at once. Raises Unusable, UnitDoesNotConvert."""
    known, limit = None if guard == "off" else uncertainty, bounds.limit
    every = isinstance(limit, RangeLimit) and reading.course is not None
    if every or isinstance(limit, ObservationLimit | CountLimit | CoolingLimit):
        return judge(reading, bounds, uncertainty=known, guard=guard).result
    return _result(figures.figure(limit, reading, known), bounds, guard, known)


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
    seen = f"Seen: {reading.outcome}" + (
        f", against {limit.reference.rstrip('.')}" if limit.reference else ""
    )
    if reading.outcome in limit.accepted:
        return Judgement(Result.WITHIN, bounds, f"{seen}. As the plan asks.", decided_by=PLAN)
    asked = " or ".join(limit.accepted)
    sentence = f"{seen}. The plan asks for: {asked}. {NEXT}"
    return Judgement(Result.OUTSIDE, bounds, sentence, decided_by=PLAN)


def _judge_count(reading: Reading, bounds: InForce, limit: CountLimit) -> Judgement:
    if reading.counted is None:
        raise Unusable(f"Count {limit.quantity} out and in again.", code="count-missing", field="counted_out")
    out, back = reading.counted
    if out == back == 0:
        sentence = f"Nothing was counted out and in ({limit.quantity}): that shows nothing. {AGAIN_COUNT}"
        return Judgement(Result.UNDECIDED, bounds, sentence, decided_by=PLAN)
    if out == back:
        sentence = f"Counted out {out}, in {back}: all there."
        return Judgement(Result.WITHIN, bounds, sentence, margin=Decimal(0), decided_by=PLAN)
    missing = f"{out - back} missing" if out > back else f"{back - out} too many"
    sentence = f"Counted out {out}, in {back} ({limit.quantity}): {missing}. {NEXT}"
    return Judgement(Result.OUTSIDE, bounds, sentence, margin=-abs(out - back), decided_by=PLAN)


def _judge_cooling(
    reading: Reading, bounds: InForce, limit: CoolingLimit, known: Decimal | None, guard: Guard
) -> Judgement:
    cooled = figures.cooled(limit, reading, known)
    judged = tuple(
        _judge_figure(figure, each, window, known, guard)
        for each, (window, figure) in zip(bounds.windows, cooled.windows, strict=True)
    )
    result = worst([each.result for each in judged])
    deciding = [each for each in judged if each.result is result]
    tightest = min(deciding, key=lambda each: Decimal(0) if each.margin is None else each.margin)
    return Judgement(
        result,
        bounds,
        tightest.sentence,
        margin=tightest.margin,
        decided_by=tightest.decided_by,
        warning=" ".join(
            dict.fromkeys(filter(None, [_shortcoming(bounds), *(each.warning for each in judged)]))
        ),
        windows=judged,
    )


def _judge_every(
    reading: Reading, bounds: InForce, limit: RangeLimit, known: Decimal | None, guard: Guard
) -> Judgement:
    """Every reading of a course against a range: by the worse of its lowest and highest, and how long it was out."""
    found = figures.extremes(limit, reading, known)
    alone = replace(bounds, triggers=())  # what a rule speaks of may lie between the two
    ends = [_judge_figure(figure, alone, limit, known, guard) for figure in found]
    result = worst([each.result for each in ends])
    deciding = [each for each in ends if each.result is result]
    worse = min(deciding, key=lambda each: Decimal(0) if each.margin is None else each.margin)
    reached = tuple(each for each in bounds.triggers if each.reached(found[0].low, found[1].high))
    course = figures.course_of(reading, limit.unit)
    missing = figures.named(courses.gaps(course, courses.longest_usual(course)))
    warnings = [*(each.warning for each in ends), *map(_told, reached), missing]
    sentence = worse.sentence
    if result is Result.OUTSIDE:
        sentence += f" Outside for {_seconds_outside(course, bounds)} in all."
    return replace(
        worse,
        in_force=bounds,
        sentence=sentence,
        warning=" ".join(dict.fromkeys(filter(None, warnings))),
        reached=reached,
    )


def _seconds_outside(course: Course, bounds: InForce) -> str:
    """By straight lines between readings; where readings are missing nothing is counted."""
    longest, seconds = courses.longest_usual(course), 0.0
    for bound, above in ((bounds.lower, False), (bounds.upper, True)):
        if bound is not None:
            seconds += courses.time_beyond(
                course, float(bound.value), above=above, allowed=bound.inclusive, longest=longest
            )
    return amount(Decimal(repr(round(seconds, 3))), "SEC")


def _judge_figure(
    figure: Figure, bounds: InForce, limit: BoundedLimit, known: Decimal | None, guard: Guard
) -> Judgement:
    margin, bound = _nearest(figure.value, bounds)
    result = _result(figure, bounds, guard, known)
    reached = tuple(each for each in bounds.triggers if each.reached(figure.low, figure.high))
    warnings = [
        _shortcoming(bounds),
        *bounds.cautions,
        *map(_told, reached),
        "" if result is Result.UNDECIDED else _unguarded(known, guard),
        figure.open,
    ]
    if result is Result.WITHIN and isinstance(limit, RangeLimit):
        warnings.append(_operating(figure.value, limit))
    if isinstance(limit, LethalityLimit) and limit.product_kind not in MOIST:
        warnings.append(OVERSTATES)
    return Judgement(
        result,
        bounds,
        _sentence(figure, limit, bounds, bound, margin, result, _unguarded(known, guard)),
        margin=_kept(margin),
        decided_by=bound.source,
        warning=" ".join(filter(None, warnings)),
        reached=reached,
    )


def _told(trigger: Trigger) -> str:
    return (
        f"{trigger.words()}: from there an authority or the label may have to act ({trigger.source}). "
        "It is no limit to work by; ask the food-safety lead."
    )


def _kept(margin: Decimal) -> Decimal:
    """At most six decimals, rounded away from 0 so that the sign stays true."""
    decimals = len(f"{margin:f}".partition(".")[2])
    return margin if decimals <= 6 else margin.quantize(Decimal("0.000001"), ROUND_UP)


def _shortcoming(bounds: InForce) -> str:
    """What is wrong with the bounds themselves, which whoever made the reading cannot mend."""
    if bounds.empty:
        return "Plan and local rules together leave nothing allowed: tell the food-safety lead."
    if bounds.not_compared and isinstance(bounds.limit, CoolingLimit):
        return f"Not applied, it does not say of which window: {'; '.join(bounds.not_compared)}."
    if bounds.not_compared:
        return f"Not applied, its unit does not compare: {'; '.join(bounds.not_compared)}."
    return ""


def _unguarded(uncertainty: Decimal | None, guard: Guard) -> str:
    if guard == "off" or uncertainty is not None:
        return ""
    return UNGUARDED


def _nearest(value: Decimal, bounds: InForce) -> tuple[Decimal, Bound]:
    ends = []
    if bounds.lower:
        ends.append((value - bounds.lower.value, bounds.lower))
    if bounds.upper:
        ends.append((bounds.upper.value - value, bounds.upper))
    return min(ends, key=lambda end: (end[0], end[1].inclusive))


def _inside(value: Decimal, bounds: InForce) -> bool:
    margin, bound = _nearest(value, bounds)
    return margin > 0 or (margin == 0 and bound.inclusive)


def _result(figure: Figure, bounds: InForce, guard: Guard, uncertainty: Decimal | None) -> Result:
    inside = _inside(figure.value, bounds)
    if inside:
        # a bound reached by U exactly is still inside by U, also where the bound itself is not allowed
        sure = guard == "off" or (
            uncertainty is not None and _margin(figure.uncertain_low, figure.uncertain_high, bounds) >= 0
        )
        known = _inside(figure.low, bounds) and _inside(figure.high, bounds)
        out = figure.less and bounds.lower is not None and figure.value <= bounds.lower.value
        return Result.OUTSIDE if out else Result.WITHIN if known and sure else Result.UNDECIDED
    if figure.low < figure.high and _reaches_inside(figure.low, figure.high, bounds, touching=True):
        return Result.UNDECIDED
    if guard == "two-sided" and _reaches_inside(figure.uncertain_low, figure.uncertain_high, bounds):
        return Result.UNDECIDED
    return Result.OUTSIDE


def _margin(low: Decimal, high: Decimal, bounds: InForce) -> Decimal:
    return min(_nearest(end, bounds)[0] for end in (low, high))


def _reaches_inside(low: Decimal, high: Decimal, bounds: InForce, *, touching: bool = False) -> bool:
    """Whether what lies between ``low`` and ``high`` reaches beyond a bound into what is allowed, or over all of it;
    where ``touching``, also onto a bound that is allowed itself."""
    if bounds.empty:
        return False
    lower, upper = bounds.lower, bounds.upper
    above = lower is None or high > lower.value or (touching and lower.inclusive and high == lower.value)
    below = upper is None or low < upper.value or (touching and upper.inclusive and low == upper.value)
    return above and below


def _sentence(
    figure: Figure,
    limit: BoundedLimit,
    bounds: InForce,
    bound: Bound,
    margin: Decimal,
    result: Result,
    unguarded: str,
) -> str:
    told = f"{figure.read}; {limit.subject} must be {bounds.words()} ({bound.source})."
    if result is Result.WITHIN:
        return f"{told} Margin {amount(margin, limit.unit)}."
    if result is Result.UNDECIDED:
        why = " ".join(filter(None, [figure.open, unguarded])) or TOO_NEAR
        return f"{told} {why} {AGAIN}"
    off = f"Off by {amount(-margin, limit.unit)}" if margin else "The bound itself is not allowed"
    return f"{told} {off}. {NEXT}"


def _operating(value: Decimal, limit: RangeLimit) -> str:
    act = "act before the limit is lost"
    if limit.operating_lower is not None and value < limit.operating_lower:
        return f"Below the operating limit {amount(limit.operating_lower, limit.unit)}: {act}."
    if limit.operating_upper is not None and value > limit.operating_upper:
        return f"Above the operating limit {amount(limit.operating_upper, limit.unit)}: {act}."
    return ""


def worst(results: Sequence[Result]) -> Result:
    """Outside before undecided before within."""
    for result in (Result.OUTSIDE, Result.UNDECIDED):
        if result in results:
            return result
    return Result.WITHIN


__all__ = [
    "GUARDS",
    "PLAN",
    "AllOfLimit",
    "Bound",
    "Guard",
    "InForce",
    "Judgement",
    "Limit",
    "ObservationLimit",
    "OneLimit",
    "RangeLimit",
    "Result",
    "Rule",
    "bounded_parts",
    "decide",
    "from_json",
    "in_force",
    "judge",
    "looser_than",
    "members",
    "same_quantity",
    "words_of",
    "worst",
]
