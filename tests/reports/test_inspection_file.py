"""One request, one file: what lies in it, its numbers, its data, made once, and what changed since."""

import io
import json
import subprocess
import sys
import zipfile
from collections import Counter
from datetime import timedelta
from hashlib import sha256
from types import SimpleNamespace
from typing import Any

import pikepdf
import pytest
from django.core.files.storage import default_storage
from django.core.management import CommandError, call_command
from django.test import override_settings
from django.utils import timezone
from pdfminer.high_level import extract_text

from batches import noting
from batches.models import Batch, Lot, Movement
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.models import Check, ControlPoint, Deviation, Hold
from ledger.acts import Act, Moment
from ledger.ids import uuid7
from ledger.models import Establishment, Person
from reports import (
    changeover_log,
    compact,
    drawers,
    inspection_file,
    jobs,
    merging,
    monitoring_log,
    rendering,
    trace_document,
    verified,
)
from reports.demo.house import HOUSE
from reports.inspection import bundle, changes, contents
from reports.inspection.asked import Asked
from reports.models import DocumentJob
from tests.scene import Scene, undone

pytestmark = [pytest.mark.django_db, pytest.mark.pdf]


@pytest.fixture(scope="module")
def made(scene: Scene, tmp_path_factory: Any, django_db_blocker: Any) -> Any:
    """The file of all that the demo's house has of one finished lot, and of the days it worked."""
    kept = tmp_path_factory.mktemp("file")
    with django_db_blocker.unblock(), override_settings(MEDIA_ROOT=kept):
        here = Establishment.objects.get(pk=HOUSE)
        lead = Person.objects.get(sign_in_name="mara")
        about = {"lots": [scene.ids["lot"]], "batches": _batches(here)}
        job = jobs.ask(establishment=here, asked_by=lead, kind="inspection-file", about=about)
        jobs.make(job.pk)
        job.refresh_from_db()
        files = {form: _content(job, form) for form in ("pdf", "json", "zip", "html")}
    return SimpleNamespace(
        here=here, lead=lead, job=job, about=about, kept=kept, data=json.loads(files["json"]), **files
    )


def _batches(here: Establishment) -> list[str]:
    return [str(uid) for uid in Batch.objects.filter(establishment=here).values_list("uid", flat=True)[:3]]


def _content(job: DocumentJob, form: str) -> bytes:
    with default_storage.open(jobs.path_of(job, form)) as file:
        content: bytes = file.read()
    return content


@pytest.fixture(autouse=True)
def _nothing_stays(db: Any, made: Any, settings: Any) -> Any:
    settings.MEDIA_ROOT = made.kept
    with undone():
        yield


@pytest.fixture
def ask(made: Any) -> Any:
    def do(**said: Any) -> DocumentJob:
        usual = {"establishment": made.here, "asked_by": made.lead, "kind": "inspection-file"}
        return jobs.ask(**(usual | {"about": made.about} | said))

    return do


@pytest.fixture
def note(made: Any) -> Any:
    """Something more is recorded."""

    def do() -> Any:
        act = Act(
            establishment=made.here,
            performed_by=made.lead,
            performed=Moment.now(made.here),
            recorded_by=made.lead,
        )
        return noting.note_quality(act=act, batch=Batch.objects.latest("id"), what="colour", value="amber")

    return do


@pytest.fixture(scope="module")
def in_stretches(made: Any, django_db_blocker: Any) -> Any:
    """A file with the log of a control point, two lines of which are drawn by themselves."""
    with (
        django_db_blocker.unblock(),
        override_settings(MEDIA_ROOT=made.kept),
        pytest.MonkeyPatch.context() as patched,
    ):
        patched.setattr(monitoring_log, "IN_FULL", 2)
        patched.setattr(compact, "RECORDS_AT_ONCE", 1)
        patched.setattr(monitoring_log, "BLOCKS_AT_ONCE", 2)
        by_code = Counter(Check.objects.of(made.here).values_list("control_point__code", flat=True))
        code, checks = by_code.most_common(1)[0]
        assert checks > 4
        about = {"control_points": [code], "since": "2020-01-01", "until": "2027-12-31"}
        job = jobs.ask(establishment=made.here, asked_by=made.lead, kind="inspection-file", about=about)
        usual, drawn = drawers.draw_all, list[Any]()

        def watched(sheets: Any, **values: Any) -> Any:
            drawn.extend(sheets)
            return usual(drawn, **values)

        patched.setattr(drawers, "draw_all", watched)
        jobs.make(job.pk)
        job.refresh_from_db()
        lines, pdf = json.loads(_content(job, "json"))["lines"], _content(job, "pdf")
    return SimpleNamespace(job=job, sheets=len(drawn), lines=lines, pdf=pdf, pages=_pages(pdf))


def _pages(pdf: bytes) -> list[str]:
    pages = extract_text(io.BytesIO(pdf)).rstrip("\f").split("\f")
    return [page.replace("\n", " ") for page in pages]


# -- the paper ----------------------------------------------------------------------------------------


def test_each_page_bears_its_number_in_the_whole(made: Any) -> None:
    pages = extract_text(io.BytesIO(made.pdf)).rstrip("\f").split("\f")
    number = f"{made.job.number:06d}"
    assert all(
        f"File {number}, page {at} of {len(pages)}" in page.replace("\n", " ")
        for at, page in enumerate(pages, 1)
    )


def test_the_contents_name_the_page_on_which_each_document_begins(made: Any) -> None:
    pages = extract_text(io.BytesIO(made.pdf)).rstrip("\f").split("\f")
    lines = made.data["lines"]
    assert [line["document"] in pages[int(line["page"]) - 1] for line in lines] == [True] * len(lines)


def test_every_document_has_a_bookmark_in_the_order_of_the_file(made: Any) -> None:
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf, pdf.open_outline() as outline:
        titles = [each.title for each in outline.root]
    expected = [f"{line['title']} {line['document']}" for line in made.data["lines"]]
    assert titles == [f"Inspection file {made.job.number:06d}", *expected]


def test_the_keys_of_tagged_pages_are_of_one_tree(made: Any) -> None:
    """ISO 32000-1, 14.7.4.4: each page's key into the parent tree is its own, and the tree is sorted (from memory)."""
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf:
        keys = [int(key) for key in list(pdf.Root.StructTreeRoot.ParentTree.Nums)[::2]]
        of_pages = [int(page.obj.StructParents) for page in pdf.pages]
    assert keys == sorted(set(keys))
    assert len(set(of_pages)) == len(of_pages)
    assert set(of_pages) <= set(keys)


def test_heads_of_tables_are_told_apart_over_all_its_parts(made: Any) -> None:
    """ISO 32000-1, 14.7.2: identifiers of elements are unique, and a sorted tree finds each (from memory)."""
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf:
        elements = [each for each in pdf.objects if isinstance(each, pikepdf.Dictionary) and "/S" in each]
        known = [bytes(each.ID) for each in elements if "/ID" in each]
        named = {bytes(head) for each in elements if "/A" in each for head in each.A.get("/Headers", ())}
        tree = [bytes(name) for name in list(pdf.Root.StructTreeRoot.IDTree.Names)[::2]]
    assert len(known) > 50
    assert named <= set(known)
    assert tree == sorted(set(known))
    assert len(tree) == len(known)


def test_a_part_taken_out_alone_names_the_file_warns_defers_and_bears_seal_and_digest(made: Any) -> None:
    pages = ["".join(page.split()) for page in extract_text(io.BytesIO(made.pdf)).rstrip("\f").split("\f")]
    seal = made.data["seal"]
    for line in made.data["lines"]:
        first = int(line["page"]) - 1
        text = "".join(pages[first : first + int(line["pages"])])
        for said in (
            f"Part of inspection file {made.job.number:06d}",
            line["document"],
            made.data["asked_by"],
            "Hot sugar sticks" if line["kind"] != "allergen-sheet" else "Whether a label is right",
            "Local regulation",
            seal["root"],
            seal["hash"],
            "Digest of this document's data",
        ):
            assert "".join(said.split()) in text, (line["kind"], said)


def test_a_long_log_in_it_is_drawn_in_stretches_with_its_own_numbers_and_the_files(in_stretches: Any) -> None:
    assert in_stretches.sheets > len(in_stretches.lines)
    log = next(line for line in in_stretches.lines if line["kind"] == "monitoring-log")
    first, of_log = int(log["page"]) - 1, int(log["pages"])
    number, whole = f"{in_stretches.job.number:06d}", len(in_stretches.pages)
    for at, page in enumerate(in_stretches.pages, 1):
        assert f"File {number}, page {at} of {whole}" in page
    for at, page in enumerate(in_stretches.pages[first : first + of_log], 1):
        assert f"Page {at} of {of_log}" in page
        assert log["document"] in page


def test_documents_after_a_log_in_stretches_begin_where_the_contents_say(in_stretches: Any) -> None:
    pages = [in_stretches.pages[int(line["page"]) - 1] for line in in_stretches.lines]
    numbers = [line["document"] for line in in_stretches.lines]
    assert [number in page for number, page in zip(numbers, pages, strict=True)] == [True] * len(pages)
    assert (
        sum(int(line["pages"]) for line in in_stretches.lines)
        == len(in_stretches.pages) - int(in_stretches.lines[0]["page"]) + 1
    )


def test_a_log_in_stretches_is_one_document_of_the_file_for_tags_and_bookmarks(in_stretches: Any) -> None:
    """ISO 32000-1, 14.7 and 12.3.3: a document each, each page's own key in one tree, one bookmark a title."""
    with pikepdf.open(io.BytesIO(in_stretches.pdf)) as pdf, pdf.open_outline() as outline:
        root = pdf.Root.StructTreeRoot
        assert [element.S for element in root.K] == ["/Document"] * (len(in_stretches.lines) + 1)
        keys = [int(page.obj.StructParents) for page in pdf.pages]
        assert len(set(keys)) == len(pdf.pages)
        assert set(keys) <= {int(key) for key in list(root.ParentTree.Nums)[::2]}
        expected = [f"{line['title']} {line['document']}" for line in in_stretches.lines]
        assert [each.title for each in outline.root][1:] == expected


def test_what_is_the_same_for_all_parts_is_told_once_on_the_front(made: Any) -> None:
    pages = ["".join(page.split()) for page in extract_text(io.BytesIO(made.pdf)).rstrip("\f").split("\f")]
    fingerprint = made.data["key"]["fingerprint"]
    front = int(made.data["lines"][0]["page"]) - 1
    assert [at < front for at, page in enumerate(pages) if fingerprint in page] == [True]
    assert sum("Thissealincludestheonebeforeit" in page for page in pages) == 1


def test_it_has_no_fault_that_a_reader_of_pdf_finds(made: Any) -> None:
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf:
        assert pdf.check_pdf_syntax() == []


def test_the_evidence_and_the_data_of_each_document_hang_in_it_once(made: Any) -> None:
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf:
        hanging = set(pdf.attachments)
        associated = [str(each.UF) for each in pdf.Root.AF]
    assert hanging == {f"inspection-file-{made.job.number:06d}.json", "evidence.json", "documents.zip"}
    assert sorted(associated) == sorted(hanging)


def test_a_finished_file_is_found_as_it_was_made(made: Any) -> None:
    assert verified.verify(made.pdf).differences == []


def test_a_page_of_another_file_in_it_is_told(made: Any) -> None:
    """Its seal is no longer printed as it is attached."""
    with pikepdf.open(io.BytesIO(made.pdf)) as pdf:
        del pdf.pages[0]
        out = io.BytesIO()
        pdf.save(out)
    assert verified.verify(out.getvalue()).differences != []


# -- the data -----------------------------------------------------------------------------------------


def test_the_checksums_in_the_zip_are_those_of_its_files(made: Any) -> None:
    with zipfile.ZipFile(io.BytesIO(made.zip)) as archive:
        lines = archive.read("checksums.sha256").decode().splitlines()
        told = {name: digest for digest, name in (line.split("  ") for line in lines)}
        assert told == {
            name: sha256(archive.read(name)).hexdigest()
            for name in archive.namelist()
            if name != "checksums.sha256"
        }


def test_the_checker_in_the_zip_finds_its_evidence_as_it_was_written(made: Any, tmp_path: Any) -> None:
    with zipfile.ZipFile(io.BytesIO(made.zip)) as archive:
        archive.extractall(tmp_path)
    ran = subprocess.run(
        [sys.executable, "-I", "check_evidence.py", "evidence.json"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
    )
    assert ran.returncode == 0, ran.stdout


def test_every_record_that_is_shown_is_in_the_evidence(made: Any) -> None:
    with zipfile.ZipFile(io.BytesIO(made.zip)) as archive:
        proved = {each["id"] for each in json.loads(archive.read("evidence.json"))["records"]}
    assert proved == {each["record"] for each in made.data["records"]}


# -- asking -------------------------------------------------------------------------------------------


def test_it_says_how_many_documents_are_drawn(made: Any) -> None:
    assert (made.job.parts_drawn, made.job.parts_in_all) == (len(made.data["lines"]),) * 2


def test_asked_for_twice_it_is_made_once(made: Any, ask: Any) -> None:
    assert ask().pk == made.job.pk


def test_it_is_made_anew_once_something_was_recorded(made: Any, ask: Any, note: Any) -> None:
    note()
    assert ask().pk != made.job.pk


def test_it_is_made_anew_on_another_day(made: Any, ask: Any) -> None:
    DocumentJob.objects.filter(pk=made.job.pk).update(made_at=timezone.now() - timedelta(days=1))
    assert ask().pk != made.job.pk


def test_another_person_gets_one_with_their_own_name(made: Any, ask: Any) -> None:
    other = Person.objects.exclude(pk=made.lead.pk).filter(memberships__establishment=made.here).first()
    assert ask(asked_by=other).pk != made.job.pk


def test_one_that_waits_is_not_asked_for_again(ask: Any, note: Any) -> None:
    note()
    assert ask().pk == ask().pk


def test_a_control_point_that_no_plan_has_is_refused(ask: Any) -> None:
    with pytest.raises(Unknown, match="No approved plan has a control point NEVER-1"):
        ask(about={"control_points": ["NEVER-1"]})


def test_an_empty_period_gives_documents_that_say_so(ask: Any, made: Any) -> None:
    job = ask(about={"since": "2001-01-01", "until": "2001-01-31"})
    front, documents, _records = inspection_file._read(job, jobs.built)
    kinds = list(dict.fromkeys(line.kind for line in front.lines))
    assert kinds == [
        "hazard-plan",
        "monitoring-log",
        "deviation-list",
        "receiving-log",
        "changeover-log",
        "verification-log",
        "people-list",
        "compliance-profile",
        "mass-balance",
    ]
    assert all(rendering.to_html(each, for_paper=True) for each in documents)


def test_tables_lie_in_the_zip_as_csv(ask: Any, made: Any) -> None:
    job = ask(about={"since": "2001-01-01", "until": "2001-01-31"})
    front, documents, _records = inspection_file._read(job, jobs.built)
    names = [file.name for file in bundle.data_of(front, documents)]
    assert any("receiving-log" in name and name.endswith(".csv") for name in names)


def test_a_control_point_is_asked_for_by_its_code(made: Any) -> None:
    code = ControlPoint.newest(made.here).first().code
    parts = contents.parts(Asked.read(made.here, {"control_points": [code]}))
    assert [part.kind for part in parts] == ["hazard-plan", "monitoring-log"]


def test_a_period_holds_each_case_of_its_list_with_the_answers(made: Any) -> None:
    parts = contents.parts(Asked.read(made.here, {"since": "2020-01-01"}))
    cases = {part.subject for part in parts if part.kind == "deviation"}
    assert cases == set(Deviation.objects.filter(establishment=made.here).values_list("pk", flat=True))


def test_a_control_point_brings_the_cases_of_its_checks(made: Any) -> None:
    case = Deviation.objects.filter(establishment=made.here, what="limit").first()
    code = Check.objects.get(pk=case.subject).control_point.code
    parts = contents.parts(Asked.read(made.here, {"control_points": [code]}))
    assert case.pk in {part.subject for part in parts if part.kind == "deviation"}


def test_a_bought_lot_brings_the_cases_that_hold_it(made: Any) -> None:
    bought = {
        str(uid)
        for uid in Lot.objects.filter(establishment=made.here, batch=None).values_list("uid", flat=True)
    }
    hold = next(each for each in Hold.objects.filter(establishment=made.here) if bought & set(each.lots))
    lot = min(bought & set(hold.lots))
    parts = contents.parts(Asked.read(made.here, {"lots": [lot]}))
    assert hold.deviation_id in {part.subject for part in parts if part.kind == "deviation"}


def test_too_much_is_refused_with_the_count(ask: Any, made: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(contents, "MOST", 1)
    with pytest.raises(Unusable, match=f"{len(made.data['lines'])} documents"):
        ask()


def test_what_one_document_cannot_hold_is_refused_with_its_name_and_the_count(
    ask: Any, made: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(changeover_log, "MOST", 1)
    days = {"since": "2020-01-01", "until": "2027-12-31"}
    with pytest.raises(RuleBroken, match=r"Changeover log, 2020-01-01 – 2027-12-31: That are \d+ rows"):
        ask(about=days)


def test_more_than_ten_years_are_refused_before_a_worker_begins(ask: Any, made: Any) -> None:
    with pytest.raises(Unusable, match=r"Monitoring log, .*ten years at most"):
        ask(about={"since": "1999-01-01", "until": "2027-12-31"})


def test_what_is_found_too_large_as_it_is_made_says_which_document(
    ask: Any, note: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    note()
    job = ask()

    def too_much(*_asked: Any, **_head: Any) -> None:
        raise Unusable("This trace has 9000 lots.", code="too-many", field="trace")

    monkeypatch.setattr(trace_document, "build", too_much)
    with pytest.raises(Unusable):
        jobs.make(job.pk)
    job.refresh_from_db()
    assert (job.state, job.problem.startswith("Trace, ")) == ("failed", True)


def test_asked_for_by_two_at_once_it_is_made_once(
    ask: Any, note: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who comes second waits at the number of the house, and finds there what the first one asked for."""
    note()
    first: list[DocumentJob] = []

    def meanwhile(here: Establishment) -> int:
        monkeypatch.undo()
        first.append(ask())
        return jobs._next_number(here)

    monkeypatch.setattr(jobs, "_next_number", meanwhile)
    assert ask().pk == first[0].pk


def test_in_spanish_the_front_is_spanish(ask: Any) -> None:
    job = ask(language="es")
    front = jobs.built(job, job.kind, job.establishment_id, job.about)
    assert (front.title, front.asked[0].split(":")[0]) == ("Expediente de inspección", "Lotes")


def test_the_page_numbers_are_spanish_too() -> None:
    assert inspection_file.translated("es", lambda: merging.words("000007")) == (
        "Expediente 000007, página ",
        " de ",
        "",
    )


def test_a_plan_that_a_batch_was_made_under_lies_before_its_record(ask: Any, made: Any) -> None:
    batch = Batch.objects.filter(establishment=made.here, plan_version__isnull=False).first()
    about = {"batches": [str(batch.uid)]}
    kinds = [part.kind for part in contents.parts(Asked.read(made.here, about))]
    assert kinds[:2] == ["hazard-plan", "batch-record"]


def test_a_period_asks_for_all_that_began_in_it(ask: Any, made: Any) -> None:
    today = timezone.now().astimezone(made.here.zone).date()
    job = ask(about={"since": str(today - timedelta(days=30)), "until": str(today)})
    asked = Asked.read(made.here, job.about)
    batches = Batch.objects.filter(
        establishment=made.here, state__started_at__gte=timezone.now() - timedelta(days=30)
    )
    assert set(asked.concerned()) == set(batches) != set()


@pytest.mark.parametrize(
    ("file", "field"),
    [
        ({}, "lots"),
        ({"since": "2026-03-02", "until": "2026-03-01"}, "until"),
        ({"lots": ["seven"]}, "lots"),
        ({"since": "yesterday"}, "since"),
    ],
)
def test_a_bad_request_names_the_field(scene: Scene, client: Any, file: Any, field: str) -> None:
    answer = client.post(
        f"/api/v1/establishments/{HOUSE}/documents",
        {"kind": "inspection-file", "file": file},
        content_type="application/json",
        headers=scene.headers,
    )
    assert answer.status_code == 400
    assert field in answer.content.decode()


# -- a worker that dies -------------------------------------------------------------------------------


def test_a_file_that_takes_its_worker_down_each_time_is_given_up(ask: Any, note: Any) -> None:
    note()
    job = ask()
    long_ago = timezone.now() - 2 * jobs.PATIENCE
    DocumentJob.objects.filter(pk=job.pk).update(state="making", tries=jobs.MOST_TRIES, touched_at=long_ago)
    jobs.sweep()
    job.refresh_from_db()
    assert (job.state, job.problem) == ("failed", jobs.TOO_OFTEN)


# -- since an earlier one -----------------------------------------------------------------------------


def test_changes_name_the_documents_and_records_of_one_file_only() -> None:
    one, two = {"record": "1", "corrects": None}, {"record": "2", "corrects": "1"}
    line, other = {"kind": "trace", "of": "A"}, {"kind": "trace", "of": "B"}
    found = changes.between({"lines": [line], "records": [one]}, {"lines": [other], "records": [one, two]})
    assert (found.documents_new, found.documents_gone) == ((other,), (line,))
    assert (found.records_new, found.records_gone, found.put_right) == ((two,), (), ("1",))


def test_a_file_says_what_was_recorded_since_an_earlier_one(
    scene: Scene, client: Any, made: Any, ask: Any, note: Any
) -> None:
    noted = note()
    later = ask()
    data = made.data | {
        "records": [
            *made.data["records"],
            {"record": str(noted.pk), "kind": noted.kind, "digest": noted.digest, "corrects": None},
        ]
    }
    jobs._keep(jobs.path_of(later, "json"), json.dumps(data).encode())
    DocumentJob.objects.filter(pk=later.pk).update(state="done", digest="0" * 64)
    answer = client.get(
        f"/api/v1/establishments/{HOUSE}/documents/{later.pk}/changes?since={made.job.pk}",
        headers=scene.headers,
    )
    assert [each["record"] for each in answer.json()["records_new"]] == [str(noted.pk)]


def test_changes_since_a_file_that_is_not_here_are_404(scene: Scene, client: Any, made: Any) -> None:
    where = f"/api/v1/establishments/{HOUSE}/documents/{made.job.pk}/changes?since={uuid7()}"
    assert client.get(where, headers=scene.headers).status_code == 404


# -- the command --------------------------------------------------------------------------------------


def test_the_command_writes_the_pdf_and_the_zip(
    made: Any, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs, "ask", lambda **said: made.job)
    code = Batch.objects.filter(establishment=made.here).latest("id").code
    out = tmp_path / "file.pdf"
    call_command(
        "inspection-file", establishment=made.here.pk, by="mara", batch=[code], out=out, stdout=io.StringIO()
    )
    assert (out.read_bytes(), out.with_suffix(".zip").read_bytes()) == (made.pdf, made.zip)


def test_the_command_names_a_code_that_is_not_here(made: Any, tmp_path: Any) -> None:
    with pytest.raises(CommandError, match="There is no lot NEVER-1 here"):
        call_command(
            "inspection-file", establishment=made.here.pk, by="mara", lot=["NEVER-1"], out=tmp_path / "f.pdf"
        )


def test_a_file_of_a_supplier_tells_no_delivery_of_another(made: Any, ask: Any) -> None:
    received = Movement.objects.filter(establishment=made.here, what="received", withdrawn=False)
    one, *others = {each.partner for each in received.select_related("partner")}
    job = ask(about={"suppliers": [str(one.pk)]})
    _front, documents, _records = inspection_file._read(job, jobs.built)
    (log,) = (each for each in documents if each.kind == "receiving-log")
    assert others
    assert {line.supplier for line in log.receipts} == {one.name}
    assert ("Only of", one.name) in log.facts()
