"""``manage.py requirements``: which record answers which requirement, and which is not answered."""

import json
from argparse import ArgumentParser
from dataclasses import replace
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from reports import requirements
from reports.requirements import State


class Command(BaseCommand):
    help = requirements.HEAD

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--source", help="only the requirements of this source, such as codex or us-117")
        parser.add_argument(
            "--unanswered", action="store_true", help="only what is answered in part or not at all"
        )
        parser.add_argument("--json", action="store_true", dest="as_json", help="as JSON")

    def handle(self, *, source: str | None, unanswered: bool, as_json: bool, **options: Any) -> None:
        told = requirements.shipped()
        if source is not None and source not in told.sources:
            raise CommandError(f"There is no source {source}. There are: {', '.join(told.sources)}.")
        chosen = tuple(
            each
            for each in told.entries
            if source in (None, each.source) and not (unanswered and each.state is State.ANSWERED)
        )
        told = replace(told, entries=chosen)
        self.stdout.write(_json(told) if as_json else "\n".join(requirements.text(told)))


def _json(told: requirements.Requirements) -> str:
    return json.dumps(requirements.as_data(told), ensure_ascii=False, indent=2)
