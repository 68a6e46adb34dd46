import os
from getpass import getpass
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from config.api.refusals import Refusal
from ledger import establishments, signing_keys
from ledger.management.acting import act_of_planner
from ledger.models import Person


class Command(BaseCommand):
    help = (
        "Set up an establishment with its founder, who is its administrator and food-safety lead. The founder's "
        "password is asked for, or taken from FOUNDER_PASSWORD; a person who is known already keeps theirs."
    )

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--name", required=True, help="Of the establishment, as documents print it.")
        parser.add_argument("--address", required=True)
        parser.add_argument("--country", required=True, help="Two letters of ISO 3166-1, for example DE.")
        parser.add_argument(
            "--time-zone", required=True, help="Of the IANA database, for example Europe/Berlin."
        )
        parser.add_argument("--altitude-m", type=int, default=None)
        parser.add_argument(
            "--phased-start-until", default=None, help="A day; until then the start gate warns."
        )
        parser.add_argument("--sign-in-name", required=True, help="Of the founder.")
        parser.add_argument("--founder", default="", help="The founder's name, as documents print it.")
        parser.add_argument("--initials", default="")
        parser.add_argument("--email", default="")

    def handle(self, *args: Any, **said: Any) -> None:
        try:
            made = self._make(said)
        except (ValidationError, Refusal) as error:
            raise CommandError(f"Nothing was set up. {'; '.join(_words(error))}") from error
        self.stdout.write(
            f"{made.name} is set up: {made.pk}. Next: sign in, add people, rooms, materials and a plan."
        )

    @transaction.atomic
    def _make(self, said: dict[str, Any]) -> Any:
        founder = Person.objects.filter(sign_in_name=said["sign_in_name"]).first() or self._person(said)
        establishment = {
            name: said[name]
            for name in ("name", "address", "country", "time_zone", "altitude_m", "phased_start_until")
        }
        made = establishments.open_establishment(founder=founder, **establishment)
        signing_keys.make(act=act_of_planner(made, founder.sign_in_name))
        return made

    def _person(self, said: dict[str, Any]) -> Person:
        if not said["founder"] or not said["initials"]:
            raise CommandError("This person is not known yet: give --founder and --initials too.")
        password = os.environ.get("FOUNDER_PASSWORD") or getpass("Password of the founder: ")
        values = {
            "sign_in_name": said["sign_in_name"],
            "name": said["founder"],
            "initials": said["initials"],
            "email": said["email"],
        }
        validate_password(password, Person(**values))
        return Person.objects.create_user(password=password, **values)


def _words(error: Exception) -> list[str]:
    if isinstance(error, ValidationError):
        return list(error.messages)
    return [reason.detail for reason in getattr(error, "reasons", ())] or [str(error)]
