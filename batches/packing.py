"""Boxes packed of several finished lots: nothing is made, so nothing in the box keeps longer than it did before."""

from datetime import date

from batches.models import Batch, Lot, LotState, MaterialKind, Movement, MovementKind


def packed_in(batch: Batch) -> list[Lot]:
    """The finished lots that a batch packs, the earliest best before first; none where it makes anything of them.

    A batch packs where its recipe asks for finished products and packaging only.
    """
    used = Movement.objects.standing().filter(batch=batch, what=MovementKind.USED)
    keys = used.filter(lot__material__kind=MaterialKind.FINISHED).values_list("lot", flat=True)
    found = list(
        Lot.objects.filter(pk__in=keys, is_rework=False, state__best_before__isnull=False)
        .select_related("state")
        .order_by("state__best_before", "code")
    )
    return found if found and packs(batch) else []


def packs(batch: Batch) -> bool:
    kinds = set(batch.recipe_version.lines.values_list("material__kind", flat=True))
    return kinds - {MaterialKind.PACKAGING} == {MaterialKind.FINISHED}


def earliest(batch: Batch) -> date | None:
    """The best before of what ends first among what the batch packs."""
    found = packed_in(batch)
    return found[0].state.best_before if found else None


def ends_before_its_box(lot: Lot, batch: Batch) -> bool:
    """Whether a finished lot that is packed now ends before a box that the batch brought already."""
    ends = lot.state.best_before
    if lot.material.kind != MaterialKind.FINISHED or ends is None or not packs(batch):
        return False
    return LotState.objects.filter(lot__batch=batch, lot__is_rework=False, best_before__gt=ends).exists()
