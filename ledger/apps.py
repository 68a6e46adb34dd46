from collections.abc import Iterator
from typing import Any

from django.apps import AppConfig, apps
from django.db import connections
from django.db.models.signals import post_migrate, pre_migrate

from config.api.conditions import must_hold
from config.api.constraints import say


class LedgerConfig(AppConfig):
    """People and records that never change."""

    name = "ledger"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        pre_migrate.connect(_take_down, sender=self)
        post_migrate.connect(_put_up, sender=list(apps.get_app_configs())[-1])
        must_hold(_triggers_that_do_not_stand)
        _say_what_broken_rules_mean()


def _say_what_broken_rules_mean() -> None:
    """For what only the database can refuse: two who ask at the same moment, and days of a role."""
    from ledger.models import record_classes

    for model in record_classes():
        say(
            f"{model._meta.db_table}_corrects_id_key",
            "corrects",
            "That record was corrected at the same moment; read it again and correct the later one. Nothing was written.",
        )
    say("membership_ends_after_it_begins", "until_day", "A role ends after it begins. Nothing was written.")
    say("ledger_person_sign_in_name_key", "sign_in_name", "This sign-in name is taken. Nothing was written.")
    say(
        "membership_once_a_role",
        "role",
        "This person has this role already; change its days instead. Nothing was written.",
    )


def _triggers_that_do_not_stand() -> Iterator[str]:
    from ledger import triggers

    return triggers.faults(connections["default"])


def _take_down(using: str, **_: Any) -> None:
    """SQLite remakes tables in a migration: it would drop triggers silently or fail on their names."""
    from ledger import triggers

    if connections[using].vendor == "sqlite":
        triggers.remove(connections[using])


def _put_up(using: str, **_: Any) -> None:
    """After the last app, when every table there will be is there."""
    from ledger import triggers

    triggers.install(connections[using])
