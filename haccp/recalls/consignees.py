"""Who got what of the lots in a recall, by the movements that stand: read anew each time, since deliveries come late."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.utils import timezone

from batches.models import Movement, MovementKind, TradingPartner
from batches.quantities import plain_text, to_unit
from ledger.acts import Moment
from ledger.models import Establishment

UNITS = {"mass": ("KGM", 3), "count": ("H87", 0)}
KINDS = (MovementKind.SHIPPED, MovementKind.RETURNED, MovementKind.SENT_BACK)


@dataclass(frozen=True)
class Got:
    """What one partner got of one lot: base steps, papers, and when for the first and last time."""

    lot: UUID
    code: str
    material: str
    dimension: str
    shipped: int
    returned: int
    sent_back: int
    documents: tuple[str, ...]
    first: datetime
    last: datetime

    def as_row(self) -> dict[str, Any]:
        """As a scope keeps it: amounts as text in ``unit``."""
        amounts = {
            name: text(getattr(self, name), self.dimension) for name in ("shipped", "returned", "sent_back")
        }
        return {
            "lot": str(self.lot),
            "code": self.code,
            "material": self.material,
            **amounts,
            "unit": UNITS[self.dimension][0],
            "documents": list(self.documents),
            "first": self.first.isoformat(),
            "last": self.last.isoformat(),
        }


def text(base: int, dimension: str) -> str:
    unit, places = UNITS[dimension]
    return plain_text(to_unit(base, unit), places)


def who_got(
    establishment: Establishment, lots: Collection[str], at: datetime | None = None
) -> list[tuple[TradingPartner, tuple[Got, ...]]]:
    """By partner, in the order of their names: what they got of lots (uuids), as it was known at a time. One statement.

    A supplier to whom some was sent back is among them: they have it.
    """
    at = at or timezone.now()
    rows = (
        Movement.objects.of(establishment)
        .filter(lot__uid__in=lots, what__in=KINDS, recorded_at__lte=at, withdrawn=False)
        .exclude(corrected_by__recorded_at__lte=at)
        .select_related("partner", "lot__material")
        .order_by("partner__name", "partner__code", "lot_id", "performed_at", "id")
    )
    found: defaultdict[UUID, dict[int, list[Movement]]] = defaultdict(lambda: defaultdict(list))
    partners: dict[UUID, TradingPartner] = {}
    for row in rows:
        assert row.partner is not None  # what is shipped, returned or sent back names one
        partners[row.partner.pk] = row.partner
        found[row.partner.pk][row.lot_id].append(row)
    return [(partners[key], tuple(map(_got, by_lot.values()))) for key, by_lot in found.items()]


def _got(moved: Sequence[Movement]) -> Got:
    lot = moved[0].lot
    sums = {kind: sum(each.quantity for each in moved if each.what == kind) for kind in KINDS}
    went = [each for each in moved if each.what != MovementKind.RETURNED]  # the papers that they have
    times = [Moment(each.performed_at, each.performed_offset).local for each in moved]
    return Got(
        lot=lot.uid,
        code=lot.code,
        material=lot.material.name,
        dimension=lot.material.dimension,
        shipped=sums[MovementKind.SHIPPED],
        returned=sums[MovementKind.RETURNED],
        sent_back=sums[MovementKind.SENT_BACK],
        documents=tuple(sorted({each.document for each in went if each.document})),
        first=min(times),
        last=max(times),
    )
