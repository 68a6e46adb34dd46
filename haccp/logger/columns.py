"""Numbers and times read from many lines at once, byte column by byte column.

Only the plain forms are read here; a row in any other form is marked, and ``files`` reads it by itself, strictly and
by the same rules as everything else that is typed in. So this may know less than those rules, never more.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from haccp.logger.readings import MICROSECOND, Whole

Bytes = NDArray[np.uint8]
Truths = NDArray[np.bool_]
WIDEST_NUMBER = 17  # a sign, fifteen digits, a mark
MOST_DIGITS = 15
ZERO, MINUS, PLUS, COLON, HYPHEN, POINT = b"0-+:-."
DATE_AND_TIME = 19  # bytes of 2026-03-02T09:30:00
DIGITS_AT = (0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15, 17, 18)
DAYS_IN_MONTH = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
DAYS_BEFORE = np.concatenate([[0], np.cumsum(DAYS_IN_MONTH)])
FIRST_YEAR, LAST_YEAR = 1900, 2999  # others are read one by one


@dataclass(frozen=True)
class Texts:
    """Pieces of one buffer, from ``starts`` up to ``ends``."""

    buffer: Bytes
    starts: Whole
    ends: Whole

    def at(self, place: Whole) -> Bytes:
        """The byte there; of a place outside the buffer any byte."""
        return self.buffer[np.clip(place, 0, len(self.buffer) - 1)]


def numbers(texts: Texts, mark: int) -> tuple[Whole, Whole, Truths]:
    """(digits without the mark, decimals, whether it was read): ``-12.50`` gives -1250 and 2."""
    width = texts.ends - texts.starts
    negative = texts.at(texts.starts) == MINUS
    digits, places, seen = np.zeros((3, len(width)), dtype=np.int64)
    good = (width > negative) & (width <= WIDEST_NUMBER)
    good &= texts.at(texts.ends - 1) - np.uint8(ZERO) < 10
    for at in range(min(int(width.max(initial=0)), WIDEST_NUMBER)):
        inside = width > at
        byte = texts.at(texts.starts + at)
        figure = byte - np.uint8(ZERO)
        is_digit, is_mark = inside & (figure < 10), inside & (byte == mark)
        digits = np.where(is_digit, digits * 10 + figure, digits)
        places += is_digit & (seen > 0)
        seen += is_mark
        good &= is_digit | is_mark | ~inside | (negative if at == 0 else False)
    good &= (seen <= 1) & (width - negative - seen <= MOST_DIGITS)
    return np.where(negative, -digits, digits), places, good


def seconds(texts: Texts, mark: int, most: int) -> tuple[Whole, Truths]:
    """(microseconds, whether it was read) of plain seconds, at most ``most`` of them."""
    digits, places, good = numbers(texts, mark)
    good &= (places <= 6) & (np.abs(digits) <= most * 10 ** np.minimum(places, 6))
    return np.where(good, digits * 10 ** np.clip(6 - places, 0, 6), 0), good


def instants(texts: Texts) -> tuple[Whole, Whole, Truths]:
    """(microseconds since 1970 in UTC, minutes east of UTC, whether it was read) of RFC 3339 times."""
    width = texts.ends - texts.starts
    figure = {at: texts.at(texts.starts + at) - np.uint8(ZERO) for at in DIGITS_AT}
    good = (width > DATE_AND_TIME) & np.logical_and.reduce([each < 10 for each in figure.values()])
    for at, byte in ((4, HYPHEN), (7, HYPHEN), (10, ord("T")), (13, COLON), (16, COLON)):
        good &= texts.at(texts.starts + at) == byte
    year = _of(figure, 0, 1, 2, 3)
    month, day, hour, minute, second = (_of(figure, at, at + 1) for at in (5, 8, 11, 14, 17))
    good &= (year >= FIRST_YEAR) & (year <= LAST_YEAR) & (month >= 1) & (month <= 12)
    good &= (hour < 24) & (minute < 60) & (second < 60)
    days, there = _days(year, np.clip(month, 1, 12), day)
    offset, until, zoned = _offsets(texts)
    fraction, read = _fractions(texts, until)
    of_day = (hour * 60 + minute - offset) * 60 + second
    return (days * 86_400 + of_day) * MICROSECOND + fraction, offset, good & there & zoned & read


def _of(figure: dict[int, Bytes], *places: int) -> Whole:
    made = np.zeros(len(figure[0]), dtype=np.int64)
    for at in places:
        made = made * 10 + figure[at]
    return made


def _days(year: Whole, month: Whole, day: Whole) -> tuple[Whole, Truths]:
    """(days since 1970-01-01, whether there is such a day), by the Gregorian calendar."""
    leap = ((year % 4 == 0) & (year % 100 != 0)) | (year % 400 == 0)
    before = year - 1
    since = before * 365 + before // 4 - before // 100 + before // 400 - 719_162  # days up to 1970-01-01
    in_month = DAYS_IN_MONTH[month] + (leap & (month == 2))
    of_year = DAYS_BEFORE[month] + (leap & (month > 2)) + day - 1
    return since + of_year, (day >= 1) & (day <= in_month)


def _offsets(texts: Texts) -> tuple[Whole, Whole, Truths]:
    """(minutes east of UTC, where the offset begins, whether it was read)."""
    utc = texts.at(texts.ends - 1) == ord("Z")
    sign = texts.at(texts.ends - 6)
    figure = {at: texts.at(texts.ends + at) - np.uint8(ZERO) for at in (-5, -4, -2, -1)}
    plain = np.logical_and.reduce([each < 10 for each in figure.values()])
    plain &= (texts.at(texts.ends - 3) == COLON) & ((sign == PLUS) | (sign == MINUS))
    hours = figure[-5].astype(np.int64) * 10 + figure[-4]
    minutes = figure[-2].astype(np.int64) * 10 + figure[-1]
    plain &= (minutes < 60) & (hours * 60 + minutes <= 14 * 60)
    offset = np.where(sign == MINUS, -1, 1) * (hours * 60 + minutes)
    return np.where(utc, 0, offset), np.where(utc, texts.ends - 1, texts.ends - 6), utc | plain


def _fractions(texts: Texts, until: Whole) -> tuple[Whole, Truths]:
    """(microseconds, whether they were read) between the seconds and ``until``; at most six digits."""
    width = until - texts.starts - DATE_AND_TIME
    good = (width == 0) | ((width >= 2) & (width <= 7) & (texts.at(texts.starts + DATE_AND_TIME) == POINT))
    made = np.zeros(len(width), dtype=np.int64)
    for at in range(1, min(int(width.max(initial=0)), 7)):
        figure = texts.at(texts.starts + DATE_AND_TIME + at) - np.uint8(ZERO)
        inside = width > at
        good &= ~inside | (figure < 10)
        made += np.where(inside, figure, 0) * np.int64(10 ** (6 - at))
    return made, good
