import logging
from collections.abc import Iterator
from contextlib import contextmanager
from json import dumps
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.files.storage import default_storage
from django.core.management.base import BaseCommand

from ledger import seals
from ledger.models import Establishment
from reports import jobs
from reports.demo import exercise
from reports.demo.house import HOUSE, PASSWORD, PEOPLE, House
from reports.demo.recalled import WithRecalls
from reports.models import DocumentJob
from reports.rendering import PdfUnavailable

OWN_KEY = {
    "sign_in_name": next(iter(PEOPLE)),
    "password": PASSWORD,
    "establishment": str(HOUSE),
    "label": "Looking at the demo",
}
WITH_A_KEY = f"""Addresses below /api/v1/ take a key, no browser's session: they answer 401 without one.
One is got so:
  curl {settings.PUBLIC_URL}/api/v1/keys --json '{dumps(OWN_KEY)}'
and is sent with each request: -H 'Authorization: Bearer KEY'
"""
ALL_AT_ONCE = """
The demo writes a whole day down at once, and by the times it tells most was done hours before: so nearly every record
is marked as a late entry. A house that writes things down as they are done sees few of these marks.
"""


@contextmanager
def refusals_told_once() -> Iterator[None]:
    """The story tells of each refusal itself; the log's own line would stand between its sentences."""
    log = logging.getLogger("django.request")
    before = log.level
    log.setLevel(logging.ERROR)
    try:
        yield
    finally:
        log.setLevel(before)


class Command(BaseCommand):
    help = "Play a day of an invented firm through the API, tell each step, and write its papers as PDF."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument(
            "--people",
            action="store_true",
            help="Only say who can sign in, if the firm is there.",
        )
        parser.add_argument(
            "--out", type=Path, default=None, help="Where to write the PDF; default: the data folder."
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if options["people"]:
            if Establishment.objects.filter(pk=HOUSE).exists():
                self._people()
            return
        self.step = 0
        self.stdout.write(WITH_A_KEY)
        with refusals_told_once():
            house = House(self.tell)
            story = WithRecalls(house, self.tell)
            batch = story.play()
            tried = exercise.play(house, story, self.tell)
        seals.seal(establishment=house.establishment)
        folder = options["out"] or settings.DATA_DIR / "demo"
        folder.mkdir(parents=True, exist_ok=True)
        self._hand_over(house, story, folder)
        for words, body in self._asked(story, batch, tried):
            self._document(house, words, body, folder)
        self.stdout.write(ALL_AT_ONCE)
        self._people()

    def _people(self) -> None:
        self.stdout.write(
            f"\nThe API's pages: {settings.PUBLIC_URL}/api/docs/. Demo people, password {PASSWORD}:"
        )
        for sign_in_name, (name, _, what) in PEOPLE.items():
            self.stdout.write(f"  {sign_in_name:8} {name}, {what}")

    def tell(self, sentence: str, where: str) -> None:
        self.step += 1
        self.stdout.write(f"{self.step:2}. {sentence}")
        if where:
            self.stdout.write(f"    {settings.PUBLIC_URL}/api/v1/establishments/{HOUSE}/{where}")

    def _asked(self, story: WithRecalls, batch: str, tried: str) -> list[tuple[str, dict[str, Any]]]:
        """Each paper in words, and how it is asked for."""
        tags = [{"kind": "tub", "lot": lot} for lot in story.tubs]
        tags.append({"kind": "label", "lot": story.good["lot"], "carrier": "gs1-128"})
        nuts = {"lot": [story.lots["NUT"]["lot"]], "direction": "whole"}
        return [
            ("The tub labels were printed", {"kind": "tag-sheet", "tags": tags}),
            ("The sheet for the detector was printed", {"kind": "check-sheet", "subject": story.sheet["id"]}),
            ("The hazelnuts' trace was drawn", {"kind": "trace", "trace": nuts}),
            ("The exercise was reported", {"kind": "recall-report", "subject": tried}),
            ("The letter to the supplier was made", {"kind": "notice-reply", "subject": story.reply}),
            ("The batch record was made and sealed", {"kind": "batch-record", "subject": batch}),
        ]

    def _hand_over(self, house: House, story: WithRecalls, folder: Path) -> None:
        """What the food office asked for is made, then noted as sent to it."""
        pillows = {"kind": "mass-balance", "balance": {"lot": story.good["lot"]}}
        sent = self._document(
            house, "What became of the pillows was sent to the food office", pillows, folder
        )
        story.hand_over(sent.number)

    def _document(self, house: House, words: str, body: dict[str, Any], folder: Path) -> DocumentJob:
        job = DocumentJob.objects.get(pk=house.lead.post("documents", **body)["id"])
        try:
            jobs.make(job.pk)  # a worker that was quicker has it done already
        except PdfUnavailable as missing:
            self.tell(str(missing), f"documents/{job.pk}")
            return job
        job.refresh_from_db()
        target = folder / f"{job.kind}-{job.number:06d}.pdf"
        with default_storage.open(jobs.path_of(job, "pdf")) as file:
            target.write_bytes(file.read())
        self.tell(f"{words}: {target}", f"documents/{job.pk}/file.pdf")
        return job
