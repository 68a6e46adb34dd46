"""What the firm had in its own tables before it began here: brought in from the sample files, once."""

from pathlib import Path

import batches
from batches.bringing import columns
from batches.bringing.columns import TABLES
from batches.bringing.deed import bring_in
from config.api.tables import read
from ledger.acts import Act, Moment
from ledger.models import Person
from reports.demo.asking import Told
from reports.demo.house import House

SAMPLES = Path(batches.__file__).parent / "samples" / "bring_in"


def bring_in_papers(house: House, tell: Told) -> None:
    tables = {}
    for name in TABLES:
        with (SAMPLES / f"{name}.csv").open("rb") as file:
            tables[name] = read(file, name=f"{name}.csv", columns=columns.columns_of(name))
    here, mara = house.establishment, Person.objects.get(sign_in_name="mara")
    act = Act(establishment=here, performed_by=mara, performed=Moment.now(here), recorded_by=mara)
    found = bring_in(act=act, tables=tables, write=True)
    if found.new:
        tell(
            f"{mara.name} brought in the firm's tables of last year: {found.new['lots']} lots, {found.new['batch']} "
            f"batches and {found.new['shipments']} shipments, each with its own day and marked as brought in.",
            "lots?code=LMD-25309-1",
        )
