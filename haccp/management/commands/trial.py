"""``manage.py trial``: a proposed limit, rule or guard band on the checks of a period, printed by control point."""

from argparse import ArgumentParser
from datetime import date
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError

from config.api.refusals import Refusal
from haccp import trials
from haccp.limits import GUARDS
from haccp.models import LocalRule
from haccp.plan_documents import from_yaml
from ledger.models import Establishment


class Command(BaseCommand):
    help = "Judge past checks again by a proposal: what it would have flagged, what it would have let pass."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--establishment", type=UUID, required=True)
        parser.add_argument("--quantity", required=True, help="as the plan's limits name it")
        parser.add_argument("--from", dest="first_day", type=date.fromisoformat, required=True)
        parser.add_argument("--to", dest="last_day", type=date.fromisoformat, required=True, help="included")
        parser.add_argument("--limit", type=Path, help="a limit as YAML, as in a plan")
        parser.add_argument("--rule", help="code of a local rule, confirmed or not")
        parser.add_argument("--guard", choices=GUARDS)
        parser.add_argument("--point", dest="points", action="append", default=[], help="only this point")

    def handle(self, *, establishment: UUID, first_day: date, last_day: date, **options: Any) -> None:
        here = Establishment.objects.filter(pk=establishment).first()
        if here is None:
            raise CommandError(f"There is no establishment {establishment}.")
        try:
            proposal = trials.propose(
                quantity=options["quantity"],
                limit=None if options["limit"] is None else from_yaml(options["limit"].read_bytes()),
                rule=None if options["rule"] is None else _rule(here, options["rule"]),
                guard=options["guard"],
                points=tuple(options["points"]),
            )
            self.tell(trials.run(here, proposal, first_day, last_day))
        except OSError as error:
            raise CommandError(f"{options['limit']} cannot be read: {error.strerror}.") from None
        except Refusal as refusal:
            raise CommandError("\n".join(reason.detail for reason in refusal.reasons)) from None

    def tell(self, trial: trials.Trial) -> None:
        for point in trial.points:
            self.stdout.write(
                f"{point.code} {point.name}: {point.checks} checks, {point.would_flag} would have been flagged, "
                f"{point.would_pass} would have passed"
            )
            for changed in (*point.flagged, *point.passed):
                self.stdout.write(
                    f"  {changed.performed_at:%Y-%m-%d %H:%M} {changed.on} {changed.entered}: "
                    f"{changed.was} -> {changed.would_be} ({changed.check})"
                )
            for caution in point.cautions:
                self.stdout.write(f"  {caution}")
            for why, count in point.not_judged.items():
                self.stdout.write(f"  not judged, {count}: {why}")
        if not trial.points:
            self.stdout.write("No check of that period holds such a reading.")
        self.stdout.write(trials.NOTE)


def _rule(here: Establishment, code: str) -> LocalRule:
    rule = LocalRule.objects.filter(establishment=here, code=code).first()
    if rule is None:
        raise CommandError(f"There is no local rule {code} there.")
    return rule
