"""A packing check that comes late: lots that were released or shipped, and whose label turns out not to hold, are held.

Before release the gate asks; here nobody would ask again.
"""

from collections.abc import Collection
from typing import Any

from django.db.models import Exists, OuterRef, Q

from batches.models import Lot, LotStatus, Movement, MovementKind
from haccp import deviations, holds
from haccp.deviations import Touched
from haccp.labels import comparing, packing
from haccp.models import Deviation, HoldSubject, PackingCheck, Release
from ledger.acts import Act, Moment

UNDECLARED = frozenset({"allergen-undeclared", "allergen-by-contact-undeclared"})


def follow_packing(sender: Any, check: PackingCheck, act: Act, **_: Any) -> None:
    """Hold what left the gate, or the house, under a label that does not declare what is in it."""
    left = list(_left(packing.lots_of(check)))
    if not left:
        return
    today = Moment.now(act.establishment).local.date()
    compared = comparing.compared(act.establishment, left, today)
    wrong = [
        lot
        for lot in left
        if lot.pk in compared and any(each.code in UNDECLARED for each in compared[lot.pk].refused)
    ]
    if wrong:
        _hold(act, check, wrong)


def _left(lots: Collection[Lot]) -> Any:
    """Those that were released once, or shipped, and are not held or rejected by now."""
    shipped = Movement.objects.standing().filter(lot=OuterRef("pk"), what=MovementKind.SHIPPED)
    released = Release.objects.filter(lot=OuterRef("pk"))
    return (
        Lot.objects.filter(
            Q(Exists(shipped)) | Q(Exists(released)) | Q(state__status=LotStatus.RELEASED),
            pk__in=[lot.pk for lot in lots],
        )
        .exclude(state__status__in=[LotStatus.HELD, LotStatus.REJECTED])
        .select_related("material", "state")
        .order_by("pk")
    )


def _hold(act: Act, check: PackingCheck, lots: Collection[Lot]) -> None:
    """Under the open case of the check, if it has one; else under a case of their own."""
    case = deviations.case_of(check, Deviation.What.LABEL)
    if case is None or deviations.is_closed(case):
        codes = ", ".join(lot.code for lot in lots)
        case = deviations.open_case(
            act=act.with_new_id(),
            what=Deviation.What.LABEL,
            subject=check.pk,
            slot="undeclared",
            title=f"A label seen late does not declare what is in: {codes}",
            because=check,
        )
    for lot in lots:
        touched = Touched(HoldSubject.LOT, lot.uid)
        holds.place(act=act.with_new_id(), deviation=case, touched=touched)
