"""The words for allergens: what the lists of one establishment know together. Pure."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from difflib import get_close_matches
from functools import cached_property

from config.api.refusals import Reason, Unusable
from haccp.allergens.documents import Exempt, Group, Over


@dataclass(frozen=True)
class Listed:
    """One list: of which jurisdiction, from which day until which (the first without it), and its groups."""

    jurisdiction: str
    begins: date
    until: date | None
    groups: tuple[Group, ...]
    confirmed: bool = False

    def in_force(self, day: date) -> bool:
        return self.begins <= day and (self.until is None or day < self.until)

    def members_on(self, day: date) -> Iterator[str]:
        if self.in_force(day):
            for group in self.groups:
                yield from (member.code for member in group.members if member.listed_on(day))


@dataclass(frozen=True)
class Vocabulary:
    """Every code of every list, past members too, since old lots speak of them. A group's code may be stated as well.

    ``shipped``: the house has brought in no list, and all lists that ship stand in for its own.
    """

    lists: Sequence[Listed]
    shipped: bool = False

    @cached_property
    def _names(self) -> dict[str, str]:
        found: dict[str, str] = {}
        for group in self._groups:
            for member in group.members:
                found.setdefault(member.code, member.name)
        for group in self._groups:
            found.setdefault(group.code, group.name)
        return found

    @cached_property
    def _groups(self) -> list[Group]:
        return [group for each in self.lists for group in each.groups]

    @cached_property
    def codes(self) -> frozenset[str]:
        """Everything that may be stated: members and groups."""
        return frozenset(self._names)

    @cached_property
    def members(self) -> frozenset[str]:
        """The substances, groups that stand for several left out."""
        return frozenset(member.code for group in self._groups for member in group.members)

    @cached_property
    def _groups_of(self) -> dict[str, frozenset[str]]:
        found: dict[str, set[str]] = {}
        for group in self._groups:
            for member in group.members:
                found.setdefault(member.code, set()).add(group.code)
        return {code: frozenset(groups) for code, groups in found.items()}

    def name(self, code: str) -> str:
        """In the words of the first list that has it; the code itself where none does."""
        return self._names.get(code, code)

    def groups_of(self, code: str) -> frozenset[str]:
        """The groups a member stands in, over all lists: wheat is in ``wheat`` and in ``gluten-cereals``."""
        return self._groups_of.get(code, frozenset())

    @cached_property
    def _members_of(self) -> dict[str, frozenset[str]]:
        found: dict[str, set[str]] = {}
        for group in self._groups:
            found.setdefault(group.code, set()).update(member.code for member in group.members)
        return {code: frozenset(members) for code, members in found.items()}

    def members_of(self, group: str) -> frozenset[str]:
        """The members of a group over all lists; empty for what is no group."""
        return self._members_of.get(group, frozenset())

    def kin_of(self, code: str) -> frozenset[str]:
        """The groups it stands in and, of a group, its members: what is found of the one may be of the other."""
        return self.groups_of(code) | self.members_of(code)

    def listed_on(self, day: date) -> frozenset[str]:
        """The members that some list in force names on a day."""
        return frozenset(code for each in self.lists for code in each.members_on(day))

    @cached_property
    def _by_amount(self) -> frozenset[str]:
        return frozenset(
            member.code for group in self._groups for member in group.members if member.over is not None
        )

    def counts_by_amount(self, code: str) -> bool:
        """Whether some list asks for it from an amount on only."""
        return code in self._by_amount

    def overs(self, code: str, day: date) -> tuple[tuple[str, Over | None], ...]:
        """Jurisdiction and amount for each list in force that day that names a substance; None: in any amount."""
        return tuple(
            (each.jurisdiction, member.over)
            for each in self.lists
            if each.in_force(day)
            for group in each.groups
            for member in group.members
            if member.code == code and member.listed_on(day)
        )

    def asks(self, code: str, day: date, mg_per_kg: Decimal) -> bool:
        """Whether some list in force that day asks for that much of a substance."""
        return any(over is None or over.asks(mg_per_kg) for _, over in self.overs(code, day))

    def exemptions(self, code: str) -> tuple[tuple[str, Exempt], ...]:
        """What some list leaves out of what is made of it, each with the jurisdiction."""
        return tuple(
            (each.jurisdiction, exempt)
            for each in self.lists
            for group in each.groups
            for member in group.members
            if member.code == code
            for exempt in member.exempt
        )

    def is_exemption(self, code: str, basis: str) -> bool:
        """Whether what is said of the legal basis names an exemption of some list."""
        return any(exempt.is_named_in(basis) for _, exempt in self.exemptions(code))

    def asking(self, code: str, basis: str, day: date) -> tuple[str, ...]:
        """The jurisdictions whose lists in force that day name it and know no such exemption.

        A law exempts in its own market only. Of a group of several nobody knows which one is exempt.
        """
        return tuple(
            each.jurisdiction
            for each in self.lists
            if each.in_force(day) and any(_asks(group, code, basis, day) for group in each.groups)
        )

    def nearest(self, code: str) -> str:
        """The known code most like this one, or ""."""
        close = get_close_matches(str(code)[:60].lower().replace(" ", "-"), sorted(self.codes), 1, 0.5)
        return close[0] if close else ""

    def unknown(self, codes: Collection[str], field: str) -> list[Reason]:
        """A reason for each code that no list knows, in the order told; each with the nearest that is known."""
        return [
            Reason("unknown-allergen", self._told(code), field) for code in codes if code not in self.codes
        ]

    def refuse_unknown(self, codes: Collection[str], *, field: str = "") -> None:
        """Raises Unusable ``unknown-allergen`` with every code that no list here knows."""
        reasons = self.unknown(codes, field)
        if reasons:
            raise Unusable(
                " ".join(reason.detail for reason in reasons) + " Nothing was written.",
                code="unknown-allergen",
                field=field,
                reasons=reasons,
            )

    def _told(self, code: str) -> str:
        nearest = self.nearest(code)
        hint = (
            f"The nearest known code is {nearest}." if nearest else f"Known: {', '.join(sorted(self.codes))}."
        )
        return f"No allergen list here knows {str(code)[:60]!a}. {hint}"


def _asks(group: Group, code: str, basis: str, day: date) -> bool:
    if group.code == code and len(group.members) > 1:
        return any(member.listed_on(day) for member in group.members)
    return any(
        member.code == code
        and member.listed_on(day)
        and not any(exempt.is_named_in(basis) for exempt in member.exempt)
        for member in group.members
    )
