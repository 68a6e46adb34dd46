"""What became of lots, by the movements that stood at a time: on hand, used in what, shipped, come back, destroyed.

Asked of a time it tells what had been recorded by then, so the same question has the same answer later.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from typing import Any

from batches.models import Lot, Movement, MovementKind
from haccp.recalls.consignees import UNITS, text, who_got
from ledger.models import Establishment

NAMES = ("received", "made", "used", "shipped", "returned", "sent_back", "sampled", "destroyed")


def account(
    here: Establishment, keys: Collection[int], starts: Collection[int], at: datetime
) -> list[dict[str, Any]]:
    """A row for each lot, in the order they came to be; amounts as text in ``unit``. A flat number of statements.

    ``start``: it is what was asked for, not what was made of it. ``unexplained``: what counts found more or, with a
    minus, less. ``used_in``: by batch how much, and what that made.
    """
    lots = Lot.objects.filter(establishment=here, pk__in=keys)
    moved: defaultdict[int, list[Movement]] = defaultdict(list)
    for row in _standing(here, at).filter(lot__in=lots).select_related("batch"):
        moved[row.lot_id].append(row)
    batches = {row.batch_id for rows in moved.values() for row in rows if row.what == MovementKind.USED}
    made = _made_by(here, batches, at)
    found = lots.select_related("material", "state__supplier").order_by("pk")
    return [_row(lot, lot.pk in starts, moved[lot.pk], made) for lot in found if moved[lot.pk]]


def _standing(here: Establishment, at: datetime) -> Any:
    rows = Movement.objects.of(here).filter(recorded_at__lte=at, withdrawn=False)
    return rows.exclude(corrected_by__recorded_at__lte=at).order_by("performed_at", "id")


def _made_by(here: Establishment, batches: Collection[Any], at: datetime) -> dict[Any, list[str]]:
    found: defaultdict[Any, list[str]] = defaultdict(list)
    if batches:
        rows = _standing(here, at).filter(what=MovementKind.MADE, batch__in=batches)
        for batch, code in rows.values_list("batch_id", "lot__code"):
            if code not in found[batch]:
                found[batch].append(code)
    return found


def _row(lot: Lot, start: bool, moved: Sequence[Movement], made: dict[Any, list[str]]) -> dict[str, Any]:
    dimension, state = lot.material.dimension, lot.state
    sums = {name: sum(row.quantity for row in moved if row.what == name.replace("_", "-")) for name in NAMES}
    on_hand = sum(row.effect for row in moved)
    counted = sum(row.effect for row in moved if row.what == MovementKind.COUNTED)
    return {
        "lot": str(lot.uid),
        "code": lot.code,
        "material": lot.material.name,
        "supplier": state.supplier.name if state.supplier else "",
        "supplier_code": state.supplier_code,
        "day": lot.day.isoformat(),
        "best_before": state.best_before.isoformat() if state.best_before else "",
        "start": start,
        "unit": UNITS[dimension][0],
        "on_hand": text(on_hand, dimension),
        **{name: text(amount, dimension) for name, amount in sums.items()},
        "unexplained": text(counted, dimension),
        "used_in": _used_in(moved, made, dimension),
    }


def _used_in(moved: Iterable[Movement], made: dict[Any, list[str]], dimension: str) -> list[dict[str, Any]]:
    sums: defaultdict[Any, int] = defaultdict(int)
    codes: dict[Any, str] = {}
    for row in moved:
        if row.what == MovementKind.USED and row.batch is not None:
            sums[row.batch_id] += row.quantity
            codes[row.batch_id] = row.batch.code
    return [
        {"batch": codes[key], "quantity": text(amount, dimension), "made": made.get(key, [])}
        for key, amount in sums.items()
    ]


def consignees(here: Establishment, lots: Collection[str], at: datetime) -> list[dict[str, Any]]:
    """Who got some of lots (uuids), by name; the house's own outlets too, and buyers of web orders by their order."""
    return [
        {"partner": str(each.partner.pk), "name": each.name, "lots": [row.as_row() for row in each.got]}
        for each in who_got(here, lots, at)
    ]
