"""A logger's readings as they are kept: whole numbers in columns, so that no digit is lost to a float.

A value is kept as its digits without the mark (``digits``) and the number of decimals (``places``): 72.50 is 7250 and
2. So a value can be written out again with the decimals it was sent with. What does not decide is not kept: a plus
sign, leading zeros, which decimal mark was used, the sign of minus 0.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Whole = NDArray[np.int64]
MICROSECOND = 1_000_000  # of them in a second
EXPORTED_AT_ONCE = 10_000
POWERS = np.array([10.0**places for places in range(16)])  # no value has more than fifteen digits


@dataclass(frozen=True)
class Readings:
    """Columns of equal length, in the order the readings were taken.

    ``at``: microseconds since 1970-01-01T00:00Z; ``offsets``: minutes east of UTC of the clock they were read from;
    ``digits`` and ``places`` as above.
    """

    at: Whole
    offsets: Whole
    digits: Whole
    places: Whole

    def __len__(self) -> int:
        return len(self.at)

    @cached_property
    def values(self) -> NDArray[np.float64]:
        """The nearest floats: exact whole numbers divided by exact powers of ten, rounded once."""
        return self.digits / POWERS[self.places]

    @property
    def seconds(self) -> NDArray[np.float64]:
        """Since the first reading."""
        return (self.at - self.at[0]) / MICROSECOND

    def part(self, start: int, end: int) -> "Readings":
        return Readings(
            self.at[start:end], self.offsets[start:end], self.digits[start:end], self.places[start:end]
        )


COLUMNS = ("at", "offsets", "digits", "places")


def value_text(digits: int, places: int) -> str:
    """7250 and 2: 72.50."""
    sign, plain = "-" if digits < 0 else "", str(abs(digits)).rjust(places + 1, "0")
    return f"{sign}{plain[:-places]}.{plain[-places:]}" if places else sign + plain


def as_csv(readings: Readings) -> Iterator[str]:
    """Lines ``time,value``, many at once: RFC 3339 on the logger's own clock, decimals as sent."""
    yield "time,value\n"
    for start in range(0, len(readings), EXPORTED_AT_ONCE):
        part = readings.part(start, start + EXPORTED_AT_ONCE)
        rows = zip(times(part), part.digits.tolist(), part.places.tolist(), strict=True)
        yield "".join(f"{time},{value_text(digits, places)}\n" for time, digits, places in rows)


def times(readings: Readings) -> list[str]:
    """RFC 3339 with the offset, and with microseconds only where there are any."""
    local = (readings.at + readings.offsets * (60 * MICROSECOND)).astype("datetime64[us]")
    texts = np.datetime_as_string(local, unit="us")
    zones = {offset: _zone(offset) for offset in np.unique(readings.offsets).tolist()}
    return [
        text.removesuffix(".000000") + zones[offset]
        for text, offset in zip(texts.tolist(), readings.offsets.tolist(), strict=True)
    ]


def _zone(minutes: int) -> str:
    sign, (hours, rest) = "-" if minutes < 0 else "+", divmod(abs(minutes), 60)
    return f"{sign}{hours:02}:{rest:02}"
