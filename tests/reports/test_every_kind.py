"""What holds for each kind of document, asked of the demo's firm."""

import csv
import io
import json
import re
from dataclasses import is_dataclass
from typing import Any

import openpyxl
import pytest
from django.utils.html import escape

from haccp.models import Check
from reports import compact, jobs, rendering, tables
from reports.models import DocumentJob
from tests.reports import every_kind
from tests.reports.every_kind import ASKED, ELSEWHERE
from tests.scene import Scene

pytestmark = pytest.mark.django_db
OF_CHECKS = ("batch-record", "monitoring-log", "deviation")
TIME = r"\d{4}-\d\d-\d\d \d\d:\d\d [+-]\d\d:\d\d"
NO_TABLE = {"check-sheet", "sale-sign", "tag-sheet"}
"""Letters, labels, signs, and sheets that are still blank."""


@pytest.fixture(scope="module")
def documents(scene: Scene, django_db_blocker: Any) -> dict[str, Any]:
    """Each read once, as a worker reads it."""
    with django_db_blocker.unblock():
        return {kind: jobs.read(every_kind.ask(kind))[0] for kind in ASKED}


def test_every_kind_is_looked_at() -> None:
    assert set(ASKED) | ELSEWHERE == set(DocumentJob.Kind.values)


@pytest.mark.parametrize("kind", ASKED)
def test_it_is_a_frozen_dataclass_with_a_page_and_data(documents: Any, kind: str) -> None:
    document = documents[kind]
    assert is_dataclass(document)
    assert type(document).__dataclass_params__.frozen  # type: ignore[attr-defined]
    assert json.loads(rendering.to_json(document))["kind"] == kind
    assert f'lang="{document.language}"' in rendering.to_html(document, for_paper=False)


@pytest.mark.parametrize("kind", ASKED)
def test_what_is_a_table_is_csv_and_workbook(documents: Any, kind: str) -> None:
    """The csv module reads by RFC 4180, openpyxl the workbook: rows and cells are those of the document."""
    promised = getattr(jobs._KINDS[kind], "FORMS", jobs.USUAL_FORMS)
    made = tables.as_files(documents[kind].data_tables())
    assert (
        set(made)
        == set(promised) - {"pdf", "json", "html"}
        == (set() if kind in NO_TABLE else {"csv", "xlsx"})
    )
    if not made:
        return
    first, *others = documents[kind].data_tables()
    read = list(csv.reader(io.StringIO(made["csv"].decode(), newline=""), strict=True))
    assert first.rows, "the demo should have something of each"
    assert (tuple(read[0]), len(read) - 1) == (first.heads, len(first.rows))
    assert {len(row) for row in read} == {len(first.heads)}
    book = openpyxl.load_workbook(io.BytesIO(made["xlsx"]))
    assert book.sheetnames == [each.name for each in (first, *others)]
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)


def test_whatever_marks_a_late_entry_says_from_when_on_it_does(documents: Any) -> None:
    pages = {kind: rendering.to_html(each, for_paper=False) for kind, each in documents.items()}
    marking = {kind for kind, page in pages.items() if "ate entry</strong>" in page}
    assert {"batch-record", "deviation", "monitoring-log", "receiving-log"} <= marking
    told = "more than 60 minutes after the work is marked as a late entry"
    assert {kind for kind in marking if told not in pages[kind]} == set()


# -- every value as entered and as judged, with bounds, source, unit and instrument -----------------------


@pytest.mark.parametrize("kind", OF_CHECKS)
def test_every_reading_says_what_was_entered_what_must_be_and_who_set_that(documents: Any, kind: str) -> None:
    page = " ".join(rendering.to_html(documents[kind], for_paper=True).split())
    readings = [reading for check in documents[kind].checks for reading in check.readings]
    assert readings
    for reading in readings:
        assert "" not in (reading.entered, reading.must, reading.source, reading.result)
        assert {escape(said) in page for said in (reading.entered, reading.must, reading.source)} == {True}


@pytest.mark.parametrize("kind", OF_CHECKS)
def test_what_was_measured_names_its_instrument_or_says_that_none_was_named(
    documents: Any, kind: str
) -> None:
    stored = Check.objects.in_bulk([each.record for each in documents[kind].checks])
    for line in documents[kind].checks:
        measured = any({"value", "series"} & each.keys() for each in stored[line.record].readings)
        assert line.instrument or not measured


def test_a_series_of_a_logger_tells_count_unit_span_and_instrument(scene: Scene) -> None:
    check = Check.objects.filter(control_point__code="CP-STORE-1", series_uses__isnull=False)[0]
    job = jobs.ask(
        establishment=check.establishment,
        asked_by=check.performed_by,
        kind="batch-record",
        subject=check.batch.uid,
    )
    line = next(each for each in jobs.read(job)[0].checks if each.record == check.pk)
    assert line.instrument == "TH1 Logger of the store demo-0017"
    assert re.search(rf": 4 readings in °C from {TIME} to {TIME}$", line.readings[0].entered)
    assert "highest of 4: 17.3 °C" in line.read


def test_a_deviation_shows_the_check_that_was_outside(documents: Any) -> None:
    document = documents["deviation"]
    assert [str(each.result) for each in document.checks] == ["outside"]
    assert document.checks[0].record in document.record_ids
    assert "No local rule is confirmed for this establishment." in rendering.to_html(document, for_paper=True)


def test_a_trial_shows_bounds_source_and_instrument_of_each_check_it_names(documents: Any) -> None:
    (line,) = documents["trial"].points[0].flagged
    assert line.asked == ("0.6 or less (plan), margin 0.18",)
    assert "AW1 Water activity meter demo-0042" in line.read
    assert line.read[0] == "water activity: 0.42, sample at 21.5 °C"


def test_every_weighing_names_its_balance_or_says_that_none_was_named(documents: Any) -> None:
    record = documents["batch-record"]
    weighings = [each for line in record.sheet.lines for each in line.weighings if line.dimension == "mass"]
    page = rendering.to_html(record, for_paper=True)
    assert page.count("SC1 Bench scale demo-0008") >= len(weighings) > 0
    assert {each.balance for each in documents["receiving-log"].receipts} == {"balance not named", ""}


def test_steps_of_a_changeover_stand_in_local_time(documents: Any) -> None:
    steps = [step for each in documents["changeover-log"].changeovers for step in each.steps]
    assert steps
    assert all(re.fullmatch(rf"\w+ {TIME}", step) for step in steps)


def test_what_was_transcribed_says_so_with_its_scan_in_record_and_log(scene: Scene) -> None:
    check = Check.objects.filter(sheet__isnull=False)[0]
    here, lead = check.establishment, check.performed_by
    asked = {
        "batch-record": (check.batch.uid, {}),
        "monitoring-log": (check.control_point_id, every_kind.YEARS),
    }
    for kind, (subject, about) in asked.items():
        job = jobs.ask(establishment=here, asked_by=lead, kind=kind, subject=subject, about=about)
        document = jobs.read(job)[0]
        line = next(each for each in document.checks if each.record == check.pk)
        assert line.transcribed.scans[0].startswith("sheet.pdf, SHA-256 ")
        told = rendering.to_html(document, for_paper=True)
        assert line.transcribed.scans[0] in told
        assert "no scan of the sheet is kept" not in told
        assert f"scan: {line.transcribed.scans[0]}" in list(compact.marks(line))


# -- what stays in the house ------------------------------------------------------------------------------


def test_a_batch_record_for_outside_tells_no_amount_in_its_tables(scene: Scene) -> None:
    inside, outside = (jobs.read(every_kind.ask("batch-record", outside=said))[0] for said in (False, True))

    def entered(document: Any) -> set[str]:
        (weighed,) = (each for each in document.data_tables() if each.name == "weighings")
        assert weighed.rows
        return {row[weighed.heads.index("entered")] for row in weighed.rows}

    assert "2.100 kg" in entered(inside)
    assert entered(outside) == {""}
