import os
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection

from ledger import grants, triggers


class Command(BaseCommand):
    help = (
        "PostgreSQL: make the role under which the service runs and let it read and add records, never change or "
        "remove them. Run it as the tables' owner after each migrate. ROLE_PASSWORD, if set, becomes its password."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("role", help="the service's role, not the owner of the tables")

    def handle(self, *args: Any, role: str, **options: Any) -> None:
        if connection.vendor != "postgresql":
            raise CommandError(
                "SQLite has no roles: the triggers alone keep records there. Nothing was changed."
            )
        if role == connection.settings_dict["USER"]:
            raise CommandError(
                f"{role} owns the tables; name another role for the service. Nothing was changed."
            )
        grants.give(connection, role, os.environ.get("ROLE_PASSWORD"))
        self.stdout.write(
            f"{role} may read and add rows of {len(triggers.kept_tables())} kept tables, not change or remove them."
        )
