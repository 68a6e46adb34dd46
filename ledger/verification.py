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
from typing import Any

from django.core.files.storage import default_storage
from django.db import connection

from ledger import canonical, merkle, triggers
from ledger.attachments import path_of
from ledger.models import Attachment, Entry, Establishment, Leaf, Removal, Seal, SealHead, record_classes
from ledger.models.records import Record, reference_column
from ledger.seals import seal_hash

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
    """Test everything; reads only."""
    report, began = Report(), perf_counter()
    report.findings += _missing_triggers()
    for model in record_classes():
        _verify_kind(model, report)
    report.findings += _entries_without_record()
    _verify_seals(report)
    _verify_files(report)
    for name in sorted(_projections):
        report.findings += (f"{name}: {sentence}" for sentence in _projections[name]())
    report.seconds = perf_counter() - began
    return report


def _missing_triggers() -> Iterator[str]:
    there = set(triggers.installed(connection))
    for name, table in triggers.expected(connection.vendor):
        if (name, table) not in there:
            yield f"trigger {name} is missing on {table}: rows there can be changed unseen"


def _verify_kind(model: type[Record], report: Report) -> None:
    entries = dict(Entry.objects.filter(kind=model.kind).values_list("id", "digest"))
    for row, content in contents(model):
        report.records += 1
        entered = entries.pop(row["id"], None)
        if entered is None:
            report.findings.append(
                f"{model.kind} {row['id']} has no entry in the ledger: written past the service"
            )
        elif canonical.digest(content) != row["digest"]:
            report.findings.append(f"{model.kind} {row['id']} says something else than when it was written")
        elif entered != row["digest"]:
            report.findings.append(f"{model.kind} {row['id']} has another digest than its entry")


def contents(model: type[Record]) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    """Each row of a kind with the content its digest covers, in one pass."""
    names = sorted({"id", "form", "digest", "salts"}.union(*model.FORMS.values()))
    columns = [_column(model, name) for name in names]
    for values in model.objects.order_by().values_list(*columns).iterator(chunk_size=5000):
        row = dict(zip(names, values, strict=True))
        yield row, model.content_of(row["form"], row.__getitem__, row["salts"])


def _column(model: type[Record], name: str) -> str:
    found: Any = model._meta.get_field(name)
    if not found.is_relation:
        return name
    return f"{name}__uid" if reference_column(found) == "uid" else found.attname


def _entries_without_record() -> Iterator[str]:
    removed = Removal.objects.values("removed_id")
    for model in record_classes():
        lost = Entry.objects.filter(kind=model.kind).exclude(id__in=model.objects.values("id"))
        for entry in lost.exclude(id__in=removed):
            yield f"{model.kind} {entry.pk} is in the ledger but its record is gone without a removal"


def _verify_seals(report: Report) -> None:
    for establishment in Establishment.objects.all():
        expected, previous = 1, FIRST_SEAL_PREVIOUS
        digests = _digests_by_seal(establishment)
        for seal in Seal.objects.filter(establishment=establishment).order_by("number").iterator():
            report.seals += 1
            report.findings += _seal_findings(seal, expected, previous, digests.get(seal.pk, []))
            expected, previous = seal.number + 1, seal.hash
        head = SealHead.objects.filter(establishment=establishment).first()
        if head is None or (head.number, head.hash) != (expected - 1, previous):
            report.findings.append(f"the last seal of {establishment} is not the one its head names")
    sealed = Leaf.objects.values("entry_id")
    report.unsealed = Entry.objects.exclude(id__in=sealed).count()
    lost = Entry.objects.exclude(id__in=sealed).filter(unsealed__isnull=True)
    report.findings += (f"{entry.kind} {entry.pk} is neither sealed nor waiting for a seal" for entry in lost)


def _digests_by_seal(establishment: Establishment) -> dict[int, list[bytes]]:
    leaves = Leaf.objects.filter(seal__establishment=establishment).order_by("seal_id", "position")
    rows = leaves.values_list("seal_id", "entry__digest").iterator(chunk_size=5000)
    return {seal: [bytes.fromhex(d) for _, d in group] for seal, group in groupby(rows, itemgetter(0))}


def _seal_findings(seal: Seal, expected: int, previous: str, digests: list[bytes]) -> Iterator[str]:
    named = f"seal {seal.number} of establishment {seal.establishment_id}"
    if seal.number != expected:
        yield f"{named}: seal {expected} is missing before it"
    if seal.previous != previous:
        yield f"{named} does not follow from the seal before it"
    if seal.hash != seal_hash(seal):
        yield f"{named} was changed: its hash does not fit"
    if len(digests) != seal.leaf_count or merkle.root(digests).hex() != seal.root:
        yield f"{named}: its root does not fit the records it covers"


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
