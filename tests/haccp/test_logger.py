"""A logger's files, packed blocks and drawings: exact both ways, every line that is no use named, nothing smoothed."""

import io
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from config.api.refusals import Unusable
from haccp.drawing import Plot, svg
from haccp.logger import blocks, files, plot
from haccp.logger.readings import COLUMNS, Readings, as_csv
from haccp.science.courses import course
from ledger.acts import Moment
from tests.conftest import NOON

EIGHT = Moment.of(datetime(2026, 3, 2, 8, 0, tzinfo=timezone(timedelta(hours=1))))


def read(content: str | bytes, **options) -> Readings:
    raw = content.encode() if isinstance(content, str) else content
    return files.read(io.BytesIO(raw), second_zero=EIGHT, **options)


def written(readings: Readings) -> str:
    return "".join(as_csv(readings))


def refused(content: str | bytes, **options) -> Unusable:
    with pytest.raises(Unusable) as caught:
        read(content, **options)
    return caught.value


def lines(refusal: Unusable) -> list[tuple[str, str]]:
    return [(reason.field, reason.code) for reason in refusal.reasons]


# --- what is read

TIMED = "time,value\n2026-03-02T08:00:00+01:00,72.50\n2026-03-02T08:00:01.250000+01:00,-0.5\n"


def test_times_and_values_come_back_to_the_letter():
    assert written(read(TIMED)) == TIMED


def test_offset_seconds_count_from_the_moment_given():
    found = read("seconds,value\n0,20\n0.5,21\n")
    assert written(found).splitlines()[1:] == [
        "2026-03-02T08:00:00+01:00,20",
        "2026-03-02T08:00:00.500000+01:00,21",
    ]


@pytest.mark.parametrize("name", ["at", "seconds"])
def test_json_lines_say_the_same_as_csv(name):
    first, second = ("2026-03-02T07:00:00Z", "2026-03-02T07:00:09Z") if name == "at" else ("0", "9")
    header = "time" if name == "at" else "seconds"
    said = f'{{"{name}":"{first}","value":72.50}}\n\n{{ "value": "7", "{name}": "{second}" }}'
    assert written(read(said)) == written(read(f"{header},value\n{first},72.50\n{second},7\n"))


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
@pytest.mark.parametrize("last", ["", "\n"])
def test_line_ends_of_either_kind_are_read(ends, last):
    assert len(read(ends.join(["seconds,value", "0,1", "", "1,2"]) + last)) == 2


def test_a_byte_order_mark_quotes_and_blanks_around_numbers_are_read():
    assert read('\ufeff"seconds","value"\n0, 1.5\n"1","2"\n').values.tolist() == [1.5, 2.0]


def test_a_decimal_comma_is_read_where_it_is_said():
    assert read("seconds;value\n0;12,5\n1,5;13\n", decimal_comma=True).values.tolist() == [12.5, 13.0]
    assert read('seconds,value\n0,"12,5"\n1,13\n', decimal_comma=True).values.tolist() == [12.5, 13.0]


def test_clocks_that_change_their_offset_are_read_as_one_time():
    """Summer time began in Berlin on 2026-03-29 at 01:00 UTC (from memory)."""
    found = read("time,value\n2026-03-29T01:59:59+01:00,1\n2026-03-29T03:00:00+02:00,2\n")
    assert found.seconds.tolist() == [0.0, 1.0]
    assert found.offsets.tolist() == [60, 120]


def test_a_chunk_boundary_changes_nothing(monkeypatch):
    said = "seconds,value\n" + "".join(f"{at},{at}.{at % 10}\n" for at in range(200))
    whole = written(read(said))
    for size in (15, 16, 17, 64):
        monkeypatch.setattr(files, "CHUNK", size)
        assert written(read(said)) == whole


NUMBER = st.from_regex(r"-?(0|[1-9][0-9]{0,8})(\.[0-9]{1,5})?", fullmatch=True)
TIMES = st.datetimes(datetime(2, 1, 2), datetime(9998, 12, 30))
OFFSETS = st.integers(-14 * 60, 14 * 60)


@given(values=st.lists(NUMBER, min_size=2, max_size=30))
def test_any_number_comes_back_with_the_digits_it_was_sent_with(values):
    said = "seconds,value\n" + "".join(f"{at},{value}\n" for at, value in enumerate(values))
    back = [line.split(",")[1] for line in written(read(said)).splitlines()[1:]]
    assert back == [value.removeprefix("-") if not Decimal(value) else value for value in values]


@given(values=st.lists(NUMBER, min_size=2, max_size=30))
def test_a_number_is_the_float_that_is_nearest_to_its_text(values):
    said = "seconds,value\n" + "".join(f"{at},{value}\n" for at, value in enumerate(values))
    assert read(said).values.tolist() == [float(value) for value in values]


@given(
    first=TIMES,
    steps=st.lists(st.tuples(st.integers(1, 10**9), OFFSETS), min_size=1, max_size=20),
    offset=OFFSETS,
)
def test_any_time_comes_back_with_its_offset(first, steps, offset):
    at, said = first.replace(tzinfo=UTC), ["time,value"]
    for step, zone in [(0, offset), *steps]:
        at += timedelta(microseconds=step)
        local = at.astimezone(timezone(timedelta(minutes=zone)))
        spelled = local.isoformat(timespec="microseconds" if local.microsecond else "seconds")
        said.append(f"{spelled},1")
    assert written(read("\n".join(said))).splitlines() == said


@given(st.text("0123456789+-.,TZ:eEnaf \t;\"'", max_size=30))
def test_what_is_read_at_once_is_what_is_read_one_by_one(text):
    """The quick way knows no number and no time that the strict way refuses, and comes to the same."""
    for header in ("time", "seconds"):
        way = files.Way(header, ",", False, EIGHT)
        found = files.Collected()
        files._read_rows(files._split_csv(f"{text}\n".encode(), 1, ","), way, found)
        kept = [tuple(int(getattr(each, name)[0]) for name in COLUMNS) for each in found.chunks if len(each)]
        try:
            parts = files._parts_of_csv(text.encode(), ",")
            assert kept == ([files._read_one(*parts, way)] if any(part.strip() for part in parts) else [])
        except Unusable:
            assert found.reasons or not text.strip("\r")


# --- what is refused, by its line


@pytest.mark.parametrize(
    "value", ["NaN", "nan", "Infinity", "-inf", "1e309", "1e3", "0x1F", "12.5.1", "1_0", "١", "--1"]
)
def test_what_is_no_plain_number_is_named_by_its_line(value):
    assert lines(refused(f"seconds,value\n0,1\n1,{value}\n")) == [("lines.3.value", "not-a-number")]


def test_an_empty_value_is_named_by_its_line():
    assert lines(refused("seconds,value\n0,1\n1,\n")) == [("lines.3.value", "number-missing")]


def test_too_many_digits_are_named():
    assert lines(refused("seconds,value\n0,1\n1,1234567890123456\n")) == [
        ("lines.3.value", "too-many-digits")
    ]


def test_a_decimal_comma_that_was_not_said_is_named_with_the_way_out():
    refusal = refused("seconds;value\n0;12,5\n1;13\n")
    assert lines(refusal) == [("lines.2.value", "not-a-number")]
    assert "decimal_comma" in refusal.reasons[0].detail


def test_a_decimal_comma_between_columns_that_lie_apart_by_commas_is_named():
    refusal = refused("seconds,value\n0,12,5\n1,13\n", decimal_comma=True)
    assert lines(refusal) == [("lines.2", "shape")]


@pytest.mark.parametrize(
    "time",
    [
        "2026-02-29T08:00:00Z",
        "2026-03-02T24:00:01Z",
        "2026-03-02T08:00:60Z",
        "2026-03-02T08:00:00+15:00",
        "8:00",
        "",
    ],
)
def test_a_time_that_is_none_is_named(time):
    assert lines(refused(f"time,value\n{time},1\n2026-03-02T08:00:00Z,2\n"))[0] == (
        "lines.2.time",
        "unusable-value",
    )


def test_a_time_without_offset_is_named():
    refusal = refused("time,value\n2026-03-02T08:00:00,1\n2026-03-02T08:00:00Z,2\n")
    assert "Say the offset" in refusal.reasons[0].detail


def test_every_line_that_is_no_use_is_named_up_to_fifty():
    refusal = refused("seconds,value\n" + "x,y\n" * 60)
    assert len(refusal.reasons) == 50
    assert "reading stopped there" in refusal.detail


def test_a_clock_that_runs_backwards_or_stands_still_is_named():
    refusal = refused("seconds,value\n0,1\n\n5,2\n5,3\n3,4\n")
    assert lines(refusal) == [("lines.5", "clock-runs-backwards"), ("lines.6", "clock-runs-backwards")]
    assert [reason.detail for reason in refusal.reasons] == [
        "Line 5: the clock stands still since the reading before.",
        "Line 6: the clock runs back by 2 s since the reading before.",
    ]


@pytest.mark.parametrize(
    ("content", "code"),
    [
        ("", "no-readings"),
        ("\n", "no-readings"),
        ("seconds,value\n", "no-readings"),
        ("seconds,value\n0,1\n", "one-reading"),
        ('{"seconds":0,"value":1}', "one-reading"),
        ("at,value\n0,1\n", "unknown-header"),
        ("0,1\n1,2\n", "unknown-header"),
        ("seconds,value\n" + "1" * 2000, "line-too-long"),
    ],
)
def test_a_file_that_is_no_series_is_refused(content, code):
    assert code in {refused(content).code, *(said for _, said in lines(refused(content)))}


def test_more_than_a_million_readings_are_asked_for_in_parts(monkeypatch):
    monkeypatch.setattr(files, "MOST_READINGS", 3)
    assert refused("seconds,value\n0,1\n1,1\n2,1\n3,1\n").code == "too-many-readings"


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ('{"seconds":1,"value":NaN}', "not-a-number"),
        ('{"seconds":1,"value":Infinity}', "not-a-number"),
        ('{"seconds":1,"value":1e309}', "not-a-number"),
        ('{"seconds":1,"value":null}', "number-missing"),
        ('{"seconds":1,"value":true}', "not-text"),
        ('{"seconds":1}', "shape"),
        ('{"seconds":1,"value":1,"value":2}', "shape"),
        ('{"at":"2026-03-02T08:00:00Z","value":1}', "shape"),
        ("[" * 900, "not-json"),
        ("[]", "shape"),
        ("1", "shape"),
        ('{"seconds":"1,"value":1}', "not-json"),
        ('{"seconds":1,"value":"\\ud800"}', "not-a-number"),
    ],
)
def test_json_lines_that_are_no_use_are_named(line, code):
    found = lines(refused(f'{{"seconds":0,"value":1}}\n{line}\n{{"seconds":2,"value":1}}\n'))
    assert [(place.split(".")[1], said) for place, said in found] == [("2", code)]


def test_what_is_not_utf_8_is_named():
    assert lines(refused(b"seconds,value\n0,1\n1,\xff\n")) == [("lines.3", "not-utf-8")]


def test_seconds_finer_than_a_microsecond_or_out_of_reach_are_named():
    refusal = refused("seconds,value\n0.0000001,1\n1000000001,2\n")
    assert lines(refusal) == [("lines.2.seconds", "too-fine"), ("lines.3.seconds", "too-far")]


# --- packed

WHOLE = st.integers(-(10**15) + 1, 10**15 - 1)
ROW = st.tuples(st.integers(1, 10**14), st.integers(-840, 840), WHOLE, st.integers(0, 15))


@given(st.lists(ROW, min_size=1, max_size=200))
def test_packed_readings_come_back_exactly(rows):
    steps, offsets, digits, places = (np.array(column, dtype=np.int64) for column in zip(*rows, strict=True))
    readings = Readings(np.cumsum(steps), offsets, digits, places)
    back = blocks.unpack(block.data for block in blocks.pack(readings))
    assert all((getattr(back, name) == getattr(readings, name)).all() for name in COLUMNS)


def some_readings(count: int = 10_000) -> Readings:
    at = np.arange(count, dtype=np.int64)
    return Readings(at * 1_000_000, at * 0 + 60, 700 + at % 13, at * 0 + 1)


def test_a_block_holds_about_an_hour_at_one_a_second():
    assert len(list(blocks.pack(some_readings()))) == 3


def test_regular_readings_take_less_than_a_byte_each():
    assert sum(len(block.data) for block in blocks.pack(some_readings())) < 10_000


def test_the_hash_of_a_block_is_of_what_it_says_not_of_how_it_is_compressed(monkeypatch):
    quick = [block.sha256 for block in blocks.pack(some_readings())]
    monkeypatch.setattr(blocks, "QUICK", 9)
    assert [block.sha256 for block in blocks.pack(some_readings())] == quick


@pytest.mark.parametrize(
    "spoil", [lambda data: data[:-3], lambda data: data + b"x", lambda data: b"", lambda data: b"x" * 9]
)
def test_a_damaged_block_is_told_apart(spoil):
    (block,) = blocks.pack(some_readings(50))
    with pytest.raises(blocks.Damaged):
        blocks.unpack([spoil(block.data)])


def test_a_block_that_would_swell_without_end_is_not_read():
    with pytest.raises(blocks.Damaged):
        blocks.inflate(blocks.zlib.compress(bytes(10**7)))


# --- drawn


def drawn(seconds, values, **more) -> Plot:
    usual = {"title": "T-1 Kettle", "began": NOON, "symbol": "°C", "longest_gap": 2.0}
    return plot.plot(plot.Drawn(course=course(seconds, values, "CEL"), **(usual | more)))


def line_of(made: Plot) -> list[tuple[float, float | None]]:
    return list(made.panels[0].lines[0].points)


def test_a_gap_is_left_open_and_told():
    made = drawn([0, 1, 2, 9, 10], [1, 2, 3, 4, 5])
    assert line_of(made) == [(0, 1), (1, 2), (2, 3), (2, None), (9, 4), (10, 5)]
    assert "1 gap left open: 12:00:02 to 12:00:09." in made.told
    assert "no gap" in drawn([0, 1], [1, 2]).told


def test_the_first_few_gaps_are_named_with_their_day_where_it_changed():
    began = NOON.replace(hour=23, minute=59, second=50)
    made = drawn([at * 9 for at in range(8)], [1] * 8, began=began)
    assert "7 gaps left open: 23:59:50 to 23:59:59, 23:59:59 to 2026-03-03 00:00:08, " in made.told
    assert made.told.endswith("2026-03-03 00:00:35, and more.")


def test_few_readings_are_dots_and_of_many_those_alone_between_two_gaps():
    few = drawn([0, 1, 2], [1, 2, 3]).panels[0].marks
    assert [(mark.x, mark.y) for mark in few] == [(0, 1), (1, 2), (2, 3)]
    seconds = np.arange(100.0)
    seconds[50:] += 9
    seconds[51:] += 9
    (mark,) = drawn(seconds, seconds).panels[0].marks
    assert (mark.x, mark.y) == (59, 59)


def test_a_limit_goes_across_under_its_name():
    limit = drawn([0, 5], [20, 21], limits=[("upper 30 °C", 30.0)]).panels[0].lines[1]
    assert (limit.name, limit.look, limit.points) == ("upper 30 °C", "plan", ((0, 30), (5, 30)))


def test_times_stand_at_round_marks_of_the_loggers_clock():
    began = NOON.replace(hour=23, minute=50)
    ticks = drawn([0, 1200], [1, 2], began=began, longest_gap=2000.0).ticks
    assert [tick.rows for tick in ticks][:3] == [("23:50", "2026-03-02"), ("23:55",), ("00:00", "2026-03-03")]
    assert [tick.x for tick in ticks][:3] == [0, 300, 600]


def test_of_many_readings_no_peak_and_no_gap_is_lost():
    seconds, values = np.arange(200_000.0), np.full(200_000, 20.0)
    values[123_457] = 95.0
    seconds[150_001:] += 10
    points = line_of(drawn(seconds, values))
    assert (123_457.0, 95.0) in points
    assert [point for point in points if point[1] is None] == [(150_000.0, None)]
    assert len(points) < 5 * plot.COLUMNS


def test_more_gaps_than_columns_are_not_joined_either():
    seconds = np.cumsum(np.where(np.arange(20_000) % 2, 1.0, 10.0))
    points = line_of(drawn(seconds, np.sin(seconds)))
    assert sum(value is None for _, value in points) == plot.COLUMNS
    assert len(points) < 6 * plot.COLUMNS


@given(
    steps=st.lists(st.floats(1e-6, 1e9), min_size=1, max_size=40),
    low=st.floats(-1e9, 1e9),
    spread=st.floats(0, 1e9),
    gap=st.floats(1e-6, 1e9),
)
def test_any_course_can_be_drawn(steps, low, spread, gap):
    seconds = np.concatenate([[0.0], np.cumsum(steps)])
    assume((np.diff(seconds) > 0).all())
    made = drawn(seconds, low + spread * np.linspace(0, 1, len(seconds)), longest_gap=gap)
    assert len(made.ticks) <= plot.MOST_TICKS + 1
    ElementTree.fromstring(svg(made))
