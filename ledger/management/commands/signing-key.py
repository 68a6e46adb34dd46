# ruff: noqa: N999
"""``manage.py signing-key``: make or bring the key that documents are signed with, and list those that were."""

import os
from argparse import ArgumentParser
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError

from config.api.refusals import Refusal
from ledger import signing_keys
from ledger.acts import Moment
from ledger.management.acting import act_of_planner, establishment_of, told
from ledger.models import SigningKey


class Command(BaseCommand):
    help = (
        "The key that an establishment's documents are signed with: make one, bring one, list them. The private key is "
        "kept as a file on this machine: keep a copy of it where you keep other secrets."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        deeds = parser.add_subparsers(dest="deed", required=True)
        make = deeds.add_parser("make", help="make a key and a certificate, and sign with it from now on")
        bring = deeds.add_parser("bring", help="sign from now on with the key and certificate in FILE")
        bring.add_argument(
            "file", type=Path, help="PEM or PKCS#12; its password is taken from KEY_PASSWORD, if it has one"
        )
        for part in (make, bring):
            part.add_argument("--by", required=True, help="sign-in name of the lead or administrator")
            part.add_argument("--because", default="", help="why, as it will stand in the record")
        for part in (make, bring, deeds.add_parser("list", help="which key was in force from when on")):
            part.add_argument("--establishment", type=UUID, required=True)

    def handle(self, *, deed: str, establishment: UUID, **options: Any) -> None:
        here = establishment_of(establishment)
        if deed == "list":
            for each in SigningKey.objects.of(here).select_related("performed_by"):
                self._tell(each)
            return
        act = act_of_planner(here, options["by"]).with_new_id(note=options["because"])
        try:
            record = signing_keys.make(act=act) if deed == "make" else self._bring(act, options["file"])
        except Refusal as refusal:
            raise CommandError(told(refusal)) from None
        self._tell(record)
        self.stdout.write(
            f"The private key lies in {signing_keys.path_of(record)}. Keep a copy of it, and show it to nobody."
        )

    def _bring(self, act: Any, file: Path) -> SigningKey:
        try:
            content = file.read_bytes()
        except OSError as error:
            raise CommandError(f"{file} cannot be read: {error.strerror}.") from None
        return signing_keys.bring(act=act, content=content, password=os.environ.get("KEY_PASSWORD", ""))

    def _tell(self, record: SigningKey) -> None:
        began = Moment(record.performed_at, record.performed_offset).local
        made = "brought" if record.brought else "made here"
        self.stdout.write(
            f"{record.fingerprint}: {made}, by {record.performed_by.name}, {began:%Y-%m-%d %H:%M %z}; "
            f"certificate until {signing_keys.ends_at(record):%Y-%m-%d}."
        )
