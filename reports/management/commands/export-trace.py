# ruff: noqa: N999
"""``manage.py export-trace``: the movements of a trace as CSV, XLSX or EPCIS events, as they leave over the API."""

import os
import shutil
import sys
import tempfile
from argparse import ArgumentParser
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO, Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError

from batches.models import Lot
from batches.trace_following import Followed
from batches.trace_questions import FromLots, TraceQuestion
from batches.trace_results import Direction
from config.api.refusals import Refusal
from ledger.models import Establishment
from reports.exchange import movements, separated, workbooks
from reports.exchange.event_reading import as_epcis
from reports.exchange.movements import Selecting


def _csv(file: IO[bytes], here: Establishment, selected: Selecting) -> None:
    file.writelines(separated.as_csv(movements.rows(here, selected)))


def _xlsx(file: IO[bytes], here: Establishment, selected: Selecting) -> None:
    workbooks.write(file, movements.rows(here, selected))


def _epcis(file: IO[bytes], here: Establishment, selected: Selecting) -> None:
    file.writelines(as_epcis(here, selected))


FORMS: dict[str, Callable[[IO[bytes], Establishment, Selecting], None]] = {
    "csv": _csv,
    "xlsx": _xlsx,
    "epcis": _epcis,
}


class Command(BaseCommand):
    help = (
        "Write every movement of a trace to a file or to standard output, in one of the forms in which the API gives it. "
        "People, recipes and prices are left out."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--establishment", type=UUID, required=True, help="whose lots these are")
        parser.add_argument(
            "--lot",
            action="append",
            required=True,
            metavar="CODE",
            help="its code or its id; may be said again",
        )
        parser.add_argument("--direction", choices=[each.value for each in Direction], default="whole")
        parser.add_argument("--form", choices=list(FORMS), default="csv")
        parser.add_argument(
            "--corrected",
            action="store_true",
            help="also what was corrected or withdrawn (not of events: they tell it)",
        )
        parser.add_argument("--out", type=Path, metavar="FILE", help="left out: standard output")

    def handle(self, **options: Any) -> None:
        here = Establishment.objects.filter(pk=options["establishment"]).first()
        if here is None:
            raise CommandError(f"There is no establishment {options['establishment']}. Nothing was written.")
        if options["out"] is None and options["form"] == "xlsx" and sys.stdout.isatty():
            raise CommandError("A workbook is no text: name a file with --out. Nothing was written.")
        try:
            selected = _selecting(here, options)
            with tempfile.TemporaryFile() as whole:
                FORMS[options["form"]](whole, here, selected)
                whole.seek(0)
                self._hand_over(whole, options["out"])
        except Refusal as refusal:
            raise CommandError(f"{refusal.detail} Nothing was written.") from None

    def _hand_over(self, whole: IO[bytes], out: Path | None) -> None:
        """Only what is whole: a file that stood there is replaced at once or not at all."""
        if out is None:
            shutil.copyfileobj(whole, getattr(self.stdout, "buffer", sys.stdout.buffer))
            return
        beside = out.with_name(f"{out.name}.part")
        try:
            with beside.open("wb") as file:
                shutil.copyfileobj(whole, file)
            os.replace(beside, out)
        except OSError as error:
            beside.unlink(missing_ok=True)
            raise CommandError(f"{out} cannot be written: {error.strerror}. Nothing was written.") from None
        self.stderr.write(f"{out} was written.")


def _selecting(here: Establishment, options: dict[str, Any]) -> Selecting:
    asked = TraceQuestion(FromLots(tuple(_uids(here, options["lot"]))), Direction(options["direction"]))
    starts = asked.start.lots(here)
    return lambda: movements.of_trace(Followed(asked, starts, here.pk), standing=not options["corrected"])


def _uids(here: Establishment, named: Sequence[str]) -> list[UUID]:
    """By code, as it stands on the tub, or by id. Raises CommandError naming what is neither."""
    known = dict(Lot.objects.filter(establishment=here, code__in=named).values_list("code", "uid"))
    found, unknown = [], []
    for each in named:
        try:
            found.append(known.get(each) or UUID(each))
        except ValueError:
            unknown.append(each)
    if unknown:
        raise CommandError(f"There is no lot {', '.join(unknown)} here. Nothing was written.")
    return found
