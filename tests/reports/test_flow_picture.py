"""The flow of a plan as a picture: what returns is told apart from what goes on, and every step is there once."""

import re
from xml.etree import ElementTree

import networkx as nx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from haccp.plan_documents import starter_plan, starter_plans
from reports import flow_picture, plan_reading
from reports.flow_picture import FlowStep, FlowWords

SVG = "{http://www.w3.org/2000/svg}"
WORDS = FlowWords("The flow in words.", "Comes in", "SUG, NUT", "returns", "critical")


def steps(count, ways):
    onward = [tuple(sorted({t for s, t in ways if s == number})) for number in range(count)]
    return [FlowStep(f"S-{number}", f"Step {number}", to) for number, to in enumerate(onward)]


@st.composite
def flows(draw):
    """Up to ten steps, circles and steps that are done over and over too."""
    count = draw(st.integers(1, 10))
    place = st.integers(0, count - 1)
    return steps(count, draw(st.lists(st.tuples(place, place), max_size=20)))


@given(flows())
def test_without_what_returns_no_flow_runs_in_a_circle(flow):
    """By networkx: the ways that are left have an order; and each that was taken away lay on a circle."""
    ways = [(source, target) for source, step in enumerate(flow) for target in step.to]
    back = flow_picture.returning(flow)
    assert nx.is_directed_acyclic_graph(nx.DiGraph([way for way in ways if way not in back]))
    whole = nx.DiGraph(ways)
    assert all(nx.has_path(whole, target, source) for source, target in back)


def test_what_returns_is_what_leads_to_a_step_listed_before():
    """Fold, over and over; trim goes back into the filling, which goes on to the fold."""
    flow = plan_reading.flow(starter_plan("laminated_nut_filled_coated"))
    named = {(flow[source].code, flow[target].code) for source, target in flow_picture.returning(flow)}
    assert named == {("FOLD", "FOLD"), ("REWORK", "FILLING")}


@given(flows())
def test_no_two_boxes_lie_on_each_other(flow):
    boxes = [
        (float(each.get("x")), float(each.get("y")))
        for each in ElementTree.fromstring(flow_picture.svg(flow, WORDS)).findall(f"{SVG}rect")
        if each.get("width") == f"{flow_picture.BOX_WIDTH:g}"
    ]
    for at, (x, y) in enumerate(boxes):
        for other_x, other_y in boxes[:at]:
            beside = abs(x - other_x) >= flow_picture.BOX_WIDTH
            assert beside or abs(y - other_y) >= flow_picture.BOX_HEIGHT


@pytest.mark.parametrize("name", starter_plans())
def test_every_step_of_a_starter_plan_is_drawn_with_its_name_whole(name):
    """Nothing is cut, in the boxes of the plans that ship."""
    document = starter_plan(name)
    drawn = plan_reading.picture(document, WORDS)
    assert "…" not in drawn
    texts = ["".join(each.itertext()) for each in ElementTree.fromstring(drawn).iter(f"{SVG}text")]
    for step in document["steps"]:
        assert step["code"] in texts
    assert all(word in " ".join(texts) for step in document["steps"] for word in step["name"].split())


def test_what_returns_and_what_is_critical_are_told_without_colour_and_named_by_a_key():
    drawn = plan_reading.picture(starter_plan("laminated_nut_filled_coated"), WORDS)
    assert set(re.findall("#[0-9a-f]{3,6}", drawn)) == {"#000", "#fff"}
    assert "stroke-dasharray" in drawn
    assert "returns" in drawn
    assert "critical" in drawn


def test_its_title_tells_it_in_words_and_hostile_names_stay_text():
    flow = [FlowStep("A", '</text><script>alert("x")</script>\x07', ())]
    root = ElementTree.fromstring(flow_picture.svg(flow, WORDS))
    assert root.findtext(f"{SVG}title") == "The flow in words."
    assert not list(root.iter(f"{SVG}script"))
