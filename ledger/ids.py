"""Identifiers that sort by when they were made: UUID version 7 (RFC 9562 section 5.7).

Python's own ``uuid.uuid7`` comes with 3.14; this one serves the versions before.
"""

import os
import threading
import time
import uuid
from datetime import UTC, datetime, timedelta

COUNTER_BITS = 42
TAIL_BITS = 32
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class _Clock:
    """The last millisecond and counter handed out, in this process only."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.millisecond = -1
        self.counter = 0

    def tick(self) -> tuple[int, int, int]:
        """A millisecond and counter above every earlier pair, and a random tail.

        RFC 9562 section 6.2, method 1: the counter starts each millisecond at random with its top bit free,
        so that it has room to count; should it still run over, or the clock go back, the last time goes on.
        """
        now = time.time_ns() // 1_000_000
        noise = int.from_bytes(os.urandom(10), "big")
        with self.lock:
            if now > self.millisecond:
                self.millisecond, self.counter = now, _seed(noise)
            elif self.counter + 1 < 1 << COUNTER_BITS:
                self.counter += 1
            else:
                self.millisecond, self.counter = self.millisecond + 1, _seed(noise)
            return self.millisecond, self.counter, noise & ((1 << TAIL_BITS) - 1)


def _seed(noise: int) -> int:
    return (noise >> TAIL_BITS) & ((1 << (COUNTER_BITS - 1)) - 1)


_clock = _Clock()


def _start_afresh() -> None:
    """A forked child must not go on with its parent's counter, nor wait for a lock held over there."""
    global _clock
    _clock = _Clock()


os.register_at_fork(after_in_child=_start_afresh)


def uuid7() -> uuid.UUID:
    """A new UUIDv7, greater than every earlier one of this process; safe among threads and after a fork."""
    millisecond, counter, tail = _clock.tick()
    high, low = counter >> 30, counter & ((1 << 30) - 1)
    return uuid.UUID(int=millisecond << 80 | 7 << 76 | high << 64 | 2 << 62 | low << TAIL_BITS | tail)


def instant_of(identifier: uuid.UUID) -> datetime:
    """When a UUIDv7 says it was made (UTC, to the millisecond). Raises ValueError for another version.

    A client may choose an id, so this is what the id says, not what happened.
    """
    if identifier.variant != uuid.RFC_4122 or identifier.version != 7:
        raise ValueError(f"{identifier} is not a UUID of version 7.")
    try:
        return _EPOCH + timedelta(milliseconds=identifier.int >> 80)
    except OverflowError as error:
        raise ValueError(f"The time in {identifier} lies beyond the year 9999.") from error
