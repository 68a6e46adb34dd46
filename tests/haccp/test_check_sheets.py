"""Sheets for a day without power: what stands on one, keying it in later, and which are still out."""

import io
import re
from datetime import timedelta
from typing import Any

import numpy
import pikepdf
import pytest
import zxingcpp
from django.db import connection
from django.test.utils import CaptureQueriesContext
from pdfminer.high_level import extract_text

from haccp import check_sheets, sheet_codes
from haccp.models import Check, CheckSheet, ControlPoint
from ledger import attachments
from ledger.models import Entry, Membership
from reports import batch_record, check_sheet, jobs, rendering
from reports.models import DocumentJob
from tests.conftest import NOON, new_id
from tests.haccp.conftest import *  # noqa: F403 - a plan and its checks
from tests.haccp.conftest import MORNING, seen

pytestmark = pytest.mark.django_db
DAY = MORNING.date()


@pytest.fixture
def sheet(act: Any, batch: Any, point: Any) -> CheckSheet:
    """Eight lines each for detector and water activity of a batch of caramels, printed at eight."""
    points = [point("CP-METAL-1"), point("CP-AW-2")]
    return check_sheets.issue(act=act(at=MORNING), day=DAY, batch=batch, control_points=points, lines=8)


@pytest.fixture
def key_in(api: Any, batch: Any, point: Any, operator: Any) -> Any:
    """A line of the detector's, read at noon, as the API takes it."""

    def do(code: str, line: Any = 1, **values: Any) -> Any:
        metal = point("CP-METAL-1")
        usual = {
            "performed_at": NOON.isoformat(),
            "performed_by": str(operator.pk),
            "control_point": str(metal.pk),
            "batch": str(batch.uid),
            "readings": seen(metal),
            "sheet": code,
            "line": line,
        }
        return api.send("checks", usual | values)

    return do


# -- what stands on it -----------------------------------------------------------------------------------


def test_its_lines_and_limits_are_those_that_bind_on_its_day(
    act: Any, batch: Any, point: Any, confirmed_rule: Any
) -> None:
    confirmed_rule()
    points = [point("CP-METAL-1"), point("CP-AW-2")]
    sheet = check_sheets.issue(act=act(), day=DAY, batch=batch, control_points=points, lines=3)
    metal, water = sheet.blocks
    assert (metal["first"], metal["last"], water["first"], water["last"]) == ("1", "3", "4", "6")
    (kept,) = water["limits"]
    assert kept["upper"]["value"] == "0.62"
    assert kept["upper"]["source"].endswith("Letter of 5 January 2026")


def test_for_a_batch_it_asks_all_that_its_plan_asks_of_the_product(act: Any, batch: Any) -> None:
    sheet = check_sheets.issue(act=act(), day=DAY, batch=batch)
    keys = [block["control_point"] for block in sheet.blocks]
    codes = set(ControlPoint.objects.filter(pk__in=keys).values_list("code", flat=True))
    assert codes == {"CP-WEIGH-1", "CP-CLEAN-1", "CP-BLADE-1", "CP-METAL-1", "CP-LABEL-1", "CP-AW-2"}


def test_asked_again_with_the_same_id_it_is_the_same_sheet(api: Any, plan_version: Any, point: Any) -> None:
    body = {"id": new_id(), "performed_at": NOON.isoformat(), "day": "2026-03-02"}
    body["control_points"] = [str(point("CP-METAL-1").pk)]
    first, again = api.send("check-sheets", body), api.send("check-sheets", body)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json()["code"] == again.json()["code"]
    assert api.send("check-sheets", body | {"lines_each": 9}).status_code == 409


def test_where_nothing_is_to_be_checked_it_is_refused(
    api: Any, plan_version: Any, point: Any, batch: Any
) -> None:
    said = {"performed_at": NOON.isoformat(), "day": "2026-03-02"}
    store = api.send("check-sheets", said | {"control_points": [str(point("CP-STORE-1").pk)]})
    assert (store.status_code, store.json()["errors"][0]["code"]) == (400, "nothing-to-check")
    assert not CheckSheet.objects.exists()


# -- keyed in --------------------------------------------------------------------------------------------


def test_what_was_written_by_hand_is_keyed_in_with_its_sheet_and_line(
    api: Any, key_in: Any, sheet: CheckSheet, operator: Any
) -> None:
    answer = key_in(sheet.code.lower().replace("-", ""), 2)
    said = answer.json()
    assert answer.status_code == 201, said
    assert (said["sheet"], said["line"], said["flags"], said["result"]) == (sheet.code, 2, [], "within")
    assert (said["performed_by"], said["performed_at"]) == (str(operator.pk), NOON.isoformat())
    whole = api.ask(f"check-sheets/{sheet.pk}").json()
    assert [(each["line"], each["twice"]) for each in whole["keyed"]] == [(2, False)]
    assert whole["open"]


def test_a_line_keyed_in_twice_is_kept_and_flagged(api: Any, key_in: Any, sheet: CheckSheet) -> None:
    first, second = (
        key_in(sheet.code),
        key_in(sheet.code, performed_at=(NOON + timedelta(minutes=1)).isoformat()),
    )
    assert (first.json()["flags"], second.json()["flags"]) == ([], ["line-keyed-twice"])
    assert "keyed in before" in " ".join(second.json()["sentences"])
    assert all(each["twice"] for each in api.ask(f"check-sheets/{sheet.pk}").json()["keyed"])


def test_many_at_once_see_each_other_and_a_correction_is_no_second_keying(
    api: Any, key_in: Any, sheet: CheckSheet
) -> None:
    first = key_in(sheet.code).json()
    slip = {"corrects": first["id"], "reason": "Misread."}
    assert key_in(sheet.code, **slip).json()["flags"] == []
    item = {name: first[name] for name in ("performed_at", "control_point", "batch", "readings", "sheet")}
    answers = api.send("checks/many", {"items": [item | {"line": 5}, item | {"line": 5}]}).json()["answers"]
    assert [each["check"]["flags"] for each in answers] == [[], ["line-keyed-twice"]]


def test_a_line_for_another_control_point_is_flagged(key_in: Any, sheet: CheckSheet) -> None:
    assert key_in(sheet.code, 9).json()["flags"] == ["another-line-of-the-sheet"]


def test_a_time_before_the_sheet_was_printed_is_flagged(
    act: Any, batch: Any, point: Any, key_in: Any
) -> None:
    late = check_sheets.issue(act=act(), day=DAY, batch=batch, control_points=[point("CP-METAL-1")])
    answer = key_in(late.code, performed_at=(NOON - timedelta(hours=1)).isoformat())
    assert answer.json()["flags"] == ["before-the-sheet-was-printed"]


def test_a_misread_code_says_so_and_names_the_sheet_it_is_most_like(key_in: Any, sheet: CheckSheet) -> None:
    digit = str((int(sheet.code[3]) + 1) % 10)
    answer = key_in(sheet.code[:3] + digit + sheet.code[4:])
    (error,) = answer.json()["errors"]
    assert (answer.status_code, error["field"], error["code"]) == (400, "sheet", "wrong-check-digits")
    assert f"Did you mean {sheet.code}?" in error["detail"]
    assert not Check.objects.exists()


@pytest.mark.parametrize(
    ("code", "line", "status", "field"),
    [
        ("a word", 1, 400, "sheet"),
        (7, 1, 400, "sheet"),
        (None, 1, 400, "sheet"),
        ("right", 17, 400, "line"),
        ("right", 0, 400, "line"),
        ("right", None, 400, "line"),
    ],
)
def test_a_sheet_or_line_that_is_none_is_refused(
    key_in: Any, sheet: CheckSheet, code: Any, line: Any, status: int, field: str
) -> None:
    answer = key_in(sheet.code if code == "right" else code, line)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (status, field)
    assert not Check.objects.exists()


def test_the_sheet_of_another_house_is_not_found(
    key_in: Any, sheet: CheckSheet, elsewhere: Any, api: Any
) -> None:
    theirs = CheckSheet.objects.get(pk=sheet.pk)
    theirs.pk, theirs.establishment, theirs.number = new_id(), elsewhere, (sheet.number + 1) % 10**6
    theirs.batch = None
    theirs.performed_by = theirs.recorded_by = elsewhere_member(elsewhere)
    theirs.insert()
    answer = key_in(theirs.code)
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (404, "sheet")


def elsewhere_member(establishment: Any) -> Any:
    return Membership.objects.filter(establishment=establishment).first().person


# -- which are out ---------------------------------------------------------------------------------------


def test_a_sheet_is_out_until_every_line_is_keyed_in_or_it_is_written_off(
    api: Any, act: Any, batch: Any, point: Any, key_in: Any
) -> None:
    metal = [point("CP-METAL-1")]
    one, other = (
        check_sheets.issue(act=act(at=MORNING), day=DAY, batch=batch, control_points=metal, lines=1)
        for _ in range(2)
    )
    said = key_in(one.code).json()
    assert _out(api) == {other.code}
    off = {"performed_at": NOON.isoformat(), "because": "Fell into the sink."}
    assert api.send(f"check-sheets/{other.pk}/written-off", off).status_code == 201
    assert api.send(f"check-sheets/{other.pk}/written-off", off).status_code == 409
    assert _out(api) == set()
    assert key_in(other.code).json()["flags"] == ["sheet-written-off"]
    gone = {"performed_at": NOON.isoformat(), "corrects": said["id"], "reason": "Another batch's."}
    assert api.send("checks/withdrawn", gone).status_code == 201
    assert _out(api) == {one.code}


def _out(api: Any) -> set[str]:
    return {each["code"] for each in api.ask("check-sheets", open="true").json()["results"]}


def test_the_list_costs_as_many_statements_for_many_sheets_as_for_one(
    api: Any, act: Any, batch: Any, point: Any, key_in: Any
) -> None:
    def listed() -> int:
        with CaptureQueriesContext(connection) as asked:
            api.ask("check-sheets", open="true").json()
            api.ask("checks").json()
        return len(asked)

    metal = [point("CP-METAL-1")]
    make = lambda: check_sheets.issue(act=act(at=MORNING), day=DAY, batch=batch, control_points=metal)  # noqa: E731
    key_in(make().code)
    few = listed()
    for _ in range(4):
        key_in(make().code)
    assert listed() == few


# -- in documents ----------------------------------------------------------------------------------------


def test_the_batch_record_marks_what_was_transcribed_and_names_the_scan(
    act: Any, sheet: CheckSheet, key_in: Any, batch: Any, settings: Any, tmp_path: Any
) -> None:
    settings.MEDIA_ROOT = tmp_path
    key_in(sheet.code, 3)
    entry = Entry.objects.get(pk=sheet.pk)
    file = io.BytesIO(b"%PDF-1.4 scan")
    attachments.attach(
        act=act(), target=entry, file=file, file_name="sheet.pdf", media_type="application/pdf"
    )
    head = {"number": "1", "title": "Batch record", "establishment": "x", "asked_by": "y"}
    made = batch_record.build(
        batch.establishment, batch.uid, {}, made_at=NOON, seal=None, establishment_lines=(), **head
    )
    page = " ".join(rendering.to_html(made, for_paper=True).split())
    assert f"<strong>Transcribed</strong> from sheet {sheet.code}, line 3; keyed in by Omar Stove" in page
    assert "sheet.pdf, SHA-256" in page
    assert sheet.pk in made.record_ids


def test_the_sheet_on_paper_bears_its_code_and_what_a_line_asks(api: Any, sheet: CheckSheet) -> None:
    document = _paper(api, sheet)
    page = " ".join(rendering.to_html(document, for_paper=False).split())
    assert page.count(f">{sheet.code}<") >= 2
    metal, water = document.blocks
    assert (metal.asked[0].boxes, water.asked[0].boxes) == ("outcome", "value")
    assert water.asked[0].must == "0.65 or less"
    assert water.asked[0].besides == ("temperature of the sample",)
    assert "water activity meter" in page
    assert document.record_ids == (sheet.pk,)


def test_its_qr_code_is_read_back_as_the_code_printed(sheet: CheckSheet) -> None:
    """By zxing-cpp, a reader of its own, from the picture as it stands on the page."""
    drawn = check_sheet.code_picture(sheet.code)
    picture = numpy.full((480, 480), 255, dtype=numpy.uint8)
    for found in re.finditer(r"M([0-9.]+) ([0-9.]+)h([0-9.]+)v([0-9.]+)", drawn):
        x, y, width, height = (round(float(each) * 20) for each in found.groups())
        picture[y : y + height, x : x + width] = 0
    (read,) = zxingcpp.read_barcodes(picture)
    assert sheet_codes.read(read.text) == sheet.number


def test_a_scan_of_its_code_says_what_waits_to_be_keyed_in(api: Any, sheet: CheckSheet, key_in: Any) -> None:
    assert key_in(sheet.code).status_code == 201
    (found,) = api.send("scan", {"text": sheet.code.lower()}).json()["candidates"]
    assert (found["kind"], found["id"]) == ("check-sheet", str(sheet.pk))
    assert "15 of 16 lines wait" in found["said"]


def test_a_scan_of_a_sheet_written_off_says_that_nothing_waits(api: Any, act: Any, sheet: CheckSheet) -> None:
    check_sheets.write_off(act=act(at=NOON), sheet=sheet, because="The power came back.")
    (found,) = api.send("scan", {"text": sheet.code}).json()["candidates"]
    assert "nothing on it waits" in found["said"]


def test_a_scan_of_a_misread_sheet_code_names_the_sheet_that_is_like_it(api: Any, sheet: CheckSheet) -> None:
    misread = sheet.code[:-1] + str((int(sheet.code[-1]) + 1) % 10)
    answer = api.send("scan", {"text": misread}).json()
    assert answer["candidates"] == []
    assert "do not fit" in answer["told"][0]
    assert sheet.code in answer["told"][0]


@pytest.mark.pdf
def test_every_page_of_it_bears_the_code(api: Any, sheet: CheckSheet) -> None:
    pdf = rendering.to_pdf(_paper(api, sheet, language="es", page_size="letter"))
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        count = len(opened.pages)
    pages = extract_text(io.BytesIO(pdf)).split("\f")[:count]
    lines = [page for page in pages if "Iniciales" in page]
    assert len(lines) > 2  # eight lines each for two points go on to a further page
    assert all(sheet.code in page for page in lines)


def _paper(api: Any, sheet: CheckSheet, **said: Any) -> Any:
    answer = api.send("documents", {"kind": "check-sheet", "subject": str(sheet.pk)} | said)
    assert answer.status_code == 202, answer.json()
    return jobs.read(DocumentJob.objects.get(pk=answer.json()["id"]))[0]
