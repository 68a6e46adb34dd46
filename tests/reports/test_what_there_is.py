"""The sections of the index, over a day on which something of everything happened."""

from datetime import date

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from batches.models import Batch
from ledger.entrances import Days
from ledger.models import Establishment
from reports import open_records
from reports.demo.house import HOUSE
from tests.scene import Scene

pytestmark = pytest.mark.django_db
BEFORE_ALL = Days(date(2020, 1, 1), date(2020, 1, 31))
ALL = Days(date(2025, 1, 1), date(2034, 1, 1))


def test_the_demos_day_has_something_in_every_section(scene: Scene) -> None:
    here = Establishment.objects.get(pk=HOUSE)
    found = open_records.sections(here, ALL)
    assert [each.name for each in found if each.count == 0] == []


def test_more_of_everything_costs_no_more_statements(scene: Scene) -> None:
    here = Establishment.objects.get(pk=HOUSE)

    def asked(days: Days) -> int:
        with CaptureQueriesContext(connection) as queries:
            open_records.sections(here, days)
        return len(queries)

    assert asked(BEFORE_ALL) == asked(ALL)


def test_what_is_beyond_the_most_is_counted_and_told(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(open_records, "MOST", 1)
    found = open_records.sections(Establishment.objects.get(pk=HOUSE), ALL)
    (batches,) = (each for each in found if each.name == "batches")
    assert batches.count == Batch.objects.filter(establishment=HOUSE).count()
    assert (len(batches.offers), batches.left_out) == (1, batches.count - 1)


@pytest.mark.parametrize(
    "name", ["batches", "deviations", "deliveries", "changeovers", "verifications", "recalls"]
)
def test_days_before_everything_hold_nothing(scene: Scene, name: str) -> None:
    found = open_records.sections(Establishment.objects.get(pk=HOUSE), BEFORE_ALL)
    assert [each.count for each in found if each.name == name] == [0]
