"""Whether what went into a batch came out of it, and whether stock closes as well as its balances can show.

Of a batch: lines, what should have gone off, and what nobody can explain.

Masses in mg, of food; packaging has none. A gap is flagged where it is more than the house allows and than its
balances and the cook leave open. It opens no case by itself: it asks to look.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Count
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from batches import mass_balance as stock
from batches.mass_balance import Balance, over
from batches.models import (
    Batch,
    LossKind,
    Lot,
    Material,
    MaterialKind,
    Movement,
    MovementKind,
    TrimReturn,
    WeighedApart,
)
from batches.quantities import shown
from haccp import cook_losses
from haccp.cook_losses import CookLoss, How
from haccp.weighed_to import Weighed, WeighedTo, each_weighed_to, weighed_to
from ledger.models import Establishment


@dataclass(frozen=True)
class LotLine:
    """``mass``: mg; None where the mass of a piece is not stated."""

    lot: UUID
    code: str
    material_name: str
    is_rework: bool
    mass: int | None


@dataclass(frozen=True)
class BatchBalance:
    """``gap``: in less out, less what was weighed apart, less what should have gone off (mg; minus: more came out).

    ``gap_low``, ``gap_high``: with what the cook leaves open. ``gap``, ``in_all`` and ``out``: None where a mass is not
    known. ``apart``: by kind of loss; ``coating``: picked up, which is in what came out. ``trim``: folded back within
    the batch, in no sum. ``ended``: a batch that runs has no final balance.
    """

    batch: UUID
    code: str
    ended: bool
    used: tuple[LotLine, ...]
    made: tuple[LotLine, ...]
    apart: dict[str, int]
    coating: int
    trim: int
    cooked_off: CookLoss
    weighed_to: WeighedTo
    in_all: int | None
    out: int | None
    tolerance_permille: int | None

    @property
    def gap(self) -> int | None:
        return self._less(self.cooked_off.value)

    @property
    def gap_low(self) -> int | None:
        return self._less(self.cooked_off.high)

    @property
    def gap_high(self) -> int | None:
        return self._less(self.cooked_off.low)

    def _less(self, off: int) -> int | None:
        if self.in_all is None or self.out is None:
            return None
        return self.in_all - self.out - sum(self.apart.values()) - off

    @property
    def flagged(self) -> bool | None:
        """None where it cannot be said: still running, a mass not known, no tolerance set, or an unknown cook loss."""
        low, high = self.gap_low, self.gap_high
        if not self.ended or low is None or high is None or self.cooked_off.how is How.UNKNOWN:
            return None
        beyond = max(low, 0) + min(high, 0)  # 0 where the gap may be nothing
        return over(beyond, self.in_all or 0, self.tolerance_permille, self.weighed_to.uncertainty)

    @property
    def sentences(self) -> tuple[str, ...]:
        return tuple(each for each in (*self._open(), self.cooked_off.sentence, self._verdict()) if each)

    def _open(self) -> list[str]:
        unknown = sorted({each.material_name for each in (*self.used, *self.made) if each.mass is None})
        said = [] if self.ended else [_("The batch has not ended; the balance is not final.")]
        if unknown:
            said.append(
                _("The mass of one piece of %s is not stated: nothing adds up without it.")
                % ", ".join(unknown)
            )
        if self.weighed_to.unknown:
            count = self.weighed_to.unknown
            said.append(
                ngettext(
                    "%d weighing by a balance whose uncertainty is not in the register.",
                    "%d weighings by a balance whose uncertainty is not in the register.",
                    count,
                )
                % count
            )
        return said

    def _verdict(self) -> str:
        gap = self.gap
        if gap is None:
            return ""
        less, more = _("%s less came out than is explained."), _("%s more came out than is explained.")
        lies = (less if gap >= 0 else more) % shown(abs(gap), "mass")
        if self.tolerance_permille is None:
            return f"{lies} {_('The house has not set how much may stay unexplained.')}"
        if self.flagged is None:
            return lies
        if self.flagged:
            over_it = _("That is over what the house allows: look at weighings, residues and counts.")
            return f"{lies} {over_it}"
        within = _("That is within what the house allows and what its balances and the cook leave open.")
        return f"{lies} {within}"


def of_batch(batch: Batch) -> BatchBalance:
    """The balance of a batch by its standing records. A flat number of statements."""
    moved = list(
        Movement.objects.standing()
        .filter(batch=batch)
        .select_related("lot__material")
        .order_by("performed_at", "id")
    )
    food = [each for each in moved if each.lot.material.kind != MaterialKind.PACKAGING]
    used = [each for each in food if each.what == MovementKind.USED]
    made = [each for each in food if each.what == MovementKind.MADE]
    weighed_apart = _weighed_apart(batch)
    apart = _amounts(weighed_apart)
    trim = TrimReturn.objects.standing().filter(batch=batch).values_list("quantity", flat=True)
    weighed = [
        Weighed(each.mass, each.weighed_with)
        for each in food
        if each.mass and (each.weighed_with or each.lot.material.dimension == "mass")
    ]
    weighed += [each for what, each in weighed_apart if each.amount and what in (*LOST, LossKind.COOKED_OFF)]
    return BatchBalance(
        batch=batch.uid,
        code=batch.code,
        ended=batch.state.ended_at is not None,
        used=_by_lot(used),
        made=_by_lot(made),
        apart={what: sum(found) for what, found in apart.items() if what in LOST},
        coating=sum(apart.get(LossKind.COATING, [])),
        trim=sum(trim),
        cooked_off=_cooked_off(batch, used, apart),
        weighed_to=weighed_to(batch.establishment, weighed),
        in_all=_sum(used),
        out=_sum(made),
        tolerance_permille=batch.establishment.balance_gap_permille,
    )


@dataclass(frozen=True)
class StockBalance:
    """A balance of stock, and how well its weighings are known: nothing of what is counted by pieces."""

    balance: Balance
    weighed_to: WeighedTo

    @property
    def flagged(self) -> bool | None:
        found = self.balance
        return over(found.gap, found.in_all, found.tolerance_permille, self.weighed_to.uncertainty)


def of_lot(lot: Lot) -> StockBalance:
    """Everything that ever happened to a lot. Three statements."""
    weighed = _weighings(Movement.objects.filter(lot=lot), "lot_id")
    shown_to = each_weighed_to(lot.establishment, {lot.pk: weighed.get(lot.pk, [])})
    return StockBalance(stock.of_lot(lot), shown_to[lot.pk])


def of_period(
    here: Establishment, *, since: datetime, until: datetime, material: Material | None = None
) -> list[tuple[Material, StockBalance]]:
    """Each material, by the weighings within the period. Four statements for any number of materials.

    What was weighed before it adds to no uncertainty: what is over is flagged rather than too little.
    """
    found = stock.of_period(here, since=since, until=until, material=material)
    moved = Movement.objects.of(here).filter(performed_at__gte=since, performed_at__lt=until)
    weighed = _weighings(
        moved.filter(lot__material__in=[each for each, _balance in found]), "lot__material_id"
    )
    shown_to = each_weighed_to(here, {each.pk: weighed.get(each.pk, []) for each, _balance in found})
    return [(each, StockBalance(balance, shown_to[each.pk])) for each, balance in found]


def _weighings(moved: Any, by: str) -> dict[Any, list[Weighed]]:
    """What was put on a balance, alike ones together; moving a lot elsewhere weighs nothing."""
    rows = (
        moved.standing()
        .filter(lot__material__dimension="mass", quantity__gt=0)
        .exclude(what=MovementKind.MOVED)
        .order_by()
        .values_list(by, "quantity", "weighed_with")
        .annotate(times=Count("pk"))
    )
    found: defaultdict[Any, list[Weighed]] = defaultdict(list)
    for key, quantity, balance, times in rows:
        found[key].append(Weighed(quantity, balance, times))
    return dict(found)


LOST = (LossKind.POT_RESIDUE, LossKind.TRIM, LossKind.SPILLED)


def _weighed_apart(batch: Batch) -> list[tuple[str, Weighed]]:
    rows = WeighedApart.objects.standing().filter(batch=batch).order_by("performed_at", "id")
    return [
        (what, Weighed(quantity, by))
        for what, quantity, by in rows.values_list("what", "quantity", "weighed_with")
    ]


def _amounts(weighed_apart: Sequence[tuple[str, Weighed]]) -> dict[str, list[int]]:
    found: defaultdict[str, list[int]] = defaultdict(list)
    for what, weighed in weighed_apart:
        found[what].append(weighed.amount)
    return dict(found)


def _cooked_off(batch: Batch, used: Sequence[Movement], apart: dict[str, list[int]]) -> CookLoss:
    weighed = apart.get(LossKind.COOKED_OFF)
    on = batch.state.started_at.astimezone(batch.establishment.zone).date()
    if weighed is None and any(each.mass is None for each in used):
        return cook_losses.unknown("")
    return cook_losses.expected(batch, used, None if weighed is None else sum(weighed), on)


def _by_lot(movements: Sequence[Movement]) -> tuple[LotLine, ...]:
    masses: defaultdict[int, list[int | None]] = defaultdict(list)
    lots = {each.lot_id: each.lot for each in movements}
    for each in movements:
        masses[each.lot_id].append(each.mass)
    return tuple(
        LotLine(lot.uid, lot.code, lot.material.name, lot.is_rework, _known(masses[key]))
        for key, lot in lots.items()
    )


def _sum(movements: Sequence[Movement]) -> int | None:
    return _known([each.mass for each in movements])


def _known(masses: Sequence[int | None]) -> int | None:
    return None if None in masses else sum(each or 0 for each in masses)
