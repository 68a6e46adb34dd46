"""One lock for everything that changes stock, lot status or genealogy (decision D15)."""

from batches.models import MaterialLock
from ledger.models import Establishment


def lock_material(establishment: Establishment) -> None:
    """Wait for, and hold until the transaction ends, the material lock of an establishment.

    The first statement of every deed that records a movement, decides on a lot, or fails a check: locking
    single lots or batches would let a lot made meanwhile slip past a hold. What is read afterwards is
    current. On SQLite the transaction itself (IMMEDIATE) keeps writers apart.
    """
    row = MaterialLock.objects.select_for_update().filter(establishment=establishment)
    if row.first() is None:
        MaterialLock.objects.bulk_create([MaterialLock(establishment=establishment)], ignore_conflicts=True)
        row.get()
