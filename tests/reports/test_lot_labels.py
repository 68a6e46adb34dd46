"""Barcodes on labels: what may stand in them, and that a reader library reads from the paper what was meant.

zxing-cpp reads; it is no part of the service. Prefix 952 is kept for demonstrations (prefix table of the parser
library, read).
"""

import io
import shutil
import subprocess
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from batches import marking, own_addresses
from batches.models import Lot
from batches.scanning import elements
from config.api.refusals import RuleBroken
from reports import code_drawing, jobs, lot_labels, rendering, tags
from reports.code_drawing import QUIET_CODE_128, WIDEST_BAR, Carrier, Code
from reports.label_drawing import BarLabel
from reports.models import DocumentJob
from tests.batches.conftest import *  # noqa: F403 - a house that makes things

GTIN = "09521234000013"
SERVICE = "https://records.example.org"
LOTS = st.text("!\"%&'()*+,-./0123456789:;<=>?ABCXYZ_abcxyz", min_size=1, max_size=20)


@pytest.fixture(autouse=True)
def _on_the_net(settings: Any) -> None:
    settings.PUBLIC_URL = SERVICE


@pytest.fixture
def made(establishment: Any, pillows: Any, begun: Any, make_pillows: Any) -> Any:
    """A lot made under the house's own GTIN, best before 2026-05-31; anything of it may be said otherwise."""

    def make(*, prefixes: Any = ("9521234",), gtin: str = GTIN, days: int | None = 90, **values: Any) -> Lot:
        establishment.gs1_prefixes = list(prefixes)
        establishment.save()
        pillows.gtin, pillows.shelf_life_days = gtin, days
        pillows.save()
        return again(make_pillows(begun, **values).lot)

    return make


def again(lot: Lot) -> Lot:
    return Lot.objects.select_related("establishment", "material", "state").get(pk=lot.pk)


def reasons(lot: Lot) -> set[str]:
    with pytest.raises(RuleBroken) as refusal:
        marking.fields(lot)
    return {each.code for each in refusal.value.reasons}


# -- what stands in the code -----------------------------------------------------------------------------


@pytest.mark.django_db
def test_fixed_fields_come_first_and_the_lot_last(made):
    lot = made()
    said = marking.fields(lot, made_on=True)
    assert elements.plain(said) == f"01{GTIN}112603021526053110{lot.code}"


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"prefixes": ()}, "no-gs1-prefix"),
        ({"gtin": ""}, "no-gtin"),
        ({"prefixes": ["4012345"]}, "gtin-not-ours"),
        ({"days": 36000}, "date-out-of-range"),
        ({"is_rework": True, "rework_from": "trim"}, "is-rework"),
    ],
)
def test_without_its_own_numbers_a_lot_bears_no_gs1_code(made, values, code):
    assert reasons(made(**values)) == {code}


@pytest.mark.django_db
def test_what_was_received_bears_no_gs1_code_of_ours(made, receive, pillows):
    made()
    assert reasons(again(receive(material=pillows, unit="H87").lot)) == {"not-made-here"}


@pytest.mark.django_db
def test_every_reason_is_told_at_once(made):
    assert reasons(made(prefixes=(), gtin="", days=36000)) == {
        "no-gs1-prefix",
        "no-gtin",
        "date-out-of-range",
    }


@pytest.mark.django_db
def test_a_gs1_128_that_would_be_too_long_is_refused(made):
    lot = made(code="A" * 20)
    assert len(marking.for_gs1_128(marking.fields(lot))) == 46
    with pytest.raises(RuleBroken) as refusal:
        lot_labels.label(lot, "gs1-128", made_on=True)
    assert refusal.value.code == "too-long-for-gs1-128"
    assert lot_labels.label(lot, "gs1-datamatrix", made_on=True).code.text.endswith("A" * 20)


@pytest.mark.django_db
def test_a_house_without_a_prefix_has_its_own_address_in_a_plain_qr_code(made):
    lot = made(prefixes=())
    address = f"{SERVICE}/at/{lot.establishment_id}/class/{lot.material.code}.{lot.code}"
    assert lot_labels.label(lot, "qr").code == Code(Carrier.QR, address)
    assert marking.best(lot) == address
    assert own_addresses.read_lot(address) == (lot.establishment_id, lot.material.code, lot.code)


@pytest.mark.django_db
def test_a_tag_of_a_house_with_numbers_bears_their_address_below_its_own(made):
    lot = made()
    (tag,) = tags.tub([lot])
    assert tag.code.text == f"{SERVICE}/at/{lot.establishment_id}/01/{GTIN}/10/{lot.code}?15=260531"


@pytest.mark.django_db
@pytest.mark.parametrize(
    "dead", ["http://127.0.0.1:8000", "http://localhost", "http://[::1]:8000", "http://a.localhost"]
)
def test_no_link_to_this_machine_alone_is_printed(made, settings, dead):
    settings.PUBLIC_URL = dead
    lot = made()
    assert marking.best(lot) == marking.own(lot) == lot.code
    with pytest.raises(RuleBroken) as refusal:
        lot_labels.label(lot, "digital-link")
    assert refusal.value.code == "no-own-address"
    assert lot_labels.label(lot, "gs1-128")


@pytest.mark.django_db
def test_a_material_code_of_any_letters_goes_there_and_back(made, pillows):
    lot = made(prefixes=())
    lot.material.code = "Nuß/1.0 %"
    assert own_addresses.read_lot(marking.own(lot))[1:] == ("Nuß/1.0 %", lot.code)


# -- drawn and read again --------------------------------------------------------------------------------


def seen(modules: Any, rows: int = 1) -> Any:
    """What a reader makes of the modules, six points wide each."""
    picture = Image.new("L", (len(modules[0]), len(modules) * rows), 255)
    picture.putdata([0 if dark else 255 for row in modules for _ in range(rows) for dark in row])
    (found,) = zxingcpp.read_barcodes(picture.resize((picture.width * 6, picture.height * 6)))
    return found


@given(LOTS)
def test_any_lot_code_drawn_as_gs1_is_read_as_it_was(lot):
    text = elements.plain(elements.write([("01", GTIN), ("15", "260531"), ("10", lot)]))
    matrix = seen(code_drawing.square(Code(Carrier.DATA_MATRIX, text)))
    line = seen(code_drawing.bars(Code(Carrier.GS1_128, text)), rows=60)
    assert (matrix.symbology_identifier, line.symbology_identifier) == ("]d2", "]C1")
    for found in (matrix, line):
        assert elements.read(found.bytes.decode().replace("<GS>", "\x1d")) == elements.read(text)


@given(st.text("0123456789ABCxyz-._~/%?=", min_size=1, max_size=120))
def test_any_address_drawn_as_qr_is_read_as_it_was(rest):
    found = seen(code_drawing.square(Code(Carrier.QR, f"https://records.example.org/{rest}")))
    assert (found.text, found.symbology_identifier) == (f"https://records.example.org/{rest}", "]Q1")


def test_a_separator_in_the_middle_is_drawn_as_fnc1():
    text = elements.plain(elements.write([("01", GTIN), ("37", "12"), ("10", "A-1")]))
    for found in (
        seen(code_drawing.square(Code(Carrier.DATA_MATRIX, text))),
        seen(code_drawing.bars(Code(Carrier.GS1_128, text)), rows=60),
    ):
        assert found.bytes.decode() == text


def test_a_code_has_its_quiet_zone_inside_its_box():
    for code, quiet in ((Code(Carrier.QR, "A"), 4), (Code(Carrier.DATA_MATRIX, f"01{GTIN}10A"), 2)):
        modules = code_drawing.square(code)
        edge = [*modules[:quiet], *modules[-quiet:], *(row[:quiet] + row[-quiet:] for row in modules)]
        assert not any(dark for row in edge for dark in row)
    (row,) = code_drawing.bars(Code(Carrier.GS1_128, f"01{GTIN}10A"))
    assert not any(row[:QUIET_CODE_128] + row[-QUIET_CODE_128:])


# -- over HTTP and on paper ------------------------------------------------------------------------------


@pytest.mark.django_db
@pytest.mark.parametrize("carrier", [each.value for each in Carrier])
def test_each_label_is_served_as_a_picture(api, made, carrier):
    lot = made()
    answer = api.ask(f"lots/{lot.uid}/label.svg", carrier=carrier)
    assert answer["Content-Type"] == "image/svg+xml; charset=utf-8"
    assert lot.code in answer.content.decode()


@pytest.mark.django_db
def test_a_label_that_may_not_be_is_refused_with_every_reason(api, made):
    lot = made(prefixes=(), gtin="")
    answer = api.ask(f"lots/{lot.uid}/label.svg", carrier="gs1-128")
    assert answer.status_code == 409
    assert {each["code"] for each in answer.json()["reasons"]} == {"no-gs1-prefix", "no-gtin"}
    assert api.ask(f"lots/{lot.uid}/label.svg").status_code == 200
    assert api.ask(f"lots/{lot.uid}/label.svg", carrier="ean").status_code == 400


def sheet(api: Any, *wanted: dict[str, Any], **body: Any) -> Any:
    return api.send("documents", {"kind": "tag-sheet", "tags": list(wanted), **body})


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"kind": "tub", "carrier": "qr"}, 400),
        ({"kind": "tub", "made_on": True}, 400),
        ({"carrier": "gs1-128"}, 409),
        ({"carrier": "ean"}, 400),
        ({}, 202),
    ],
)
def test_a_label_on_a_sheet_is_refused_when_it_is_asked_for(api, made, change, status):
    lot = made(prefixes=())
    assert sheet(api, {"kind": "label", "lot": str(lot.uid)} | change).status_code == status


@pytest.mark.django_db
def test_a_wide_label_has_a_row_of_its_own(api, made):
    lot = str(made().uid)
    small, wide = {"kind": "tub", "lot": lot}, {"kind": "label", "lot": lot, "carrier": "gs1-128"}
    job = sheet(api, small, small, small, wide, small, wide | {"copies": 2}).json()
    document, _ = jobs.read(DocumentJob.objects.get(pk=job["id"]))
    assert [len(each) for each in document.sheets] == [6, 1]
    assert [isinstance(each, BarLabel) for each in document.tags] == [
        False,
        False,
        False,
        True,
        False,
        True,
        True,
    ]


@pytest.mark.pdf
@pytest.mark.django_db
@pytest.mark.skipif(not shutil.which("pdftoppm"), reason="poppler-utils is not on this machine")
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_code_on_the_printed_sheet_is_read_and_finds_its_lot(api, made, tmp_path, paper):
    lot = made()
    lot.material.name = (
        "Layered hazelnut pillows with salted butter caramel, coated in dark chocolate and cocoa"
    )
    lot.material.save()
    wanted = [{"kind": "label", "lot": str(lot.uid), "carrier": each.value} for each in Carrier]
    job = sheet(api, {"kind": "tub", "lot": str(lot.uid)}, *wanted, page_size=paper).json()
    document, _ = jobs.read(DocumentJob.objects.get(pk=job["id"]))
    (page,) = pages(rendering.to_pdf(document), tmp_path)
    found = {each.symbology_identifier: [] for each in zxingcpp.read_barcodes(page)}
    for each in zxingcpp.read_barcodes(page):
        found[each.symbology_identifier].append(each.symbology_identifier + each.bytes.decode())
    assert {kind: len(texts) for kind, texts in found.items()} == {"]Q1": 3, "]d2": 1, "]C1": 1}
    for text in (text for texts in found.values() for text in texts):
        (candidate,) = api.send("scan", {"text": text}).json()["candidates"]
        assert candidate["id"] == str(lot.uid), text


def pages(pdf: bytes, folder: Path) -> list[Image.Image]:
    """Each page as a printer of 300 dots an inch would draw it."""
    (folder / "sheet.pdf").write_bytes(pdf)
    subprocess.run(["pdftoppm", "-r", "300", "-gray", "-png", "sheet.pdf", "page"], cwd=folder, check=True)
    return [Image.open(io.BytesIO(each.read_bytes())) for each in sorted(folder.glob("page*.png"))]


def test_the_longest_gs1_128_fits_across_and_a_usual_one_has_bars_as_wide_as_shipping_asks():
    longest = elements.plain(elements.write([("01", GTIN), ("15", "260531"), ("10", "aB-1cD-2eF-3gH-4iJ-5")]))
    usual = elements.plain(elements.write([("01", GTIN), ("15", "260531"), ("10", "PIL-26061-1")]))
    widths = [184 / len(code_drawing.bars(Code(Carrier.GS1_128, text))[0]) for text in (longest, usual)]
    assert widths[0] > 0.38  # 300 dots an inch draw this with four dots and more
    assert widths[1] >= WIDEST_BAR


@pytest.mark.django_db
def test_a_date_on_a_label_is_a_real_day(made):
    said = marking.fields(made())
    assert {each.day for each in said if each.day} == {date(2026, 5, 31)}
