"""A cleaning break counts while the record it was written for stands."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from batches import noting, runs
from batches.cleaning_breaks import standing_breaks
from batches.models import Batch, CleaningBreak, Equipment, QualityReading
from ledger.models import Entry
from tests.conftest import NOON

HOUR = timedelta(hours=1)


@pytest.fixture
def noted(act: Any, batch: Batch) -> Callable[..., QualityReading]:
    """A record of any kind that a break may be written for."""
    return lambda: noting.note_quality(act=act(), batch=batch, what="table", value="clean")


def wipe(table: Equipment, because: Any, at: Any = NOON) -> CleaningBreak:
    return CleaningBreak.objects.create(
        equipment=table, at=at, scope={"allergens": ["milk"]}, because=Entry.objects.get(pk=because.pk)
    )


def test_a_break_counts_while_its_record_stands(table: Equipment, noted: Any):
    made = wipe(table, noted())
    assert standing_breaks([table]) == [made]


def test_a_break_of_a_withdrawn_record_counts_no_more(act: Any, table: Equipment, batch: Batch, noted: Any):
    record = noted()
    wipe(table, record)
    gone = act(corrects=record.pk, reason="Another table.", withdraws=True)
    runs.withdraw(act=gone, batch=batch, kind=QualityReading)
    assert standing_breaks([table]) == []


def test_a_break_of_a_corrected_record_counts_no_more(act: Any, table: Equipment, batch: Batch, noted: Any):
    record = noted()
    wipe(table, record)
    said = act(corrects=record.pk, reason="Misread.")
    noting.note_quality(act=said, batch=batch, what="table", value="not clean")
    assert standing_breaks([table]) == []


def test_breaks_are_those_of_the_time_asked_and_of_no_other_equipment(table: Equipment, noted: Any):
    made = [wipe(table, noted(), NOON + number * HOUR) for number in range(3)]
    other = Equipment.objects.create(
        establishment=table.establishment, code="T-8", name="Table", kind="table"
    )
    wipe(other, noted())
    assert standing_breaks([table], since=NOON + HOUR) == made[1:]
    assert standing_breaks([table], until=NOON + HOUR) == made[:2]


def test_many_breaks_cost_no_more_statements(table: Equipment, noted: Any, django_assert_num_queries: Any):
    for number in range(5):
        wipe(table, noted(), NOON + number * HOUR)
    with django_assert_num_queries(2):
        standing_breaks([table])
