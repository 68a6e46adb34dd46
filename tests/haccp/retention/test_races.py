"""Two runs of one archive at the same moment take each record away once, and leave a house that is whole.

PostgreSQL only: SQLite lets one writer in at a time, so two runs never overlap there.
"""

from datetime import date
from typing import Any

import pytest
from django.db import connection

from haccp.retention import leaving
from ledger import verification
from ledger.models import Removal
from tests.haccp.retention.conftest import LONG_AFTER
from tests.ledger.test_races import Worker

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite keeps writers apart by itself"),
]
OLD = date(2026, 3, 2)


def test_two_runs_at_once_share_the_work(
    bag: Any, caramels: Any, use_up: Any, on: Any, archive: Any, remove: Any, monkeypatch: Any
) -> None:
    sugar = bag(OLD, best_before=date(2027, 3, 2))
    caramels(sugar, OLD, best_before=date(2026, 9, 2))
    use_up(sugar, OLD)
    on(LONG_AFTER)
    made = archive()
    monkeypatch.setattr(leaving, "MOST_A_PIECE", 1)
    runs = [worker.result() for worker in [Worker(remove), Worker(remove)]]
    assert sum(each.records for each in runs) == made.records == Removal.objects.count()
    assert verification.verify().findings == []
