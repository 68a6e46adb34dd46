"""What an inspection file costs: many batch records drawn by one child, by one a core, and laid together.

    DATABASE_URL=postgresql://... python benchmarks/inspection.py [--batches 50]

Plays the demo's day in a scratch database and asks for its fullest batch so many times over, so that every part costs
the same. The limit is the same drawing by one child only; then what reading, laying together and numbering take beside
the drawing. Three rounds in turns; read the ratios.
"""

import argparse
import io
import os
import platform
import statistics
import sys
import time
from pathlib import Path

import pikepdf

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
import django

django.setup()

from django.db import connection  # noqa: E402

from batches.models import Batch  # noqa: E402
from ledger.models import Establishment, Person  # noqa: E402
from reports import drawers, jobs, merging, rendering  # noqa: E402
from reports.demo.house import HOUSE, House  # noqa: E402
from reports.demo.story import Story  # noqa: E402

ROUNDS = 3


def sheets(number: int) -> tuple[list[drawers.Sheet], float]:
    """The fullest batch record of the demo, so many times; and how long it took to read and write out each."""
    house = House(lambda sentence, where: None)
    Story(house, lambda sentence, where: None).play()
    here, lead = Establishment.objects.get(pk=HOUSE), Person.objects.get(sign_in_name="mara")
    batch = max(Batch.objects.filter(establishment=here), key=lambda each: each.checks.count())
    job = jobs.ask(establishment=here, asked_by=lead, kind="batch-record", subject=batch.uid)
    began = time.perf_counter()
    found = [
        sheet
        for at in range(number)
        for sheet in rendering.sheets(jobs.built(job, "batch-record", batch.uid, {}, number=f"{at:06d}"))
    ]
    return found, time.perf_counter() - began


def drawn(some: list[drawers.Sheet], children: int) -> tuple[float, list[bytes]]:
    began = time.perf_counter()
    found = dict(drawers.draw_all(some, most=children))
    return time.perf_counter() - began, [found[place] for place in sorted(found)]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--batches", type=int, default=50)
    asked = parser.parse_args()
    cores = os.cpu_count() or 1
    print(f"{platform.machine()}, {cores} cores, Python {platform.python_version()}, {connection.vendor}")
    name = connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        some, read = sheets(asked.batches)
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)
    ratios, together = [], []
    for _ in range(ROUNDS):
        one, parts = drawn(some, 1)
        all_cores, _same = drawn(some, cores)
        began = time.perf_counter()
        whole = merging.merged(parts[0], parts[1:], ("File 1, page ", " of ", ""))
        together.append((time.perf_counter() - began) / all_cores)
        ratios.append(one / all_cores)
        print(
            f"  {asked.batches} batch records: one child {one:.1f} s, {cores} children {all_cores:.1f} s: "
            f"{ratios[-1]:.2f} x quicker; read in {read:.1f} s, laid together in {together[-1] * all_cores:.1f} s",
            flush=True,
        )
    with pikepdf.open(io.BytesIO(whole)) as pdf:
        print(f"{len(pdf.pages)} pages, {len(whole) / 1e6:.1f} MB")
    print(
        f"medians: {statistics.median(ratios):.2f} x quicker with {cores} children; "
        f"laying together {statistics.median(together):.2f} x the drawing"
    )


if __name__ == "__main__":
    main()
