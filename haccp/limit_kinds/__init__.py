"""Kinds of limit, as a plan's document holds them: numbers are text there. Pure, no Django.

A document says its ``kind``; each kind is a class here and a judge in ``haccp.limits``. ``all_of`` holds several that
must all hold, each with a reading of its own.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from config.api.refusals import Unusable
from haccp.limit_kinds.counted import CountLimit, ResidueLimit, read_count, read_residue
from haccp.limit_kinds.over_time import (
    CoolingLimit,
    CoolingWindow,
    LethalityLimit,
    TimeLimit,
    read_cooling,
    read_lethality,
    read_time,
)
from haccp.limit_kinds.plain import (
    ObservationLimit,
    RangeLimit,
    nothing_between,
    read_observation,
    read_range,
)
from haccp.limit_kinds.said import Said

OneLimit = (
    RangeLimit | ObservationLimit | TimeLimit | LethalityLimit | CoolingLimit | ResidueLimit | CountLimit
)
BoundedLimit = RangeLimit | TimeLimit | LethalityLimit | ResidueLimit | CoolingWindow
"""Those that come to one figure, which local rules may bound too."""

MOST_MEMBERS = 10


@dataclass(frozen=True)
class AllOfLimit:
    """Several limits under one name, each with a reading of its own; the worst result is the result."""

    quantity: str
    members: tuple[OneLimit, ...]

    def to_json(self) -> dict[str, Any]:
        return {
            "kind": "all_of",
            "quantity": self.quantity,
            "members": [member.to_json() for member in self.members],
        }


Limit = OneLimit | AllOfLimit

_READ: dict[str, Callable[[Mapping[str, Any]], OneLimit]] = {
    "range": read_range,
    "observation": read_observation,
    "time_at_temperature": read_time,
    "lethality": read_lethality,
    "cooling": read_cooling,
    "residue": read_residue,
    "count": read_count,
}
KINDS = (*_READ, "all_of")


def from_json(part: Mapping[str, Any]) -> Limit:
    """A limit from a plan's document. Raises Unusable with every reason at once."""
    if part.get("kind") == "all_of":
        return _all_of(part)
    return _one(part)


def members(limit: Limit) -> tuple[OneLimit, ...]:
    """The limits that are judged one by one: those of an ``all_of``, else the limit itself."""
    return limit.members if isinstance(limit, AllOfLimit) else (limit,)


def _one(part: Mapping[str, Any]) -> OneLimit:
    kind = part.get("kind")
    read = _READ.get(kind) if isinstance(kind, str) else None
    if read is None:
        raise Unusable(f"A limit is one of: {', '.join(KINDS)}.", code="unknown-kind", field="kind")
    limit = read(part)
    said = Said(part)
    said.refuse_others({"kind", "source", *(each.name for each in fields(limit) if each.init)})
    said.done()
    return limit


def _all_of(part: Mapping[str, Any]) -> AllOfLimit:
    said = Said(part)
    quantity, parts = said.text("quantity", "Give it a name."), part.get("members")
    read: list[OneLimit] = []
    if not isinstance(parts, list) or not 2 <= len(parts) <= MOST_MEMBERS:
        said.refuse("missing", f"Name 2 to {MOST_MEMBERS} limits that must all hold.", "members")
        parts = []
    for at, each in enumerate(parts):
        try:
            read.append(_one(each if isinstance(each, dict) else {}))
        except Unusable as refusal:
            for reason in refusal.reasons:
                said.refuse(reason.code, reason.detail, f"members.{at}.{reason.field}")
    said.refuse_others({"kind", "source", "quantity", "members"})
    names = [member.quantity for member in read]
    if len(set(names)) < len(names):
        said.refuse("doubled", "Each member has a name of its own.", "members")
    said.done()
    return AllOfLimit(quantity, tuple(read))


__all__ = [
    "KINDS",
    "AllOfLimit",
    "BoundedLimit",
    "CoolingLimit",
    "CoolingWindow",
    "CountLimit",
    "LethalityLimit",
    "Limit",
    "ObservationLimit",
    "OneLimit",
    "RangeLimit",
    "ResidueLimit",
    "TimeLimit",
    "from_json",
    "members",
    "nothing_between",
]
