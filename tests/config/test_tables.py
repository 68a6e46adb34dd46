"""Tables that people send: every row with its line, every cell as it stands, everything wrong told with its place."""

import io
import zipfile
from datetime import date, datetime, time, timedelta
from typing import Any

import openpyxl
import pytest

from config.api.refusals import Unusable
from config.api.tables import (
    MOST_BYTES,
    Columns,
    Row,
    Table,
    UnreadableTable,
    read,
    read_day,
    shape,
    workbooks,
)

COLUMNS = Columns(known=("code", "best_before", "quantity", "note"), needed=("code",))


def table(data: bytes | str, name: str = "lots.csv", sheet: str = "", columns: Columns = COLUMNS) -> Table:
    raw = data.encode() if isinstance(data, str) else data
    return read(io.BytesIO(raw), name=name, columns=columns, sheet=sheet)


def cells(data: bytes | str) -> list[dict[str, str]]:
    return [row.cells for row in table(data).rows]


def workbook(*rows: Any, epoch_1904: bool = False, **sheets: Any) -> bytes:
    made = openpyxl.Workbook()
    if epoch_1904:
        made.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    for row in rows:
        made.active.append(row)
    for title, more in sheets.items():
        sheet = made.create_sheet(title)
        for row in more:
            sheet.append(row)
    return saved(made)


def saved(made: Any) -> bytes:
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def repacked(data: bytes, part: str, content: bytes) -> bytes:
    """The same archive with one part replaced or added."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for each in old.infolist():
            if each.filename != part:
                new.writestr(each, old.read(each))
        new.writestr(part, content)
    return out.getvalue()


def refused(data: bytes | str, **more: Any) -> UnreadableTable:
    with pytest.raises(UnreadableTable) as refusal:
        table(data, **more)
    return refusal.value


# -- CSV ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_columns_are_parted_as_the_header_has_it(mark: str) -> None:
    assert cells(f"code{mark}quantity\nA-1{mark}2.5\n") == [{"code": "A-1", "quantity": "2.5"}]


def test_a_semicolon_leaves_the_comma_to_the_number() -> None:
    assert cells("code;quantity\nA-1;2,5\n") == [{"code": "A-1", "quantity": "2,5"}]


def test_a_byte_order_mark_is_no_part_of_the_first_column() -> None:
    assert cells(b"\xef\xbb\xbfcode\nA-1\n") == [{"code": "A-1"}]


def test_a_quoted_cell_is_read_as_in_rfc_4180() -> None:
    """RFC 4180 section 2, rules 6 and 7: line breaks, commas and doubled quotes within quotes."""
    assert cells('code,note\r\naaa,"b CRLF\r\nb"\r\nc,"b""b,b"\r\n') == [
        {"code": "aaa", "note": "b CRLF\r\nb"},
        {"code": "c", "note": 'b"b,b'},
    ]


def test_a_row_after_a_cell_of_several_lines_keeps_its_own_line() -> None:
    assert [row.line for row in table('code,note\nA,"one\ntwo"\n\n , \nB,x\n').rows] == [2, 6]


def test_a_header_is_read_whatever_its_capitals_spaces_and_hyphens() -> None:
    assert cells(" CODE ,Best-Before\nA,2026-03-02\n") == [{"code": "A", "best_before": "2026-03-02"}]


def test_an_unknown_column_is_named_with_the_nearest_known_one() -> None:
    refusal = refused("code,quantty\nA,1\n")
    (reason,) = refusal.reasons
    assert reason.field == "lots.csv:1.quantty"
    assert "did you mean quantity?" in reason.detail


def test_everything_wrong_with_a_header_is_told_at_once() -> None:
    codes = [reason.code for reason in refused("note,note,colour\nA,1,2\n").reasons]
    assert codes == ["column-twice", "unknown-column", "column-missing"]


def test_what_stands_under_no_column_is_told_with_its_line() -> None:
    found = table("code,\nA,\nB,lost\nC,,lost too\n")
    assert [reason.field for reason in found.wrong] == ["lots.csv:3", "lots.csv:4"]


def test_trailing_empty_cells_are_no_error() -> None:
    assert cells("code,note,,\nA,x,,,,,\n") == [{"code": "A", "note": "x"}]


def test_a_short_row_leaves_its_last_cells_empty() -> None:
    assert cells("code,note\nA\n") == [{"code": "A"}]


@pytest.mark.parametrize("data", [b"", b"\xef\xbb\xbf", b"\n\n", b" , ,\n"])
def test_a_file_with_nothing_in_it_says_so(data: bytes) -> None:
    assert refused(data).code == "empty-file"


@pytest.mark.parametrize("data", ["code\nA\n".encode("utf-16"), "code\nÄ\n".encode("cp1252")])
def test_other_encodings_are_asked_back(data: bytes) -> None:
    assert refused(data).code == "not-utf-8"


def test_a_character_that_cannot_be_kept_is_told_with_its_line() -> None:
    (reason,) = refused("code\nA\nB\x00\n").reasons
    assert reason.field == "lots.csv:3"


def test_a_quote_that_never_ends_is_told() -> None:
    assert "unexpected end of data" in refused('code\n"A\n').detail


def test_a_cell_that_is_too_long_is_told() -> None:
    (reason,) = table("code\n" + "A" * (shape.LONGEST_CELL + 1) + "\n").wrong
    assert (reason.code, reason.field) == ("too-long", "lots.csv:2.code")


def test_more_rows_than_come_in_at_once_are_refused() -> None:
    assert refused("code\n" + "A\n" * (shape.MOST_ROWS + 1)).code == "too-many-rows"
    assert len(table("code\n" + "A\n" * shape.MOST_ROWS).rows) == shape.MOST_ROWS


def test_a_file_that_is_too_large_is_not_even_taken_apart() -> None:
    assert refused(b"code\n" + b"A" * MOST_BYTES).code == "too-large"


# -- XLSX --------------------------------------------------------------------------------------------


def test_a_sheet_says_the_same_as_a_csv_file() -> None:
    assert cells(workbook(["Code", "Quantity"], ["A-1", 2.5])) == [{"code": "A-1", "quantity": "2.5"}]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (26045, "26045"),
        (2.0, "2"),
        (0.1 + 0.2, "0.3"),  # 0.30000000000000004 in binary
        (1e-7, "0.0000001"),
        (1e16, "10000000000000000"),
        (True, "yes"),
        (date(2026, 3, 2), "2026-03-02"),
        (datetime(2026, 3, 2, 9, 30), "2026-03-02 09:30"),
        (time(9, 30), "09:30"),
        ("  padded ", "padded"),
    ],
)
def test_a_cell_becomes_the_text_that_it_shows(value: Any, text: str) -> None:
    assert cells(workbook(["code"], [value])) == [{"code": text}]


def test_a_code_that_is_shown_with_leading_zeros_keeps_them() -> None:
    made = openpyxl.Workbook()
    made.active.append(["code"])
    made.active.append([123])
    made.active["A2"].number_format = "00000"
    assert cells(saved(made)) == [{"code": "00123"}]


def test_empty_rows_and_a_late_header_leave_the_lines_true() -> None:
    found = table(workbook([], [None, None], ["code"], [], ["A"]))
    assert [row.line for row in found.rows] == [5]


def test_a_formula_is_told_with_its_place_and_what_to_do() -> None:
    (reason,) = table(workbook(["code", "quantity"], ["A", "=1+1"])).wrong
    assert (reason.code, reason.field) == ("formula", "lots.csv:2.quantity")
    assert "Paste its value" in reason.detail


def test_an_error_value_is_told() -> None:
    (reason,) = table(workbook(["code"], ["#REF!"])).wrong
    assert reason.code == "error-value"


def test_of_several_sheets_the_named_one_is_read() -> None:
    data = workbook(["nothing"], Lots=[["code"], ["A"]], notes=[["x"]])
    assert [row.cells for row in table(data, sheet="lots").rows] == [{"code": "A"}]


def test_a_sheet_nobody_named_is_not_chosen_for_them() -> None:
    data = workbook(["code"], ["A"], Other=[["code"]])
    assert refused(data).code == "which-sheet"
    assert "Sheet, Other" in refused(data, sheet="lots").detail


def test_a_bomb_is_refused_by_what_it_declares_before_it_is_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    bomb = repacked(workbook(["code"]), "xl/media/zeros.bin", b"\0" * (workbooks.MOST_UNPACKED + 1))
    assert len(bomb) < 200_000
    monkeypatch.setattr(zipfile.ZipFile, "open", lambda *_: pytest.fail("it was unpacked"))
    assert refused(bomb).code == "unpacks-too-large"


def test_an_archive_of_many_parts_is_refused() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for number in range(workbooks.MOST_PARTS + 1):
            archive.writestr(f"{number}", b"")
    assert refused(out.getvalue()).code == "unpacks-too-large"


def test_an_archive_that_understates_itself_is_read_no_further_than_it_says() -> None:
    sheet = b"<worksheet>" + b" " * 5_000_000 + b"</worksheet>"
    data = bytearray(repacked(workbook(["code"], ["A"]), "xl/worksheets/sheet1.xml", sheet))
    for at in range(len(data)):  # the size stands in the part's own head and in the list of parts
        if data[at : at + 4] == len(sheet).to_bytes(4, "little"):
            data[at : at + 4] = (100).to_bytes(4, "little")
    assert refused(bytes(data)).code == "unreadable-workbook"


BILLION = b"""<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>
<%(tag)s xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">&b;</%(tag)s>"""


def with_shared_strings(data: bytes) -> bytes:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        types = archive.read("[Content_Types].xml")
    kind = b"application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    more = b'<Override PartName="/xl/sharedStrings.xml" ContentType="' + kind + b'"/></Types>'
    return repacked(data, "[Content_Types].xml", types.replace(b"</Types>", more))


@pytest.mark.parametrize(
    ("made", "part", "tag"),
    [
        (workbook(["code"], ["A"]), "xl/worksheets/sheet1.xml", b"worksheet"),
        (with_shared_strings(workbook(["code"], ["A"])), "xl/sharedStrings.xml", b"sst"),
    ],
    ids=["sheet", "shared strings"],  # the bytes hold the time they were written
)
def test_entities_in_its_xml_are_refused(made: bytes, part: str, tag: bytes) -> None:
    assert "declares entities" in refused(repacked(made, part, BILLION % {b"tag": tag})).detail


def test_a_row_far_below_does_not_make_rows_without_end() -> None:
    sheet = (
        b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
        b'<row r="1"><c r="A1" t="inlineStr"><is><t>code</t></is></c></row>'
        b'<row r="900000000000000"><c t="inlineStr"><is><t>A</t></is></c></row></sheetData></worksheet>'
    )
    assert cells(repacked(workbook(["code"]), "xl/worksheets/sheet1.xml", sheet)) == []


def test_a_cell_beyond_the_last_column_that_is_read_is_told() -> None:
    found = table(workbook(["code"], ["A", *([None] * 200), "far out"]))
    assert found.wrong == []  # farther out than is looked at
    found = table(workbook(["code"], ["A", *([None] * (shape.MOST_COLUMNS - 1)), "just out"]))
    assert [reason.code for reason in found.wrong] == ["too-many-columns"]


@pytest.mark.parametrize(
    "data",
    [b"PK\x03\x04 nothing", b"PK", workbook(["code"])[:-200]],
    ids=["no entry", "two letters", "cut short"],
)
def test_a_broken_archive_is_told_as_such(data: bytes) -> None:
    assert refused(data).code == "unreadable-workbook"


def test_an_old_workbook_is_asked_for_anew() -> None:
    assert refused(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1").code == "old-workbook"


# -- days --------------------------------------------------------------------------------------------


def day(text: str) -> date:
    return read_day(Row("lots.csv", 2, {"best_before": text}), "best_before")


@pytest.mark.parametrize("text", ["2026-03-02", "2.3.2026", "02.03.2026"])
def test_a_day_is_read_in_forms_that_all_read_alike(text: str) -> None:
    assert day(text) == date(2026, 3, 2)


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("03/02/2026", "nobody can tell the day from the month"),
        ("46083", "the format of a date"),
        ("2.3.26", "year-month-day"),
        ("2026-02-30", "There is no day"),
        ("2026-W10-1", "year-month-day"),
        ("٢.٣.٢٠٢٦", "year-month-day"),
    ],
)
def test_another_day_is_asked_back_with_what_to_do(text: str, hint: str) -> None:
    with pytest.raises(Unusable) as refusal:
        day(text)
    assert hint in refusal.value.detail


def test_a_workbooks_number_of_a_day_is_read_by_its_own_calendar() -> None:
    """Day 1 is 1 January 1900, and a 29 February 1900 that never was is counted; or 0 is 1 January 1904."""
    for epoch_1904, zero in ((False, date(1899, 12, 30)), (True, date(1904, 1, 1))):
        number = (date(2026, 3, 2) - zero) // timedelta(days=1)
        data = workbook(["code", "best_before"], ["A", number], epoch_1904=epoch_1904)
        assert read_day(table(data).rows[0], "best_before") == date(2026, 3, 2)
