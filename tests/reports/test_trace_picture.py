"""The picture of a trace and its indented table: nothing cut without a word, nothing on another, the same each time."""

import hashlib
import itertools
import os
import re
import subprocess
import sys
from collections import Counter
from datetime import UTC, datetime
from uuid import UUID
from xml.etree import ElementTree

import networkx as nx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from batches.models import Lot, TradingPartner
from batches.trace_results import Direction, MixedLots, Side
from reports.trace_picture import drawing, indented, telling
from reports.trace_picture.drawing import Bounds, Look
from reports.trace_picture.layers import Line, crossings, forward_only, layers_of, layout
from tests.haccp.conftest import *  # noqa: F403 - a house that makes things
from tests.haccp.recalls.conftest import *  # noqa: F403 - shops that got some of it
from tests.reports.drawn_traces import contact, lot, step, trace, traces, uid

SVG = "{http://www.w3.org/2000/svg}"


@st.composite
def graphs(draw):
    """(boxes, ways), circles and ways from a box to itself too."""
    count = draw(st.integers(1, 14))
    place = st.integers(0, count - 1)
    return count, draw(st.lists(st.tuples(place, place), max_size=40, unique=True))


def fan(count):
    """A lot that went into ``count`` others."""
    lots = [lot(0, Side.START), *(lot(number, Side.FORWARD, share=0.5) for number in range(1, count + 1))]
    return trace(lots, [step(0, number) for number in range(1, count + 1)])


def boxes_of(svg):
    """(x, y, width, height) of each box."""
    found = [group.find(f"{SVG}rect") for group in ElementTree.fromstring(svg).iter(f"{SVG}g")]
    return [tuple(float(each.get(name)) for name in ("x", "y", "width", "height")) for each in found]


def words_of(svg):
    return [each.text or "" for each in ElementTree.fromstring(svg).iter(f"{SVG}text")]


# -- layers ---------------------------------------------------------------------------------------------


@given(graph=graphs())
def test_layers_are_the_longest_ways_that_networkx_finds(graph):
    count, ways = graph
    kept = forward_only(count, ways)
    known = nx.DiGraph(kept)
    known.add_nodes_from(range(count))
    layer = layers_of(count, ways)
    for number, generation in enumerate(nx.topological_generations(known)):
        for box in generation:
            near = [layer[target] for target in known.successors(box)]
            assert layer[box] == (number if number or not near else min(near) - 1)


@given(graph=graphs())
def test_only_ways_that_close_a_circle_are_turned(graph):
    count, ways = graph
    known = nx.DiGraph(way for way in ways if way[0] != way[1])
    kept = forward_only(count, ways)
    assert nx.is_directed_acyclic_graph(nx.DiGraph(kept))
    if nx.is_directed_acyclic_graph(known):
        assert kept == [way for way in ways if way[0] != way[1]]


@given(graph=graphs())
def test_what_stands_in_a_layer_never_lies_on_another(graph):
    count, ways = graph
    found = layout(layers_of(count, ways), [Line(*way) for way in ways], box_height=20, point_height=3)
    for layer in found.layers:
        ends = [
            (found.heights[each], 20 if each < count else 3) for each in sorted(layer, key=found.heights.get)
        ]
        for (upper, tall), (lower, low) in itertools.pairwise(ends):
            assert lower - upper >= (tall + low) / 2 - 1e-6
    assert sorted(box for layer in found.layers for box in layer if box < count) == list(range(count))


@given(graph=graphs())
def test_each_line_runs_through_every_layer_between_its_ends(graph):
    count, ways = graph
    found = layout(layers_of(count, ways), [Line(*way) for way in ways], box_height=20, point_height=3)
    at = {each: number for number, layer in enumerate(found.layers) for each in layer}
    for (source, target), way in zip(ways, found.ways, strict=True):
        if source == target:
            assert way == ()
            continue
        assert {way[0], way[-1]} == {source, target}
        assert [at[each] for each in way] == list(range(at[way[0]], at[way[-1]] + 1))


def test_links_that_cross_are_counted_once():
    assert crossings([[0, 1], [2, 3]], {0: [3], 1: [2]}) == 1
    assert crossings([[0, 1], [2, 3]], {0: [2, 3], 1: [2, 3]}) == 1  # K2,2 in two rows crosses once
    assert crossings([[0, 1], [2, 3]], {0: [2], 1: [3]}) == 0


def test_a_crossing_that_need_not_be_is_undone():
    found = layout([0, 0, 1, 1], [Line(0, 3), Line(1, 2)], box_height=1, point_height=1)
    heights = found.heights
    assert (heights[0] < heights[1]) == (heights[3] < heights[2])


# -- the picture ----------------------------------------------------------------------------------------


@given(found=traces(), most=st.sampled_from([Bounds(), Bounds(6, 3, 3), Bounds(1, 1, 1)]))
def test_every_lot_and_line_is_drawn_or_told_as_left_out(found, most):
    picture = telling.picture_of(found)
    drawn = drawing.chosen(picture, most)
    assert found.starts[0] in [found.lots[box].uid for box in drawn.boxes]
    assert len(drawn.boxes) <= most.boxes
    assert max(Counter(drawn.layers).values()) <= most.down
    assert len(set(drawn.layers)) <= most.across
    svg = telling.svg(found, most)
    assert len(boxes_of(svg)) == len(drawn.boxes)
    left = len(picture.looks) - len(drawn.boxes), len(picture.lines) - len(drawn.lines)
    told = (
        [int(number) for number in re.findall(r"Not drawn: (\d+) lots?, (\d+) lines?", svg)[0]]
        if any(left)
        else []
    )
    assert told == (list(left) if any(left) else [])
    assert ("Not drawn" in svg) == any(left)


@given(found=traces())
def test_no_box_lies_on_another_nor_runs_out_of_the_picture(found):
    svg = telling.svg(found)
    wide, high = (float(each) for each in ElementTree.fromstring(svg).get("viewBox").split()[2:])
    boxes = boxes_of(svg)
    for place, (x, y, width, height) in enumerate(boxes):
        assert x >= 0
        assert y >= 0
        assert x + width <= wide
        assert y + height <= high
        for left, top, across, down in boxes[place + 1 :]:
            apart = x + width <= left or left + across <= x
            assert apart or y + height <= top or top + down <= y


@given(names=st.lists(st.text(max_size=60), min_size=2, max_size=2), shipped=st.integers(0, 10**15))
def test_no_text_runs_out_of_its_box(names, shipped):
    found = trace([lot(0, Side.START, material_name=names[0], code=names[1], shipped=shipped)], [])
    for group in ElementTree.fromstring(telling.svg(found)).iter(f"{SVG}g"):
        frame = group.find(f"{SVG}rect")
        right = float(frame.get("x")) + float(frame.get("width"))
        for row in group.iter(f"{SVG}text"):
            assert float(row.get("x")) + float(row.get("textLength") or 0) <= right


@given(found=traces())
def test_the_same_trace_is_the_same_picture(found):
    assert telling.svg(found) == telling.svg(found)


def test_it_is_the_same_picture_in_another_process():
    """Sets of texts come in another order where hashes have another seed (Python's documentation of PYTHONHASHSEED)."""
    code = """
import hashlib
from reports.trace_picture import drawing
from reports.trace_picture.drawing import Bounds, Box, Look, Picture
from reports.trace_picture.layers import Line
looks = (Look.START, *[Look.SUSPECT] * 13)
box = lambda n: Box((str(n), "a", "b"), str(n), looks[n])
lines = tuple(Line(n // 3, n, Look.SOURCE if n % 4 else Look.SUSPECT) for n in range(1, 14)) + (Line(0, 13, Look.MIXED),)
picture = Picture("title", looks, box, lines, tuple((look, look.value) for look in Look))
drawn = drawing.chosen(picture, Bounds(12, 5, 4))
print(hashlib.sha256(drawing.svg(picture, drawn, told="told", words=["words"]).encode()).hexdigest())
"""
    made = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(made) == 1
    assert len(made.pop().strip()) == hashlib.sha256().digest_size * 2


def test_the_suspect_path_differs_by_its_line_and_not_by_colour_alone():
    looks = {
        look: {name: how for name, how in told.items() if name != "stroke"}
        for look, told in drawing.STROKES.items()
    }
    assert len({tuple(sorted(each.items())) for each in looks.values()}) == len(Look)


def test_what_came_of_the_traced_lot_is_thick_and_what_went_in_is_thin():
    lots = [lot(0, Side.BACK, part=1.0), lot(1, Side.START), lot(2, Side.FORWARD, share=0.5)]
    found = trace(lots, [step(0, 1), step(1, 2)], Direction.WHOLE)
    assert [line.look for line in telling.picture_of(found).lines] == [Look.SOURCE, Look.SUSPECT]


def test_shared_equipment_is_drawn_dotted_from_the_lot_of_the_batch_before():
    found = trace([lot(0, Side.START), lot(1, Side.CONTACT, contact=0)], [], contacts=(contact(0, 1),))
    (line,) = telling.picture_of(found).lines
    assert (line.source, line.target, line.look) == (0, 1, Look.CONTACT)
    assert any("touched on T-1 Table after batch B-0: L-1" in row for row in telling.text(found))


def test_what_has_no_part_in_the_mass_is_told_without_a_share():
    found = trace([lot(0, Side.START), lot(1, Side.FORWARD, share=0.0)], [step(0, 1, share=0.0)])
    (row,) = (row for row in telling.text(found) if "into" in row)
    assert "% of its mass" not in row


def in_a_bin():
    """Three deliveries came into one bin one after the other; the first is traced, the third went into sweets."""
    sides = (Side.START, Side.MAYBE_FORWARD, Side.MAYBE_FORWARD, Side.MAYBE_FORWARD)
    lots = [lot(number, side) for number, side in enumerate(sides)]
    at = datetime(2026, 3, 2, 9, tzinfo=UTC)
    mixes = tuple(
        MixedLots(
            number, UUID(int=9), "BIN", at, uid(number), (uid(number),), (number - 1,) if number else ()
        )
        for number in range(3)
    )
    return trace(lots, [step(2, 3)], mixes=mixes)


def test_lots_that_lay_in_a_refilled_place_are_joined_by_a_line_of_their_own_without_an_arrow():
    found = in_a_bin()
    lines = [line for line in telling.picture_of(found).lines if line.look == Look.TOGETHER]
    assert [(line.source, line.target) for line in lines] == [(0, 1), (1, 2)]
    drawn = ElementTree.fromstring(telling.svg(found))
    dashed = drawing.STROKES[Look.TOGETHER]["stroke-dasharray"]
    others = [look["stroke-dasharray"] for look in drawing.STROKES.values() if "stroke-dasharray" in look]
    assert others.count(dashed) == 1
    paths = list(drawn.iter(f"{SVG}path"))
    assert sum(path.get("stroke-dasharray") == dashed for path in paths) == 2
    assert sum(path.get("fill") != "none" for path in paths) == 1  # of the step alone
    assert any(words.startswith("Long dashes:") for words in words_of(telling.svg(found)))


def test_the_table_hangs_a_lot_on_the_one_it_lay_with():
    told = [line[7:].split(" Hazel")[0] for line in list(telling.text(in_a_bin()))[3:]]
    assert told == [
        "traced: L-0",
        "lay in the refilled place BIN together with L-0: L-1",
        "lay in the refilled place BIN together with L-1: L-2",
        "    went with 1.000 kg (50.00 % of its mass) into L-3",
    ]


def test_a_table_of_too_many_rows_says_how_many_are_left_and_where_they_are(monkeypatch):
    monkeypatch.setattr(telling, "MOST_ROWS", 3)
    *_, last = telling.text(fan(4))
    assert last.startswith("2 further rows are not told here. The same trace asked for as data has all")
    picture = telling.svg(fan(40), Bounds(boxes=5))
    assert any("asked for as data has all" in words for words in words_of(picture))


def test_a_large_trace_says_in_the_picture_what_is_not_drawn():
    svg = telling.svg(fan(100))
    assert len(boxes_of(svg)) == 1 + drawing.SCREEN.down
    assert "Not drawn: 88 lots, 88 lines; the table has all." in words_of(svg)
    assert "lines not drawn: 88" in words_of(svg)
    assert "Not drawn: 88 lots" in ElementTree.fromstring(svg).find(f"{SVG}desc").text


def test_markup_in_a_name_is_text():
    name = '<script>alert(1)</script> & "quoted" \x00'
    svg = telling.svg(trace([lot(0, Side.START, code="<b>&", material_name=name)], []))
    root = ElementTree.fromstring(svg)
    assert not list(root.iter(f"{SVG}script"))
    assert "<b>&" in words_of(svg)
    assert "<script>alert(1)</script>" in root.find(f"{SVG}g/{SVG}title").text


def test_it_is_named_and_told_for_whoever_cannot_see_it():
    root = ElementTree.fromstring(telling.svg(fan(2)))
    names = root.get("aria-labelledby").split()
    assert root.get("role") == "img"
    assert [root.find(f".//*[@id='{name}']").text for name in names] == [
        "Trace forward from L-0",
        "Trace forward from L-0: 3 lots and 2 steps between them. The table tells each lot and step in words.",
    ]


# -- the table ------------------------------------------------------------------------------------------


@given(found=traces())
def test_the_table_has_each_lot_once_in_full_and_each_step_once(found):
    rows = indented.rows(found)
    assert sorted(row.lot.key for row in rows if row.above is None) == sorted(each.key for each in found.lots)
    assert Counter(row.step for row in rows if row.step) == Counter(found.steps)
    full = {row.lot.uid: row.number for row in rows if row.above is None}
    for number, row in enumerate(rows, start=1):
        assert row.number == number
        assert row.above is None or row.above == full[row.lot.uid] < number


@given(found=traces())
def test_a_row_hangs_on_the_nearest_one_above_that_stands_less_deep(found):
    rows = indented.rows(found)
    for place, row in enumerate(rows):
        if row.depth:
            parent = next(each for each in reversed(rows[:place]) if each.depth == row.depth - 1)
            ends = {row.step.source, row.step.target}
            assert ends == {row.lot.uid, parent.lot.uid}


@given(found=traces())
def test_the_reader_of_text_finds_the_same_lots_as_the_picture(found):
    text = list(telling.text(found))
    for group in ElementTree.fromstring(telling.svg(found)).iter(f"{SVG}g"):
        told = group.find(f"{SVG}title").text
        assert sum(1 for row in text if row.endswith(told)) == 1


def test_a_deep_row_says_how_deep_it_is():
    lots = [lot(0, Side.START), *(lot(number, Side.FORWARD) for number in range(1, 40))]
    rows = list(telling.text(trace(lots, [step(number, number + 1) for number in range(39)])))
    assert "[39] went with" in rows[-1]
    assert max(len(row) - len(row.lstrip()) for row in rows) < 100


def test_a_name_with_breaks_makes_no_row_of_its_own():
    found = trace([lot(0, Side.START, material_name="Nuts\n    9  L-9 Never made")], [])
    assert len(list(telling.text(found))) == 3


def test_a_share_is_never_told_as_none_or_all_where_it_is_not():
    said = [telling.percent(part) for part in (0.0, 1.0, 0.5, 1e-9, 1 - 1e-9)]
    assert said == ["0 %", "100 %", "50.00 %", "under 0.01 %", "over 99.99 %"]


# -- over the API ---------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_a_trace_is_asked_for_as_a_picture_and_as_text(
    lead_api, nuts: Lot, sweets: Lot, ship, shop: TradingPartner
):
    ship(sweets, shop)
    asked = f"lot={nuts.uid}&direction=forward"
    picture = lead_api.ask(f"traces/picture.svg?{asked}")
    assert (picture.status_code, picture["Content-Type"]) == (200, "image/svg+xml; charset=utf-8")
    assert all(code in " ".join(words_of(picture.content)) for code in (nuts.code, sweets.code))
    table = lead_api.ask(f"traces/table.txt?{asked}")
    assert (table.status_code, table["Content-Type"]) == (200, "text/plain; charset=utf-8")
    assert f"into {sweets.code}" in table.content.decode()
    assert lead_api.ask("traces/table.txt?direction=forward").status_code == 400
