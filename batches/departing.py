"""States of lots and batches of which every record leaves: they stand as of an identity of which nothing is known."""

from collections.abc import Collection, Iterator, Sequence

from django.db.models import Q

from batches import stock
from batches.models import BatchState, Edge, LotState, LotStatus, Occupation

ROWS_A_STATEMENT = 500  # SQLite bounds the number of parameters in one statement


def forget(*, lots: Sequence[int], batches: Sequence[int]) -> None:
    """Reset what is computed from the records of lots and batches, by key, that all leave now. Call it under
    ``lock_material``."""
    nothing = {"supplier": None, "supplier_code": "", "best_before": None, "withdrawn": False}
    for some in _by_hundreds(lots):
        states = LotState.objects.filter(lot__in=some)
        states.update(status=LotStatus.AWAITING, **stock.NO_TOTALS, **nothing)
        Edge.objects.filter(Q(source__in=some) | Q(target__in=some)).delete()
    for some in _by_hundreds(batches):
        Occupation.objects.filter(batch__in=some).delete()
        BatchState.objects.filter(batch__in=some).delete()


def _by_hundreds(keys: Sequence[int]) -> Iterator[Collection[int]]:
    return (keys[at : at + ROWS_A_STATEMENT] for at in range(0, len(keys), ROWS_A_STATEMENT))
