"""``manage.py rules``: bring in local rules from a file or an example set, and list what is kept."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError

from config.api.refusals import Refusal
from haccp import rule_files, rules
from haccp.models import UNCONFIRMED, LocalRule
from ledger.management.acting import act_of_planner, establishment_of, told


class Command(BaseCommand):
    help = "Local rules: bring in a YAML or CSV file or an example set, list what is kept."

    def add_arguments(self, parser: ArgumentParser) -> None:
        deeds = parser.add_subparsers(dest="deed", required=True)
        load = deeds.add_parser(
            "load", help="write the rules of FILE down, all or none, to be confirmed with the authority"
        )
        names = ", ".join(rule_files.example_sets())
        load.add_argument("file", help=f"a .yaml or .csv file, or an example set: {names}")
        load.add_argument("--by", required=True, help="sign-in name of the lead or administrator")
        for part in (load, deeds.add_parser("list", help="every rule, its days and whether it is confirmed")):
            part.add_argument("--establishment", type=UUID, required=True)

    def handle(self, *, deed: str, **options: Any) -> None:
        try:
            getattr(self, f"{deed}_rules")(**options)
        except Refusal as refusal:
            raise CommandError(told(refusal)) from None

    def load_rules(self, *, file: str, establishment: UUID, by: str, **options: Any) -> None:
        act = act_of_planner(establishment_of(establishment), by)
        brought = rules.bring_in(act=act, rows=_rows(file))
        self.stdout.write(
            f"Written down: {len(brought.made)} rules, {UNCONFIRMED}. They bind nothing until a"
        )
        self.stdout.write("food-safety lead confirms each of them by signature.")
        self.stdout.write(f"Stood here already, left as they are: {len(brought.known)}.")
        for code, names in brought.other.items():
            self.stdout.write(f"{code}: the file says something else in {', '.join(names)}.")

    def list_rules(self, *, establishment: UUID, **options: Any) -> None:
        kept = LocalRule.objects.filter(establishment=establishment_of(establishment))
        for rule in kept.select_related("material").order_by("code"):
            until = "" if rule.in_force_until is None else f" until {rule.in_force_until}"
            self.stdout.write(f"{rules.in_words(rule)} from {rule.in_force_from}{until}")


def _rows(file: str) -> list[rule_files.Row]:
    if file in rule_files.example_sets():
        return rule_files.example_set(file)
    try:
        text = Path(file).read_bytes()
    except OSError as error:
        raise CommandError(f"{file} cannot be read: {error.strerror}.") from None
    return (rule_files.from_csv if file.lower().endswith(".csv") else rule_files.from_yaml)(text)
