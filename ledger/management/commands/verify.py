from typing import Any

from django.core.management.base import BaseCommand

from ledger import verification


class Command(BaseCommand):
    help = (
        "Test that every record, seal, file and projection is as written. Exit code 1 if something differs."
    )

    def handle(self, *args: Any, **options: Any) -> None:
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
        self.stdout.write(f"{len(report.findings)} findings. The first: {report.findings[0]}")
        for finding in report.findings[1:50]:
            self.stdout.write(f"  also: {finding}")
        raise SystemExit(1)
