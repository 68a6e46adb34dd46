"""What can be rebuilt from records: one list, so that ``manage.py rebuild`` leaves nothing out (decision D8).

Each module that keeps a projection registers how to rebuild it here, and how to compare it with
``ledger.verification.compare_projection``.
"""

from collections.abc import Callable

from django.db import transaction

from batches.locks import lock_material
from ledger.models import Establishment

Rebuild = Callable[[Establishment], int]
_rebuilds: dict[str, Rebuild] = {}


def rebuilds(name: str) -> Callable[[Rebuild], Rebuild]:
    """Register a function that writes a projection of one establishment anew and answers its row count."""

    def register(function: Rebuild) -> Rebuild:
        _rebuilds[name] = function
        return function

    return register


@transaction.atomic
def rebuild(establishment: Establishment) -> dict[str, int]:
    """Write every projection of an establishment anew, under its material lock; row counts by name."""
    lock_material(establishment)
    return {name: _rebuilds[name](establishment) for name in sorted(_rebuilds)}
