from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from ledger import verification
from ledger.standalone.check_evidence import Unreadable
from reports import verified


class Command(BaseCommand):
    help = (
        "Test that every record, seal, file and projection is as written; or, with a file, that a document as PDF is as "
        "it was made. Exit code 1 if something differs, 2 if the file is broken or none of ours."
    )

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument(
            "file", nargs="?", type=Path, metavar="FILE.pdf", help="a document of the service"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if options["file"] is None:
            self._everything()
        else:
            self._paper(options["file"])

    def _everything(self) -> None:
        report = verification.verify()
        speed = report.records / report.seconds if report.seconds else 0
        self.stdout.write(
            f"{report.records} records, {report.seals} seals, {report.unsealed} not sealed yet, {report.files} files; "
            f"{report.seconds:.2f} s, {speed:.0f} records a second."
        )
        if report.whole:
            self.stdout.write(
                "Everything is as it was written. An owner who rewrites all and seals anew is shown only by a seal "
                "hash that somebody else holds."
            )
            return
        self._findings("findings", report.findings)

    def _paper(self, path: Path) -> None:
        try:
            verdict = verified.verify(path.read_bytes())
        except OSError as error:
            self._unreadable(path, f"it cannot be opened ({error.strerror or type(error).__name__})")
        except Unreadable as reason:
            self._unreadable(path, str(reason))
        for sentence in verdict.said:
            self.stdout.write(sentence)
        if verdict.differences:
            self._findings("differences", verdict.differences)
        self.stdout.write(
            "The file fits together. The words on its pages are compared by seal and digests only: where it matters, "
            "read them beside the attached data."
        )

    def _unreadable(self, path: Path, reason: str) -> None:
        self.stdout.write(f"{path} cannot be checked: {reason}.")
        raise SystemExit(2)

    def _findings(self, noun: str, found: list[str]) -> None:
        self.stdout.write(f"{len(found)} {noun}. The first: {found[0]}")
        for each in found[1:50]:
            self.stdout.write(f"  also: {each}")
        raise SystemExit(1)
