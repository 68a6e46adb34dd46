from django.apps import AppConfig


class LedgerConfig(AppConfig):
    """People and records that never change."""

    name = "ledger"
    default_auto_field = "django.db.models.BigAutoField"
