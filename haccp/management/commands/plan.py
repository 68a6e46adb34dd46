"""``manage.py plan check FILE``: every gap of a plan file against the twelve Codex steps."""

from argparse import ArgumentParser
from pathlib import Path

from django.core.management.base import BaseCommand, CommandError

from config.api.refusals import Refusal
from haccp.plan_documents import CODEX_STEPS, Gap, from_yaml, gaps


class Command(BaseCommand):
    help = (
        "Look at a plan file: check FILE names every gap with its Codex step and ends with 1 if there is any."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        deeds = parser.add_subparsers(dest="deed", required=True)
        check = deeds.add_parser("check", help="name every gap of FILE")
        check.add_argument("file", type=Path, help="a plan as YAML, at most 1 MB")

    def handle(self, *, file: Path, **options) -> None:
        found = gaps(_document(file))
        for gap in found:
            self.stdout.write(f"{_step(gap)}: {gap.detail}")
        if found:
            raise CommandError(f"{len(found)} gaps: it can be kept as a draft, not approved.", returncode=1)
        self.stdout.write(
            "No gaps against the twelve Codex steps. That is no approval: people approve, and defer"
        )
        self.stdout.write("to their authority.")


def _document(file: Path) -> dict:
    try:
        return from_yaml(file.read_bytes())
    except OSError as error:
        raise CommandError(f"{file} cannot be read: {error.strerror}.") from None
    except Refusal as refusal:
        raise CommandError(f"{file}: {refusal.detail}") from None


def _step(gap: Gap) -> str:
    return f"Codex step {gap.codex_step} ({CODEX_STEPS[gap.codex_step]})" if gap.codex_step else "Shape"
