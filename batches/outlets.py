"""Stalls and shops: what was sold, given away, thrown away or counted there, and what must be left.

Goods go there as shipped and come back as returned (``batches.shipping``), so that what came back awaits a decision and
never joins what is released by itself. What happens in between changes no stock of the house.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from uuid import UUID

from django.utils import timezone

from batches import judging
from batches.flags import Flag
from batches.locks import lock_material
from batches.models import AtOutlet, AtOutletKind, Lot, Movement, MovementKind, Outlet, TradingPartner
from batches.movements import read_amount
from batches.outlet_sums import BROUGHT_BACK, TAKEN, Event, OutletSum, sum_up
from batches.signals import noted_at_outlet
from config.api.refusals import RuleBroken, Unknown
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Establishment

COMES_OR_GOES = {MovementKind.SHIPPED: TAKEN, MovementKind.RETURNED: BROUGHT_BACK}


@dataclass(frozen=True)
class LotThere:
    """One lot at one outlet."""

    outlet: TradingPartner
    lot: Lot
    sums: OutletSum


@deed
def note(*, act: Act, outlet: TradingPartner, lot: Lot, what: str, quantity: str, unit: str) -> AtOutlet:
    """Note that some of a lot was sold, given away, thrown away or counted at an outlet; flagged where it does not fit.

    Raises Unknown, Unusable, and RuleBroken for a correction of another outlet's or lot's record.
    """
    lock_material(act.establishment)
    for name, row in (("outlet", outlet), ("lot", lot)):
        if row.establishment_id != act.establishment.pk:
            raise Unknown(f"There is no {name} {row.pk} here.", field=name)
    lot = Lot.objects.select_related("material", "state").get(pk=lot.pk)
    amount = read_amount(lot.material, quantity, unit, positive=what != AtOutletKind.COUNTED)
    record = AtOutlet.new(
        act,
        what=AtOutletKind(what),
        outlet=outlet,
        lot=lot,
        quantity=amount.base,
        entered=amount.entered,
        unit=amount.unit,
        flags=[Flag.ROUNDED] if amount.rounded else [],
    )
    record.answer_if_repeated()
    _refuse_another(record)
    record.flags = sorted({*record.flags, *_odd(record)})
    record.insert()
    noted_at_outlet.send(sender=AtOutlet, record=record, act=act)
    return record


@deed
def withdraw(*, act: Act) -> AtOutlet:
    """Say that what was noted never happened. Raises RuleBroken, Unknown."""
    lock_material(act.establishment)
    record = AtOutlet.withdrawal(replace(act, withdraws=True))
    record.answer_if_repeated()
    return record.insert()


def _refuse_another(record: AtOutlet) -> None:
    corrected: Any = record.corrects
    if corrected is None:
        return
    same = (corrected.outlet_id, corrected.lot_id, corrected.what)
    if same != (record.outlet_id, record.lot_id, record.what):
        raise RuleBroken(
            f"Record {corrected.pk} is about another outlet, lot or deed: withdraw it and note this one anew.",
            code="corrects-another",
            field="corrects",
        )


def _odd(record: AtOutlet) -> Iterable[Flag]:
    """What does not fit by what is known now; the sums tell anew each time they are asked."""
    yield from judging.of_lot(record)
    yield from judging.of_partner(bool(record.outlet.outlet))
    before = {corrected.pk} if (corrected := record.corrects) else set()
    events = _events(record.establishment, [record.lot.pk], [record.outlet.pk], without=before)
    told = [*events.get((record.outlet.pk, record.lot.pk), ()), _noted(record)]
    if sum_up(told, stays=False).short:
        yield Flag.MORE_THAN_AT_OUTLET


# -- what is there -------------------------------------------------------------------------------------


def there(
    establishment: Establishment,
    *,
    outlets: Collection[UUID] | None = None,
    lots: Collection[int] | None = None,
    at: datetime | None = None,
) -> list[LotThere]:
    """Each lot that went to a stall or shop, or was noted there, as it was known at a time; by outlet's name and lot.

    ``outlets`` and ``lots``: keys of those that are asked about, all if left out. A flat number of statements.
    """
    rows = TradingPartner.objects.filter(establishment=establishment).exclude(outlet="")
    known = {each.pk: each for each in (rows if outlets is None else rows.filter(pk__in=outlets))}
    events = _events(establishment, lots, known, at=at)
    found = Lot.objects.select_related("material", "state").in_bulk({lot for _, lot in events})
    answer = [
        LotThere(known[outlet], found[lot], sum_up(told, stays=known[outlet].outlet == Outlet.SHOP))
        for (outlet, lot), told in events.items()
    ]
    return sorted(answer, key=lambda each: (each.outlet.name, each.outlet.code, each.lot.pk))


def _events(
    establishment: Establishment,
    lots: Collection[int] | None,
    outlets: Collection[UUID],
    *,
    at: datetime | None = None,
    without: Collection[UUID] = (),
) -> dict[tuple[UUID, int], list[Event]]:
    """By outlet and lot; what went for a web order is that order's and no event of the outlet."""
    at = at or timezone.now()
    found: defaultdict[tuple[UUID, int], list[Event]] = defaultdict(list)
    moved = Movement.objects.filter(what__in=COMES_OR_GOES, partner__in=outlets, order__isnull=True)
    noted = AtOutlet.objects.filter(outlet__in=outlets).exclude(pk__in=without)
    for rows in (moved, noted):
        known = rows.of(establishment).filter(recorded_at__lte=at, withdrawn=False)
        known = known.exclude(corrected_by__recorded_at__lte=at)
        for row in known if lots is None else known.filter(lot__in=lots):
            row.establishment = establishment  # so that its zone is not asked for row by row
            if isinstance(row, AtOutlet):
                found[row.outlet_id, row.lot_id].append(_noted(row))
            elif row.partner_id is not None:
                found[row.partner_id, row.lot_id].append(_moved(row))
    return dict(found)


def _noted(row: AtOutlet) -> Event:
    return Event(row.what, row.quantity, row.performed_at, judging.day_of(row), row.place)


def _moved(row: Movement) -> Event:
    what = COMES_OR_GOES[MovementKind(row.what)]
    return Event(what, row.quantity, row.performed_at, judging.day_of(row), row.place)
