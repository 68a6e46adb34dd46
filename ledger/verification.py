"""Test that records are as they were written: digests, entries, seals, triggers, files, projections.

What this shows: no row was changed, added or taken away behind the service's back since it was sealed. What
it cannot show: an owner who rewrites everything and seals it anew; a seal hash held by somebody else shows that.
"""

import hashlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import groupby
from operator import itemgetter
from time import perf_counter

from django.core.files.storage import default_storage
from django.db import connection
from django.db.models import Exists, F, OuterRef

from ledger import merkle, stored, triggers
from ledger.attachments import path_of
from ledger.models import (
    Attachment,
    Entry,
    Establishment,
    Leaf,
    Record,
    Removal,
    Seal,
    SealHead,
    Signature,
    Unsealed,
    record_classes,
)
from ledger.seals import seal_hash
from ledger.snapshots import one_snapshot

FIRST_SEAL_PREVIOUS = "0" * 64


@dataclass
class Report:
    """What was counted and what differs, first finding first."""

    records: int = 0
    seals: int = 0
    unsealed: int = 0
    files: int = 0
    seconds: float = 0.0
    findings: list[str] = field(default_factory=list)

    @property
    def whole(self) -> bool:
        return not self.findings


Check = Callable[[], Iterable[str]]
_projections: dict[str, Check] = {}


def compare_projection(name: str) -> Callable[[Check], Check]:
    """Register a function that yields a sentence for each row of a projection that is not as records say."""

    def register(check: Check) -> Check:
        _projections[name] = check
        return check

    return register


def verify() -> Report:
    """Test everything; reads only, in one snapshot, so that work may go on meanwhile."""
    report, began = Report(), perf_counter()
    with one_snapshot():
        report.findings += triggers.faults(connection)
        for model in record_classes():
            _verify_kind(model, report)
        report.findings += _entries_without_record()
        report.findings += _names_that_do_not_fit()
        _verify_seals(report)
        _verify_files(report)
        for name in sorted(_projections):
            report.findings += (f"{name}: {sentence}" for sentence in _projections[name]())
    report.seconds = perf_counter() - began
    return report


def _verify_kind(model: type[Record], report: Report) -> None:
    for row in stored.rows(model):
        report.records += 1
        if row.taken == row.told == row.entered and not row.elsewhere:
            continue
        report.findings.append(f"{model.kind} {row.id} {_what_is_wrong(row)}")


def _what_is_wrong(row: stored.StoredRow) -> str:
    if row.entered is None:
        return "has no entry in the ledger: written past the service"
    if row.taken not in (row.told, row.entered):
        return "says something else than when it was written"
    if row.entered != row.told:
        return "has another digest than its entry"
    return "belongs to another establishment than its entry"


def _entries_without_record() -> Iterator[str]:
    removed = Removal.objects.values("removed_id")
    known = [model.kind for model in record_classes()]
    for model in record_classes():
        there = model.objects.filter(pk=OuterRef("pk"))
        lost = Entry.objects.filter(~Exists(there), kind=model.kind).exclude(id__in=removed)
        for entry in lost.iterator():
            yield f"{model.kind} {entry.pk} is in the ledger but its record is gone without a removal"
    for entry in Entry.objects.exclude(kind__in=known).iterator():
        yield f"{entry.kind} {entry.pk} is in the ledger but there is no such kind of record"


def _names_that_do_not_fit() -> Iterator[str]:
    """Signatures and removals name the digest of another record, as its entry has it."""
    for signature in Signature.objects.exclude(target_digest=F("target__digest")).iterator():
        yield f"{signature.kind} {signature.pk} was given for other content than its record {signature.target_id} has"
    meant = Entry.objects.filter(
        pk=OuterRef("removed_id"),
        kind=OuterRef("removed_kind"),
        digest=OuterRef("removed_digest"),
        establishment=OuterRef("establishment"),
    )
    for removal in Removal.objects.filter(~Exists(meant)).iterator():
        yield f"{removal.kind} {removal.pk} names a record {removal.removed_id} that the ledger does not have so"


def _verify_seals(report: Report) -> None:
    for establishment in Establishment.objects.all():
        expected, previous = 1, FIRST_SEAL_PREVIOUS
        digests = _digests_by_seal(establishment)
        waiting: tuple[int, list[str]] | None = next(digests, None)
        for seal in Seal.objects.filter(establishment=establishment).order_by("number").iterator():
            report.seals += 1
            covered: list[str] = []
            if waiting is not None and waiting[0] == seal.number:
                covered, waiting = waiting[1], next(digests, None)
            report.findings += _seal_findings(seal, expected, previous, covered)
            expected, previous = seal.number + 1, seal.hash
        head = SealHead.objects.filter(establishment=establishment).first()
        if head is None or (head.number, head.hash) != (expected - 1, previous):
            report.findings.append(f"the last seal of {establishment} is not the one its head names")
    report.findings += _queue_findings(report)


def _queue_findings(report: Report) -> Iterator[str]:
    """Every entry is either sealed once, in its own establishment's chain, or waits for that."""
    unsealed = Entry.objects.filter(~Exists(Leaf.objects.filter(entry=OuterRef("pk"))))
    report.unsealed = unsealed.count()
    for entry in unsealed.filter(~Exists(Unsealed.objects.filter(entry=OuterRef("pk")))).iterator():
        yield f"{entry.kind} {entry.pk} is neither sealed nor waiting for a seal"
    for leaf in Leaf.objects.filter(Exists(Unsealed.objects.filter(entry=OuterRef("entry")))).iterator():
        yield f"entry {leaf.entry_id} is sealed and waits for a seal again"
    for leaf in Leaf.objects.filter(position__gte=F("seal__leaf_count")).iterator():
        yield f"entry {leaf.entry_id} has place {leaf.position} in a seal that has fewer"
    for leaf in Leaf.objects.exclude(entry__establishment=F("seal__establishment")).iterator():
        yield f"entry {leaf.entry_id} is sealed in the chain of another establishment"


def _digests_by_seal(establishment: Establishment) -> Iterator[tuple[int, list[str]]]:
    """(seal number, digests in the order of their leaves), in the order of the chain."""
    leaves = Leaf.objects.filter(seal__establishment=establishment).order_by("seal__number", "position")
    found = leaves.values_list("seal__number", "entry__digest").iterator(chunk_size=5000)
    return ((number, [digest for _, digest in group]) for number, group in groupby(found, itemgetter(0)))


def _seal_findings(seal: Seal, expected: int, previous: str, digests: list[str]) -> Iterator[str]:
    named = f"seal {seal.number} of establishment {seal.establishment_id}"
    if seal.number != expected:
        yield f"{named}: seal {expected} is missing before it"
    if seal.previous != previous:
        yield f"{named} does not follow from the seal before it"
    if seal.hash != seal_hash(seal):
        yield f"{named} was changed: its hash does not fit"
    if len(digests) != seal.leaf_count or _root(digests) != seal.root:
        yield f"{named}: its root does not fit the records it covers"


def _root(digests: list[str]) -> str:
    try:
        return merkle.root([bytes.fromhex(digest) for digest in digests]).hex()
    except ValueError:
        return ""  # one of them is no digest any more


def _verify_files(report: Report) -> None:
    for attachment in Attachment.objects.order_by().iterator():
        report.files += 1
        path = path_of(attachment.sha256)
        if not default_storage.exists(path):
            report.findings.append(f"the file of attachment {attachment.pk} is missing")
            continue
        with default_storage.open(path) as file:
            if hashlib.file_digest(file, "sha256").hexdigest() != attachment.sha256:
                report.findings.append(f"the file of attachment {attachment.pk} was changed")
