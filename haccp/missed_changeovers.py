"""What no request can see: two batches on one piece of equipment, an allergen between them, and no changeover.

The start gate asks when a batch begins. Afterwards an earlier batch may turn out to have left an allergen (its weighings
came late, equipment was taken in the middle of a run), and in a phased start the gate only warned. Each pair of batches
is one case, once. A contained allergen holds the later batch; one that may be there asks for the reason, as its lots
are asked for contacts when they are released. What nobody stated opens nothing here: the gates tell it.
"""

import logging
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db.models import Q, QuerySet
from django.utils import timezone

from batches.models import Batch, Occupation
from haccp import deviations
from haccp.allergens import contact, content, lists
from haccp.allergens.contact import Left
from haccp.allergens.saying import Says
from haccp.allergens.vocabulary import Vocabulary
from haccp.changeovers import bearing, lines, procedures, starting
from haccp.changeovers.bearing import Bears
from haccp.changeovers.procedures import Means
from haccp.deviations import Touched
from haccp.labels import versions
from haccp.missed import LOOK_BACK, UNDECIDED
from haccp.models import Changeover, Deviation, HoldSubject, StartPermission
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
            opened += sum(_open(pair, at) for pair in pairs(here, at))
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
    vocabulary, means = lists.vocabulary(here), procedures.means(here)
    bears = _borne(here, [each for each, _ in stood])
    asked = _asked_already([each.batch for each, _ in stood])
    found: defaultdict[tuple[int, UUID], list[tuple[str, Left]]] = defaultdict(list)
    batches = {each.batch_id: each.batch for each, _ in stood}
    for each, left in stood:
        looking = _Looking(each, bears[each.batch_id], vocabulary, means, asked[each.batch_id])
        for one in looking.without_changeover(left.values()):
            found[each.batch_id, one.batch_uid].append((each.equipment.code, one))
    for (batch, before), several in found.items():
        yield Pair(batches[batch], before, tuple(several))


def _borne(here: Establishment, taken: Collection[Occupation]) -> dict[int, Bears]:
    """By batch: what its product declared on the day it took the equipment. A flat number of statements a day."""
    days: defaultdict[date, dict[int, Batch]] = defaultdict(dict)
    for each in taken:
        days[each.since.astimezone(here.zone).date()].setdefault(each.batch_id, each.batch)
    found: dict[int, Bears] = {}
    for on, batches in sorted(days.items()):
        recipes = [each.recipe_version for each in batches.values()]
        contents = content.of_recipes(recipes, on)
        labels = versions.all_in_force_of([each.material for each in recipes], on)
        for batch, own in zip(batches.values(), contents, strict=True):
            found.setdefault(batch.pk, bearing.of(own, labels[batch.recipe_version.material_id]))
    return found


def _asked_already(batches: Collection[Batch]) -> dict[int, set[tuple[str, str]]]:
    """By batch: (equipment, earlier batch) that its emergency start named; its own case asks for them."""
    cases = Deviation.objects.filter(
        what=Deviation.What.EMERGENCY_START, subject__in=[each.uid for each in batches]
    )
    out_of_order = set(cases.values_list("subject", flat=True))
    of_these = {each.permission_id: each.pk for each in batches if each.uid in out_of_order}
    found: dict[int, set[tuple[str, str]]] = {each.pk: set() for each in batches}
    for permission in StartPermission.objects.filter(pk__in=of_these):
        found[of_these[permission.pk]] = {
            (each["ids"][0], each["ids"][1])
            for each in permission.warnings
            if each["code"] == starting.LEFT and len(each["ids"]) == 2
        }
    return found


@dataclass(frozen=True)
class _Looking:
    """At one batch as it took one piece of equipment."""

    taken: Occupation
    bears: Bears
    vocabulary: Vocabulary
    means: Sequence[Means]
    asked: set[tuple[str, str]]

    def without_changeover(self, left: Collection[Left]) -> Iterator[Left]:
        for each in left:
            named = self.bears.names(each.allergen, self.vocabulary.groups_of(each.allergen))
            told = (str(self.taken.equipment_id), str(each.batch_uid)) in self.asked
            if not named and not told and not self.changed_over(each):
                yield each

    def changed_over(self, left: Left) -> bool:
        """Whether a changeover that clears it is on record since, released or not: its release is asked for elsewhere."""
        if left.until is None or left.until > self.taken.since:
            return False
        since = lines.on_equipment(
            self.taken.equipment.establishment,
            [self.taken.equipment_id],
            since=left.until,
            until=self.taken.since,
        )
        return any(each.performed_at >= left.until and self.clears(each, left.allergen) for each in since)

    def clears(self, changeover: Changeover, allergen: str) -> bool:
        used = changeover.procedure_version
        return Means(used, procedures.document_of(used)).clears([allergen], self.vocabulary)


def _open(pair: Pair, now: datetime) -> bool:
    """Whether a case was opened: it is looked for first, so that a sweep that finds nothing new locks nothing."""
    known = Deviation.objects.filter(
        what=Deviation.What.NO_CHANGEOVER, subject=pair.batch.uid, slot=pair.slot
    )
    if known.exists():
        return False
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
