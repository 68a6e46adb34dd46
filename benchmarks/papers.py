"""What it costs to make documents, against bare loops and bare drawing of the same.

    DATABASE_URL=postgresql://... python benchmarks/papers.py [--checks 10000] [--batches 500] [--rounds 3]

Makes a scratch database, the demo's firm, and as many checks as a year brings at one control point, in as many batches
(``--batches 1``: all in one that runs for weeks), one after the other in 24 days, since the firm's plan is a month old. In
turns, medians: a monitoring log from asked to done (read, sealed, drawn, its data and tables kept), each in a process of its
own; told is the most that it and its children held together; against the same lines laid out bare with WeasyPrint (``pre``
elements of forty records, no marks, no data); its CSV and XLSX against a bare ``csv.writer`` over a server-side cursor and a bare
``xlsxwriter`` loop, of the same cells; the record of a batch with 60 checks from asked to done against WeasyPrint alone on
its finished HTML, each the second time in its process, as in a worker that runs for days. Beside others read own time.
"""

import argparse
import csv
import json
import resource
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from contextlib import suppress
from copy import copy
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from time import perf_counter, process_time, sleep
from typing import Any
from unittest.mock import patch

from stage import Stage, machine, scratch

AT_ONCE = 2000
APART = timedelta(minutes=3.5)  # the plan of the demo is a month old
BEGAN = timedelta(days=26)
MOMENT = timedelta(seconds=1)
OF_BATCH = 60


# -- a year of checks ----------------------------------------------------------------------------------


def first_check(stage: Stage) -> Any:
    from django.test import Client

    from haccp.models import Check

    answer = Client(SERVER_NAME="127.0.0.1").post(
        stage.path, stage.one(), content_type="application/json", headers={"Authorization": stage.key}
    )
    assert answer.status_code == 201, answer.content
    return Check.objects.select_related("batch__state", "control_point").get(pk=answer.json()["id"])


def _complete_in_time(check: Any, _now: datetime) -> None:
    """As if each had been written down two minutes after the work."""
    from ledger.models import Record

    Record._complete(check, check.performed_at + timedelta(minutes=2))


def run(first: Any, wanted: int, of_each: int) -> list[Any]:
    """Further batches like that of the first check, the newest first, each long enough for so many checks.

    The start gate is not asked: it reads more than this is about.
    """
    from django.db import transaction

    from batches import runs
    from haccp.models import StartPermission
    from ledger.acts import Act, Moment
    from ledger.ids import uuid7
    from ledger.models import Entry

    permission = StartPermission.objects.get(pk=first.batch.permission_id)
    here, who, recipe = first.establishment, first.performed_by, first.batch.recipe_version
    made = []
    with transaction.atomic():
        for number in range(wanted):
            begun = first.performed_at - (number + 1) * of_each * APART + 2 * MOMENT
            ended = first.performed_at - number * of_each * APART + MOMENT
            permitted = copy(permission)
            permitted.pk, permitted.performed_at = uuid7(), begun
            permitted.insert()
            act = Act(establishment=here, performed_by=who, performed=Moment.of(begun), recorded_by=who)
            started = runs.start(
                act=act,
                record=runs.shape_start(act=act, recipe_version=recipe, quantity="2", unit="KGM"),
                permission=Entry.objects.get(pk=permitted.pk),
                plan_version=first.batch.plan_version,
            )
            runs.end(act=replace(act, performed=Moment.of(ended)), batch=started.batch)
            made.append(started.batch)
    return made


def fill(first: Any, wanted: int, apart: timedelta, batches: Sequence[Any] = ()) -> None:
    """Checks like the first, one after another before it, on its batch or spread over others; every fiftieth bears a note."""
    from django.db import connection, transaction

    from haccp.models import Check
    from ledger import seals
    from ledger.ids import uuid7
    from ledger.models import Establishment

    here = Establishment.objects.get(pk=first.establishment_id)
    for start in range(0, wanted, AT_ONCE):
        made = []
        for number in range(start, min(start + AT_ONCE, wanted)):
            one = copy(first)
            one.pk, one.performed_at = uuid7(), first.performed_at - number * apart
            one.readings = [first.readings[0] | {"value": f"0.{38 + number % 9}"}]
            one.note = "" if number % 50 else "Read twice."
            if batches:
                one.batch = batches[number // -(-wanted // len(batches))]
            made.append(one)
        with patch.object(Check, "_complete", _complete_in_time), transaction.atomic():
            Check.insert_many(made)
        seals.seal(establishment=here)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("VACUUM ANALYZE")


# -- from asked to done ---------------------------------------------------------------------------------


def ask(**asked: Any) -> Any:
    from ledger.models import Establishment, Person
    from reports import jobs
    from reports.demo.house import HOUSE

    here, lead = Establishment.objects.get(pk=HOUSE), Person.objects.get(sign_in_name="mara")
    return jobs.ask(establishment=here, asked_by=lead, **asked)


def in_its_own_process(*what: str) -> dict[str, float]:
    """Run this file again for one thing; what it measured, and the most that it and its children held together."""
    with tempfile.TemporaryFile("w+") as said, tempfile.TemporaryFile("w+") as told:
        running = subprocess.Popen([sys.executable, __file__, "--child", *what], stdout=said, stderr=told)
        most = 0.0
        while running.poll() is None:
            most = max(most, sum(map(held, family(running.pid))))
            sleep(0.05)
        said.seek(0)
        told.seek(0)
        if running.returncode:
            sys.exit(told.read())
        measured: dict[str, float] = json.loads(said.read().splitlines()[-1])
    return measured | {"peak": most}


def family(pid: int) -> list[int]:
    """The process and its children, whichever of its threads began them; each once."""
    found = [pid]
    for listed in Path("/proc").glob(f"{pid}/task/*/children"):
        with suppress(OSError):  # the thread ended meanwhile
            found += map(int, listed.read_text().split())
    return found


def held(pid: int) -> float:
    """Megabytes in memory, of pages that several processes share its part (Pss); nothing once it ended."""
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith("Pss:")), 0.0)


def child(what: str, *arguments: str) -> None:
    """Do it with each, and measure the last: the others come before it as in a worker that runs for days."""
    import django

    django.setup()
    do = {"job": make, "bare": draw_bare, "drawn": draw_page}[what]
    for before in arguments[:-1]:
        do(before)
    began, own = perf_counter(), own_time()
    do(arguments[-1])
    print(json.dumps({"wall": perf_counter() - began, "own": own_time() - own}))


def own_time() -> float:
    """Processor time of this process and of its children that ended."""
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    return process_time() + ended.ru_utime + ended.ru_stime


def make(pk: str) -> None:
    from reports import jobs

    jobs.make(pk)  # type: ignore[arg-type]


def draw_bare(path: str) -> None:
    """WeasyPrint and nothing else, on finished HTML."""
    from weasyprint import CSS, HTML

    sheet = (
        "@page { size: A4 landscape; margin: 18mm 12mm 13mm } pre { font: 6.5pt/1.3 monospace; margin: 0 }"
    )
    HTML(string=Path(path).read_text()).write_pdf(stylesheets=[CSS(string=sheet)])


def draw_page(path: str) -> None:
    """WeasyPrint on a finished page with its own style sheet, tagged, as PDF/A, without anything attached."""
    from django.utils import timezone

    from reports import paper

    paper.draw(Path(path).read_text(), identifier="0" * 32, made_at=timezone.now())


def log_against_bare(point: str, rounds: int, folder: str) -> None:
    from reports import jobs
    from reports.models import DocumentJob

    ratios = []
    for number in range(rounds):
        job = ask(kind="monitoring-log", subject=point, about={"whole": True})
        ours = in_its_own_process("job", str(job.pk))
        made = DocumentJob.objects.get(pk=job.pk)
        assert made.state == "done", made.problem
        if not number:
            document: Any = jobs.read(made)[0]
            bare = Path(folder) / "bare.html"
            bare.write_text("".join(f"<pre>{block}</pre>" for block in document.blocks))
        alone = in_its_own_process("bare", str(bare))
        ratios.append(ours["wall"] / alone["wall"])
        print(
            f"  monitoring log, {len(document.checks)} checks: {ours['wall']:.1f} s ({ours['own']:.1f} s of its own), "
            f"peak {ours['peak']:.0f} MB, PDF {made.size} bytes; bare lines {alone['wall']:.1f} s "
            f"({alone['own']:.1f} s), peak {alone['peak']:.0f} MB: {ratios[-1]:.2f} x",
            flush=True,
        )
    print(f"median: {statistics.median(ratios):.2f} x the bare lines")
    tables_against_bare(document, rounds)


def batch_against_bare(batch: Any, rounds: int, folder: str) -> None:
    from reports import jobs, rendering
    from reports.models import DocumentJob

    ratios = []
    for _ in range(rounds):
        before, job = (ask(kind="batch-record", subject=batch) for _each in range(2))
        ours = in_its_own_process("job", str(before.pk), str(job.pk))
        made = DocumentJob.objects.get(pk=job.pk)
        assert made.state == "done", made.problem
        document = jobs.read(made)[0]
        page = Path(folder) / "page.html"
        page.write_text(rendering.to_html(document, for_paper=True))
        alone = in_its_own_process("drawn", str(page), str(page))
        ratios.append(ours["own"] / alone["own"])
        print(
            f"  batch record: {ours['wall']:.2f} s ({ours['own']:.2f} s of its own), WeasyPrint alone "
            f"{alone['wall']:.2f} s ({alone['own']:.2f} s): {ours['wall'] / alone['wall']:.2f} x, {ratios[-1]:.2f} x of its own"
        )
    print(f"median: {statistics.median(ratios):.2f} x WeasyPrint alone, by own time")


# -- tables ---------------------------------------------------------------------------------------------


def tables_against_bare(document: Any, rounds: int) -> None:
    """The same cells lie in a table of their own for the bare loops."""
    from django.db import connection, transaction

    table = document.data_tables()[0]
    columns = ", ".join(f"c{place} text" for place in range(len(table.heads)))
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"CREATE TEMPORARY TABLE cells ({columns})")
        with cursor.copy("COPY cells FROM STDIN") as copying:
            for row in table.rows:
                copying.write_row(row)
    pairs: list[tuple[str, Callable[[], None], Callable[[], None]]] = [
        ("CSV", lambda: our_csv(document), lambda: bare_csv(table.heads)),
        ("XLSX", lambda: our_workbook(document), lambda: bare_workbook(table)),
    ]
    for name, ours, bare in pairs:
        shares = []
        for _ in range(rounds):
            alone, took = timed(bare), timed(ours)
            shares.append(alone / took)
            print(
                f"  {name}, {len(table.rows)} rows of {len(table.heads)} cells: {took:.2f} s, bare {alone:.2f} s"
            )
        print(f"median: {name} at {statistics.median(shares):.0%} of the bare loop")


def timed(do: Callable[[], None]) -> float:
    began = perf_counter()
    do()
    return perf_counter() - began


def our_csv(document: Any) -> None:
    from reports import tables

    with tempfile.TemporaryFile() as file:
        file.writelines(tables.as_csv(document.data_tables()[0]))


def bare_csv(heads: Any) -> None:
    from django.db import connection, transaction

    with (
        tempfile.TemporaryFile("w+", newline="") as file,
        transaction.atomic(),
        connection.chunked_cursor() as cursor,
    ):
        writer = csv.writer(file)
        writer.writerow(heads)
        cursor.execute("SELECT * FROM cells")
        while rows := cursor.fetchmany(AT_ONCE):
            writer.writerows(rows)


def our_workbook(document: Any) -> None:
    from reports import tables

    with tempfile.TemporaryFile() as file:
        tables.write_workbook(file, document.data_tables()[:1])


def bare_workbook(table: Any) -> None:
    import xlsxwriter

    with tempfile.TemporaryFile() as file:
        book = xlsxwriter.Workbook(file, {"constant_memory": True})
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, table.heads)
        for line, row in enumerate(table.rows, start=1):
            sheet.write_row(line, 0, row)
        book.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--checks", type=int, default=10_000)
    parser.add_argument("--batches", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--child", nargs="+")
    asked = parser.parse_args()
    if asked.child:
        child(*asked.child)
        return
    with scratch("postgresql"), tempfile.TemporaryDirectory() as folder:
        print(machine())
        first = first_check(Stage.set_up(BEGAN))
        fill(first, OF_BATCH - 1, timedelta(seconds=30))
        batch_against_bare(first.batch.uid, asked.rounds, folder)
        wanted = asked.checks - OF_BATCH
        several = run(first, asked.batches, -(-wanted // asked.batches)) if asked.batches > 1 else []
        fill(first, wanted, APART, several)
        log_against_bare(first.control_point_id, asked.rounds, folder)


if __name__ == "__main__":
    main()
