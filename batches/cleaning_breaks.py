"""Which cleaning breaks count: one place, for whoever asks what a piece of equipment may still carry.

A break is kept as it was written. It counts while the record it was written for stands: once that record is corrected
or withdrawn, or has left, the break shows nothing any more.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable
from datetime import datetime
from uuid import UUID

from batches.models import CleaningBreak, Equipment
from ledger.models import record_class


def standing_breaks(
    equipment: Collection[Equipment],
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    known_by: datetime | None = None,
) -> list[CleaningBreak]:
    """Breaks of ``equipment`` that count today, both times included, in the order they were made.

    ``known_by``: only those whose record says that it was made by then; a break may begin before it was released.
    One statement for the breaks and one for each kind of record they were written for, however many there are.
    """
    found = CleaningBreak.objects.filter(equipment__in=[each.pk for each in equipment])
    if since is not None:
        found = found.filter(at__gte=since)
    if until is not None:
        found = found.filter(at__lte=until)
    breaks = list(found.select_related("because").order_by("at", "id"))
    standing = standing_among(((each.because.kind, each.because_id) for each in breaks), known_by)
    return [each for each in breaks if each.because_id in standing]


def standing_among(records: Iterable[tuple[str, UUID]], known_by: datetime | None = None) -> set[UUID]:
    """Which records that breaks were written for, told as (kind, id), stand. One statement a kind."""
    by_kind: defaultdict[str, set[UUID]] = defaultdict(set)
    for kind, pk in records:
        by_kind[kind].add(pk)
    found: set[UUID] = set()
    for kind, ids in by_kind.items():
        rows = record_class(kind).objects.standing().filter(pk__in=ids)
        rows = rows if known_by is None else rows.filter(performed_at__lte=known_by)
        found.update(rows.values_list("pk", flat=True))
    return found
