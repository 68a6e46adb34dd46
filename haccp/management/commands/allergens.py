"""``manage.py allergens``: bring in an allergen list from a file or one that ships, and show what is kept."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError

from config.api.refusals import Refusal
from haccp.allergens import files, lists
from haccp.models import UNCONFIRMED, AllergenList
from ledger.management.acting import act_of_planner, establishment_of, told


class Command(BaseCommand):
    help = "Allergen lists: bring in a YAML file or one that ships, show what is kept."

    def add_arguments(self, parser: ArgumentParser) -> None:
        deeds = parser.add_subparsers(dest="deed", required=True)
        load = deeds.add_parser(
            "load", help="write the list of FILE down, to be confirmed with the authority"
        )
        load.add_argument("file", help=f"a .yaml file, or one that ships: {', '.join(files.shipped())}")
        load.add_argument("--by", required=True, help="sign-in name of the lead or administrator")
        for part in (load, deeds.add_parser("list", help="every list, its days and whether it is confirmed")):
            part.add_argument("--establishment", type=UUID, required=True)

    def handle(self, *, deed: str, **options: Any) -> None:
        try:
            getattr(self, f"{deed}_lists")(**options)
        except Refusal as refusal:
            raise CommandError(told(refusal)) from None

    def load_lists(self, *, file: str, establishment: UUID, by: str, **options: Any) -> None:
        act = act_of_planner(establishment_of(establishment), by)
        brought = lists.bring_in(act=act, said=_said(file))
        if brought.made:
            self.stdout.write(f"Written down: {brought.row.code}, {UNCONFIRMED}. It counts from now on.")
            return
        self.stdout.write(f"{brought.row.code} stood here already and was left as it is.")
        if brought.other:
            self.stdout.write(f"The file says something else in {', '.join(brought.other)}.")

    def list_lists(self, *, establishment: UUID, **options: Any) -> None:
        here = establishment_of(establishment)
        for row in AllergenList.objects.filter(establishment=here).order_by("code"):
            until = "" if row.in_force_until is None else f" until {row.in_force_until}"
            self.stdout.write(f"{lists.in_words(row)} from {row.in_force_from}{until}")
        if lists.vocabulary(here).shipped:
            self.stdout.write(f"No list of the house: those that ship stand in, {UNCONFIRMED}.")


def _said(file: str) -> dict[str, Any]:
    if file in files.shipped():
        return files.shipped_list(file)
    try:
        return files.from_yaml(Path(file).read_bytes())
    except OSError as error:
        raise CommandError(f"{file} cannot be read: {error.strerror}.") from None
