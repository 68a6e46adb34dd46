"""The document of a trace: asked for over HTTP, read as a worker reads it, and what stands in it."""

import json

import pytest

from batches.trace_results import Side
from reports import jobs, rendering, trace_document
from reports.models import DocumentJob
from reports.trace_document import TraceDocument
from tests.haccp.conftest import *  # noqa: F403 - a house that makes things
from tests.haccp.recalls.conftest import *  # noqa: F403 - shops that got some of it
from tests.reports.drawn_traces import lot, trace

pytestmark = pytest.mark.django_db


@pytest.fixture
def asked(lead_api, nuts, sweets, ship, shop, other_shop):
    """Nuts in sweets, of which two shops got some; the document as a worker reads it."""
    ship(sweets, shop, document="Note <1>")
    ship(sweets, other_shop, "0.5")

    def do(**said):
        answer = lead_api.send(
            "documents", {"kind": "trace", "trace": {"lot": [str(nuts.uid)], "direction": "forward"} | said}
        )
        assert answer.status_code == 202, answer.json()
        document, shown = jobs.read(DocumentJob.objects.get(pk=answer.json()["id"]))
        assert isinstance(document, TraceDocument)
        return document, shown

    return do


def test_it_holds_start_picture_table_movements_and_seal(asked, nuts, sweets, shop, other_shop):
    document, shown = asked()
    assert document.starts == (nuts.code,)
    assert [line.code for line in document.lines] == [nuts.code, sweets.code]
    assert document.picture.startswith("<svg")
    sums = {each.name: each.sums for each in document.partners}
    assert sums[shop.name] == ("shipped to them: 1.000 kg",)
    assert sums[other_shop.name] == ("shipped to them: 500 g",)
    assert document.suspect is not None
    assert document.suspect[-1][0] == "gap"
    assert document.seal is not None
    assert {nuts.uid, sweets.uid} <= {record.pk for record in shown}


def test_page_and_data_say_the_same_and_names_are_text(asked, shop, sweets):
    document, _ = asked()
    page = rendering.to_html(document, for_paper=False)
    assert "Note &lt;1&gt;" in page
    assert page.count("<svg") == 1
    told = json.loads(rendering.to_json(document))
    assert told["kind"] == "trace"
    assert {line["code"] for line in told["lines"]} == {line.code for line in document.lines}
    assert all(line.code in page for line in document.lines)


def test_a_long_table_says_how_many_rows_are_not_printed(asked, monkeypatch):
    monkeypatch.setattr(trace_document, "PRINTED", 1)
    document, _ = asked()
    assert "1 further rows are not printed here; the attached data have all." in rendering.to_html(
        document, for_paper=True
    )
    assert len(json.loads(rendering.to_json(document))["lines"]) == 2


def test_a_trace_too_large_for_paper_is_refused_before_it_is_made(lead_api, nuts, sweets, monkeypatch):
    monkeypatch.setattr(trace_document, "MOST", 1)
    said = {"lot": [str(nuts.uid)], "direction": "forward"}
    answer = lead_api.send("documents", {"kind": "trace", "trace": said})
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (400, "too-many")
    assert not DocumentJob.objects.exists()


def test_what_is_wrong_with_the_question_is_refused_by_its_name(lead_api, nuts):
    def errors(**said):
        answer = lead_api.send("documents", {"kind": "trace", **said})
        assert answer.status_code == 400
        return answer.json()["errors"][0]["field"]

    assert errors() == "trace"
    assert errors(trace={"direction": "forward"}) == "trace.lot"
    assert errors(trace={"lot": [str(nuts.uid)], "direction": "forward", "limit": 5}) == "trace.limit"
    assert errors(trace={"lot": [str(nuts.uid)], "direction": "forward"}, table={}) == "table"


def test_what_counts_found_more_or_less_is_told_by_lot():
    found = trace([lot(0, Side.START, unexplained=-2_000_000), lot(1, Side.FORWARD, unexplained=500_000)], [])
    told = list(trace_document._unexplained(found))
    assert told == ["L-0: counts found 2.000 kg less", "L-1: counts found 500 g more"]
