"""When a thing was done: an instant and the offset as sent, on days the clocks change and from clocks that run ahead."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.db import IntegrityError, transaction
from hypothesis import given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from ledger import people
from ledger.acts import Act, Moment
from ledger.ids import uuid7
from ledger.models import Establishment, Person, Qualification
from tests.conftest import Client
from tests.scene import rows_kept

BERLIN = ZoneInfo("Europe/Berlin")  # rules of the IANA time zone database


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[misc,arg-type]


# -- instant and offset -----------------------------------------------------------------------------

# The first four are examples of RFC 3339 section 5.8, from memory.
READ = {
    "1985-04-12T23:20:50.52Z": (utc(1985, 4, 12, 23, 20, 50, 520000), 0),
    "1996-12-19T16:39:57-08:00": (utc(1996, 12, 20, 0, 39, 57), -480),
    "1937-01-01T12:00:27.87+00:20": (utc(1937, 1, 1, 11, 40, 27, 870000), 20),
    "1990-12-31T15:59:59-08:00": (utc(1990, 12, 31, 23, 59, 59), -480),
    "2026-03-02T09:30:00+05:45": (utc(2026, 3, 2, 3, 45), 345),
    "2026-03-02T00:30:00+14:00": (utc(2026, 3, 1, 10, 30), 840),
    "2026-03-01T23:30:00-12:00": (utc(2026, 3, 2, 11, 30), -720),
}


@pytest.mark.parametrize("text", READ)
def test_a_time_is_an_instant_and_the_offset_that_was_sent(text: str) -> None:
    read = Moment.parse(text)
    assert (read.at, read.offset) == READ[text]


REFUSED = {
    "2026-03-02T09:30:00": "offset",
    "2026-03-02": "offset",
    "2026-03-02T09:30:00+01:00:30": "whole minutes",
    "2026-03-02T09:30:00+14:01": "at most 14 hours",
    "2026-03-02T09:30:00-23:00": "at most 14 hours",
    "2026-02-30T09:30:00+01:00": "RFC 3339",
    "2026-03-02T25:00:00+01:00": "RFC 3339",
    "yesterday": "RFC 3339",
    "": "RFC 3339",
    "0001-01-01T00:00:00+14:00": "years 2 to 9998",
    "9999-12-31T23:59:59-14:00": "years 2 to 9998",
}


@pytest.mark.parametrize("text", REFUSED)
def test_what_is_no_time_is_refused_and_named(text: str) -> None:
    with pytest.raises(Unusable, match=REFUSED[text]) as refusal:
        Moment.parse(text, field="began_at")
    assert refusal.value.reasons[0].field == "began_at"


@given(
    st.datetimes(min_value=datetime(3, 1, 1), max_value=datetime(9997, 1, 1)), st.integers(-14 * 60, 14 * 60)
)
def test_read_back_a_time_is_what_the_clock_showed(on_the_wall: datetime, offset: int) -> None:
    sent = on_the_wall.replace(tzinfo=timezone(timedelta(minutes=offset)))
    read = Moment.parse(sent.isoformat())
    assert read.local.replace(tzinfo=None) == on_the_wall
    assert (read.at, read.at.tzinfo, read.offset) == (sent, UTC, offset)


# -- when the clocks change -------------------------------------------------------------------------


def test_the_hour_that_comes_twice_is_two_instants() -> None:
    # On 25 October 2026 Berlin's clocks go from 03:00 +02:00 back to 02:00 +01:00.
    summer, winter = (Moment.of(datetime(2026, 10, 25, 2, 30, fold=fold, tzinfo=BERLIN)) for fold in (0, 1))
    assert (summer.offset, winter.offset) == (120, 60)
    assert winter.at - summer.at == timedelta(hours=1)
    assert summer.local.time() == winter.local.time()


def test_of_the_hour_that_never_comes_the_instant_and_the_offset_are_kept() -> None:
    # On 29 March 2026 Berlin's clocks go from 02:00 +01:00 to 03:00 +02:00: a device that was not put forward says 02:30.
    sent = Moment.parse("2026-03-29T02:30:00+01:00")
    assert (sent.at, sent.offset) == (utc(2026, 3, 29, 1, 30), 60)
    assert sent.local.hour == 2
    assert sent.at.astimezone(BERLIN).hour == 3


@pytest.mark.parametrize("at", [utc(2026, 10, 25, 0, 30), utc(2026, 10, 25, 1, 30), utc(2026, 3, 29, 1, 0)])
@pytest.mark.django_db
def test_now_has_the_offset_of_the_establishments_clock(at: datetime, establishment: Establishment) -> None:
    with time_machine.travel(at, tick=False):
        now = Moment.now(establishment)
    assert now.at == at
    assert now.offset == at.astimezone(BERLIN).utcoffset().total_seconds() / 60  # type: ignore[union-attr]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("sent", "day"),
    [
        ("2026-03-02T23:30:00+00:00", date(2026, 3, 3)),
        ("2026-03-02T23:30:00+01:00", date(2026, 3, 2)),
        ("2026-03-03T05:00:00+09:00", date(2026, 3, 2)),
        ("2026-10-24T22:30:00Z", date(2026, 10, 25)),
        ("2026-10-25T22:30:00Z", date(2026, 10, 25)),  # a day of 25 hours
    ],
)
def test_the_day_of_an_act_is_the_establishments(sent: str, day: date, act: Callable[..., Act]) -> None:
    assert act(at=datetime.fromisoformat(sent)).local_day == day


# -- on a record ------------------------------------------------------------------------------------

NOW = utc(2026, 3, 2, 11, 0)


def qualify(client: Client, person: Person, **more: Any) -> Any:
    body = {
        "person": str(person.pk),
        "title": "Course",
        "covers_plans": False,
        "evidence": "Certificate 9/26",
        "issued_by": "Training house",
        "valid_from": "2026-01-01",
    }
    with time_machine.travel(NOW, tick=False):
        return client.send("qualifications", body | more)


@pytest.fixture
def client(client_of: Any, lead: Person, establishment: Establishment) -> Client:
    with time_machine.travel(NOW, tick=False):
        return client_of(lead)  # type: ignore[no-any-return]


def shown_at(moment: datetime) -> str:
    return moment.astimezone(timezone(timedelta(hours=1))).isoformat()


@pytest.mark.django_db
@pytest.mark.parametrize(
    "sent",
    [
        "2026-03-02T09:30:00+05:45",
        "2025-10-26T02:30:00+02:00",
        "2025-10-26T02:30:00+01:00",
        "2025-03-30T02:30:00+01:00",
        "2026-03-02T09:30:00.123456-03:30",
    ],
)
def test_a_record_keeps_and_shows_the_time_as_it_was_sent(sent: str, client: Client, lead: Person) -> None:
    answer = qualify(client, lead, performed_at=sent)
    assert answer.status_code == 201, answer.json()
    assert answer.json()["performed_at"] == sent
    kept = Qualification.objects.get(pk=answer.json()["id"])
    assert Moment(kept.performed_at, kept.performed_offset) == Moment.parse(sent)


@pytest.mark.django_db
@pytest.mark.parametrize("sent", ["2026-03-02T09:30:00", "2026-03-02T09:30:00+15:00", "now", 7, None])
def test_a_time_that_cannot_be_is_refused_and_nothing_is_written(
    sent: Any, client: Client, lead: Person
) -> None:
    before = rows_kept()
    answer = qualify(client, lead, performed_at=sent)
    assert answer.status_code == 400
    assert [error["field"] for error in answer.json()["errors"]] == ["performed_at"]
    assert rows_kept() == before


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("ahead", "flag"),
    [
        (timedelta(0), None),
        (timedelta(minutes=5), None),
        (timedelta(minutes=5, seconds=1), 301),
        (timedelta(days=400), 400 * 86400),
        (-timedelta(minutes=5, seconds=1), None),
    ],
)
def test_a_clock_more_than_five_minutes_ahead_is_taken_and_flagged(
    ahead: timedelta, flag: int | None, client: Client, lead: Person
) -> None:
    answer = qualify(client, lead, performed_at=shown_at(NOW + ahead))
    assert answer.status_code == 201, answer.json()
    assert answer.json()["clock_ahead_seconds"] == flag


@pytest.mark.django_db
def test_the_devices_clock_and_the_servers_are_both_kept(client: Client, lead: Person) -> None:
    device = NOW + timedelta(hours=2)
    answer = qualify(client, lead, performed_at=shown_at(device), sent_at=shown_at(device))
    kept = Qualification.objects.get(pk=answer.json()["id"])
    assert (kept.performed_at, kept.sent_at, kept.recorded_at) == (device, device, NOW)


@pytest.mark.django_db
@pytest.mark.parametrize(("minutes", "late"), [(59, False), (60, False), (61, True), (-600, False)])
def test_what_is_written_down_long_after_the_work_is_shown_as_late(
    minutes: int, late: bool, client: Client, lead: Person
) -> None:
    done = NOW - timedelta(minutes=minutes)
    assert qualify(client, lead, performed_at=shown_at(done)).json()["late"] is late


@pytest.mark.django_db
@pytest.mark.parametrize("offset", [-841, 841])
def test_the_database_refuses_an_offset_that_is_on_no_clock(
    offset: int, act: Callable[..., Act], lead: Person
) -> None:
    made = people.qualify(
        act=act(lead),
        person=lead,
        title="Course",
        covers_plans=False,
        evidence="x",
        issued_by="y",
        valid_from=date(2026, 1, 1),
    )
    made.pk, made.performed_offset = uuid7(), offset
    with pytest.raises(IntegrityError, match="offset_is_of_this_earth"), transaction.atomic():
        Qualification._insert_rows([made])
