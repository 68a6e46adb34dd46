"""Which packing checks are due for a batch, and which were missed: as far as records tell that packing went on.

Nobody records that packing begins or ends but by its checks. A later check without one at the start tells that packing
went on unseen; a new start, or a shipment, that what was packed before had ended. What neither tells is named as yours.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, TypeVar
from uuid import UUID

from batches.models import Batch, Lot, Movement, MovementKind
from haccp.labels import comparing, versions
from haccp.models import LabelVersion, Moment, PackingCheck
from haccp.monitoring import State

Row = TypeVar("Row", PackingCheck, Lot)
PATIENCE = timedelta(hours=1)
"""So long after it is known that a check is missing it may still come in from a queue (a site setting, no source)."""
YOURS = {
    Moment.START: "No record tells whether packing began: look at the label on the roll, and record it, before it does.",
    Moment.END: "No record tells whether packing ended: count the labels, and record the end, when it does.",
}


@dataclass(frozen=True)
class PackingDue:
    """A check that packing takes. ``lot`` None: all that the batch made. ``key``: names it for good.

    ``known_at``: when a record told that it is missing; None where none did.
    """

    batch: Batch
    lot: Lot | None
    moment: Moment
    state: State
    key: str
    check: PackingCheck | None = None
    known_at: datetime | None = None
    sentence: str = ""

    @property
    def slot(self) -> str:
        return f"packing {self.moment.value} {self.key}"


def of_batch(batch: Batch, now: datetime) -> list[PackingDue]:
    """Every packing check of a batch, in the order of its lots; of what bears a label on a pack."""
    return of_batches([batch], now)


def of_batches(batches: Collection[Batch], now: datetime) -> list[PackingDue]:
    """The same of many, in a flat number of statements. Give them with ``recipe_version__material``."""
    reading = _Reading.of(batches)
    return [_timed(due, now) for batch in batches for due in reading.of_batch(batch)]


def _timed(due: PackingDue, now: datetime) -> PackingDue:
    """What is missing is missed once its patience is over."""
    late = due.known_at is not None and now > due.known_at + PATIENCE
    return replace(due, state=State.MISSED) if late and due.check is None else due


@dataclass(frozen=True)
class _Reading:
    checks: dict[int, list[PackingCheck]]  # by batch, in the order they were made
    lines: dict[UUID, UUID]  # a check and the one it corrects
    lots: dict[int, list[Lot]]  # by batch, in the order of their codes
    shipped: dict[int, datetime]  # by lot: when it first left
    packed: dict[UUID, datetime]  # by product: when its first label for packs was approved

    @classmethod
    def of(cls, batches: Collection[Batch]) -> "_Reading":
        rows = PackingCheck.objects.filter(batch__in=batches)
        checks = list(rows.standing().select_related("lot").order_by("performed_at", "id"))
        corrected = rows.filter(corrects__isnull=False).values_list("pk", "corrects_id")
        lots = list(
            Lot.objects.filter(batch__in=batches).select_related("material", "state").order_by("code")
        )
        made = [lot for lot in lots if comparing.is_sold(lot) and not lot.state.withdrawn]
        gone = Movement.objects.standing().filter(lot__in=made, what=MovementKind.SHIPPED)
        shipped: dict[int, datetime] = {}
        for lot, at in gone.order_by("-performed_at").values_list("lot_id", "performed_at"):
            shipped[lot] = at
        products = {lot.material_id for lot in made}
        packed = _packed(products - set(versions.sold_loose(products)))
        return cls(_by_batch(checks), dict(corrected), _by_batch(made), shipped, packed)

    def of_batch(self, batch: Batch) -> list[PackingDue]:
        """By lot where checks name lots; what names none speaks for each of them, as it does at release."""
        checks, made = self.checks.get(batch.pk, []), self.lots.get(batch.pk, [])
        named = {each.lot_id for each in checks} - {None}
        if checks and not named:
            found = list(self.of_run(batch, None, checks))
        else:
            found = [due for lot in made for due in self.of_lot(batch, lot, checks)]
        return list({due.slot: due for due in found}.values())

    def of_lot(self, batch: Batch, lot: Lot, checks: Sequence[PackingCheck]) -> Iterator[PackingDue]:
        own = [each for each in checks if each.lot_id in (None, lot.pk)]
        if own:
            yield from self.of_run(batch, lot, own)
        elif lot.material_id in self.packed:
            yield self.never_seen(batch, lot)

    def of_run(self, batch: Batch, lot: Lot | None, checks: Sequence[PackingCheck]) -> Iterator[PackingDue]:
        """From start to end, and again if packing began again. Labels counted once more after an end begin nothing."""
        begun: PackingCheck | None = None  # what told last that packing goes on
        ended = False
        for each in checks:
            begins, ends = each.moment == Moment.START, each.moment == Moment.END
            if begun is not None and begins:
                yield self.end(batch, lot, begun, known_at=each.recorded_at)
                begun = None
            if begun is None and not (ends and ended):
                yield self.start(batch, each)
            if ends:
                yield self.end(batch, lot, begun or each, check=each)
                begun, ended = None, True
            elif begun is None:
                begun = each
        if begun is not None:
            yield self.open_end(batch, lot, begun)

    def start(self, batch: Batch, first: PackingCheck) -> PackingDue:
        """Made, if the first check of the run is one; else that check told that it is missing."""
        key = f"run {self.first_of(first)}"
        if first.moment == Moment.START:
            return PackingDue(batch, first.lot, Moment.START, State.MADE, key, first)
        return PackingDue(batch, first.lot, Moment.START, State.WAITING, key, known_at=first.recorded_at)

    def end(self, batch: Batch, lot: Lot | None, begun: PackingCheck, **values: Any) -> PackingDue:
        key = f"run {self.first_of(begun)}" + (f" lot {lot.uid}" if lot is not None else "")
        state = State.MADE if values.get("check") else State.WAITING
        return replace(PackingDue(batch, lot, Moment.END, state, key), **values)

    def open_end(self, batch: Batch, lot: Lot | None, begun: PackingCheck) -> PackingDue:
        left = [
            self.shipped[each.pk]
            for each in self.lots.get(batch.pk, [])
            if each.pk in self.shipped and lot in (None, each)
        ]
        gone = [at for at in left if at >= begun.performed_at]
        if gone:
            return self.end(batch, lot, begun, known_at=min(gone))
        return self.end(batch, lot, begun, state=State.YOURS, sentence=YOURS[Moment.END])

    def never_seen(self, batch: Batch, lot: Lot) -> PackingDue:
        """Shipped after its product had a label for packs, and nobody looked; before that nothing tells of packing."""
        at = self.shipped.get(lot.pk)
        key = f"lot {lot.uid}"
        if at is None or at < self.packed[lot.material_id]:
            return PackingDue(batch, lot, Moment.START, State.YOURS, key, sentence=YOURS[Moment.START])
        return PackingDue(batch, lot, Moment.START, State.WAITING, key, known_at=at)

    def first_of(self, check: PackingCheck) -> UUID:
        """The first record of its line, so that a correction is about the same."""
        pk = check.pk
        while (before := self.lines.get(pk)) is not None:
            pk = before
        return pk


def _by_batch(rows: Iterable[Row]) -> dict[int, list[Row]]:
    found: defaultdict[int, list[Row]] = defaultdict(list)
    for each in rows:
        found[each.batch_id].append(each)  # type: ignore[index]  # lots of no batch were not asked for
    return found


def _packed(products: Collection[UUID]) -> dict[UUID, datetime]:
    """By product: when the first label that goes on a pack was approved."""
    rows: Any = LabelVersion.objects.standing().filter(material__in=products).order_by("-performed_at")
    return {
        material: at
        for material, at, document in rows.values_list("material_id", "performed_at", "document")
        if document.get("unpacked") is not True
    }
