# ruff: noqa: N999
"""``manage.py bring-in``: the tables a house has today, CSV or XLSX, looked at first and then written, or not at all."""

from argparse import ArgumentParser, RawDescriptionHelpFormatter
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError

from batches.bringing import columns
from batches.bringing.columns import TABLES
from batches.bringing.deed import Outcome, bring_in
from batches.bringing.files import Given, read_all
from config.api.refusals import Refusal
from config.api.tables import Table
from ledger.acts import Act, Moment
from ledger.models import Establishment, Person

WORDS = {
    "materials": "materials",
    "partners": "trading partners",
    "places": "storage places",
    "lots": "lots",
    "batch": "past batches",
    "batches": "lots used and made in them",
    "shipments": "past shipments",
}
EXAMPLES = "Examples lie in batches/samples/bring_in/. --columns tells what each table may hold."


class Command(BaseCommand):
    help = (
        "Bring in what the house has in its own spreadsheets, CSV or XLSX. Without --write nothing is written: it says "
        "what would be, or every error with file, line and column. Bringing in the same again changes nothing."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.formatter_class = RawDescriptionHelpFormatter
        parser.epilog = EXAMPLES
        parser.add_argument(
            "--columns", action="store_true", help="what each table may hold, and nothing else"
        )
        parser.add_argument("--establishment", type=UUID, help="whose tables these are")
        parser.add_argument(
            "--by", help="who brings them in: e-mail or sign-in name of a lead or administrator"
        )
        for name in TABLES:
            parser.add_argument(f"--{name}", type=Path, metavar="FILE", help=f"the table of {WORDS[name]}")
        parser.add_argument(
            "--workbook",
            type=Path,
            metavar="FILE",
            help="an .xlsx with a sheet for each table, called as the table",
        )
        parser.add_argument("--write", action="store_true", help="write it")

    def handle(self, **options: Any) -> None:
        if options["columns"]:
            return self._columns()
        if not (options["establishment"] and options["by"]):
            raise CommandError("Give --establishment and --by. Nothing was written.")
        try:
            tables = _tables(options)
            act = _act(options["establishment"], options["by"])
            self._tell(bring_in(act=act, tables=tables, write=options["write"]))
        except Refusal as refusal:
            raise CommandError(_told(refusal)) from None
        return None

    def _columns(self) -> None:
        for name in TABLES:
            self.stdout.write(f"{name} ({WORDS[name]}):")
            for line in columns.told(name):
                self.stdout.write(f"  {line}")
        self.stdout.write(
            "Days as 2026-03-02 or 2.3.2026, with a time as 2026-03-02 09:30 where it is known."
        )

    def _tell(self, outcome: Outcome) -> None:
        for reason in outcome.told:
            self.stdout.write(f"Look at this: {reason.detail}")
        for name, words in WORDS.items():
            new, known, stands = (each.get(name, 0) for each in (outcome.new, outcome.known, outcome.stands))
            if new or known or stands:
                here = f"; here already {known + stands}" if known + stands else ""
                self.stdout.write(f"{words}: {new} new{here}")
        if outcome.written:
            self.stdout.write(
                "Written, each marked as brought in and with its own day. Nothing here was released by"
            )
            self.stdout.write("signature: lots whose papers name no release await a decision.")
        else:
            self.stdout.write("Nothing was written. Add --write to write it.")


def _tables(options: dict[str, Any]) -> dict[str, Table]:
    files = {
        name: options[name] or options["workbook"] for name in TABLES if options[name] or options["workbook"]
    }
    if not files:
        raise CommandError("Name at least one table, as in --materials FILE. Nothing was written.")
    with ExitStack() as opened:
        given = []
        for name, path in files.items():
            try:
                file = opened.enter_context(path.open("rb"))
            except OSError as error:
                raise CommandError(f"{path} cannot be read: {error.strerror}. Nothing was written.") from None
            label = path.name if options[name] else f"{path.name}/{name}"
            given.append(Given(name, file, label, is_sheet=not options[name]))
        return read_all(given)


def _act(establishment: UUID, by: str) -> Act:
    here = Establishment.objects.filter(pk=establishment).first()
    if here is None:
        raise CommandError(f"There is no establishment {establishment}. Nothing was written.")
    people = Person.objects.filter(is_active=True)
    found = list(people.filter(sign_in_name=by) or people.filter(email__iexact=by)[:2])
    if len(found) != 1:
        who = "Several people have" if found else "Nobody has"
        raise CommandError(f"{who} the e-mail or sign-in name {by}. Nothing was written.")
    return Act(establishment=here, performed_by=found[0], performed=Moment.now(here), recorded_by=found[0])


def _told(refusal: Refusal) -> str:
    return "\n".join(
        [*(reason.detail for reason in refusal.reasons if reason.detail != refusal.detail), refusal.detail]
    )
