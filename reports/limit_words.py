"""What must hold, in the words of the document's language: of a limit as it binds, and who set it."""

from collections.abc import Iterator

from django.utils.translation import gettext as _

from batches.quantities import plain_text
from haccp.bounds import PLAN, Bound, InForce
from haccp.figures import amount
from haccp.limit_kinds import (
    CoolingLimit,
    CountLimit,
    LethalityLimit,
    ObservationLimit,
    RangeLimit,
    TimeLimit,
)
from haccp.limit_kinds.over_time import LOG_UNIT
from haccp.models import Effect, LocalRule
from reports import amounts, kept_sentences


def must(bounds: InForce) -> str:
    """What must hold, as one line."""
    limit = bounds.limit
    if isinstance(limit, ObservationLimit):
        return _(" or ").join(limit.accepted)
    if isinstance(limit, CountLimit):
        return _("as many in as out")
    if isinstance(limit, CoolingLimit):
        return "; ".join(
            _("from %(from)s to %(to)s: %(must)s")
            % {
                "from": amount(limit.begins_at, limit.temperature_unit),
                "to": amount(window.limit.to, limit.temperature_unit),  # type: ignore[union-attr]
                "must": _ends(window.lower, window.upper, limit.unit),
            }
            for window in bounds.windows
        )
    told = _ends(bounds.lower, bounds.upper, limit.unit)
    if isinstance(limit, TimeLimit):
        return f"{_time(limit)}: {told}"
    return f"{_heat(limit)}: {told}" if isinstance(limit, LethalityLimit) else told


def _time(limit: TimeLimit) -> str:
    at = {"temperature": amount(limit.temperature, limit.temperature_unit)}
    above = limit.side == "at_or_above"
    return (_("time at or above %(temperature)s") if above else _("time at or below %(temperature)s")) % at


def _heat(limit: LethalityLimit) -> str:
    what = _("decimal reductions") if limit.unit == LOG_UNIT else "F"
    return _("%(what)s of %(organism)s at %(at)s, z %(z)s, counted from %(low)s to %(high)s as studied") % {
        "what": what,
        "organism": limit.organism,
        "at": amount(limit.reference_temperature, limit.temperature_unit),
        "z": plain_text(limit.z),
        "low": plain_text(limit.studied_from),
        "high": amount(limit.studied_to, limit.temperature_unit),
    }


def _ends(lower: Bound | None, upper: Bound | None, unit: str) -> str:
    return _(" and ").join(_each_end(lower, upper, unit))


def _each_end(lower: Bound | None, upper: Bound | None, unit: str) -> Iterator[str]:
    if lower:
        said = _("%s or more") if lower.inclusive else _("more than %s")
        yield said % amount(lower.value, unit)
    if upper:
        said = _("%s or less") if upper.inclusive else _("less than %s")
        yield said % amount(upper.value, unit)


def operating(limit: object) -> str:
    """Where a range warns before its limit is lost; empty where it does not."""
    if not isinstance(limit, RangeLimit):
        return ""
    ends = []
    if limit.operating_lower is not None:
        ends.append(_("%s or more") % amount(limit.operating_lower, limit.unit))
    if limit.operating_upper is not None:
        ends.append(_("%s or less") % amount(limit.operating_upper, limit.unit))
    return _(" and ").join(ends)


def set_by(bounds: InForce) -> tuple[str, ...]:
    """Who set the bounds: the plan, or the local rules that are tighter."""
    parts = (bounds, *bounds.windows)
    ends = [end.source for each in parts for end in (each.lower, each.upper) if end is not None]
    return tuple(dict.fromkeys(_source(each) for each in ends or [PLAN]))


def _source(source: str) -> str:
    return _("the plan") if source == PLAN else _("local rule: %s") % citation(source)


def citation(source: str) -> str:
    """Where the rule that set a bound is written."""
    return kept_sentences.cited(source.partition(": ")[2])


def symbol(unit: str) -> str:
    return amounts.symbol(unit)


def of_rule(rule: LocalRule) -> str:
    """A local rule as one line: what it asks for, of what, and where it is written."""
    about = "".join(f", {_(part)}" for part in (rule.subject, rule.intended_use) if part)
    lower, upper = (
        None if value is None else Bound(value, inclusive, "")
        for value, inclusive in ((rule.lower, rule.lower_inclusive), (rule.upper, rule.upper_inclusive))
    )
    informs = (
        "; " + _("tells when an authority acts, and is no limit") if rule.effect == Effect.TRIGGER else ""
    )
    ends = _ends(lower, upper, rule.unit)
    named = kept_sentences.quantity(rule.quantity)
    where = f"{_(rule.authority)}, {kept_sentences.cited(rule.citation)}"
    return f"{rule.code}: {named}{about}: {ends}{informs} ({where})"
