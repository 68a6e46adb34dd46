"""Reading a logger's file: CSV or NDJSON, streamed, all or nothing, every row that is no use named with its line.

CSV begins with the line ``time,value`` or ``seconds,value``; the columns may also lie apart by ; or a tab. NDJSON
(one JSON object a line) has ``{"at": a time, "value": a number}`` or ``{"seconds": a number, "value": a number}``.
Times are RFC 3339 with their offset; seconds count from a moment that is given besides. Numbers are read as everywhere
(``batches.quantities.parse_number``): no NaN, no exponent, at most fifteen digits, a decimal comma only where it is
said. Memory is bounded: of the file a chunk at a time, of the readings their columns.
"""

import csv
import json
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import IO

import numpy as np

from batches.quantities import parse_number
from config.api.refusals import Reason, Unusable
from haccp.logger import columns
from haccp.logger.columns import Texts, Truths
from haccp.logger.readings import COLUMNS, MICROSECOND, Readings, Whole
from ledger.acts import Moment

MOST_READINGS = 1_000_000
MOST_NAMED = 50  # rows that are no use, before reading stops
MOST_SECONDS = 1_000_000_000  # some 31 years
LONGEST_LINE = 1000  # bytes
CHUNK = 1 << 20
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
SEPARATORS = (",", ";", "\t")
HEADERS = (["time", "value"], ["seconds", "value"])
HEADER_ASKED = (
    "The first line is neither time,value nor seconds,value, nor a JSON object with at or seconds, and value."
)
BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_SAID = rb'(?:"([^"\\\s,{}]*)"|(-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?))'
PLAIN_OBJECT = re.compile(rb'\{"(at|seconds)": ?' + _SAID + rb', ?"value": ?' + _SAID + rb"\}\r?")
"""How most loggers write such a line; any other JSON is read the long way."""


@dataclass(frozen=True)
class Way:
    """How this file is written. ``separator``: of CSV; empty means NDJSON. ``clock``: ``time`` or ``seconds``."""

    clock: str
    separator: str
    decimal_comma: bool
    second_zero: Moment

    @property
    def mark(self) -> int:
        return ord("," if self.decimal_comma else ".")


@dataclass(frozen=True)
class Rows:
    """Rows of a chunk: their lines (counted from 1), the pieces of those that came apart plainly, and how to take one
    apart by itself (raises Unusable)."""

    lines: Whole
    times: Texts
    values: Texts
    plain: Truths
    parts: Callable[[int], tuple[str, str]]


@dataclass
class Collected:
    """Columns read so far, with the line of each, and what is wrong."""

    chunks: list[Readings] = field(default_factory=list)
    lines: list[Whole] = field(default_factory=list)
    reasons: list[Reason] = field(default_factory=list)
    count: int = 0


def read(file: IO[bytes], *, second_zero: Moment, decimal_comma: bool = False) -> Readings:
    """Every reading of a file. ``second_zero``: when offset seconds begin to count, and on which clock.

    Raises Unusable with a reason for each row that is no use (the first fifty), for fewer than two readings or more
    than a million, and for a clock that stands still or runs backwards.
    """
    chunks = _chunks(file)
    first = next(chunks, b"").removeprefix(BYTE_ORDER_MARK)
    way, skip = _way(first, decimal_comma, second_zero)
    found, line = Collected(), 1
    for chunk in _with_first(first, chunks):
        rows = _split(chunk, line, way)
        _read_rows(rows if line > 1 or not skip else _without_first(rows), way, found)
        line += chunk.count(b"\n")
        if found.count > MOST_READINGS:
            sentence = f"More than {MOST_READINGS:,} readings: send them in parts."
            raise Unusable(sentence, code="too-many-readings", field="file")
        if len(found.reasons) >= MOST_NAMED:
            break
    return _whole(found)


def _with_first(first: bytes, chunks: Iterator[bytes]) -> Iterator[bytes]:
    yield first
    yield from chunks


def _chunks(file: IO[bytes]) -> Iterator[bytes]:
    """Whole lines, about a mebibyte at a time; the last one ends in a line end too."""
    rest, lines = b"", 1
    while block := file.read(CHUNK):
        whole, end, rest = (rest + block).rpartition(b"\n")
        if end:
            yield whole + end
            lines += whole.count(b"\n") + 1
        if len(rest) > LONGEST_LINE:
            raise Unusable(
                f"Line {lines} is longer than {LONGEST_LINE} bytes.",
                code="line-too-long",
                field=f"lines.{lines}",
            )
    if rest:
        yield rest + b"\n"


def _way(first: bytes, decimal_comma: bool, second_zero: Moment) -> tuple[Way, bool]:
    """How the file is written, by its first line, and whether that line is a header."""
    line = first.split(b"\n", 1)[0].decode("utf-8", "replace").strip()
    if not line:
        raise Unusable("The file begins with an empty line, or is empty.", code="no-readings", field="file")
    if line.startswith("{"):
        clock = "seconds" if '"seconds"' in line else "time"
        return Way(clock, "", decimal_comma, second_zero), False
    for separator in SEPARATORS:
        names = [name.strip(' "').lower() for name in line.split(separator)]
        if names in HEADERS:
            return Way(names[0], separator, decimal_comma, second_zero), True
    raise Unusable(HEADER_ASKED, code="unknown-header", field="lines.1")


# -- taking rows apart ----------------------------------------------------------------------------------


def _split(chunk: bytes, line: int, way: Way) -> Rows:
    return _split_csv(chunk, line, way.separator) if way.separator else _split_json(chunk, line, way.clock)


def _split_csv(chunk: bytes, line: int, separator: str) -> Rows:
    buffer = np.frombuffer(chunk, dtype=np.uint8)
    ends = np.flatnonzero(buffer == ord("\n"))
    starts = np.concatenate([[0], ends[:-1] + 1])
    ends = ends - ((ends > starts) & (buffer[np.maximum(ends - 1, 0)] == ord("\r")))
    full = ends > starts
    starts, ends, lines = starts[full], ends[full], (line + np.arange(len(full)))[full]
    marks = np.append(np.flatnonzero(buffer == ord(separator)), len(buffer))
    first = np.searchsorted(marks, starts)
    middle = np.minimum(marks[first], ends)
    plain = np.searchsorted(marks, ends) - first == 1

    def parts(row: int) -> tuple[str, str]:
        return _parts_of_csv(chunk[starts[row] : ends[row]], separator)

    after = np.minimum(middle + 1, ends)
    return Rows(lines, Texts(buffer, starts, middle), Texts(buffer, after, ends), plain, parts)


def _parts_of_csv(raw: bytes, separator: str) -> tuple[str, str]:
    found = next(csv.reader([_text(raw)], delimiter=separator), [])
    if len(found) != 2:
        why = ""
        if separator == "," and len(found) == 3:
            why = " A decimal comma needs ; between the columns, or quotes around the number."
        raise Unusable(f"It has {len(found)} parts, not a time and a value.{why}", code="shape")
    return found[0], found[1]


def _split_json(chunk: bytes, line: int, clock: str) -> Rows:
    raw = chunk.split(b"\n")[:-1]
    full = [at for at, each in enumerate(raw) if each.strip()]
    pairs = [_pair(raw[at], clock) for at in full]
    plain = np.array([not isinstance(pair, Unusable) for pair in pairs], dtype=bool)

    def parts(row: int) -> tuple[str, str]:
        pair = pairs[row]
        if isinstance(pair, Unusable):
            raise pair
        return pair

    texts = [("", "") if isinstance(pair, Unusable) else pair for pair in pairs]
    lines = line + np.array(full, dtype=np.int64)
    times, values = (_side_by_side([each[side] for each in texts]) for side in (0, 1))
    return Rows(lines, times, values, plain, parts)


def _pair(raw: bytes, clock: str) -> tuple[str, str] | Unusable:
    """(time, value) as texts, digit for digit; or why not."""
    key = "at" if clock == "time" else "seconds"
    if (found := PLAIN_OBJECT.fullmatch(raw)) and found[1] == key.encode():
        try:
            return (found[2] or found[3] or b"").decode(), (found[4] or found[5] or b"").decode()
        except UnicodeDecodeError:
            return Unusable("It is not UTF-8.", code="not-utf-8")
    try:
        pairs = json.loads(
            _text(raw), parse_float=str, parse_int=str, parse_constant=str, object_pairs_hook=tuple
        )
    except Unusable as refusal:
        return refusal
    except (ValueError, RecursionError):
        return Unusable("It is no JSON object.", code="not-json")
    if not isinstance(pairs, tuple) or sorted(name for name, _ in pairs) != sorted((key, "value")):
        return Unusable(f'It is not {{"{key}": ..., "value": ...}}, as the first line is.', code="shape")
    said = dict(pairs)
    wrong = [name for name, value in said.items() if value is not None and not isinstance(value, str)]
    if wrong:
        return Unusable(f"Its {wrong[0]} is neither text nor a number.", code="not-text")
    return said[key] or "", said["value"] or ""


def _side_by_side(texts: Sequence[str]) -> Texts:
    encoded = [text.encode("utf-8", "replace") for text in texts]
    ends = np.cumsum([len(each) for each in encoded], dtype=np.int64)
    starts = np.concatenate([[0], ends[:-1]]).astype(np.int64)[: len(ends)]
    return Texts(np.frombuffer(b"".join(encoded) or b" ", dtype=np.uint8), starts, ends)


def _text(raw: bytes) -> str:
    if len(raw) > LONGEST_LINE:
        raise Unusable(f"It is longer than {LONGEST_LINE} bytes.", code="line-too-long")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise Unusable("It is not UTF-8.", code="not-utf-8") from error


def _without_first(rows: Rows) -> Rows:
    """The same without the header."""
    times, values = (Texts(each.buffer, each.starts[1:], each.ends[1:]) for each in (rows.times, rows.values))
    return Rows(rows.lines[1:], times, values, rows.plain[1:], lambda row: rows.parts(row + 1))


# -- reading them ---------------------------------------------------------------------------------------


def _read_rows(rows: Rows, way: Way, found: Collected) -> None:
    """Add the rows of a chunk: the plain ones at once, the others one by one."""
    zero = _microseconds(way.second_zero.at)
    if way.clock == "time":
        at, offsets, timed = columns.instants(rows.times)
    else:
        since, timed = columns.seconds(rows.times, way.mark, MOST_SECONDS)
        at, offsets = since + zero, np.full(len(since), way.second_zero.offset)
    digits, places, numbered = columns.numbers(rows.values, way.mark)
    kept = np.ones(len(at), dtype=bool)
    for row in np.flatnonzero(~(rows.plain & timed & numbered)).tolist():
        line, parts = int(rows.lines[row]), ("", "")
        try:
            parts = rows.parts(row)
            kept[row] = any(part.strip() for part in parts)
            if kept[row]:
                at[row], offsets[row], digits[row], places[row] = _read_one(*parts, way)
        except Unusable as refusal:
            found.reasons.append(_reason(line, refusal, "," in parts[1] and not way.decimal_comma))
            if len(found.reasons) >= MOST_NAMED:
                return
    found.chunks.append(Readings(at[kept], offsets[kept], digits[kept], places[kept]))
    found.lines.append(rows.lines[kept])
    found.count += int(np.count_nonzero(kept))


def _read_one(time: str, value: str, way: Way) -> tuple[int, int, int, int]:
    """(at, offset, digits, places) of one row, strictly."""
    if way.clock == "time":
        moment = Moment.parse(time.strip(), "time")
        at, offset = _microseconds(moment.at), moment.offset
    else:
        since = parse_number(time, field="seconds", decimal_comma=way.decimal_comma)
        at, offset = _microseconds(way.second_zero.at) + _of_seconds(since), way.second_zero.offset
    number = parse_number(value, field="value", decimal_comma=way.decimal_comma)
    places = max(0, -int(number.as_tuple().exponent))
    return at, offset, int(number.scaleb(places)), places


def _of_seconds(since: Decimal) -> int:
    if abs(since) > MOST_SECONDS:
        raise Unusable(
            f"More than {MOST_SECONDS:,} seconds from the beginning.", code="too-far", field="seconds"
        )
    fine = since * MICROSECOND
    if fine != fine.to_integral_value():
        raise Unusable("Finer than a microsecond.", code="too-fine", field="seconds")
    return int(fine)


def _microseconds(at: datetime) -> int:
    return (at - EPOCH) // timedelta(microseconds=1)


def _reason(line: int, refusal: Unusable, comma: bool) -> Reason:
    detail = f"Line {line}: {refusal.detail}"
    if comma:
        detail += " Or send decimal_comma as true."
    return Reason(refusal.code, detail, f"lines.{line}.{refusal.reasons[0].field}".rstrip("."))


# -- all or nothing -------------------------------------------------------------------------------------


def _whole(found: Collected) -> Readings:
    if found.reasons:
        more = ", and reading stopped there" if len(found.reasons) >= MOST_NAMED else ""
        rows = "1 line is" if len(found.reasons) == 1 else f"{len(found.reasons)} lines are"
        sentence = f"{rows} of no use{more}. Nothing was stored: put them right and send all again."
        raise Unusable(sentence, code="lines", reasons=found.reasons)
    if found.count < 2:
        sentence = "One reading cannot show how long: give at least two." if found.count else "No readings."
        raise Unusable(sentence, code="one-reading" if found.count else "no-readings", field="file")
    lines = np.concatenate(found.lines)
    made = Readings(*(np.concatenate([getattr(each, name) for each in found.chunks]) for name in COLUMNS))
    _refuse_backwards(made, lines)
    _refuse_far(made, lines)
    return made


def _refuse_backwards(readings: Readings, lines: Whole) -> None:
    steps = np.diff(readings.at)
    reasons = []
    for row in np.flatnonzero(steps <= 0)[:MOST_NAMED].tolist():
        line, step = int(lines[row + 1]), float(steps[row]) / MICROSECOND
        told = "stands still" if step == 0 else f"runs back by {-step:g} s"
        sentence = f"Line {line}: the clock {told} since the reading before."
        reasons.append(Reason("clock-runs-backwards", sentence, f"lines.{line}"))
    if reasons:
        sentence = "The logger's clock runs backwards or stands still. Nothing was stored."
        raise Unusable(sentence, code="clock-runs-backwards", reasons=reasons)


def _refuse_far(readings: Readings, lines: Whole) -> None:
    """Only times that can be told on any clock of this earth, as ``Moment`` has it."""
    first, last = (_microseconds(datetime(year, 1, 1, tzinfo=UTC)) for year in (2, 9999))
    odd = np.flatnonzero((readings.at < first) | (readings.at >= last))
    if len(odd):
        line = int(lines[odd[0]])
        sentence = f"Line {line}: a time lies in the years 2 to 9998."
        raise Unusable(sentence, code="too-far", field=f"lines.{line}")
