"""Kinds of limit, as a plan's document holds them: numbers are text there. Pure, no Django.

A document says its ``kind``: a range, or an observation with named outcomes. Another kind is another class here
and another judge in ``haccp.limits``.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from batches.quantities import UNITS, parse_number
from config.api.refusals import Reason, Unusable


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
    numbers = {end: _number(said, end, reasons) for end in ("lower", "upper")}
    operating = {end: _number(said, f"operating_{end}", reasons) for end in ("lower", "upper")}
    inclusive = {end: _yes_or_no(said, f"{end}_inclusive", reasons) for end in ("lower", "upper")}
    quantity, unit = said.get("quantity"), said.get("unit")
    if not isinstance(quantity, str) or not quantity.strip():
        reasons.append(Reason("missing", "Say what is measured.", "quantity"))
    if not isinstance(unit, str) or unit not in UNITS:
        reasons.append(
            Reason("unknown-unit", f"Give the unit by its UN/ECE code; {unit!a:.24} is none we know.", "unit")
        )
    if not reasons:
        limit = RangeLimit(
            quantity=str(quantity),
            unit=str(unit),
            lower=numbers["lower"],
            upper=numbers["upper"],
            lower_inclusive=inclusive["lower"],
            upper_inclusive=inclusive["upper"],
            operating_lower=operating["lower"],
            operating_upper=operating["upper"],
        )
        reasons += _crossed(limit)
    if reasons:
        raise Unusable("The limit cannot be read.", reasons=reasons)
    return limit


def _yes_or_no(said: Mapping[str, Any], name: str, reasons: list[Reason]) -> bool:
    value = said.get(name, True)
    if not isinstance(value, bool):
        reasons.append(Reason("not-yes-or-no", "This is true or false.", name))
    return value is True


def nothing_between(lower: Decimal | None, upper: Decimal | None, both_inclusive: bool) -> bool:
    """Whether no value can hold to both bounds."""
    if lower is None or upper is None:
        return False
    return lower > upper or (lower == upper and not both_inclusive)


def _crossed(limit: RangeLimit) -> list[Reason]:
    """Bounds that leave nothing, or an operating limit that could never warn in time."""
    if limit.lower is None and limit.upper is None:
        return [Reason("no-bound", "A range has a lower or an upper bound.", "lower")]
    reasons = []
    if nothing_between(limit.lower, limit.upper, limit.lower_inclusive and limit.upper_inclusive):
        sentence = "Nothing lies between the lower and the upper bound."
        reasons.append(Reason("bounds-crossed", sentence, "lower"))
    for end, sign in (("lower", 1), ("upper", -1)):
        bound, operating = getattr(limit, end), getattr(limit, f"operating_{end}")
        if bound is not None and operating is not None and sign * (operating - bound) < 0:
            sentence = f"The operating limit lies outside the {end} bound, so it would never warn."
            reasons.append(Reason("operating-outside", sentence, f"operating_{end}"))
    return reasons


def _number(said: Mapping[str, Any], name: str, reasons: list[Reason]) -> Decimal | None:
    if said.get(name) in (None, ""):
        return None
    try:
        return parse_number(said[name], field=name)
    except Unusable as refusal:
        reasons += refusal.reasons
        return None


def _observation(said: Mapping[str, Any]) -> ObservationLimit:
    accepted, outcomes = _names(said, "accepted"), _names(said, "outcomes")
    reasons = []
    if not isinstance(said.get("quantity"), str) or not said["quantity"].strip():
        reasons.append(Reason("missing", "Say what is looked at.", "quantity"))
    if not accepted:
        reasons.append(Reason("missing", "Name the outcomes, and which of them are accepted.", "accepted"))
    elif not set(accepted) < set(outcomes):
        reasons.append(
            Reason("cannot-fail", "The outcomes hold the accepted ones and at least one more.", "outcomes")
        )
    if reasons:
        raise Unusable("The limit cannot be read.", reasons=reasons)
    return ObservationLimit(said["quantity"], accepted, outcomes, str(said.get("reference") or ""))


def _names(said: Mapping[str, Any], name: str) -> tuple[str, ...]:
    """A list of names, or nothing where it is no such list."""
    names = said.get(name)
    if not isinstance(names, list) or not all(isinstance(each, str) and each.strip() for each in names):
        return ()
    return tuple(names)
