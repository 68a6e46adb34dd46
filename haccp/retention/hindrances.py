"""What must not leave whatever its day says: what is open, held, in stock, in force, or kept until further notice.

Other rooms add theirs with ``keeps``. A hindrance names records, lots or batches; with a lot or batch all that is about it
stays, what it came from, and what came of it.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from django.db.models import Exists, OuterRef, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy

from batches.models import (
    Batch,
    BatchState,
    Buyer,
    Lot,
    LotState,
    LotStatus,
    ProposedReceipt,
)
from haccp.inspections import due
from haccp.models import (
    CheckSheet,
    Deviation,
    Finding,
    FindingClosed,
    Inspection,
    InspectionEnd,
    LegalHold,
    Recall,
    RecallQuestion,
)
from haccp.recalls import questions
from haccp.retention.scratch import Node
from haccp.retention.web import batch, lot
from ledger.models import Entrance, Entry, Establishment, Leaf

HELD = gettext_lazy("kept until further notice")
OPEN_CASE = gettext_lazy("an open case")
RECALLED = gettext_lazy("a recall that goes on, or of which it is open")
IN_STOCK = gettext_lazy("in stock, or held")
OPEN_INSPECTION = gettext_lazy("an inspection that goes on, or a finding that is not closed")
INSPECTED = gettext_lazy("an inspector is let in")
RUNNING = gettext_lazy("a batch that runs")
UNSEALED = gettext_lazy("not sealed yet")
AWAITED = gettext_lazy("an answer is awaited")
NEEDED_BUYER = gettext_lazy("its buyer is still known")
NAMED_BY_A_BATCH = gettext_lazy("the identity of a batch names it")


@dataclass(frozen=True)
class Hindrance:
    """``all``: everything in the house stays."""

    because: str
    nodes: frozenset[Node] = frozenset()
    all: bool = False


Source = Callable[[Establishment, date], Iterable[Hindrance]]
_sources: list[Source] = []


def keeps(source: Source) -> Source:
    """Register what hinders records from leaving, asked of a house and a day."""
    _sources.append(source)
    return source


def found(here: Establishment, today: date) -> list[Hindrance]:
    return [each for source in _sources for each in source(here, today)]


@keeps
def until_further_notice(here: Establishment, today: date) -> Iterator[Hindrance]:
    subjects = set(LegalHold.objects.of(here).standing().values_list("subject", flat=True))
    lots = Lot.objects.filter(establishment=here, uid__in=subjects).values_list("uid", "pk")
    batches = Batch.objects.filter(establishment=here, uid__in=subjects).values_list("uid", "pk")
    named = {uid: lot(key) for uid, key in lots} | {uid: batch(key) for uid, key in batches}
    yield Hindrance(str(HELD), frozenset({*subjects, *named.values()}), all=here.pk in subjects)


@keeps
def while_an_inspector_is_let_in(here: Establishment, today: date) -> Iterator[Hindrance]:
    """Nothing leaves under the eyes of an inspector, nor on the days just before an entrance opens."""
    midnight = datetime.combine(today, time.min, here.zone)
    if Entrance.objects.of(here).standing().filter(closes_at__gte=midnight).exists():
        yield Hindrance(str(INSPECTED), all=True)


@keeps
def open_inspections(here: Establishment, today: date) -> Iterator[Hindrance]:
    """Without an end, or with a finding that is not closed; by the first record of each line."""
    ended = InspectionEnd.objects.filter(
        inspection=OuterRef("pk"), corrected_by__isnull=True, withdrawn=False
    )
    closed = FindingClosed.objects.filter(finding=OuterRef("pk"), corrected_by__isnull=True, withdrawn=False)
    going_on = _never_withdrawn(Inspection, here).exclude(Exists(ended)).values_list("pk", flat=True)
    found = _never_withdrawn(Finding, here).exclude(Exists(closed)).values_list("pk", flat=True)
    yield Hindrance(str(OPEN_INSPECTION), frozenset({*going_on, *found}))


def _never_withdrawn(kind: type[Inspection | Finding], here: Establishment) -> Any:
    gone = kind.objects.filter(Q(first=OuterRef("pk")) | Q(pk=OuterRef("pk")), withdrawn=True)
    return kind.objects.of(here).filter(first__isnull=True).exclude(Exists(gone)).order_by()


@keeps
def open_matters(here: Establishment, today: date) -> Iterator[Hindrance]:
    cases = Deviation.objects.of(here).filter(closing__isnull=True).values_list("pk", flat=True)
    yield Hindrance(str(OPEN_CASE), frozenset(cases))
    running = Recall.objects.of(here).filter(end__isnull=True).values_list("pk", flat=True)
    asked = questions.open_ones(RecallQuestion.objects.of(here)).values_list("pk", flat=True)
    yield Hindrance(str(RECALLED), frozenset({*running, *asked}))
    sheets = CheckSheet.objects.of(here).filter(written_off__isnull=True, checks__isnull=True)
    proposed = ProposedReceipt.objects.of(here).filter(answers__isnull=True)
    found, sampled = due.findings(here).filter(due.NOT_CLOSED), due.awaiting(here)
    waiting = {pk for rows in (sheets, proposed, found, sampled) for pk in rows.values_list("pk", flat=True)}
    yield Hindrance(str(AWAITED), frozenset(waiting))
    buyers = Buyer.objects.filter(order__establishment=here).values_list("order", flat=True)
    yield Hindrance(str(NEEDED_BUYER), frozenset(buyers))


@keeps
def in_the_house(here: Establishment, today: date) -> Iterator[Hindrance]:
    there = ~Q(on_hand=0) | Q(status=LotStatus.HELD)
    lots = LotState.objects.filter(there, establishment=here).values_list("lot", flat=True)
    yield Hindrance(str(IN_STOCK), frozenset(map(lot, lots)))
    running = BatchState.objects.filter(establishment=here, ended_at__isnull=True)
    yield Hindrance(str(RUNNING), frozenset(map(batch, running.values_list("batch", flat=True))))


@keeps
def not_yet_sealed(here: Establishment, today: date) -> Iterator[Hindrance]:
    if not is_to_come(here, today):
        sealed = Leaf.objects.filter(entry=OuterRef("pk"))
        waiting = Entry.objects.filter(~Exists(sealed), establishment=here).values_list("pk", flat=True)
        yield Hindrance(str(UNSEALED), frozenset(waiting))


def is_to_come(here: Establishment, day: date) -> bool:
    """Whether it is asked of a later day, by which what takes minutes only will be done."""
    return day > timezone.now().astimezone(here.zone).date()


@keeps
def named_by_identities(here: Establishment, today: date) -> Iterator[Hindrance]:
    recipes = Batch.objects.filter(establishment=here).order_by().values_list("recipe_version", flat=True)
    yield Hindrance(str(NAMED_BY_A_BATCH), frozenset(recipes.distinct()))
