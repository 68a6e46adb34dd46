from typing import Any

from django.apps import AppConfig, apps
from django.db import connections
from django.db.models.signals import post_migrate, pre_migrate


class LedgerConfig(AppConfig):
    """People and records that never change."""

    name = "ledger"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        pre_migrate.connect(_take_down, sender=self)
        post_migrate.connect(_put_up, sender=list(apps.get_app_configs())[-1])


def _take_down(using: str, **_: Any) -> None:
    """SQLite remakes tables in a migration: it would drop triggers silently or fail on their names."""
    from ledger import triggers

    if connections[using].vendor == "sqlite":
        triggers.remove(connections[using])


def _put_up(using: str, **_: Any) -> None:
    """After the last app, when every table there will be is there."""
    from ledger import triggers

    triggers.install(connections[using])
