"""Which records of a house may leave on a day, and what keeps each of the others: the one place to ask.

First each record by its own rules and by what hinders it. Then what those need. Of the lots and batches they name stays all
that they came from and all that came of them; what they came from stays without what else came of it, so that the chain of a
lot does not turn round on the way (decision 70). Of what somebody may still eat stays too what stood on the same equipment,
back to the last cleaning of everything. So every answer about what stays is the answer it was.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Set
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from itertools import chain, groupby
from operator import itemgetter
from uuid import UUID

from django.db.models import Q
from django.utils.translation import gettext

from batches.models import FoundEmpty, Lot, LotState, Movement, MovementKind
from batches.near import near
from haccp.retention import clocks, hindrances, ordering, rules, saying, scratch
from haccp.retention import web as webs
from haccp.retention.rules import Kept, Rule
from haccp.retention.scratch import ROWS_AT_ONCE, ByRecord, Ids, Node, Writing, written
from haccp.retention.web import Web, batch, lot
from ledger.models import Establishment, Record

NEEDED = "needed"
"""Stands for what is kept for another's sake only."""
SEEDS = frozenset({rules.PREPARED, rules.BEST_BEFORE})
"""By these clocks a record keeps the lots it names. What stays because it is in force does not: a plan would keep all."""


@dataclass
class Stay:
    """Why a record stays: ``until`` by its own rule, or ``because`` of what hinders it or needs it."""

    until: date | None = None
    rule: Rule | None = None
    because: str = ""


@dataclass(frozen=True)
class Standing:
    """How a house stands on ``day``. ``stays``: by record; ``leaving``: what may leave; ``own``: until when by its own
    rules each record is kept, whether it stays or not. All are read from the web's scratch, a record at a time."""

    here: Establishment
    day: date
    web: Web
    rules: tuple[Rule, ...]
    """They stand there by their number in this."""

    @property
    def leaving(self) -> Set[UUID]:
        """In the order of their ids."""
        return Ids(self.web.scratch, "leaving")

    def leaving_of(self, kind: type[Record]) -> Iterator[UUID]:
        rows = self.web.scratch.execute(
            "SELECT record.id FROM record JOIN leaving USING (id) WHERE kind = ? ORDER BY record.id",
            [self.web.models.index(kind)],
        )
        return (UUID(bytes=pk) for (pk,) in rows)

    @property
    def stays(self) -> Mapping[UUID, Stay]:
        return ByRecord(self.web.scratch, "stay", "until, rule, because", self.stay)

    @property
    def own(self) -> Mapping[UUID, Kept]:
        return ByRecord(self.web.scratch, "own", "until, rule", self._kept)

    def kind(self, record: UUID) -> type[Record]:
        return self.web.kinds[record]

    def stay(self, until: str | None, rule: int | None, because: str) -> Stay:
        kept = self._kept(until, rule)
        return Stay(kept.until, kept.rule, because)

    def _kept(self, until: str | None, rule: int | None) -> Kept:
        return Kept(date.fromisoformat(until) if until else None, None if rule is None else self.rules[rule])

    def in_order(self) -> Iterator[list[UUID]]:
        """What may leave in parts, each of which may leave once those before it did."""
        ordering.order(self.web.scratch)
        rows = self.web.scratch.execute(
            "SELECT part, node FROM turn JOIN leaver ON leaver.number = leaver ORDER BY turn.number DESC"
        )
        for _, part in groupby(rows, itemgetter(0)):
            if records := [UUID(bytes=node) for _, node in part if isinstance(node, bytes)]:
                yield records


def standing(here: Establishment, day: date, *, besides: Iterable[UUID] | None = None) -> Standing:
    """How a house stands on a day. ``besides``: only these may leave, whatever else might. Call it in one transaction."""
    found = Standing(here, day, webs.read(here), rules.shipped().rules)
    _by_themselves(found)
    _hindered(found)
    if besides is not None:
        scratch.put(found.web.scratch, "wanted", ((pk.bytes,) for pk in besides))
        found.web.scratch.execute(
            "INSERT OR IGNORE INTO weak SELECT id FROM record WHERE id NOT IN (SELECT id FROM wanted)"
        )
    _keep_more(found)
    return found


# -- by itself ------------------------------------------------------------------------------------------


def _by_themselves(found: Standing) -> None:
    """What stays by its own rules: ``firm`` with the lots it names, ``weak`` without."""
    of_house = _OfHouse(found)
    tables = ("own", "stay", "firm", "weak")
    own, stay, firm, weak = (Writing(found.web.scratch, name) for name in tables)
    for pk, facts in clocks.facts(found.web):
        until, rule, stays, seeds = of_house.asked(facts)
        own.add(pk.bytes, until, rule)
        if stays:
            stay.add(pk.bytes, until, rule, "")
            (firm if seeds else weak).add(pk.bytes)
    for each in (own, stay, firm, weak):
        each.rest()


class _OfHouse:
    """What the rules say of a record; of many with the same facts once."""

    def __init__(self, found: Standing) -> None:
        self.found, self.known = found, rules.shipped()
        self.own, self.where = saying.own_periods(found.here), saying.jurisdictions(found.here)
        self.asked = lru_cache(maxsize=10_000)(self._asked)

    def _asked(self, facts: rules.Facts) -> tuple[str | None, int | None, bool, bool]:
        """Its last day and rule, whether it stays, and whether with the lots it names."""
        of_kind = self.known.of(facts.kind, self.where)
        kept = rules.kept(facts, of_kind, self.own, self.known)
        until = kept.until.isoformat() if kept.until else None
        rule = None if kept.rule is None else self.found.rules.index(kept.rule)
        seeds = kept.until is not None and (kept.rule is None or kept.rule.clock in SEEDS)
        by_a_day = seeds or _by_a_day(facts, self.found.day, of_kind, self.known)
        return until, rule, kept.lasts >= self.found.day, by_a_day


def _by_a_day(facts: rules.Facts, day: date, of_kind: Collection[Rule], known: rules.Rules) -> bool:
    """Whether a record that stays because it is in force would stay by the day it was prepared too."""
    counted = [rule for rule in of_kind if rule.clock in SEEDS and rule.months is not None]
    return any(rules.kept(facts, [rule], (), known).lasts >= day for rule in counted)


def _hindered(found: Standing) -> None:
    """What is hindered stays firmly, but its own rule is told first."""
    db = found.web.scratch
    for each in hindrances.found(found.here, found.day):
        if each.all:
            db.execute("INSERT OR IGNORE INTO firm SELECT id FROM record")
            db.execute("INSERT OR IGNORE INTO stay SELECT id, NULL, NULL, ? FROM record", [str(each.because)])
        records = [node for node in each.nodes if isinstance(node, UUID) and node in found.web.kinds]
        between = (node for node in each.nodes if not isinstance(node, UUID))
        nodes: Iterable[Node] = chain(records, between)
        scratch.put(db, "firm", ((written(node),) for node in nodes))
        scratch.put(db, "stay", ((pk.bytes, None, None, str(each.because)) for pk in records))


# -- for another's sake ---------------------------------------------------------------------------------


def _keep_more(found: Standing) -> None:
    db = found.web.scratch
    scratch.spread(db, "firm", "mutual")  # records that leave together: each keeps the other
    _put_onward(found)
    _join_refilled(found)
    db.execute("INSERT INTO chain SELECT node FROM firm WHERE typeof(node) = 'text'")
    db.execute("INSERT OR IGNORE INTO chain SELECT about.node FROM firm JOIN about ON record = firm.node")
    scratch.spread(db, "chain", "onward")
    for table in ("firm", "weak", "chain"):
        db.execute(f"INSERT OR IGNORE INTO staying SELECT node FROM {table}")
    scratch.spread(db, "staying", "keeps")
    scratch.put(db, "staying", ((written(node),) for node in _of_what_may_be_eaten(found)))
    scratch.spread(db, "staying", "keeps")
    db.execute(
        "INSERT OR IGNORE INTO stay SELECT id, NULL, NULL, ? FROM staying JOIN record ON id = node", [NEEDED]
    )


def _put_onward(found: Standing) -> None:
    """From a lot to the batches that used it, from a batch to the lots it made."""
    used = Movement.objects.of(found.here).filter(what=MovementKind.USED).order_by().distinct()
    rows = used.values_list("lot", "batch").iterator(chunk_size=ROWS_AT_ONCE)
    scratch.put(
        found.web.scratch, "onward", ((written(lot(key)), written(batch(into))) for key, into in rows)
    )
    made = Lot.objects.filter(establishment=found.here, batch__isnull=False).values_list("batch", "pk")
    rows = made.iterator(chunk_size=ROWS_AT_ONCE)
    scratch.put(
        found.web.scratch, "onward", ((written(batch(made_by)), written(lot(key))) for made_by, key in rows)
    )


def _join_refilled(found: Standing) -> None:
    """Lots that lay in a refilled place between two times it was found empty and clean keep each other (decision 69)."""
    emptied: defaultdict[UUID, list[datetime]] = defaultdict(list)
    clean = FoundEmpty.objects.of(found.here).standing().filter(is_clean=True).order_by("performed_at")
    for place, at in clean.values_list("storage_place", "performed_at"):
        emptied[place].append(at)
    there = Q(from_place__refilled=True) | Q(to_place__refilled=True)
    rows = Movement.objects.of(found.here).filter(there).order_by()
    told = rows.values_list("lot", "performed_at", "from_place", "to_place")
    tables = [Writing(found.web.scratch, name) for name in ("keeps", "onward")]
    for key, at, *places in told.iterator(chunk_size=ROWS_AT_ONCE):
        for place in filter(None, places):
            stretch = written((f"refilled {place}", bisect_right(emptied[place], at)))
            for table in tables:
                table.add(written(lot(key)), stretch)
                table.add(stretch, written(lot(key)))
    for table in tables:
        table.rest()


def _of_what_may_be_eaten(found: Standing) -> set[Node]:
    """Batches that bear on lots that may still be eaten by the equipment they shared, and the cleanings that end it."""
    db = found.web.scratch
    edible = Q(best_before__isnull=True) | Q(best_before__gte=found.day) | ~Q(on_hand=0)
    states = LotState.objects.filter(edible, establishment=found.here).values_list("lot", flat=True)
    in_chain = "SELECT 1 FROM chain WHERE node = ?"
    asked = {
        key
        for key in states.iterator(chunk_size=ROWS_AT_ONCE)
        if db.execute(in_chain, [written(lot(key))]).fetchone()
    }
    if not asked:
        return set()
    around = near(found.here.pk, asked)
    causes = (each.because for each in around.breaks if each.because is not None)
    return {*map(batch, around.batches), *causes}


def spoken_name(rule: Rule) -> str:
    """Source and section in the active language."""
    return ", ".join(gettext(each) for each in (rule.source, rule.section) if each)


def reason(stay: Stay) -> str:
    """What keeps a record, in words of the active language."""
    if stay.rule is not None:
        return spoken_name(stay.rule)
    if stay.until is not None:
        return gettext("the house's own period")
    return gettext("needed by what stays") if stay.because == NEEDED else stay.because


def told(stay: Stay) -> str:
    """The same with its last day, where there is one."""
    if stay.until is not None:
        return gettext("%(reason)s, until %(day)s") % {"reason": reason(stay), "day": stay.until.isoformat()}
    return gettext("%(reason)s; no end is known") % {"reason": reason(stay)} if stay.rule else reason(stay)
