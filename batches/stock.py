"""Stock is a sum over standing movements: by lot, by place, now or as it was at some time."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Count, Q, QuerySet, Sum

from batches.models import TAKES, Lot, LotState, Movement, MovementKind, StoragePlace

TOTALS = (
    "received", "made", "used", "shipped", "returned", "sent_back", "sampled", "destroyed", "unexplained"
)  # fmt: skip
NO_TOTALS: dict[str, int | None] = dict.fromkeys(("on_hand", *TOTALS, "mass"), 0)
BRINGS = (MovementKind.RECEIVED, MovementKind.MADE)

Places = dict[UUID | None, int]
"""Base steps by storage place; None = nobody said where."""


def on_hand(movements: QuerySet[Movement]) -> dict[int, int]:
    """Base steps on hand by lot key, over the standing ones of ``movements``."""
    sums = movements.standing().order_by().values("lot_id").annotate(total=Sum("effect"))  # type: ignore[attr-defined]
    return {row["lot_id"]: int(row["total"]) for row in sums}


def totals(movements: QuerySet[Movement]) -> dict[int, dict[str, int | None]]:
    """What ``LotState`` keeps of amounts, by lot key, over the standing ones of ``movements``."""
    rows = (
        movements.standing()  # type: ignore[attr-defined]
        .order_by()
        .values("lot_id", "what")
        .annotate(
            total=Sum("quantity"),
            balance=Sum("effect"),
            known=Sum("mass"),
            unknown=Count("pk", filter=Q(mass=None)),
        )
    )
    found: defaultdict[int, dict[str, int | None]] = defaultdict(lambda: dict(NO_TOTALS))
    for row in rows:
        _add_up(found[row["lot_id"]], row)
    return dict(found)


def _add_up(state: dict[str, Any], row: dict[str, Any]) -> None:
    what = row["what"]
    state["on_hand"] += int(row["balance"])
    if what == MovementKind.COUNTED:
        state["unexplained"] = int(row["balance"])
    elif what != MovementKind.MOVED:
        state[what.replace("-", "_")] = int(row["total"])
    if what in BRINGS:
        state["mass"] = None if row["unknown"] else int(row["known"])


def refresh(lots: Iterable[Lot]) -> None:
    """Bring the amounts in the state of ``lots`` up to their movements. Call it under ``lock_material``."""
    keys = {lot.pk for lot in lots}
    found = totals(Movement.objects.filter(lot__in=keys))
    for key in keys:
        LotState.objects.filter(lot=key).update(**found.get(key, NO_TOTALS))


def expected(
    lot: Lot, *, at: datetime, place: StoragePlace | None = None, without: UUID | None = None
) -> int:
    """What should be there at an instant by what was done until then, base steps; at one place or in all.

    ``without``: a movement to leave out, because it is being corrected.
    """
    until = Movement.objects.filter(lot=lot, performed_at__lte=at)
    if without is not None:
        until = until.exclude(pk=without)
    if place is None:
        return on_hand(until).get(lot.pk, 0)
    return _by_place(until).get(lot.pk, {}).get(place.pk, 0)


def by_place(lots: Iterable[Lot], *, at: datetime | None = None) -> dict[int, Places]:
    """Where each lot lies, by lot key: movements in the order they were performed.

    What was taken or counted without saying where belongs to the only place the lot lay in just then; where
    there were several it stands under None, so that nothing is made up.
    """
    movements = Movement.objects.filter(lot__in=[lot.pk for lot in lots])
    return _by_place(movements if at is None else movements.filter(performed_at__lte=at))


def in_place(place: StoragePlace) -> list[tuple[Lot, int]]:
    """What lies in a place: lots with base steps, by code."""
    brought = Movement.objects.filter(to_place=place).values("lot")
    lots = Lot.objects.filter(pk__in=brought).exclude(state__on_hand=0).select_related("material", "state")
    amounts = by_place(lots)
    here = [(lot, amounts.get(lot.pk, {}).get(place.pk, 0)) for lot in lots]
    return sorted(((lot, amount) for lot, amount in here if amount), key=lambda pair: pair[0].code)


def _by_place(movements: Any) -> dict[int, Places]:
    rows = movements.standing().order_by("performed_at", "recorded_at", "id")
    places: dict[int, Places] = defaultdict(dict)
    for lot, what, quantity, effect, from_place, to_place in rows.values_list(
        "lot_id", "what", "quantity", "effect", "from_place_id", "to_place_id"
    ):
        _carry(places[lot], what, quantity, effect, from_place, to_place)
    return dict(places)


def _carry(
    places: Places, what: str, quantity: int, effect: int, from_place: UUID | None, to_place: UUID | None
) -> None:
    """What one movement does to where its lot lies."""
    if what in TAKES or what == MovementKind.MOVED:
        _add(places, from_place or _only(places), -quantity)
    if what == MovementKind.COUNTED:
        _add(places, to_place or _only(places), effect)
    elif what not in TAKES:
        _add(places, to_place, quantity)


def _only(places: Places) -> UUID | None:
    return next(iter(places)) if len(places) == 1 else None


def _add(places: Places, place: UUID | None, amount: int) -> None:
    places[place] = places.get(place, 0) + amount
    if not places[place]:
        del places[place]
