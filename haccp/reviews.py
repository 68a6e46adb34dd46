"""Records are looked over by somebody else, who signs that; which still await it, and by which day.

Asked for: checks of critical points and operational programmes, packing checks, closed deviations, corrections of
slips, ends of batches, and starts that were put right. A correction is a record of its own, so it awaits a review of its own
(decision D7). By when, the plan says (``records.review``), with its source; without that there is no day. Under a relief
(``haccp.compliance``) what is least is not asked for; see ``_spared``.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from batches.models import Batch, BatchEnd, BatchStart, BroughtIn
from config.api.refusals import OtherContent, Reason, RuleBroken
from haccp import plan_documents
from haccp.compliance import easing, reliefs
from haccp.models import (
    Check,
    Closing,
    ControlKind,
    ControlPoint,
    Correction,
    PackingCheck,
    PlanVersion,
    Result,
)
from ledger import signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import AlreadyRecorded, Entry, Establishment, Meaning, Record, Signature
from ledger.signatures import record_of

MOST_RECORDS = 200  # signed for at once (a site setting, no source)
RELATED: dict[type[Record], tuple[str, ...]] = {
    Check: ("control_point", "batch"),
    Closing: ("deviation",),
    Correction: (),
    BatchEnd: ("batch",),
    BatchStart: ("batch",),
    PackingCheck: ("batch",),
}


@deed
def review(*, act: Act, proof: signatures.Proof, records: Sequence[Entry]) -> Signature:
    """Sign each record as reviewed. Raises RuleBroken with every reason at once, NotAllowed, OtherContent.

    The first signature bears the id of the act, so that a resend is harmless. Nobody reviews their own work, and
    only somebody qualified reviews (``ledger.signatures``). What was corrected is reviewed as it stands now.
    """
    if act.corrects is not None:
        raise RuleBroken(
            "A review is not corrected; sign anew.", code="a-review-is-not-corrected", field="corrects"
        )
    _answer_if_repeated(act, records)
    reasons = [reason for index, entry in enumerate(records) for reason in _reasons(index, entry)]
    if reasons:
        raise RuleBroken(
            f"Not everything here can be reviewed: {len(reasons)} in the way. Nothing was written.",
            code="not-reviewable",
            reasons=reasons,
        )
    signed = [
        signatures.sign(
            act=act if index == 0 else act.with_new_id(note=act.note),
            proof=proof,
            target=entry,
            meaning=Meaning.REVIEWED,
        )
        for index, entry in enumerate(records)
    ]
    return signed[0]


def _answer_if_repeated(act: Act, records: Sequence[Entry]) -> None:
    """The first signature, where the same person signed the same records at that time already."""
    known = None if act.id is None else Signature.objects.filter(pk=act.id).first()
    if known is None:
        return
    wanted = {entry.pk for entry in records}
    mine = Signature.objects.of(act.establishment).filter(
        performed_by=act.performed_by, performed_at=act.performed.at, meaning=Meaning.REVIEWED
    )
    if known.target_id not in wanted or wanted - set(mine.values_list("target_id", flat=True)):
        raise OtherContent(
            f"Id {known.pk} is taken by a review of other records. Nothing was changed.", field="id"
        )
    known.repeated = True
    raise AlreadyRecorded(known)


def _reasons(index: int, entry: Entry) -> Iterator[Reason]:
    later: Any = getattr(record_of(entry), "corrected_by", None)
    if later is not None:
        sentence = f"Record {entry.pk} was corrected by {later.pk}: review that one."
        yield Reason("corrected", sentence, f"records.{index}", [str(later.pk)])


# -- what awaits a review -----------------------------------------------------------------------------


def awaiting(establishment: Establishment, batch: Batch | None = None) -> QuerySet[Entry]:
    """The entries of records that nobody has reviewed as they stand; of one batch, if it is named."""
    found, spared = Q(), _spared(establishment)
    for kind in RELATED:
        asked = _asked(kind) & ~spared[kind] if kind in spared else _asked(kind)
        rows: Any = kind.objects.filter(asked, corrected_by__isnull=True, pk=OuterRef("pk"))  # type: ignore[attr-defined,misc]
        if batch is not None:
            rows = rows.filter(_of_batch(kind, batch))
        found |= Q(Exists(rows), kind=kind.kind)
    signed = Signature.objects.standing().filter(target=OuterRef("pk"), meaning=Meaning.REVIEWED)
    return Entry.objects.filter(~Exists(signed), found, establishment=establishment)


def _asked(kind: type[Record]) -> Q:
    if kind is Check:
        return ~Q(control_point__kind=ControlKind.PRP)
    if kind is BatchEnd:  # what was brought in was no record of here when it was done
        return ~Q(batch__permission__kind=BroughtIn.kind)
    return Q(corrects__isnull=False) if kind is BatchStart else Q()


def _spared(establishment: Establishment) -> dict[type[Record], Q]:
    """By kind what needs no review under a relief, in its days: no check of a critical point, of an allergen or a supplier,
    none outside its limit, nothing that corrects or bears a flag."""
    within = Q()
    for begin, end in reliefs.spans(establishment, "lesser-review"):
        within |= Q(recorded_at__gte=begin, recorded_at__lt=end)
    if not within:
        return {}
    within &= Q(corrects__isnull=True)
    points = ControlPoint.objects.filter(establishment=establishment, kind=ControlKind.OPRP).select_related(
        "version"
    )
    lesser = [each.pk for each in points if easing.lesser(each.document, each.version.document)]
    return {
        Check: within & Q(control_point__in=lesser, result=Result.WITHIN, flags=[]),
        BatchEnd: within,
    }


def _of_batch(kind: type[Record], batch: Batch) -> Q:
    if kind is Correction:  # says that no product is touched
        return Q(pk__isnull=True)
    if kind is Closing:
        several = (batch.checks, batch.movements, batch.packing_checks)
        about = [key for rows in several for key in rows.values_list("pk", flat=True)]
        return Q(deviation__subject__in=[batch.uid, *about])
    return Q(batch=batch)


@dataclass(frozen=True)
class Awaited:
    """A record that awaits its review. ``review_by``: the last day for it; None: no plan says one."""

    record: Record
    about: str
    batch: Batch | None
    review_by: date | None
    overdue: bool


def awaited(entries: Iterable[Entry], now: datetime | None = None) -> list[Awaited]:
    """The same with what each is about and its day, in their order; few statements for many."""
    page = list(entries)
    rows: dict[UUID, Record] = {}
    for kind, related in RELATED.items():
        keys = [entry.pk for entry in page if entry.kind == kind.kind]
        if keys:
            found: Any = kind.objects.select_related("establishment", "performed_by", *related)  # type: ignore[attr-defined]
            rows |= found.in_bulk(keys)
    terms = _Terms([rows[entry.pk] for entry in page])
    return [_awaited(rows[entry.pk], terms, now or timezone.now()) for entry in page]


def _awaited(record: Any, terms: "_Terms", now: datetime) -> Awaited:
    here = record.establishment.zone
    term, created = terms.of(record), record.recorded_at.astimezone(here).date()
    by = None if term is None else term.last_day(created)
    overdue = by is not None and now.astimezone(here).date() > by
    return Awaited(record, _about(record), getattr(record, "batch", None), by, overdue)


def _about(record: Any) -> str:
    if isinstance(record, Check):
        words = f"{record.control_point.code} {record.control_point.name}: {record.result}"
    elif isinstance(record, Closing):
        words = f"deviation closed: {record.deviation.title}"
    elif isinstance(record, Correction):
        words = f"slip put right: {record.what}"
    elif isinstance(record, PackingCheck):
        words = f"packing of batch {record.batch.code}, {record.moment}: {record.result}"
    else:
        words = f"batch {record.batch.code} {'ended' if isinstance(record, BatchEnd) else 'began, put right'}"
    return f"withdrawn: {words}" if record.withdrawn else words


# -- by when ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Term:
    """So many working days after a record was written; ``weekdays``: those that are worked, Monday is 0.

    Days on which the premises are closed besides are not known here: the day told is early then, never late.
    """

    working_days: int
    weekdays: frozenset[int]

    def last_day(self, created: date) -> date:
        day, left = created, self.working_days
        while left:
            day += timedelta(days=1)
            left -= day.weekday() in self.weekdays
        return day


def term_of(version: PlanVersion) -> Term | None:
    """What a plan version says of it."""
    said = plan_documents.review_term(version.document)
    return None if said is None else Term(*said)


class _Terms:
    """The term of each record: that of its own plan version; else the shortest of the plans in force."""

    def __init__(self, records: Sequence[Any]):
        wanted = {key for record in records if (key := _version(record)) is not None}
        self.of_version = {pk: term_of(row) for pk, row in PlanVersion.objects.in_bulk(wanted).items()}
        self.usual: Term | None = None
        if any(_version(record) is None for record in records):
            terms = [term_of(row) for row in _in_force(records[0].establishment)]
            self.usual = min(
                (each for each in terms if each), key=lambda term: term.working_days, default=None
            )

    def of(self, record: Any) -> Term | None:
        key = _version(record)
        return self.usual if key is None else self.of_version.get(key)


def _version(record: Any) -> UUID | None:
    if isinstance(record, Check):
        return record.control_point.version_id
    batch = getattr(record, "batch", None)
    return None if batch is None else batch.plan_version_id


def _in_force(establishment: Establishment) -> QuerySet[PlanVersion]:
    newer = PlanVersion.objects.filter(plan=OuterRef("plan"), number__gt=OuterRef("number"))
    return PlanVersion.objects.of(establishment).filter(~Exists(newer), plan__in_use=True)
