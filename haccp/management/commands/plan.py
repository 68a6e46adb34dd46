"""``manage.py plan``: check a plan file, load it as a draft, write a plan out as YAML."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError

from config.api.refusals import Refusal
from haccp import plans
from haccp.models import Plan
from haccp.plan_documents import CODEX_STEPS, Gap, from_yaml, gaps, to_yaml
from ledger.management.acting import act_of_planner, establishment_of, told


class Command(BaseCommand):
    help = "Hazard plans as YAML files: check one, load one as a draft, write one out."

    def add_arguments(self, parser: ArgumentParser) -> None:
        deeds = parser.add_subparsers(dest="deed", required=True)
        check = deeds.add_parser(
            "check", help="name every gap of FILE with its Codex step; ends with 1 if any"
        )
        load = deeds.add_parser("load", help="keep FILE as the draft of a plan; approval is by signature")
        export = deeds.add_parser("export", help="write a plan out as YAML")
        for part in (check, load):
            part.add_argument("file", type=Path, help="a plan as YAML, at most 1 MB")
        for part in (load, export):
            part.add_argument("--establishment", type=UUID, required=True)
        load.add_argument(
            "--by", required=True, help="sign-in name of the lead or administrator who loads it"
        )
        load.add_argument("--code", help="the plan's code; the name of the file in capitals, if left out")
        export.add_argument("code", help="the plan's code")
        export.add_argument("--number", type=int, help="an approved version; the draft, if left out")

    def handle(self, *, deed: str, **options: Any) -> None:
        try:
            getattr(self, f"{deed}_plan")(**options)
        except Refusal as refusal:
            raise CommandError(told(refusal)) from None

    def check_plan(self, *, file: Path, **options: Any) -> None:
        found = gaps(_document(file))
        for gap in found:
            self.stdout.write(f"{_step(gap)}: {gap.detail}")
        if found:
            raise CommandError(f"{len(found)} gaps: it can be kept as a draft, not approved.", returncode=1)
        self.stdout.write(
            "No gaps against the twelve Codex steps. That is no approval: people approve, and defer"
        )
        self.stdout.write("to their authority.")

    def load_plan(
        self, *, file: Path, establishment: UUID, by: str, code: str | None, **options: Any
    ) -> None:
        document, act = _document(file), act_of_planner(establishment_of(establishment), by)
        code = code or file.stem.upper().replace("_", "-")[:20]
        known = Plan.objects.filter(establishment=establishment, code=code).first()
        if known is None:
            name = str(document.get("title") or code)[:120]
            plan = plans.draft(act=act, code=code, name=name, document=document)
        else:
            plan = plans.redraft(act=act, plan=known, values={"draft": document})
        self.stdout.write(f"Kept as the draft of plan {plan.code} ({plan.pk}), version {plan.version}.")
        self.stdout.write(f"Gaps that stand before its approval: {len(plans.gaps(plan))}.")

    def export_plan(self, *, establishment: UUID, code: str, number: int | None, **options: Any) -> None:
        plan = Plan.objects.filter(establishment=establishment_of(establishment), code=code).first()
        if plan is None:
            raise CommandError(f"There is no plan {code} there.")
        document = plan.draft if number is None else plans.numbered(plan, number).document
        self.stdout.write(to_yaml(document), ending="")


def _document(file: Path) -> dict[str, Any]:
    try:
        return from_yaml(file.read_bytes())
    except OSError as error:
        raise CommandError(f"{file} cannot be read: {error.strerror}.") from None
    except Refusal as refusal:
        raise CommandError(f"{file}: {refusal.detail}") from None


def _step(gap: Gap) -> str:
    return f"Codex step {gap.codex_step} ({CODEX_STEPS[gap.codex_step]})" if gap.codex_step else "Shape"
