"""An allergen list as one document: its shape, and everything that is wrong with it at once. Pure.

{"groups": [{"code": "tree-nuts", "name": "tree nuts",
             "members": [{"code": "hazelnut", "name": "filbert/hazelnut", "provenance": "from memory",
                          "from": "2006-01-01", "until": "2025-01-06", "citation": "...",
                          "over": {"value": "10", "unit": "NA", "counts": "above"},
                          "exempt": [{"name": "...", "basis": "...", "provenance": "read"}]}]}]}

``from`` and ``until`` (the first day it is no longer listed) are days as text; without them a member is listed as long
as its list is in force. ``over``: the amount in the product at which the list asks for it: ``above`` the value, or
``from`` it on. ``exempt``: what is made of it and left out of the list, with the legal basis. A substance that is no
kind of a wider group stands in a group of itself: the same code, once as group and once as its only member.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from batches.quantities import parse_number
from batches.texts import is_one_line
from config.api.refusals import Reason, Unusable

MOST = 80
"""Groups of a list, members of a group, exemptions of a member."""
LONGEST_CODE, LONGEST_NAME, LONGEST_SOURCE = 40, 200, 300
AMOUNT_UNIT = "NA"
"""mg/kg, the one unit amounts are stated in (UN/ECE Rec 20)."""
COUNTS = ("above", "from")

_CODE = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
_LIST = {"groups"}
_GROUP = {"code", "name", "members"}
_MEMBER = {"code", "name", "from", "until", "over", "exempt", "citation", "provenance"}
_OVER = {"value", "unit", "counts"}
_EXEMPT = {"name", "basis", "provenance"}


@dataclass(frozen=True)
class Over:
    """Listed where there is more than ``value`` mg/kg, or that much where ``reached`` is enough."""

    value: Decimal
    reached: bool

    def asks(self, mg_per_kg: Decimal) -> bool:
        return mg_per_kg > self.value or (self.reached and mg_per_kg == self.value)


@dataclass(frozen=True)
class Exempt:
    """Something made of a member that the list leaves out, and by which law."""

    name: str
    basis: str
    provenance: str

    def is_named_in(self, text: str) -> bool:
        """Whether a text names its legal basis; how that is spaced and marked is no matter."""
        return _plain(self.basis) in _plain(text)


@dataclass(frozen=True)
class Member:
    code: str
    name: str
    begins: date | None
    until: date | None
    over: Over | None
    exempt: tuple[Exempt, ...]
    citation: str
    provenance: str

    def listed_on(self, day: date) -> bool:
        return (self.begins is None or self.begins <= day) and (self.until is None or day < self.until)


@dataclass(frozen=True)
class Group:
    code: str
    name: str
    members: tuple[Member, ...]


def read(document: Any) -> tuple[Group, ...]:
    """The groups of a list. Raises Unusable with every reason, each below the field ``document``."""
    reader = _Reader()
    groups = reader.groups(document)
    reader.reasons += _twice(groups)
    if reader.reasons:
        raise Unusable(
            "The allergen list cannot be kept so. Nothing was written.",
            code="allergen-list",
            reasons=reader.reasons,
        )
    return tuple(groups)


def _plain(text: str) -> str:
    return "".join(filter(str.isalnum, text.casefold()))


def is_code(code: object) -> bool:
    return isinstance(code, str) and len(code) <= LONGEST_CODE and bool(_CODE.fullmatch(code))


def _twice(groups: list[Group]) -> Iterator[Reason]:
    """A code names one thing in a list; only a group of itself shares the code of its one member."""
    first: dict[str, str] = {}
    codes = [(group.code, f"document.groups.{index}") for index, group in enumerate(groups)]
    for index, group in enumerate(groups):
        for at, member in enumerate(group.members):
            if member.code != group.code or len(group.members) > 1:
                codes.append((member.code, f"document.groups.{index}.members.{at}"))
    for code, place in codes:
        if code and first.setdefault(code, place) != place:
            yield Reason("code-twice", f"The code {code} stands in {first[code]} too.", f"{place}.code")


class _Reader:
    def __init__(self) -> None:
        self.reasons: list[Reason] = []

    def refuse(self, code: str, detail: str, field: str) -> None:
        self.reasons.append(Reason(code, detail, field[:200]))

    def names(self, said: dict[str, Any], known: set[str], field: str) -> None:
        for name in sorted(set(said) - known, key=str):
            code = "member-without-group" if name == "members" else "unknown-field"
            sentence = f"{str(name)[:40]!a} is not known here; known: {', '.join(sorted(known))}."
            if name == "members":
                sentence = "A member stands in a group; give these under the group they belong to."
            self.refuse(code, sentence, f"{field}.{name}")

    def objects(self, said: Any, field: str, least: int = 0) -> Iterator[tuple[str, dict[str, Any]]]:
        """Each object of a list with its place."""
        if not isinstance(said, list) or not least <= len(said) <= MOST:
            self.refuse("shape", f"This is a list of {least} to {MOST} objects.", field)
            return
        for index, each in enumerate(said):
            if isinstance(each, dict):
                yield f"{field}.{index}", each
            else:
                self.refuse("shape", "This is one object.", f"{field}.{index}")

    def line(self, said: dict[str, Any], name: str, field: str, longest: int, needed: bool = True) -> str:
        value = said.get(name, "")
        if value == "" and not needed:
            return ""
        if not is_one_line(value, longest):
            self.refuse("missing", f"Give one line of 1 to {longest} characters.", f"{field}.{name}")
            return ""
        return str(value)

    def code(self, said: dict[str, Any], field: str) -> str:
        code = said.get("code")
        if not is_code(code):
            sentence = f"A code is at most {LONGEST_CODE} of a-z, 0-9 and single hyphens, a letter first."
            self.refuse("not-a-code", sentence, f"{field}.code")
            return ""
        return str(code)

    def groups(self, document: Any) -> list[Group]:
        if not isinstance(document, dict):
            self.refuse("shape", "This is one object with groups.", "document")
            return []
        self.names(document, _LIST, "document")
        return [
            self.group(said, place)
            for place, said in self.objects(document.get("groups"), "document.groups", least=1)
        ]

    def group(self, said: dict[str, Any], field: str) -> Group:
        self.names(said, _GROUP, field)
        if "code" not in said and said.get("members"):
            self.refuse(
                "member-without-group", "Its members have no group: give its code.", f"{field}.members"
            )
            code = ""
        else:
            code = self.code(said, field)
        members = tuple(
            self.member(each, place)
            for place, each in self.objects(said.get("members"), f"{field}.members", least=1)
        )
        return Group(code, self.line(said, "name", field, LONGEST_NAME), members)

    def member(self, said: dict[str, Any], field: str) -> Member:
        self.names(said, _MEMBER, field)
        begins, until = self.day(said, "from", field), self.day(said, "until", field)
        if begins is not None and until is not None and until <= begins:
            self.refuse("ends-before-it-begins", "It leaves the list after it came in.", f"{field}.until")
        return Member(
            self.code(said, field),
            self.line(said, "name", field, LONGEST_NAME),
            begins,
            until,
            self.over(said["over"], f"{field}.over") if "over" in said else None,
            tuple(
                self.exemption(each, place)
                for place, each in self.objects(said.get("exempt", []), f"{field}.exempt")
            ),
            self.line(said, "citation", field, LONGEST_SOURCE, needed=False),
            self.line(said, "provenance", field, LONGEST_SOURCE),
        )

    def day(self, said: dict[str, Any], name: str, field: str) -> date | None:
        if name not in said:
            return None
        try:
            if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", said[name]):
                raise ValueError
            return date.fromisoformat(said[name])
        except (ValueError, TypeError):
            self.refuse(
                "not-a-day", "Give a day of the calendar as text, such as 2025-01-06.", f"{field}.{name}"
            )
            return None

    def over(self, said: Any, field: str) -> Over | None:
        if not isinstance(said, dict):
            self.refuse("shape", "This is one object: value and unit.", field)
            return None
        self.names(said, _OVER, field)
        before = len(self.reasons)
        if said.get("unit") != AMOUNT_UNIT:
            sentence = f"An amount has its unit: {AMOUNT_UNIT} (mg/kg) is the one that is compared."
            self.refuse("unknown-unit" if said.get("unit") else "unit-missing", sentence, f"{field}.unit")
        if said.get("counts", "above") not in COUNTS:
            self.refuse("unknown-name", f"It is one of: {', '.join(COUNTS)}.", f"{field}.counts")
        value = Decimal(0)
        try:
            value = parse_number(said.get("value", ""), field=f"{field}.value", signed=False)
        except Unusable as refusal:
            self.reasons += refusal.reasons
        return Over(value, said.get("counts") == "from") if len(self.reasons) == before else None

    def exemption(self, said: dict[str, Any], field: str) -> Exempt:
        self.names(said, _EXEMPT, field)
        return Exempt(
            self.line(said, "name", field, LONGEST_NAME),
            self.line(said, "basis", field, LONGEST_SOURCE),
            self.line(said, "provenance", field, LONGEST_SOURCE),
        )
