"""``manage.py retention``: what leaves by a day, writing it to a verified archive, and removing what lies in one."""

import getpass
import os
from argparse import ArgumentParser
from datetime import date
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError
from django.db import ProgrammingError
from django.http import HttpRequest
from django.utils import timezone

from config.api.refusals import Refusal
from haccp.retention import archiving, leaving
from haccp.retention.summary import Summary, summary
from ledger import signatures
from ledger.acts import Act
from ledger.management.acting import act_of_planner, establishment_of, told
from ledger.models import Establishment
from ledger.snapshots import one_snapshot

ASK = "Read the current text of each rule and ask your authority before anything leaves."


class Command(BaseCommand):
    help = (
        "How long records are kept: report what leaves by a day and what keeps the rest; archive what may leave to a ZIP "
        "that is read back and verified; remove what lies in such an archive, signed by a food-safety lead."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        deeds = parser.add_subparsers(dest="deed", required=True)
        report = deeds.add_parser("report", help="what leaves by a day, and what keeps the rest")
        report.add_argument(
            "--on", type=date.fromisoformat, help="the day, as 2028-03-02; today, if left out"
        )
        archive = deeds.add_parser("archive", help="write all that may leave today to FILE, and verify it")
        remove = deeds.add_parser(
            "remove",
            help="remove what lies in FILE; asks for the signer's password, or takes SIGNER_PASSWORD",
        )
        remove.add_argument(
            "--today",
            type=date.fromisoformat,
            required=True,
            help="the day it is, so that a wrong clock is seen",
        )
        for part in (archive, remove):
            part.add_argument("file", type=Path)
            part.add_argument("--by", required=True, help="sign-in name of the food-safety lead")
        for part in (report, archive, remove):
            part.add_argument("--establishment", type=UUID, required=True)

    def handle(self, *, deed: str, establishment: UUID, **options: Any) -> None:
        here = establishment_of(establishment)
        try:
            getattr(self, f"_{deed}")(here, **options)
        except Refusal as refusal:
            raise CommandError(told(refusal)) from None

    # -- report -------------------------------------------------------------------------------------------

    def _report(self, here: Establishment, on: date | None, **options: Any) -> None:
        with one_snapshot():
            found = summary(here, on or timezone.now().astimezone(here.zone).date())
        for line in _lines(found):
            self.stdout.write(line)

    # -- archive and remove -------------------------------------------------------------------------------

    def _archive(self, here: Establishment, file: Path, by: str, **options: Any) -> None:
        made = archiving.archive(act=act_of_planner(here, by), path=file)
        self.stdout.write(
            f"{file}: {made.records} records, read back and verified; SHA-256 {made.sha256}. Nothing left yet. Keep copies "
            f"of it, then: manage.py retention remove {file} --establishment {here.pk} --by {by} --today DAY"
        )

    def _remove(self, here: Establishment, file: Path, by: str, today: date, **options: Any) -> None:
        act = act_of_planner(here, by)
        try:
            left = leaving.remove(act=act, proof=_proof(act), file=file, today=today)
        except ProgrammingError as error:  # the service's role reads and adds only
            raise CommandError(
                f"This database role may not remove records; run it as the tables' owner. ({error})"
            ) from None
        earlier = f" {left.before} had left before." if left.before else ""
        self.stdout.write(
            f"{left.records} records left in {left.pieces} pieces, each with a record of its removal.{earlier} Keep the file: "
            "it is all that says what they held. Run manage.py verify."
        )


def _proof(act: Act) -> signatures.Proof:
    """Of the password, asked here; a wrong one counts as everywhere."""
    password = os.environ.get("SIGNER_PASSWORD") or getpass.getpass(f"Password of {act.recorded_by.name}: ")
    request = HttpRequest()
    request.META["REMOTE_ADDR"] = "127.0.0.1"
    request.method, request.path = "POST", "/manage.py"
    return signatures.prove(request=request, person=act.recorded_by, password=password)


def _lines(found: Summary) -> list[str]:
    lines = [f"On {found.on.isoformat()}: {found.leaving} of {found.records} records may leave."]
    lines += [
        f"  {each.leaving:7} of {each.records:7}  {each.kind.kind}" for each in found.kinds if each.leaving
    ]
    lines += ["What keeps the rest:"]
    for each in found.kept:
        until = f"; the last until {each.until.isoformat()}" if each.until else ""
        seen = f" ({each.provenance})" if each.provenance else ""
        lines.append(f"  {each.records:7}  {each.because}{seen}{until}")
    return [*lines, f"Rules of: {', '.join(found.jurisdictions)}. {ASK}"]
