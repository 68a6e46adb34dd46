"""The monitoring log of a control point: what was read and judged, what was missed, and what marks a check."""

import csv
import io
import json
import re
import subprocess
from collections.abc import Callable
from datetime import timedelta
from types import SimpleNamespace
from typing import Any

import openpyxl
import pikepdf
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from haccp import checks, reviews
from ledger import evidence, seals
from ledger.acts import Act
from ledger.models import Entry, Establishment, Person
from ledger.standalone import check_evidence
from reports import (
    compact,
    jobs,
    monitoring_log,
    periods,
    printed,
    reading,
    rendering,
    tables,
    verified,
)
from reports.documents import PdfVariant
from reports.models import DocumentJob
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.conftest import NOON
from tests.haccp.conftest import *  # noqa: F403 - a plan and its checks
from tests.haccp.conftest import HOUR, seen

pytestmark = pytest.mark.django_db
DAY = str(NOON.date())
PERIOD = {"first": DAY, "last": DAY}


@pytest.fixture
def log(establishment: Establishment, lead: Person, point: Any) -> Callable[..., Any]:
    def do(code: str = "CP-AW-2", language: str = "en", **about: Any) -> Any:
        job = jobs.ask(
            establishment=establishment,
            asked_by=lead,
            kind="monitoring-log",
            subject=point(code).pk,
            about=about or PERIOD,
            language=language,
        )
        return jobs.read(job)[0]

    return do


def page(document: Any) -> str:
    return rendering.to_html(document, for_paper=False)


def test_a_check_stands_as_entered_and_as_judged_with_bounds_source_and_instrument(
    log: Any, measure: Any, batch: Any, meter: Any
) -> None:
    check = measure(batch, "0.52")
    (line,) = log().checks
    (reading,) = line.readings
    assert (line.record, line.batch, line.plan) == (check.pk, batch.code, "HP-1 1")
    assert reading.entered == "0.52, sample at 21 °C"
    assert (reading.must, reading.source, reading.margin) == ("0.65 or less", "plan", "0.13")
    assert meter.code in line.instrument
    assert str(log().record_ids[0]) == str(check.pk)


def test_a_day_without_checks_gives_a_document_that_says_so(log: Any, batch: Any) -> None:
    document = log(first="2020-01-01", last="2020-01-31")
    assert document.checks == ()
    assert "No check of this control point was recorded in this period." in page(document)


def test_it_takes_long_where_it_holds_more_checks_than_a_table(
    measure: Any, batch: Any, point: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    measure(batch, "0.52")
    asked = (batch.establishment, point("CP-AW-2").pk, PERIOD)
    monkeypatch.setattr(monitoring_log, "IN_FULL", 1)
    assert not monitoring_log.takes_long(*asked)
    monkeypatch.setattr(monitoring_log, "IN_FULL", 0)
    assert monitoring_log.takes_long(*asked)


def test_a_period_goes_by_the_days_of_the_establishment(log: Any, measure: Any, batch: Any, act: Any) -> None:
    late_evening = NOON.replace(hour=23, minute=30)
    measure(batch, said_act=act(at=late_evening))
    assert len(log().checks) == 1
    tomorrow = str(NOON.date() + timedelta(days=1))
    assert log(first=tomorrow, last=tomorrow).checks == ()


def test_what_was_corrected_stays_struck_and_counts_no_more(
    log: Any, measure: Any, batch: Any, act: Callable[..., Act]
) -> None:
    wrong = measure(batch, "0.52")
    measure(batch, "0.55", said_act=act(corrects=wrong.pk, reason="Misread."))
    document = log()
    assert [line.replaced is None for line in document.checks] == [False, True]
    assert dict(document.counts)["within"] == 1
    assert '<tbody class="gone">' in page(document)


def test_what_was_withdrawn_is_told_once_where_it_stood(
    log: Any, measure: Any, batch: Any, act: Callable[..., Act]
) -> None:
    from haccp import checks

    wrong = measure(batch)
    gone = checks.withdraw(act=act(corrects=wrong.pk, reason="Other batch.", withdraws=True))
    document = log()
    (line,) = document.checks
    assert line.replaced is not None
    assert line.replaced.withdrawn
    assert gone.pk in document.record_ids


def test_who_reviewed_stands_beside_the_check(
    log: Any, measure: Any, batch: Any, act: Any, lead: Person, proof: Any
) -> None:
    check = measure(batch)
    entry = Entry.objects.get(pk=check.pk)
    signature = reviews.review(act=act(lead), proof=proof, records=[entry])
    document = log()
    (signed,) = document.checks[0].signed
    assert (signed.name, signed.meaning) == (lead.name, "reviewed by me")
    assert signature.pk in document.record_ids
    assert signed.late == signature.recorded_at
    assert re.search(r"; late entry, written down \d{4}-", document.checks[0].reviewed[0])
    assert "; late entry, written down" in document.versions[0]
    assert "No record in this document was signed by a person" not in page(document)


def test_missed_checks_are_listed_with_batch_and_time(log: Any, begin: Any, end: Any) -> None:
    batch = begin()
    end(batch, NOON - timedelta(hours=3))
    missed = log("CP-METAL-1").missed
    assert {each.batch for each in missed} == {batch.code}
    assert [each.occasion for each in missed] == ["start", "end"]


def test_the_whole_log_tells_what_was_missed_in_batches_that_ended(log: Any, begin: Any, end: Any) -> None:
    end(begin(), NOON - timedelta(hours=3))
    assert [each.occasion for each in log("CP-METAL-1", whole=True).missed] == ["start", "end"]


def test_a_delivery_that_nobody_checked_as_the_plan_asks_is_listed_until_it_is(
    receipt_document: Any, log: Any, act: Any, receive: Any, nuts: Any, point: Any
) -> None:
    """21 CFR 117.420(c) (read): receiving is done by written procedure, and that is documented."""
    receive(material=nuts)  # before the plan was approved
    point("CP-NUT-1")
    lot = receive(material=nuts, at=NOON + HOUR)
    receive(at=NOON + HOUR)  # of another material
    document = log("CP-NUT-1")
    assert [(each.lot, each.occasion) for each in document.missed] == [(lot.code, "receipt")]
    assert lot.code in page(document)
    subject = checks.Subject(point("CP-NUT-1"), lot=lot)
    checks.record(act=act(at=NOON + HOUR), subject=subject, said=seen(point("CP-NUT-1")))
    assert log("CP-NUT-1").missed == ()


@pytest.fixture
def supplier_alone(document: dict[str, Any]) -> None:
    """A plan that leaves the nuts to their supplier: nothing is asked at receipt."""
    found = next(each for each in document["control_points"] if each["code"] == "CP-NUT-1")
    for spared in ("limits", "monitoring", "correction"):
        del found[spared]


def test_a_point_without_limit_and_time_does_not_say_that_nothing_was_missed(
    supplier_alone: None, log: Any
) -> None:
    shown = page(log("CP-NUT-1"))
    assert "none of its checks is ever due" in shown
    assert "was missed, as far as" not in shown


def test_a_number_has_a_chart_and_an_outcome_has_none(
    log: Any, measure: Any, look: Any, batch: Any, act: Any
) -> None:
    for minutes in range(10):
        measure(batch, f"0.5{minutes}", said_act=act(at=NOON + timedelta(minutes=minutes)))
    look(batch)
    assert "<svg" in log().charts[0].svg
    assert log("CP-METAL-1").charts == ()


def test_what_is_too_little_for_a_chart_is_told_in_words(log: Any, measure: Any, batch: Any) -> None:
    measure(batch)
    (chart,) = log().charts
    assert (chart.svg, "cannot be computed" in " ".join(chart.words)) == ("", True)
    assert chart.title in page(log())


def test_statements_do_not_grow_with_checks(log: Any, measure: Any, batch: Any) -> None:
    def statements() -> int:
        with CaptureQueriesContext(
            connection,
        ) as seen:
            log()
        return len(seen)

    measure(batch)
    measure(batch)
    few = statements()
    for _ in range(4):
        measure(batch)
    assert statements() == few


# -- long ones ----------------------------------------------------------------------------------------


@pytest.fixture
def long(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(monitoring_log, "IN_FULL", 2)


def test_a_long_log_is_lines_of_one_size_and_every_check_is_there(
    log: Any, measure: Any, batch: Any, act: Any, long: None
) -> None:
    made = [measure(batch, "0.5") for _ in range(3)]
    made.append(
        measure(batch, "0.55", said_act=act(corrects=made[0].pk, reason="Misread <b>.", note="=1+1\nx"))
    )
    shown = page(log())
    assert all(f"{check.pk.hex[-8:]} {check.digest[:8]}" in shown for check in made)
    assert "<s>" in shown
    assert "CORRECTED: Misread &lt;b&gt;." in shown
    assert "Note: =1+1 x" in shown
    assert "a4-landscape" in shown


@pytest.fixture
def drawn(
    log: Any, measure: Any, batch: Any, long: None, monkeypatch: pytest.MonkeyPatch, establishment: Any
) -> tuple[Any, pikepdf.Pdf]:
    """A log of seven checks in four stretches, drawn."""
    monkeypatch.setattr(compact, "RECORDS_AT_ONCE", 1)
    monkeypatch.setattr(monitoring_log, "BLOCKS_AT_ONCE", 2)
    for _ in range(7):
        measure(batch)
    document = log()
    assert len(document.stretches()) == 4
    pdf = rendering.to_pdf(document, attachments=[rendering.own_data(document)])
    return document, pikepdf.open(io.BytesIO(pdf))


def printed_pages(pdf: pikepdf.Pdf) -> list[str]:
    """Each page's text by poppler's own reader, which knows nothing of ours."""
    out = io.BytesIO()
    pdf.save(out)
    done = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=out.getvalue(), capture_output=True, check=True
    )
    return done.stdout.decode().split("\f")[:-1]


@pytest.mark.pdf
def test_a_long_log_is_drawn_in_stretches_with_every_check_once(drawn: Any) -> None:
    document, pdf = drawn
    text = "".join(printed_pages(pdf))
    ends = [f"{line.record.hex[-8:]} {line.digest[:8]}" for line in document.checks]
    assert [len(re.findall(rf"{end}\s", text)) for end in ends] == [1] * 7


@pytest.mark.pdf
def test_its_pages_are_numbered_through_and_bear_its_head(drawn: Any) -> None:
    document, pdf = drawn
    pages = printed_pages(pdf)
    assert len(pages) >= 4
    for number, page in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in page
        assert page.count("Page ") == 1
    for page in pages[1:]:
        assert f"Monitoring log {document.number}" in page
        assert "When; result; batch or lot" in page


@pytest.mark.pdf
def test_its_stretches_are_one_document_for_a_reader_of_tags_and_bookmarks(drawn: Any) -> None:
    """ISO 32000-1, 14.7 and 12.3.3: one tree of structure, each page's own key in it, and bookmarks below the title."""
    _document, pdf = drawn
    root = pdf.Root.StructTreeRoot
    assert [element.S for element in root.K] == ["/Document"]
    assert all(element.P.objgen == root.K[0].objgen for element in root.K[0].K)
    keys = [int(page.obj.StructParents) for page in pdf.pages]
    assert keys == [int(key) for key in list(root.ParentTree.Nums)[::2]][: len(keys)] == sorted(set(keys))
    with pdf.open_outline() as outline:
        (title,) = outline.root
        assert [each.title for each in title.children][-3:] == [
            "Rules that fields of this document are meant to answer",
            "Records and their digests",
            "Seal",
        ]
    assert int(pdf.Root.Outlines.Count) == 1 + len(title.children)


@pytest.mark.pdf
def test_what_hangs_in_it_hangs_in_it_once(drawn: Any) -> None:
    document, pdf = drawn
    (name,) = pdf.attachments
    assert pdf.attachments[name].get_file().read_bytes() == rendering.to_json(document)
    assert len(pdf.Root.AF) == 1
    assert bytes(pdf.trailer.ID[0]).decode() == rendering.data_digest(document)[:32]


@pytest.mark.pdf
def test_the_accessible_variant_is_that_in_every_stretch(
    log: Any, measure: Any, batch: Any, long: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(compact, "RECORDS_AT_ONCE", 1)
    monkeypatch.setattr(monitoring_log, "BLOCKS_AT_ONCE", 2)
    for _ in range(3):
        measure(batch)
    pdf = pikepdf.open(io.BytesIO(rendering.to_pdf(log(), variant=PdfVariant.ACCESSIBLE)))
    with pdf.open_metadata() as said:
        assert said["pdfuaid:part"] == "1"


def test_the_records_of_a_long_log_share_a_path_a_seal(
    establishment: Establishment, log: Any, measure: Any, batch: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(evidence, "SHARED_FROM", 2)
    for minutes in range(5):
        measure(batch)
        if minutes % 2:
            seals.seal(establishment=establishment)
    document = log()
    file = reading.evidence_file(establishment, reading.records(document.record_ids), [document])
    made = json.loads(file.content)
    assert all("path" not in record["proof"] for record in made["records"])
    findings = check_evidence.check(made, document=json.loads(rendering.to_json(document)))
    assert (findings.differences, sum(findings.under.values())) == ([], 5)


def test_statements_do_not_grow_with_batches(log: Any, begin: Any, look: Any, end: Any, act: Any) -> None:
    def some(count: int) -> None:
        for _ in range(count):
            batch = begin()
            look(batch, said_act=act(at=NOON - timedelta(hours=4)))
            end(batch, NOON - timedelta(hours=3))

    def told() -> tuple[int, int]:
        with CaptureQueriesContext(connection) as seen:
            document = log("CP-METAL-1")
        return len(document.missed), len(seen)

    some(2)
    few = told()
    some(18)
    assert few[0] == 2  # the end of each
    assert told() == (20, few[1])


def test_statements_for_the_evidence_do_not_grow_with_records_and_seals(
    establishment: Establishment, log: Any, measure: Any, batch: Any
) -> None:
    def statements() -> int:
        document = log()
        with CaptureQueriesContext(connection) as seen:
            shown = reading.records(document.record_ids)
            reading.evidence_file(establishment, shown, [document])
        return len(seen)

    measure(batch)
    few = statements()
    for _ in range(3):
        measure(batch)
        seals.seal(establishment=establishment)
    assert statements() == few


@pytest.mark.pdf
def test_a_line_that_is_not_printed_with_its_digest_is_named(
    drawn: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of so many records there is no list besides: the lines themselves are compared."""
    document, pdf = drawn
    monkeypatch.setattr(verified, "MOST_PROOFS_PRINTED", 3)
    data, text = json.loads(rendering.to_json(document)), printed.text_of(pdf)
    assert list(verified._list_not_printed(text, SimpleNamespace(document=data))) == []
    data["checks"][4]["digest"] = "0" * 64
    (said,) = verified._list_not_printed(text, SimpleNamespace(document=data))
    assert said == f"record {document.checks[4].record} is not printed with its digest"


def test_lines_are_broken_between_pieces_and_never_cut() -> None:
    rows = list(compact._wrapped(["a" * 100, "b" * 100, "c" * 400]))
    assert all(len(row) <= compact.WIDTH for row in rows)
    assert "".join(rows).replace(" ", "") == "a" * 100 + "b" * 100 + "c" * 400


# -- as data ------------------------------------------------------------------------------------------


def test_its_table_is_csv_with_every_reading_and_no_formula(
    log: Any, measure: Any, batch: Any, act: Any
) -> None:
    check = measure(batch, said_act=act(note='=HYPERLINK("http://x"), "quoted"\r\nsecond line'))
    text = b"".join(tables.as_csv(log().data_tables()[0])).decode()
    (row,) = csv.DictReader(io.StringIO(text, newline=""), strict=True)
    assert (row["record"], row["digest"], row["reading_entered"]) == (
        str(check.pk),
        check.digest,
        "0.52, sample at 21 °C",
    )
    assert row["note"] == '\'=HYPERLINK("http://x"), "quoted"\r\nsecond line'
    assert text.count("\r\n") == 3  # RFC 4180 section 2: lines end so, and within quotes they may stand


def test_below_zero_stays_a_number_in_csv() -> None:
    made = tables.Table("t", ("a", "b", "c"), [("-18.5", "-18+x", "-1,5")])
    assert b"".join(tables.as_csv(made)).decode().split("\r\n")[1] == '-18.5,\'-18+x,"-1,5"'


@pytest.mark.pdf
def test_made_it_can_be_fetched_as_workbook_and_as_csv(
    api: Any, measure: Any, batch: Any, point: Any
) -> None:
    measure(batch)
    body = {"kind": "monitoring-log", "subject": str(point("CP-AW-2").pk), "period": PERIOD, "language": "es"}
    asked = api.send("documents", body).json()
    assert (asked["about"], asked["forms"]) == (PERIOD, [])
    jobs.make(asked["id"])
    told = api.ask(f"documents/{asked['id']}").json()
    assert (told["state"], told["problem"]) == ("done", "")
    assert told["forms"] == ["pdf", "json", "html", "csv", "xlsx"]
    answer = api.ask(f"documents/{asked['id']}/file.xlsx")
    book = openpyxl.load_workbook(io.BytesIO(b"".join(answer.streaming_content)))
    assert book.sheetnames == ["checks", "missed"]
    assert book["checks"].max_row == 2
    assert b"reading_entered" in b"".join(api.ask(f"documents/{asked['id']}/file.csv").streaming_content)
    shown = b"".join(api.ask(f"documents/{asked['id']}/file.html").streaming_content).decode()
    assert "Registro de vigilancia" in shown
    assert "0.65 o menos" in shown


def test_a_form_that_a_document_does_not_come_in_is_not_there(
    api: Any, batch: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rendering, "to_pdf", lambda document, attachments, variant: b"%PDF")
    made = api.send("documents", {"kind": "batch-record", "subject": str(batch.uid)}).json()
    jobs.make(made["id"])
    answer = api.ask(f"documents/{made['id']}/file.zip")
    assert (answer.status_code, "pdf, json, html" in answer.json()["detail"]) == (404, True)


# -- what cannot be made --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("period", "field"),
    [
        (None, "period"),
        ({"first": DAY}, "period.last"),
        ({"first": DAY, "last": "2020-01-01"}, "period.last"),
        ({"first": "2010-01-01", "last": DAY}, "period.first"),
        ({"first": "0001-01-01", "last": DAY}, "period.first"),
        ({"first": DAY, "last": DAY, "whole": True}, "period.whole"),
        ({"first": DAY, "last": DAY, "until": DAY}, "period.until"),
        ("always", "period"),
    ],
)
def test_a_period_that_cannot_be_is_refused_by_field(api: Any, point: Any, period: Any, field: str) -> None:
    body = {"kind": "monitoring-log", "subject": str(point("CP-AW-2").pk)}
    answer = api.send("documents", body if period is None else body | {"period": period})
    assert answer.status_code == 400, answer.json()
    assert field in json.dumps([error["field"] for error in answer.json()["errors"]])
    assert not DocumentJob.objects.exists()


def test_too_many_checks_are_refused_with_their_number_and_what_to_do(
    api: Any, measure: Any, batch: Any, point: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(monitoring_log, "MOST", 1)
    measure(batch)
    measure(batch)
    body = {"kind": "monitoring-log", "subject": str(point("CP-AW-2").pk), "period": {"whole": True}}
    answer = api.send("documents", body)
    assert answer.status_code == 409
    assert "2 rows" in answer.json()["detail"]
    assert "in parts" in answer.json()["detail"]
    assert not DocumentJob.objects.exists()


def test_a_point_of_another_establishment_does_not_exist(
    point: Any, elsewhere: Establishment, lead: Person
) -> None:
    from config.api.refusals import Unknown

    with pytest.raises(Unknown):
        monitoring_log.refuse(elsewhere, point("CP-AW-2").pk, PERIOD)


def test_the_whole_is_read_over_every_version_of_the_plan(log: Any, measure: Any, batch: Any) -> None:
    measure(batch)
    document = log(whole=True)
    assert (document.period, len(document.checks)) == (periods.Period(None, None), 1)
    assert document.versions[0].startswith("HP-1 version 1, approved 2026-")
