"""What it costs to send movements away as CSV, XLSX and EPCIS, against bare loops over the same rows.

    DATABASE_URL=postgresql://... python benchmarks/exchange.py [--movements 100000] [--forms csv xlsx]

Makes a scratch database and grows a small maker in it (``grown``). In turns, three rounds, medians: ours, to the last
byte of the answer; a bare ``csv.writer`` loop over a server-side cursor with the same statement; a bare loop of the writer
of workbooks over the same cells. Memory is the most that Python held while it ran (``tracemalloc``, a run of its own,
since that is slow). The first byte is timed over the whole request, sign-in included. Read the ratios.
"""

import argparse
import csv
import gc
import os
import platform
import statistics
import sys
import tempfile
import tracemalloc
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
import django

django.setup()

import openpyxl  # noqa: E402
import orjson  # noqa: E402
import xlsxwriter  # noqa: E402
from django.conf import settings  # noqa: E402
from django.db import connection, transaction  # noqa: E402
from rest_framework.test import APIClient  # noqa: E402

from batches.models import Lot  # noqa: E402
from benchmarks.grown import House  # noqa: E402
from ledger import people  # noqa: E402
from reports.exchange import event_reading, movements, separated, workbooks  # noqa: E402
from reports.exchange.columns import AMOUNTS, NAMES  # noqa: E402
from reports.exchange.movements import Selection  # noqa: E402

ROUNDS = 3
EVERYTHING = Selection()
FEW = 10_000


class Sink:
    """Takes bytes or text and forgets them."""

    def write(self, said: Any) -> int:
        return len(said)


def ours_csv(house: House) -> None:
    for part in separated.as_csv(movements.rows(house.here, lambda: EVERYTHING)):
        len(part)


def bare_csv(house: House, statement: Callable[[House], tuple[str, list[Any]]]) -> None:
    writer, place = csv.writer(Sink()), movements.House.of(house.here).cells
    writer.writerow(NAMES)
    with transaction.atomic(), connection.chunked_cursor() as cursor:
        cursor.execute(*statement(house))
        while rows := cursor.fetchmany(movements.ROWS_AT_ONCE):
            for row in rows:
                writer.writerow(row + place)


def same_statement(house: House) -> tuple[str, list[Any]]:
    return movements.statement(house.here, EVERYTHING)


def typed_statement(house: House) -> tuple[str, list[Any]]:
    """The same movements as columns come by themselves: ids, times and numbers, not texts."""
    below, params = movements.from_on(house.here, EVERYTHING)
    columns = """moved.id, moved.what, moved.performed_at, moved.performed_offset, lot.code, material.code, material.name,
        material.gtin, moved.quantity, material.dimension, moved.effect, moved.entered, moved.unit, batch.code,
        lot.is_rework, state.best_before, supplier.name, state.supplier_code, partner.name, partner.address, partner.gln,
        carrier.name, moved.document, moved.recorded_at, moved.withdrawn, moved.corrects_id"""
    return f"SELECT {columns} {below}", params


def ours_events(house: House) -> None:
    for part in event_reading.as_epcis(house.here, lambda: EVERYTHING):
        len(part)


def bare_events(house: House) -> None:
    """Rows as JSON lists, one by one: no event is made of them."""
    with transaction.atomic():
        for rows in event_reading.read_rows(house.here, EVERYTHING):
            for row in rows:
                len(orjson.dumps(row))


def ours_xlsx(house: House) -> None:
    with tempfile.TemporaryFile() as file:
        workbooks.write(file, movements.rows(house.here, lambda: EVERYTHING))


def bare_xlsx(house: House) -> None:
    with tempfile.TemporaryFile() as file:
        book = xlsxwriter.Workbook(file, {"constant_memory": True})
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, NAMES)
        rows = (row for rows in movements.rows(house.here, lambda: EVERYTHING) for row in rows)
        for line, row in enumerate(rows, start=1):
            for place, cell in enumerate(row):
                if cell:
                    if place in AMOUNTS:
                        sheet.write_number(line, place, float(cell))
                    else:
                        sheet.write_string(line, place, cell)
        book.close()


def other_xlsx(house: House) -> None:
    """The other writer of workbooks that could be had."""
    with tempfile.TemporaryFile() as file:
        book = openpyxl.Workbook(write_only=True)
        sheet = book.create_sheet()
        for rows in movements.rows(house.here, lambda: EVERYTHING):
            for row in rows:
                sheet.append(row)
        book.save(file)


def in_turns(subjects: dict[str, Callable[[], None]], rounds: int = ROUNDS) -> dict[str, tuple[float, float]]:
    """Seconds of each by the clock, and of this process alone, which other work beside it disturbs less."""
    took: dict[str, list[tuple[float, float]]] = {name: [] for name in subjects}
    for _ in range(rounds):
        for name, subject in subjects.items():
            gc.collect()
            began, busy = perf_counter(), process_time()
            subject()
            took[name].append((perf_counter() - began, process_time() - busy))
    return {
        name: (statistics.median(clock for clock, _ in times), statistics.median(own for _, own in times))
        for name, times in took.items()
    }


def speed(took: dict[str, tuple[float, float]], bare: str) -> str:
    (clock, own), (their_clock, their_own) = took["ours"], took[bare]
    return (
        f"{their_clock / clock:.0%} of the speed by the clock ({clock:.2f} and {their_clock:.2f} s), "
        f"{their_own / own:.0%} by this process ({own:.2f} and {their_own:.2f} s)"
    )


def most_held(subject: Callable[[], None]) -> float:
    gc.collect()
    tracemalloc.start()
    subject()
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return most / 1e6


def first_bytes(house: House) -> Iterator[str]:
    """Milliseconds from asking to the first byte, over the whole service in this process."""
    settings.ALLOWED_HOSTS = ["*"]
    _, key = people.give_token(
        act=house.act.with_new_id(), person=house.act.performed_by, label="b", days=300
    )
    client = APIClient(HTTP_AUTHORIZATION=f"Bearer {key}")
    lot = Lot.objects.filter(batch=None).order_by("pk")[0]
    base = f"/api/v1/establishments/{house.here.pk}/"
    for path in ("movements.csv", f"traces/movements.csv?direction=forward&lot={lot.uid}"):
        times = []
        for _ in range(7):
            began = perf_counter()
            answer = client.get(base + path)
            assert answer.status_code == 200, answer.content
            parts = iter(answer.streaming_content)
            next(parts)
            times.append((perf_counter() - began) * 1000)
            answer.close()
        yield f"{path.split('?')[0]}: first byte after {statistics.median(times):.1f} ms (most {max(times):.1f})"


def of_csv(house: House, few: dict[str, float]) -> Iterator[str]:
    took = in_turns(
        {
            "ours": lambda: ours_csv(house),
            "bare": lambda: bare_csv(house, same_statement),
            "typed": lambda: bare_csv(house, typed_statement),
        }
    )
    yield f"CSV, {house.movements} movements, against the same statement: {speed(took, 'bare')}"
    yield f"CSV against typed columns: {speed(took, 'typed')}"
    yield f"CSV: most held {most_held(lambda: ours_csv(house)):.1f} MB, of {FEW} movements {few['csv']:.1f} MB"
    yield from first_bytes(house)


def of_events(house: House, few: dict[str, float]) -> Iterator[str]:
    took = in_turns({"ours": lambda: ours_events(house), "bare": lambda: bare_events(house)})
    yield f"EPCIS, {house.movements} movements, against orjson over the same cursor: {speed(took, 'bare')}"
    yield f"EPCIS: most held {most_held(lambda: ours_events(house)):.1f} MB, of {FEW} movements {few['epcis']:.1f} MB"


def of_xlsx(house: House, few: dict[str, float]) -> Iterator[str]:
    took = in_turns({"ours": lambda: ours_xlsx(house), "bare": lambda: bare_xlsx(house)})
    yield f"XLSX, {house.movements} movements: {speed(took, 'bare')}"
    yield f"XLSX: most held {most_held(lambda: ours_xlsx(house)):.1f} MB, of {FEW} movements {few['xlsx']:.1f} MB"
    clock, own = in_turns({"other": lambda: other_xlsx(house)}, rounds=1)["other"]
    yield f"XLSX by openpyxl: {clock:.1f} s, {own:.1f} s of this process"


FORMS: dict[str, tuple[Callable[[House], None], Callable[[House, dict[str, float]], Iterator[str]]]] = {
    "csv": (ours_csv, of_csv),
    "epcis": (ours_events, of_events),
    "xlsx": (ours_xlsx, of_xlsx),
}


def main() -> None:
    reader = argparse.ArgumentParser()
    reader.add_argument("--forms", nargs="+", choices=list(FORMS), default=list(FORMS))
    reader.add_argument("--movements", type=int, default=100_000)
    wanted = reader.parse_args()
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {connection.vendor}"
    )
    name = connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        house = House("occasional")
        house.here.address = "Mill Lane 4, Musterstadt"
        house.grow(FEW)
        few = {form: most_held(partial(FORMS[form][0], house)) for form in wanted.forms}
        house.grow(wanted.movements)
        for form in wanted.forms:
            for each in FORMS[form][1](house, few):
                print(each, flush=True)
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)


if __name__ == "__main__":
    main()
