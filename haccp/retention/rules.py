"""How long each kind of record is kept, by rules that are data with their source. Pure, no Django.

Of all rules that apply the longest counts. A period counts whole calendar months: what would end on a day that its month
does not have ends on the first of the next, so that it is never shorter.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from importlib.resources import files

import yaml

from haccp.recalls.periods import EU

EVERYTHING = "everything"
ALWAYS = frozenset({"Codex", "house"})
"""What applies wherever a house is."""
LAWS = frozenset({"US", "EU"})
"""Jurisdictions whose law is known here."""
PREPARED, END_OF_USE, BEST_BEFORE, STAYS = "prepared", "end-of-use", "best-before", "stays"
CLOCKS = (PREPARED, END_OF_USE, BEST_BEFORE, STAYS)


@dataclass(frozen=True)
class Rule:
    """``months``: how long; None where the text names no number."""

    id: str
    jurisdiction: str
    group: str
    clock: str
    months: int | None
    says: str
    source: str
    section: str
    provenance: str

    @property
    def named(self) -> str:
        return f"{self.source}, {self.section}" if self.section else self.source


@dataclass(frozen=True)
class Own:
    """The house's own period for a group, in months."""

    group: str
    months: int


@dataclass(frozen=True)
class Rules:
    groups: Mapping[str, frozenset[str]]
    rules: tuple[Rule, ...]

    def speaks_of(self, group: str, kind: str) -> bool:
        return group == EVERYTHING or kind in self.groups[group]

    def of(self, kind: str, jurisdictions: Collection[str]) -> tuple[Rule, ...]:
        """All rules that apply to a kind of record."""
        here = ALWAYS | set(jurisdictions)
        return tuple(
            each for each in self.rules if each.jurisdiction in here and self.speaks_of(each.group, kind)
        )

    @property
    def longest(self) -> int:
        """Months of the longest number that any rule names."""
        return max(each.months for each in self.rules if each.months is not None)

    def least_for(self, group: str, jurisdictions: Collection[str]) -> Rule | None:
        """The rule with the longest number that binds something in a group, from preparation or end of use."""
        kinds = self.groups.get(group, frozenset())
        found = [
            rule
            for rule in self.rules
            if rule.jurisdiction in ALWAYS | set(jurisdictions)
            and rule.months is not None
            and rule.clock in (PREPARED, END_OF_USE)
            and (group == EVERYTHING or rule.group == EVERYTHING or kinds & self.groups[rule.group])
        ]
        return max(found, key=lambda rule: rule.months or 0, default=None)


@cache
def shipped() -> Rules:
    said = yaml.safe_load(files("haccp.retention").joinpath("rules.yaml").read_text("utf-8"))
    groups = {name: frozenset(kinds) for name, kinds in said["groups"].items()}
    return Rules(groups, tuple(map(_rule, said["rules"])))


def _rule(said: dict[str, str | int]) -> Rule:
    told = {name: str(value) for name, value in said.items() if name not in ("years", "months")}
    months: int | None = None
    if "years" in said or "months" in said:
        months = int(said.get("years", 0)) * 12 + int(said.get("months", 0))
    return Rule(months=months, **told)


def where(country: str, stated: Iterable[str] | None) -> frozenset[str]:
    """The jurisdictions whose rules apply to a house in ``country`` that ships to the ``stated``.

    Where nobody stated them, or the house is where no law is known here, all of them: the longest then rules.
    """
    own = "EU" if country in EU else country
    if stated is None or own not in LAWS or not set(stated) <= LAWS:
        return LAWS
    return frozenset({own, *stated})


# -- when a record may leave ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Facts:
    """What the clocks of one record read.

    ``used_until``: the day its use ended; None while it is in force, or of a kind that has no use. ``best_before``: the
    latest of the lots it is about, or None. ``undated``: one of them has none.
    """

    kind: str
    prepared: date
    in_force: bool = False
    used_until: date | None = None
    best_before: date | None = None
    undated: bool = False


@dataclass(frozen=True)
class Kept:
    """``until``: the last day, None = no end is known. ``rule``: which rule keeps it longest; None = the house's own."""

    until: date | None
    rule: Rule | None

    @property
    def lasts(self) -> date:
        return self.until or date.max


def kept(facts: Facts, rules: Iterable[Rule], own: Collection[Own], known: Rules) -> Kept:
    """Until when a record is kept, by the longest of its rules."""
    months = max((each.months for each in own if known.speaks_of(each.group, facts.kind)), default=None)
    ends = [Kept(_end(rule, facts, months, known.longest), rule) for rule in rules]
    if months is not None and not facts.in_force:
        begins = max(facts.prepared, facts.used_until or facts.prepared)
        ends.insert(0, Kept(later(begins, months), None))  # told first where equal
    return max(ends, key=lambda each: each.lasts)


def _end(rule: Rule, facts: Facts, own: int | None, longest: int) -> date | None:
    if rule.clock == BEST_BEFORE:
        return _past_best_before(rule, facts, own or longest)
    by_use = rule.clock == END_OF_USE or rule.months is None
    if rule.clock == STAYS or (by_use and facts.in_force):
        return None
    begins = max(facts.prepared, facts.used_until or facts.prepared) if by_use else facts.prepared
    return later(begins, (own or longest) if rule.months is None else rule.months)


def _past_best_before(rule: Rule, facts: Facts, unknown: int) -> date:
    """Of a lot without a date nobody knows its shelf life: then a period from the day the record was prepared."""
    ends = [facts.prepared]
    if facts.best_before is not None:
        ends.append(later(facts.best_before, rule.months or 0))
    if facts.undated:
        ends.append(later(facts.prepared, unknown))
    return max(ends)


def later(day: date, months: int) -> date:
    """The same day so many months on; where that month has no such day, the first of the next.

    >>> later(date(2024, 2, 29), 24)
    datetime.date(2026, 3, 1)
    """
    years, month = divmod(day.month - 1 + months, 12)
    if day.year + years > date.max.year:
        return date.max
    try:
        return day.replace(year=day.year + years, month=month + 1)
    except ValueError:
        return (date(day.year + years, month + 1, 28) + timedelta(days=4)).replace(day=1)
