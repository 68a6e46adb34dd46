"""Limits on one reading: a measured value between bounds, or a named outcome."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from haccp.limit_kinds.said import Said

ASKED_OF_A_READING = ("method", "sample_temperature")


@dataclass(frozen=True)
class RangeLimit:
    """A measured quantity between bounds; either may be missing. Operating limits warn before one is lost.

    ``asks``: what a reading must say besides, where it decides: ``method`` (how moisture was measured),
    ``sample_temperature`` (of a water activity).
    """

    quantity: str
    unit: str
    lower: Decimal | None = None
    upper: Decimal | None = None
    lower_inclusive: bool = True
    upper_inclusive: bool = True
    operating_lower: Decimal | None = None
    operating_upper: Decimal | None = None
    asks: tuple[str, ...] = ()

    @property
    def subject(self) -> str:
        return self.quantity

    def to_json(self) -> dict[str, Any]:
        made: dict[str, Any] = {"kind": "range", "quantity": self.quantity, "unit": self.unit}
        made |= bounds_to_json(self)
        for name in ("operating_lower", "operating_upper"):
            value = getattr(self, name)
            if value is not None:
                made[name] = format(value, "f")
        return made | ({"asks": list(self.asks)} if self.asks else {})


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


def bounds_to_json(limit: Any) -> dict[str, Any]:
    """Lower and upper bound of a limit that has them, as its document says them."""
    made: dict[str, Any] = {}
    for name in ("lower", "upper"):
        value = getattr(limit, name)
        if value is not None:
            made[name] = format(value, "f")
            if not getattr(limit, f"{name}_inclusive"):
                made[f"{name}_inclusive"] = False
    return made


def read_range(part: Mapping[str, Any]) -> RangeLimit:
    said = Said(part)
    numbers = {name: said.number(name) for name in ("lower", "upper", "operating_lower", "operating_upper")}
    inclusive = {end: said.yes_or_no(f"{end}_inclusive", usual=True) for end in ("lower", "upper")}
    limit = RangeLimit(
        quantity=said.text("quantity", "Say what is measured."),
        unit=said.unit("unit"),
        lower_inclusive=inclusive["lower"],
        upper_inclusive=inclusive["upper"],
        asks=_asks(said),
        **numbers,
    )
    if not said.reasons:
        _refuse_crossed(said, limit)
    said.done()
    return limit


def _asks(said: Said) -> tuple[str, ...]:
    asks = said.names("asks")
    if said.part.get("asks") and (not asks or not set(asks) <= set(ASKED_OF_A_READING)):
        sentence = f"A reading can be asked for: {', '.join(ASKED_OF_A_READING)}."
        said.refuse("unknown-name", sentence, "asks")
    return asks


def nothing_between(lower: Decimal | None, upper: Decimal | None, both_inclusive: bool) -> bool:
    """Whether no value can hold to both bounds."""
    if lower is None or upper is None:
        return False
    return lower > upper or (lower == upper and not both_inclusive)


def _refuse_crossed(said: Said, limit: RangeLimit) -> None:
    """Bounds that leave nothing, or an operating limit that could never warn in time."""
    if limit.lower is None and limit.upper is None:
        said.refuse("no-bound", "A range has a lower or an upper bound.", "lower")
    if nothing_between(limit.lower, limit.upper, limit.lower_inclusive and limit.upper_inclusive):
        said.refuse("bounds-crossed", "Nothing lies between the lower and the upper bound.", "lower")
    for end, sign in (("lower", 1), ("upper", -1)):
        bound, operating = getattr(limit, end), getattr(limit, f"operating_{end}")
        if bound is not None and operating is not None and sign * (operating - bound) < 0:
            sentence = f"The operating limit lies outside the {end} bound, so it would never warn."
            said.refuse("operating-outside", sentence, f"operating_{end}")


def read_observation(part: Mapping[str, Any]) -> ObservationLimit:
    said = Said(part)
    accepted, outcomes = said.names("accepted"), said.names("outcomes")
    quantity = said.text("quantity", "Say what is looked at.")
    if not accepted:
        said.refuse("missing", "Name the outcomes, and which of them are accepted.", "accepted")
    elif not set(accepted) < set(outcomes):
        said.refuse("cannot-fail", "The outcomes hold the accepted ones and at least one more.", "outcomes")
    said.done()
    return ObservationLimit(quantity, accepted, outcomes, str(part.get("reference") or ""))
