"""Whether what came equals what went: of a lot, and of all that happened to a material in a period. Reads only.

Stock is a sum of what was recorded, so by the records alone everything closes. What a count found more or less, and
stock below nothing, is what nobody can explain. In packaging and other counted things the steps are pieces.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Max, Q, QuerySet, Sum

from batches.models import ADDS, TAKES, Lot, Material, Movement, MovementKind
from ledger.models import Establishment


@dataclass(frozen=True)
class Balance:
    """``opening`` + ``came`` = ``went`` + ``closing`` + ``missing``, in base steps (mg or pieces).

    ``came`` and ``went``: by kind of movement. ``missing``: what counts found less than was expected (minus: more).
    ``closing``: by the records; below nothing, more went than came. ``counted_at``: the last count that went in;
    None: what is on hand was never counted, so it is what the records say and no more.
    """

    dimension: str
    opening: int
    came: Mapping[str, int]
    went: Mapping[str, int]
    missing: int
    closing: int
    counted_at: datetime | None
    tolerance_permille: int | None

    @property
    def accounted(self) -> int:
        """What was there or came and is known to have gone or to be there. Nobody has less than nothing on hand."""
        return sum(self.went.values()) + max(self.closing, 0)

    @property
    def gap(self) -> int:
        """What is unexplained, either way: missing, or gone without having come."""
        return self.missing - max(-self.closing, 0)

    @property
    def in_all(self) -> int:
        return self.opening + sum(self.came.values())


def over(gap: int, of: int, permille: int | None, measured_to: int = 0) -> bool | None:
    """Whether a gap is more than per mille of what went in and what the balances can show (base steps)."""
    return None if permille is None else abs(gap) * 1000 > permille * max(of, 0) + measured_to * 1000


def of_lot(lot: Lot) -> Balance:
    """Everything that ever happened to a lot. One statement."""
    rows = _sums(Movement.objects.filter(lot=lot), None, "lot_id")
    return _closed(lot.establishment, lot.material.dimension, rows.get(lot.pk, []))


def of_period(
    establishment: Establishment, *, since: datetime, until: datetime, material: Material | None = None
) -> list[tuple[Material, Balance]]:
    """Each material of which something was there or moved, from ``since`` until before ``until``, by its code.

    Two statements for any number of materials and movements.
    """
    moved = Movement.objects.of(establishment).filter(performed_at__lt=until)
    if material is not None:
        moved = moved.filter(lot__material=material)
    rows = _sums(moved, since, "lot__material_id")
    found = [
        (each, _closed(establishment, each.dimension, rows[each.pk]))
        for each in Material.objects.filter(pk__in=rows).order_by("code")
    ]
    return [(each, balance) for each, balance in found if balance.opening or balance.in_all or balance.went]


def _sums(moved: QuerySet[Movement], since: datetime | None, by: str) -> dict[Any, list[dict[str, Any]]]:
    """By ``by``: for each kind of standing movement what it did before ``since`` and from then on."""
    before = Q(pk=None) if since is None else Q(performed_at__lt=since)
    rows = (
        moved.standing()  # type: ignore[attr-defined]
        .order_by(by, "what")
        .values(by, "what")
        .annotate(
            before=Sum("effect", filter=before, default=0),
            amount=Sum("quantity", filter=~before, default=0),
            effect=Sum("effect", filter=~before, default=0),
            last=Max("performed_at"),
        )
    )
    found: dict[Any, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        found[row[by]].append(row)
    return found


def _closed(establishment: Establishment, dimension: str, rows: Iterable[dict[str, Any]]) -> Balance:
    by_kind = {row["what"]: row for row in rows}
    opening = sum(int(row["before"]) for row in by_kind.values())
    counted = by_kind.get(MovementKind.COUNTED)
    return Balance(
        dimension=dimension,
        opening=opening,
        came=_amounts(by_kind, ADDS),
        went=_amounts(by_kind, TAKES),
        missing=-int(counted["effect"]) if counted else 0,
        closing=opening + sum(int(row["effect"]) for row in by_kind.values()),
        counted_at=counted["last"] if counted else None,
        tolerance_permille=establishment.balance_gap_permille,
    )


def _amounts(by_kind: Mapping[str, dict[str, Any]], kinds: Iterable[str]) -> dict[str, int]:
    return {
        kind: int(by_kind[kind]["amount"]) for kind in sorted(kinds) if by_kind.get(kind, {}).get("amount")
    }
