"""What every record says in a table of a document: cells made of many lines together."""

from datetime import datetime, timedelta, timezone
from types import SimpleNamespace
from typing import Any
from uuid import UUID

from hypothesis import given
from hypothesis import strategies as st

from reports import tables
from reports.tables import RECORD_HEADS

OFFSETS = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
TIMES = st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1), timezones=OFFSETS)


def line(performed_at: datetime, recorded_at: datetime, record: UUID) -> Any:
    empty: dict[str, Any] = dict.fromkeys(
        ("replaced", "transcribed", "corrects", "late_by", "clock_ahead_by"), None
    )
    said = dict.fromkeys(("performed_by", "recorded_by", "place", "note", "digest"), "")
    return SimpleNamespace(performed_at=performed_at, recorded_at=recorded_at, record=record, **empty, **said)


@given(st.lists(st.tuples(TIMES, TIMES, st.uuids()), max_size=5))
def test_times_bear_their_offset_and_ids_are_whole(said: list[tuple[datetime, datetime, UUID]]) -> None:
    cells = [
        dict(zip(RECORD_HEADS, each, strict=True))
        for each in tables.record_cells([line(*each) for each in said])
    ]
    assert [(each["performed_at"], each["recorded_at"], each["record"]) for each in cells] == [
        (performed.isoformat(), recorded.isoformat(), str(record)) for performed, recorded, record in said
    ]


def test_no_lines_give_no_cells() -> None:
    assert list(tables.record_cells([])) == []
