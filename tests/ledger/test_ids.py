"""UUID version 7 against RFC 9562, and what we promise beyond it."""

import json
import os
import signal
import time
import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from ledger import ids
from ledger.ids import instant_of, uuid7

EXAMPLE = json.loads((Path(__file__).parent / "vectors" / "rfc9562.json").read_text())
NOON = 1_772_449_200_000  # 2026-03-02T11:00:00Z in milliseconds


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A clock that stands still until it is set, and a generator that has not run yet."""
    monkeypatch.setattr(ids, "_clock", ids._Clock())

    def set_to(milliseconds: int) -> None:
        monkeypatch.setattr(time, "time_ns", lambda: milliseconds * 1_000_000)

    set_to(NOON)
    return set_to


def test_the_published_example_says_its_instant() -> None:
    instant = instant_of(uuid.UUID(EXAMPLE["uuid"]))
    assert instant == datetime.fromisoformat(EXAMPLE["instant"])
    assert instant.utcoffset() == timedelta(0)


def test_version_and_variant_stand_where_the_rfc_puts_them(clock: Any) -> None:
    made = uuid7()
    assert (made.version, made.variant) == (7, uuid.RFC_4122)


def test_the_example_comes_out_for_its_time_and_random_bits(clock: Any, monkeypatch: Any) -> None:
    random_bits = int(EXAMPLE["rand_a"], 16) << 62 | int(EXAMPLE["rand_b"], 16)
    counter, tail = random_bits >> 32, random_bits & 0xFFFFFFFF
    monkeypatch.setattr(ids._clock, "tick", lambda: (int(EXAMPLE["unix_ts_ms"], 16), counter, tail))
    assert uuid7() == uuid.UUID(EXAMPLE["uuid"])


def test_the_first_48_bits_are_the_millisecond(clock: Any) -> None:
    assert uuid7().int >> 80 == NOON
    assert instant_of(uuid7()) == datetime(2026, 3, 2, 11, 0, tzinfo=UTC)


def test_ids_of_one_millisecond_go_up(clock: Any) -> None:
    made = [uuid7() for _ in range(5000)]
    assert made == sorted(made)
    assert len(set(made)) == 5000
    assert {identifier.int >> 80 for identifier in made} == {NOON}


def test_the_counter_starts_each_millisecond_anew_with_room_above(clock: Any) -> None:
    counters = []
    for step in range(200):
        clock(NOON + step)
        counters.append(ids._clock.tick()[1])
    assert len(set(counters)) == 200
    assert max(counters) < 1 << 41


def test_ids_go_up_though_the_clock_goes_back(clock: Any) -> None:
    before = uuid7()
    clock(NOON - 3_600_000)
    assert uuid7() > before


def test_a_counter_that_runs_over_goes_on_in_the_next_millisecond(clock: Any) -> None:
    uuid7()
    ids._clock.counter = (1 << ids.COUNTER_BITS) - 2
    last, next_one = uuid7(), uuid7()
    assert (last.int >> 80, next_one.int >> 80) == (NOON, NOON + 1)
    assert next_one > last


def test_threads_never_share_an_id(clock: Any) -> None:
    with ThreadPoolExecutor(8) as pool:
        made = list(pool.map(lambda _: [uuid7() for _ in range(500)], range(16)))
    assert len({identifier for part in made for identifier in part}) == 8000
    assert all(part == sorted(part) for part in made)


def test_a_thread_waits_while_another_takes_its_number(clock: Any) -> None:
    with ThreadPoolExecutor(1) as pool:
        with ids._clock.lock:
            waiting = pool.submit(uuid7)
            with pytest.raises(TimeoutError):
                waiting.result(timeout=0.05)
        assert waiting.result(timeout=5).version == 7


def test_a_forked_child_starts_its_own_counter_and_waits_for_no_lock(clock: Any) -> None:
    uuid7()
    reading, writing = os.pipe()
    with ids._clock.lock:
        child = os.fork()
        if child == 0:
            signal.alarm(5)  # ends the child should it wait for the lock
            os.write(writing, uuid7().bytes)
            os._exit(0)
        os.close(writing)
        _, status = os.waitpid(child, 0)
    theirs, ours = os.read(reading, 16), uuid7()
    os.close(reading)
    assert status == 0
    assert uuid.UUID(bytes=theirs).int >> 32 != ours.int >> 32


@pytest.mark.parametrize(
    "other",
    [
        "919108f7-52d1-4320-9bac-f847db4148a8",
        "00000000-0000-0000-0000-000000000000",
        "ffffffff-ffff-ffff-ffff-ffffffffffff",
    ],
)
def test_another_version_says_no_instant(other: str) -> None:
    with pytest.raises(ValueError, match="version 7"):
        instant_of(uuid.UUID(other))


def test_a_time_beyond_the_calendar_is_an_error_in_words() -> None:
    with pytest.raises(ValueError, match="9999"):
        instant_of(uuid.UUID("ffffffff-ffff-7000-8000-000000000000"))
