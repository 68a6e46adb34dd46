"""Which cleaning breaks count: one place, for whoever asks what a piece of equipment may still carry.

A break is kept as it was written. It counts while the record it was written for stands: once that record is corrected
or withdrawn, or has left, the break shows nothing any more.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable
from datetime import datetime
from uuid import UUID

from batches.edges import among_uuids, as_time, as_uuid, read, uuids_as_one
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
        table = record_class(kind)._meta.db_table
        rows = read(
            f"SELECT id, performed_at FROM {table} made WHERE id {among_uuids()} AND NOT withdrawn "
            f"AND NOT EXISTS (SELECT 1 FROM {table} later WHERE later.corrects_id = made.id)",
            [uuids_as_one(ids)],
        )
        found |= {as_uuid(pk) for pk, at in rows if known_by is None or as_time(at) <= known_by}
    return found
