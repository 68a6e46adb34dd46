"""Which records of a house may leave on a day, and what keeps each of the others: the one place to ask.

First each record by its own rules and by what hinders it. Then what those need. Of the lots and batches they name stays all
that they came from and all that came of them; what they came from stays without what else came of it, so that the chain of a
lot does not turn round on the way (decision 70). Of what somebody may still eat stays too what stood on the same equipment,
back to the last cleaning of everything. So every answer about what stays is the answer it was.
"""

from collections import defaultdict
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from uuid import UUID

from django.db.models import Q
from django.utils.translation import gettext

from batches.models import FoundEmpty, Lot, LotState, Movement, MovementKind
from batches.near import near
from haccp.retention import clocks, hindrances, ordering, rules, saying
from haccp.retention import web as webs
from haccp.retention.rules import Kept, Rule
from haccp.retention.web import Node, Web, batch, lot
from ledger.models import Establishment, Record, record_classes

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


@dataclass
class Standing:
    """How a house stands on ``day``. ``stays``: by record; ``leaving``: what may leave; ``own``: until when by its own
    rules each record is kept, whether it stays or not."""

    here: Establishment
    day: date
    web: Web
    own: dict[UUID, Kept] = field(default_factory=dict)
    stays: dict[UUID, Stay] = field(default_factory=dict)

    @property
    def leaving(self) -> set[UUID]:
        return set(self.web.kinds) - set(self.stays)

    def kind(self, record: UUID) -> type[Record]:
        return self.web.kinds[record]

    def in_order(self, leaving: Collection[UUID]) -> Iterator[list[UUID]]:
        """``leaving`` in parts, each of which may leave once those before it did."""
        between = {node for node in self.web.keeps if not isinstance(node, UUID)}
        for part in ordering.together(between | set(leaving), self.web.keeps):
            if records := [each for each in part if isinstance(each, UUID)]:
                yield records


def standing(here: Establishment, day: date, *, besides: Collection[UUID] | None = None) -> Standing:
    """How a house stands on a day. ``besides``: only these may leave, whatever else might. Call it in one transaction."""
    found = Standing(here, day, webs.read(here))
    firm, weak = _by_themselves(found)
    if besides is not None:
        weak |= set(found.web.kinds) - set(besides) - firm
    _keep_more(found, firm, weak)
    return found


# -- by itself ------------------------------------------------------------------------------------------


def _by_themselves(found: Standing) -> tuple[set[Node], set[Node]]:
    """What stays by its own rules or is hindered: with the lots it names, and without."""
    firm, weak = set[Node](), set[Node]()
    known, own = rules.shipped(), saying.own_periods(found.here)
    where = saying.jurisdictions(found.here)
    for model in record_classes():
        of_kind = known.of(model.kind, where)
        for pk, facts in clocks.facts(found.here, found.web, model):
            if pk not in found.web.kinds:
                continue
            kept = found.own[pk] = rules.kept(facts, of_kind, own, known)
            if kept.lasts >= found.day:
                found.stays[pk] = Stay(kept.until, kept.rule)
                seeds = kept.until is not None and (kept.rule is None or kept.rule.clock in SEEDS)
                (firm if seeds or _by_a_day(facts, found.day, of_kind, known) else weak).add(pk)
    for each in hindrances.found(found.here, found.day):
        nodes = set(found.web.kinds) if each.all else each.nodes
        firm |= {node for node in nodes if not isinstance(node, UUID) or node in found.web.kinds}
        for node in nodes:
            if isinstance(node, UUID) and node in found.web.kinds:
                found.stays.setdefault(node, Stay(because=each.because))  # its own rule is told first
    return firm, weak - firm


def _by_a_day(facts: rules.Facts, day: date, of_kind: Collection[Rule], known: rules.Rules) -> bool:
    """Whether a record that stays because it is in force would stay by the day it was prepared too."""
    counted = [rule for rule in of_kind if rule.clock in SEEDS and rule.months is not None]
    return any(rules.kept(facts, [rule], (), known).lasts >= day for rule in counted)


# -- for another's sake ---------------------------------------------------------------------------------


def _keep_more(found: Standing, firm: set[Node], weak: set[Node]) -> None:
    web = found.web
    firm = ordering.reached(firm, _mutual(web))
    onward = _onward(found.here, web)
    _join_refilled(found.here, web, onward)
    chain = ordering.reached(
        {node for node in firm if not isinstance(node, UUID)}
        | webs.named_in(web, [each for each in firm if isinstance(each, UUID)]),
        onward,
    )
    stays = ordering.reached({*firm, *weak, *chain}, web.keeps)
    stays = ordering.reached(stays | _of_what_may_be_eaten(found, chain), web.keeps)
    for node in stays:
        if isinstance(node, UUID) and node in found.web.kinds and node not in found.stays:
            found.stays[node] = Stay(because=NEEDED)


def _mutual(web: Web) -> dict[Node, set[Node]]:
    """Records that leave together: each keeps the other."""
    return {
        node: {each for each in kept if isinstance(each, UUID) and node in web.keeps.get(each, ())}
        for node, kept in web.keeps.items()
        if isinstance(node, UUID)
    }


def _onward(here: Establishment, web: Web) -> dict[Node, set[Node]]:
    """From a lot to the batches that used it, from a batch to the lots it made."""
    found: defaultdict[Node, set[Node]] = defaultdict(set)
    used = Movement.objects.of(here).filter(what=MovementKind.USED).order_by()
    for key, into in used.values_list("lot", "batch").distinct():
        found[lot(key)].add(batch(into))
    for key, made_by in Lot.objects.filter(establishment=here, batch__isnull=False).values_list(
        "pk", "batch"
    ):
        found[batch(made_by)].add(lot(key))
    return found


def _join_refilled(here: Establishment, web: Web, onward: dict[Node, set[Node]]) -> None:
    """Lots that lay in a refilled place between two times it was found empty and clean keep each other (decision 69)."""
    emptied: defaultdict[UUID, list[datetime]] = defaultdict(list)
    clean = FoundEmpty.objects.of(here).standing().filter(is_clean=True).order_by("performed_at")
    for place, at in clean.values_list("storage_place", "performed_at"):
        emptied[place].append(at)
    there = Q(from_place__refilled=True) | Q(to_place__refilled=True)
    rows = Movement.objects.of(here).filter(there).order_by()
    for key, at, *places in rows.values_list("lot", "performed_at", "from_place", "to_place"):
        for place in filter(None, places):
            number = sum(1 for each in emptied[place] if each <= at)
            node: Node = (f"refilled {place}", number)
            for one, other in ((lot(key), node), (node, lot(key))):
                web.keeps[one].add(other)
                onward.setdefault(one, set()).add(other)


def _of_what_may_be_eaten(found: Standing, chain: set[Node]) -> set[Node]:
    """Batches that bear on lots that may still be eaten by the equipment they shared, and the cleanings that end it."""
    keys = [key for name, key in (node for node in chain if not isinstance(node, UUID)) if name == "lot"]
    edible = Q(best_before__isnull=True) | Q(best_before__gte=found.day) | ~Q(on_hand=0)
    states = LotState.objects.filter(edible, establishment=found.here).values_list("lot", flat=True)
    asked = set(keys) & set(states)
    if not asked:
        return set()
    around = near(found.here.pk, asked)
    return {*map(batch, around.batches), *(each.because for each in around.breaks)} - {None}


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
