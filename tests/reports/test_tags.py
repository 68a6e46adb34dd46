"""Tags: every text inside its box, allergens never in part, states in words; as pictures and on sheets of labels."""

import io
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pdfminer.high_level import extract_pages
from pdfminer.layout import LTChar, LTContainer

from batches import lots, storing, using
from batches.models import Lot
from config.api.refusals import RuleBroken, Unusable
from ledger.models import Entry
from reports import fitting, jobs, rendering, tags
from reports.code_drawing import Carrier, Code
from reports.fitting import LEAST, MORE, POINT, fit, width_of
from reports.models import DocumentJob
from reports.tag_drawing import HEIGHT, WIDTH, Tag, placed, svg
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.haccp.conftest import *  # noqa: F403 - a plan and its checks
from tests.haccp.conftest import HOUR, MORNING

NAME = "Layered hazelnut pillows with salted butter caramel, coated in dark chocolate and dusted with cocoa"
TEXT = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=400)


def tag(**changes: Any) -> Tag:
    usual = {
        "head": "Lot",
        "state": "awaiting decision on 2026-03-02",
        "name": "Salted butter caramels",
        "lot": "Lot SBC-26-061-1",
        "bodies": ("Contains: milk.", "Read the list."),
        "facts": ("Made 2026-03-02", "Use by 2026-05-31"),
        "house": "Sweet Hearth",
        "code": Code(Carrier.QR, "SBC-26-061-1"),
    }
    return Tag(**(usual | changes))


# -- text in a box ---------------------------------------------------------------------------------------


@given(TEXT, st.booleans(), st.floats(5, 90), st.floats(4, 20))
def test_text_never_runs_out_of_its_box(text, bold, width, height):
    found = fit(text, width=width, height=height, most=14, bold=bold)
    assert LEAST <= found.size <= 14
    assert all(width_of(row, bold) * found.size * POINT <= width + 1e-6 for row in found.rows)
    assert len(found.rows) * found.size * POINT * fitting.LEADING <= height + 1e-6


@given(TEXT)
def test_text_that_fits_is_there_letter_by_letter(text):
    found = fit(text, width=60, height=60, most=14)
    if found.whole:
        assert "".join(found.rows).replace(" ", "") == fitting.drawable("".join(text.split()))
    else:
        assert found.rows[-1].endswith(MORE)


def test_a_short_name_is_large_and_a_long_one_is_shrunk_and_wrapped():
    short, long = (fit(text, width=89, height=12.6, most=15, bold=True) for text in ("Drops", NAME))
    assert (short.size, short.rows) == (15, ("Drops",))
    assert long.whole
    assert long.size < 15
    assert len(long.rows) > 1


def test_a_word_wider_than_the_box_is_broken():
    found = fit("W" * 40, width=30, height=20, most=9)
    assert "".join(found.rows) == "W" * 40
    assert len(found.rows) > 1


def test_what_fits_at_no_size_is_cut_and_shown_to_be():
    found = fit("caramel " * 100, width=40, height=8, most=9)
    assert not found.whole
    assert found.size == LEAST
    assert found.rows[-1].endswith(MORE)


def test_what_the_fonts_cannot_draw_is_written_out():
    assert fit("\N{CANDY} drops", width=60, height=10, most=9).rows == ("[U+1F36C] drops",)


# -- the picture -----------------------------------------------------------------------------------------


def texts(picture: str) -> list[Any]:
    root = ElementTree.fromstring(picture)
    return [each for each in root.iter() if each.tag.endswith("text")]


@given(st.tuples(*[TEXT] * 7), st.booleans())
def test_whatever_a_tag_says_stays_inside_it(said, warns):
    head, state, name, lot, body, fact, house = said
    full = tag(
        head=head,
        state=state,
        name=name,
        lot=lot,
        bodies=(body,),
        facts=(fact, fact),
        house=house,
        warns=warns,
    )
    for each in texts(svg(full)):
        x, y, size, length = (float(each.get(key)) for key in ("x", "y", "font-size", "textLength"))
        assert 0 < x < x + length < WIDTH
        assert size * 0.9 < y < HEIGHT - size * 0.2
    boxes = sorted((box.y, box.y + box.height) for box, _ in placed(full) if box.x < 10)
    assert all(above[1] <= below[0] for above, below in pairwise(boxes))


def test_a_body_that_does_not_fit_gives_way_to_a_shorter_one_whole():
    many = "Contains: " + ", ".join(f"allergen {at}" for at in range(90))
    words = "".join(each.text for each in texts(svg(tag(bodies=(many, "Read the list of this lot.")))))
    assert "Read the list of this lot." in words
    assert "allergen" not in words


def test_the_whole_of_it_is_told_in_its_description():
    root = ElementTree.fromstring(svg(tag(bodies=("Contains: " + "milk " * 300, "Read."))))
    (told,) = (each.text for each in root if each.tag.endswith("desc"))
    assert told.count("milk") == 300


def test_a_tag_that_warns_is_white_on_black_and_says_so_in_words():
    held = svg(tag(head="HELD: do not use, do not ship", warns=True))
    assert [each.get("fill") for each in texts(held)][:2] == ["#fff", "#fff"]
    assert "HELD: do not use, do not ship" in held


def test_markup_in_a_name_is_text():
    assert "<b>" not in svg(tag(name="<b>&'"))


# -- of lots ----------------------------------------------------------------------------------------------


@pytest.fixture
def caramels(batch: Any, make_lot: Any) -> Lot:
    return make_lot(batch)


def held(act: Any, lot: Lot, status: str = "held") -> Lot:
    lots.decide(act=act(at=MORNING), lots=[lot], status=status, because=Entry.objects.latest("id"))
    lot.state.refresh_from_db()
    return lot


@pytest.mark.django_db
def test_a_tub_label_tells_name_lot_state_and_days(caramels):
    (found,) = tags.tub([caramels])
    assert (found.name, found.lot) == ("Salted butter caramels", f"Lot {caramels.code}")
    assert found.facts == ("Made 2026-03-02", "Use by not stated")
    assert found.state.startswith("awaiting decision on ")


@pytest.mark.django_db
def test_every_tag_names_the_house_it_is_of(act, caramels, establishment):
    taken = storing.sample(act=act(at=MORNING + HOUR), lot=caramels, quantity="100", unit="GRM")
    for found in (*tags.tub([caramels]), tags.sample(taken), tags.hold(held(act, caramels))):
        assert establishment.name in [each.text for each in texts(svg(found))]


@pytest.mark.django_db
def test_what_nobody_stated_is_told_as_not_known_in_every_length(batch, use, receive, accept, make_lot):
    use(accept(receive()), batch)
    full, short, shortest = tags.tub([make_lot(batch)])[0].bodies
    assert full.startswith("Not known whether: ")
    assert "milk" in full
    assert short.startswith("Not known of ")
    assert shortest == "Allergens: more than fit here. Read the lot's list before use."


@pytest.mark.django_db
def test_a_tub_of_unknown_origin_says_so(batch, make_lot):
    (found,) = tags.tub([make_lot(batch, is_rework=True, rework_from="unknown")])
    assert all("unknown origin" in body for body in found.bodies[:2])
    assert found.name.endswith("(rework)")


@pytest.mark.django_db
def test_a_hold_tag_tells_why(act, caramels):
    from haccp import deviations
    from haccp.deviations import Touched

    deviations.report(act=act(), title="A blade lost its tip.", hold=Touched("lot", caramels.uid))
    caramels.state.refresh_from_db()
    found = tags.hold(caramels)
    assert found.head == "HELD: do not use, do not ship"
    assert found.bodies[0] == "Because: A blade lost its tip"
    assert found.warns


@pytest.mark.django_db
def test_a_hold_tag_of_what_is_not_held_is_refused(caramels):
    with pytest.raises(RuleBroken) as refusal:
        tags.hold(caramels)
    assert refusal.value.code == "not-held"


@pytest.mark.django_db
def test_a_rejected_lot_has_its_own_word(act, caramels):
    assert tags.hold(held(act, caramels, "rejected")).head.startswith("REJECTED")


@pytest.mark.django_db
def test_a_sample_label_tells_how_much_when_and_by_whom(act, caramels):
    taken = storing.sample(
        act=act(at=MORNING + HOUR, note="Water activity, outside."), lot=caramels, quantity="100", unit="GRM"
    )
    found = tags.sample(taken)
    assert found.head == "Sample"
    assert found.bodies[0].startswith("Taken 100 GRM on 2026-03-02 09:00+01:00 by ")
    assert found.bodies[0].endswith("Water activity, outside.")


@pytest.mark.django_db
def test_what_took_no_sample_has_no_sample_label(act, batch, products):
    made = using.make(act=act(), batch=batch, material=products["SBC"], quantity="1", unit="KGM")
    with pytest.raises(Unusable):
        tags.sample(made)


# -- over HTTP ----------------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_the_pictures_are_served_as_svg(api, act, caramels):
    taken = storing.sample(act=act(), lot=caramels, quantity="100", unit="GRM")
    for path in (f"lots/{caramels.uid}/tub-label.svg", f"movements/{taken.pk}/sample-label.svg"):
        answer = api.ask(path)
        assert answer["Content-Type"] == "image/svg+xml; charset=utf-8"
        assert caramels.code in answer.content.decode()
    assert api.ask(f"lots/{caramels.uid}/hold-tag.svg").status_code == 409


def sheet(api: Any, **body: Any) -> Any:
    return api.send("documents", {"kind": "tag-sheet", **body})


@pytest.mark.django_db
def test_tags_are_asked_for_as_a_document(api, caramels):
    wanted = [{"kind": "tub", "lot": str(caramels.uid), "copies": 12}]
    answer = sheet(api, tags=wanted)
    assert answer.status_code == 202, answer.json()
    document, _ = jobs.read(DocumentJob.objects.get(pk=answer.json()["id"]))
    assert [len(each) for each in document.sheets] == [10, 2]
    assert caramels.code in rendering.to_html(document, for_paper=False)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"kind": "sample"}, 400),
        ({"kind": "hold"}, 409),
        ({"copies": 0}, 400),
        ({"lot": "01a21200-0000-7000-8000-000000000099"}, 404),
    ],
)
def test_tags_that_cannot_be_made_are_refused_when_asked_for(api, caramels, change, status):
    assert sheet(api, tags=[{"kind": "tub", "lot": str(caramels.uid)} | change]).status_code == status


@pytest.mark.django_db
def test_too_many_and_no_tags_are_refused(api, caramels):
    some = {"kind": "tub", "lot": str(caramels.uid), "copies": 100}
    assert sheet(api, tags=[some] * 3).status_code == 400
    assert sheet(api, tags=[]).status_code == 400
    assert sheet(api).status_code == 400


@pytest.mark.django_db
def test_tags_do_not_go_with_another_document(api, caramels, batch):
    some = [{"kind": "tub", "lot": str(caramels.uid)}]
    body = {"kind": "batch-record", "subject": str(batch.uid), "tags": some}
    assert api.send("documents", body).status_code == 400


# -- on paper -------------------------------------------------------------------------------------------------

PAPERS = {"a4": (210, 297, 10, 20), "letter": (215.9, 279.4, 12.5, 12)}
"""Width, height, and where the first tag begins, in mm."""


@pytest.mark.pdf
@pytest.mark.django_db
@pytest.mark.parametrize("paper", list(PAPERS))
def test_on_paper_every_letter_lies_inside_a_tag(api, caramels, paper):
    caramels.material.name = NAME
    caramels.material.save()
    job = sheet(api, tags=[{"kind": "tub", "lot": str(caramels.uid), "copies": 12}], page_size=paper).json()
    document, _ = jobs.read(DocumentJob.objects.get(pk=job["id"]))
    pages = list(extract_pages(io.BytesIO(rendering.to_pdf(document))))
    assert len(pages) == 2
    wide, high, left, top = PAPERS[paper]
    for page in pages:
        assert (page.width, page.height) == pytest.approx((wide / POINT, high / POINT), abs=1)
        for letter in _letters(page):
            across = (letter.x0 * POINT - left, letter.x1 * POINT - left)
            down = (high - letter.y1 * POINT - top, high - letter.y0 * POINT - top)
            assert {int(mm // WIDTH) for mm in across} in ({0}, {1}), (letter, across)
            assert {int(mm // HEIGHT) for mm in down} in ({0}, {1}, {2}, {3}, {4}), (letter, down)


def _letters(shape: Any) -> Any:
    if isinstance(shape, LTChar):
        yield shape
    elif isinstance(shape, LTContainer):
        for each in shape:
            yield from _letters(each)
