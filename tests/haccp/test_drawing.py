"""What a plot says, to eyes that see no colour and to readers of text."""

from itertools import pairwise
from xml.etree import ElementTree

from hypothesis import given
from hypothesis import strategies as st

from haccp.drawing import LOOKS, Line, Mark, Panel, Plot, Tick, svg

IN = "{http://www.w3.org/2000/svg}"
LEVEL = ((0.0, 120.0), (4.0, 120.0))
DATA = Line("", ((0.0, 118.0), (2.0, 121.0), (4.0, 122.0)))


def drawn(*panels: Panel, **more) -> ElementTree.Element:
    return ElementTree.fromstring(svg(Plot("CP-COOK-1", "Three readings.", panels, **more)))


def texts(root: ElementTree.Element) -> list[str]:
    return [each.text or "" for each in root.iter(f"{IN}text")]


def dashes(root: ElementTree.Element) -> set[str | None]:
    return {each.get("stroke-dasharray") for each in root.iter(f"{IN}path") if each.get("stroke-width")}


def test_a_plot_says_in_text_what_it_is_and_shows():
    root = drawn()
    assert (root.findtext(f"{IN}title"), root.findtext(f"{IN}desc")) == ("CP-COOK-1", "Three readings.")


def test_text_is_escaped_and_what_xml_cannot_hold_is_replaced():
    nasty = "<script>&\"'</script>\x01"
    text = svg(Plot(nasty, nasty, (Panel(nasty, (DATA,)),), (Tick(0.0, (nasty,)),), nasty, (nasty,)))
    assert "<script" not in text
    assert "<script>&\"'</script>\ufffd" in texts(ElementTree.fromstring(text))


def test_lines_differ_by_their_dashes_as_well_as_by_colour():
    looks = [(each.get("stroke-dasharray"), each["stroke-width"]) for each in LOOKS.values()]
    assert len(set(looks)) == len(LOOKS)
    lines = (DATA, Line("control", LEVEL, "control"), Line("plan", LEVEL, "plan"))
    assert dashes(drawn(Panel("a", lines))) == {None, "14 8", "3 7"}


def test_a_signal_has_a_shape_and_a_number():
    root = drawn(Panel("a", (DATA,), (Mark(2.0, 121.0), Mark(4.0, 122.0, "signal", "7"))))
    assert len(list(root.iter(f"{IN}polygon"))) == len(list(root.iter(f"{IN}circle"))) == 1
    assert "7" in texts(root)


def test_a_line_is_named_at_its_end():
    assert "mean 120" in texts(drawn(Panel("a", (DATA, Line("mean 120", LEVEL, "centre")))))


def test_a_limit_of_the_plan_far_away_is_named_instead_of_flattening_the_picture():
    far = Line("plan: 300 or less", ((0.0, 300.0), (4.0, 300.0)), "plan")
    root = drawn(Panel("a", (DATA, far)))
    assert "plan: 300 or less (higher)" in texts(root)
    assert "300" not in texts(root)
    assert not [
        each
        for each in root.iter(f"{IN}path")
        if "3 7" in each.attrib.values() and "M110" in each.get("d", "")
    ]


def test_the_names_of_lines_do_not_lie_on_each_other():
    lines = tuple(Line(f"line {at}", ((0.0, 120 + at / 1000), (4.0, 120 + at / 1000))) for at in range(5))
    root = drawn(Panel("a", (DATA, *lines)))
    places = sorted(
        float(each.get("y")) for each in root.iter(f"{IN}text") if each.text and "line" in each.text
    )
    assert min(after - before for before, after in pairwise(places)) >= 20


def test_a_name_that_had_to_move_is_led_to_by_its_line():
    lines = tuple(Line(f"line {at}", LEVEL, "centre") for at in range(2))
    ends = [each.get("d") or "" for each in drawn(Panel("a", (DATA, *lines))).iter(f"{IN}path")]
    started = [path.split("L")[0] for path in ends if path.startswith("M870 ")]
    assert len(started) == 2
    assert len(set(started)) == 1  # from one height, to two names


def test_a_number_on_a_steep_fall_stands_beside_its_line():
    marks = (Mark(0.0, 122.0, "signal", "1"), Mark(4.0, 118.0, "signal", "2"))
    root = drawn(Panel("a", (DATA,), marks))
    first, second = (
        next(each for each in root.iter(f"{IN}text") if each.text == number) for number in ("1", "2")
    )
    assert (float(first.get("x") or 0), float(second.get("x") or 0)) == (110, 870 + 22)


NUMBERS = st.floats(-1e15, 1e15)


@given(st.lists(NUMBERS, min_size=1, max_size=8), NUMBERS)
def test_whatever_the_numbers_are_the_picture_is_whole_xml_with_every_point(values, limit):
    points = tuple((float(at), y) for at, y in enumerate(values))
    lines = (Line("", points), Line("plan", ((0.0, limit), (1.0, limit)), "plan"))
    root = drawn(Panel("a", lines, tuple(Mark(x, y) for x, y in points)))
    assert len(list(root.iter(f"{IN}circle"))) == len(values)
    assert "nan" not in ElementTree.tostring(root, encoding="unicode")
