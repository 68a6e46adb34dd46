# ruff: noqa: N999
"""``manage.py inspection-file``: the same request as over the API, made here and now, written to files."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.files.storage import default_storage
from django.core.management.base import BaseCommand, CommandError
from rest_framework.exceptions import ValidationError

from batches.models import Batch, Lot, Material, TradingPartner
from config.api.refusals import Refusal
from ledger.models import Establishment, Person
from reports import jobs
from reports.documents import PageSize
from reports.models import DocumentJob

BY_CODE: dict[str, tuple[Any, str]] = {
    "lot": (Lot, "uid"),
    "batch": (Batch, "uid"),
    "product": (Material, "pk"),
    "supplier": (TradingPartner, "pk"),
    "customer": (TradingPartner, "pk"),
}
"""Options that take a code of the house, and what stands for it in a request."""


class Command(BaseCommand):
    help = (
        "Make an inspection file: one PDF of all that belongs to lots, batches, products, control points, suppliers, "
        "customers or a period, and a ZIP of the same as data."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--establishment", type=UUID, required=True)
        parser.add_argument("--by", required=True, help="who asks: sign-in name")
        for name in BY_CODE:
            parser.add_argument(
                f"--{name}", action="append", default=[], metavar="CODE", help="may be repeated"
            )
        parser.add_argument("--point", action="append", default=[], metavar="CODE", help="a control point")
        parser.add_argument("--from", dest="since", help="first local day, as 2026-03-01")
        parser.add_argument("--to", dest="until", help="last local day, included")
        parser.add_argument("--language", default="en", choices=jobs.LANGUAGES)
        parser.add_argument("--paper", default="a4", choices=[each.value for each in PageSize])
        parser.add_argument("--out", type=Path, required=True, help="the PDF; the ZIP lies beside it")

    def handle(self, **said: Any) -> None:
        here = Establishment.objects.filter(pk=said["establishment"]).first()
        by = Person.objects.filter(sign_in_name=said["by"], memberships__establishment=here).first()
        if here is None or by is None:
            raise CommandError(f"There is no establishment {said['establishment']} with {said['by']}.")
        try:
            job = jobs.ask(
                establishment=here,
                asked_by=by,
                kind=DocumentJob.Kind.INSPECTION_FILE,
                about=_about(here, said),
                language=said["language"],
                page_size=said["paper"],
            )
            jobs.make(job.pk)
        except (Refusal, ValidationError) as refused:
            raise CommandError(f"No file was made. {_words(refused)}") from None
        self._write(job, said["out"])

    def _write(self, job: DocumentJob, out: Path) -> None:
        job.refresh_from_db()
        if job.state != DocumentJob.State.DONE:
            raise CommandError(f"File {job.number:06d} is {job.get_state_display()}. {job.problem}")
        for form in ("pdf", "zip"):
            with default_storage.open(jobs.path_of(job, form)) as file:
                out.with_suffix(f".{form}").write_bytes(file.read())
        self.stdout.write(
            f"Inspection file {job.number:06d}: {out.with_suffix('.pdf')} and {out.with_suffix('.zip')}, "
            f"{job.parts_in_all} documents, SHA-256 of the PDF {job.digest}."
        )


def _about(here: Establishment, said: dict[str, Any]) -> dict[str, Any]:
    about: dict[str, Any] = {f"{name}s": _ids(here, name, said[name]) for name in BY_CODE if said[name]}
    if said["point"]:
        about["control_points"] = said["point"]
    return about | {name: said[name] for name in ("since", "until") if said[name]}


def _ids(here: Establishment, name: str, codes: list[str]) -> list[str]:
    model, key = BY_CODE[name]
    found = dict(model.objects.filter(establishment=here, code__in=codes).values_list("code", key))
    if missing := sorted(set(codes) - set(found)):
        raise CommandError(f"There is no {name} {', '.join(missing)} here. No file was made.")
    return [str(found[code]) for code in codes]


def _words(refused: Exception) -> str:
    reasons = getattr(refused, "reasons", None)
    return " ".join(each.detail for each in reasons) if reasons else str(getattr(refused, "detail", refused))
