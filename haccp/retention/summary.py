"""What leaves by a day and what keeps the rest, counted: for the answer over the API, the command and the document."""

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from haccp.retention import keeping, rules, saying
from haccp.retention.keeping import Standing, Stay
from haccp.retention.rules import Rule
from ledger.models import Establishment, Record


@dataclass(frozen=True)
class KindCount:
    """``leaving`` of ``records``."""

    kind: type[Record]
    records: int
    leaving: int


@dataclass(frozen=True)
class KeptBy:
    """``records`` stay because of this, in words of the active language; the last of them until ``until``, None = no end
    is known."""

    because: str
    provenance: str
    records: int
    until: date | None


@dataclass(frozen=True)
class Summary:
    on: date
    jurisdictions: tuple[str, ...]
    kinds: tuple[KindCount, ...]
    kept: tuple[KeptBy, ...]
    rules: tuple[Rule, ...]

    @property
    def leaving(self) -> int:
        return sum(each.leaving for each in self.kinds)

    @property
    def records(self) -> int:
        return sum(each.records for each in self.kinds)


def summary(here: Establishment, on: date) -> Summary:
    """Call it within one snapshot."""
    found = keeping.standing(here, on)
    where = saying.jurisdictions(here)
    known = rules.shipped()
    applied = (rule for rule in known.rules if rule.jurisdiction in rules.ALWAYS | where)
    return Summary(on, tuple(sorted(where)), tuple(_kinds(found)), tuple(_kept(found)), tuple(applied))


def _kinds(found: Standing) -> Iterator[KindCount]:
    all_of = Counter(found.web.kinds.values())
    leaving = Counter(found.kind(pk) for pk in found.leaving)
    for kind in sorted(all_of, key=lambda each: each.kind):
        yield KindCount(kind, all_of[kind], leaving[kind])


def _kept(found: Standing) -> Iterator[KeptBy]:
    """Most first."""
    by: defaultdict[tuple[str, str], list[Stay]] = defaultdict(list)
    for stay in found.stays.values():
        by[keeping.reason(stay), "" if stay.rule is None else stay.rule.provenance].append(stay)
    for (because, provenance), stays in sorted(by.items(), key=lambda each: (-len(each[1]), each[0])):
        ends = [stay.until for stay in stays]
        until = max((each for each in ends if each), default=None) if None not in ends else None
        yield KeptBy(because, provenance, len(stays), until)
