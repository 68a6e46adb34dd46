"""What no request can see: two batches on one piece of equipment, an allergen between them, and no changeover.

The start gate asks when a batch begins. Afterwards an earlier batch may turn out to have left an allergen (its weighings
came late, equipment was taken in the middle of a run), and in a phased start the gate only warned. Each pair of batches
is one case, once. A contained allergen holds the later batch; one that may be there asks for the reason, as its lots
are asked for contacts when they are released. What nobody stated opens nothing here: the gates tell it.
"""

import logging
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db.models import Q, QuerySet
from django.utils import timezone

from batches.models import Batch, Occupation
from haccp import deviations, unpermitted
from haccp.allergens import contact, content, lists
from haccp.allergens.saying import Says
from haccp.allergens.touched import Left
from haccp.allergens.vocabulary import Vocabulary
from haccp.changeovers import bearing, lines, procedures
from haccp.changeovers.bearing import Bears
from haccp.changeovers.procedures import Means
from haccp.deviations import Touched
from haccp.labels import versions
from haccp.missed import LOOK_BACK, UNDECIDED
from haccp.models import Changeover, Deviation, HoldSubject
from haccp.unpermitted import Named
from ledger.acts import Act, Moment
from ledger.ids import uuid7
from ledger.models import Establishment
from ledger.people import service_person

PATIENCE = timedelta(hours=1)
"""So long after equipment was taken a changeover may still come in from a queue (a site setting, no source)."""
MOST_NAMED = 6

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Pair:
    """``left``: what the earlier batch left on which equipment, and the later one does not declare."""

    batch: Batch
    before: UUID
    left: tuple[tuple[str, Left], ...]

    @property
    def slot(self) -> str:
        return f"after batch {self.before}"

    @property
    def certain(self) -> bool:
        return any(left.says == Says.CONTAINS for _, left in self.left)


def sweep(now: datetime | None = None) -> int:
    """Look at what stood on equipment lately, or belongs to lots not decided on; the number of cases opened.

    Run twice, or at once by two workers, it opens nothing twice: a case is unique for its pair and opened under the
    material lock.
    """
    at = now or timezone.now()
    opened = 0
    for here in Establishment.objects.filter(pk__in=_taken(at).values("equipment__establishment")):
        try:
            opened += sum(_open(pair, at) for pair in _new(pairs(here, at)))
        except Exception:  # one house must not keep the others from being looked at
            log.exception("the changeovers of establishment %s could not be looked at", here.pk)
    return opened


def pairs(here: Establishment, now: datetime) -> list[Pair]:
    """Every pair of batches without the changeover that it took. Equipment that several share at once is left out."""
    rows = _taken(now).filter(equipment__establishment=here)
    taken = list(rows.select_related("equipment", "batch__recipe_version__material", "batch__establishment"))
    if not taken:
        return []
    contacts = contact.load(here, [], [(each.equipment_id, each.since) for each in taken])
    stood: list[tuple[Occupation, Mapping[str, Left]]] = []
    for each in taken:
        on = each.since.astimezone(here.zone).date()
        left = contacts.on(each.equipment_id, each.since, on, but=each.batch_id)
        if left:
            stood.append((each, left))
    return list(_pairs(here, stood))


def _taken(now: datetime) -> QuerySet[Occupation]:
    recent = Q(since__gte=now - LOOK_BACK) | Q(until__isnull=True)
    undecided = Q(batch__in=Batch.objects.filter(lots__state__status__in=UNDECIDED).values("pk"))
    rows = Occupation.objects.filter(recent | undecided, since__lte=now - PATIENCE, equipment__shared=False)
    return rows.order_by("since", "pk")


def _pairs(here: Establishment, stood: Sequence[tuple[Occupation, Mapping[str, Left]]]) -> Iterator[Pair]:
    vocabulary = lists.vocabulary(here)
    taken = [each for each, _ in stood]
    bears, asked = _borne(here, taken), unpermitted.named_already([each.batch for each in taken])
    ended = [each.until for _, left in stood for each in left.values() if each.until is not None]
    changeovers = _Changeovers.of(here, taken, vocabulary, since=min(ended, default=None))
    found: defaultdict[tuple[int, UUID], list[tuple[str, Left]]] = defaultdict(list)
    batches = {each.batch_id: each.batch for each, _ in stood}
    for each, left in stood:
        on = bears[each.batch_id, each.since.astimezone(here.zone).date()]
        looking = _Looking(each, on, vocabulary, changeovers, asked[each.batch_id])
        for one in looking.without_changeover(left.values()):
            found[each.batch_id, one.batch_uid].append((each.equipment.code, one))
    for (batch, before), several in found.items():
        yield Pair(batches[batch], before, tuple(several))


def _borne(here: Establishment, taken: Collection[Occupation]) -> dict[tuple[int, date], Bears]:
    """By batch and day: what its product declared when it took equipment then. A flat number of statements a day."""
    days: defaultdict[date, dict[int, Batch]] = defaultdict(dict)
    for each in taken:
        days[each.since.astimezone(here.zone).date()].setdefault(each.batch_id, each.batch)
    found: dict[tuple[int, date], Bears] = {}
    for on, batches in sorted(days.items()):
        recipes = [each.recipe_version for each in batches.values()]
        contents = content.of_recipes(recipes, on)
        labels = versions.all_in_force_of([each.material for each in recipes], on)
        for batch, own in zip(batches.values(), contents, strict=True):
            found[batch.pk, on] = bearing.of(own, labels[batch.recipe_version.material_id])
    return found


@dataclass(frozen=True)
class _Changeovers:
    """Those that stand on some equipment, in the order they began; each version of a procedure is read once."""

    on: Mapping[UUID, Sequence[Changeover]]
    vocabulary: Vocabulary
    read: dict[UUID, Means] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        here: Establishment,
        taken: Collection[Occupation],
        vocabulary: Vocabulary,
        *,
        since: datetime | None,
    ) -> "_Changeovers":
        wanted = {str(each.equipment_id): each.equipment_id for each in taken}
        until = max((each.since for each in taken), default=None)
        found: defaultdict[UUID, list[Changeover]] = defaultdict(list)
        for each in lines.on_equipment(here, wanted.values(), since=since, until=until) if taken else ():
            for key in wanted.keys() & set(each.equipment):
                found[wanted[key]].append(each)
        return cls(found, vocabulary)

    def clears(self, equipment: UUID, allergen: str, since: datetime, until: datetime) -> bool:
        """Whether one that clears it began in that time, released or not: its release is asked for elsewhere."""
        return any(
            since <= each.performed_at <= until and self._means(each).clears([allergen], self.vocabulary)
            for each in self.on.get(equipment, ())
        )

    def _means(self, changeover: Changeover) -> Means:
        used = changeover.procedure_version
        if used.pk not in self.read:
            self.read[used.pk] = Means(used, procedures.document_of(used))
        return self.read[used.pk]


@dataclass(frozen=True)
class _Looking:
    """At one batch as it took one piece of equipment."""

    taken: Occupation
    bears: Bears
    vocabulary: Vocabulary
    changeovers: _Changeovers
    asked: Named

    def without_changeover(self, left: Collection[Left]) -> Iterator[Left]:
        for each in left:
            named = self.bears.names(each.allergen, self.vocabulary.groups_of(each.allergen))
            told = self.asked.names(self.taken.equipment_id, each.batch_uid, each.batch)
            if not named and not told and not self.changed_over(each):
                yield each

    def changed_over(self, left: Left) -> bool:
        since, until = left.until, self.taken.since
        if since is None or since > until:
            return False
        return self.changeovers.clears(self.taken.equipment_id, left.allergen, since, until)


def _new(found: Collection[Pair]) -> list[Pair]:
    """Those that have no case yet: looked for first, so that a sweep that finds nothing new locks nothing."""
    subjects = {each.batch.uid for each in found}
    known = Deviation.objects.filter(what=Deviation.What.NO_CHANGEOVER, subject__in=subjects)
    cases = set(known.values_list("subject", "slot")) if subjects else set()
    return [each for each in found if (each.batch.uid, each.slot) not in cases]


def _open(pair: Pair, now: datetime) -> bool:
    """Whether a case was opened here, and not by another sweep meanwhile."""
    who, here = service_person(), pair.batch.establishment
    act = Act(
        establishment=here,
        performed_by=who,
        performed=Moment.of(now.astimezone(here.zone)),
        recorded_by=who,
        id=uuid7(),
    )
    opened = deviations.open_case(
        act=act,
        what=Deviation.What.NO_CHANGEOVER,
        subject=pair.batch.uid,
        slot=pair.slot,
        title=_title(pair),
        hold=Touched(HoldSubject.BATCH, pair.batch.uid) if pair.certain else None,
    )
    return opened.pk == act.id


def _title(pair: Pair) -> str:
    vocabulary = lists.vocabulary(pair.batch.establishment)
    codes = sorted({left.allergen for _, left in pair.left})
    more = f" and {len(codes) - MOST_NAMED} more" if len(codes) > MOST_NAMED else ""
    words = ", ".join(vocabulary.name(code) for code in codes[:MOST_NAMED]) + more
    left = "left" if pair.certain else "may have left"
    return (
        f"No changeover is on record between batch {pair.left[0][1].batch} and batch {pair.batch.code} on "
        f"{', '.join(sorted({code for code, _ in pair.left}))}: {left} {words}, which "
        f"{pair.batch.recipe_version.material.name} does not declare."
    )
