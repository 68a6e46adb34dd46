"""What leaves by a day and what keeps the rest, counted: for the answer over the API, the command and the document."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from haccp.retention import keeping, rules, saying
from haccp.retention.keeping import Standing
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
    rows = found.web.scratch.execute(
        "SELECT kind, count(*), sum(NOT EXISTS (SELECT 1 FROM stay WHERE stay.id = record.id)) FROM record GROUP BY kind"
    )
    counts = [KindCount(found.web.models[kind], records, leaving) for kind, records, leaving in rows]
    return iter(sorted(counts, key=lambda each: each.kind.kind))


def _kept(found: Standing) -> Iterator[KeptBy]:
    """Most first."""
    by: defaultdict[tuple[str, str], list[tuple[int, str | None]]] = defaultdict(list)
    rows = found.web.scratch.execute(
        "SELECT rule, because, count(*), max(until) FROM stay GROUP BY rule, because, until IS NULL"
    )
    for rule, because, records, until in rows:
        stay = found.stay(until, rule, because)
        provenance = "" if stay.rule is None else stay.rule.provenance
        by[keeping.reason(stay), provenance].append((records, until))
    counted = [(because, sum(each for each, _ in some), some) for because, some in by.items()]
    for (because, provenance), records, some in sorted(counted, key=lambda each: (-each[1], each[0])):
        days = [until for _, until in some]
        last = None if None in days else max(filter(None, days))
        yield KeptBy(because, provenance, records, date.fromisoformat(last) if last else None)
