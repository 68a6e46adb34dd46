from django.apps import AppConfig


class ReportsConfig(AppConfig):
    """What is shown."""

    name = "reports"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from reports import (
            listeners,
            unfinished,  # noqa: F401  (it joins what hinders records from leaving)
        )

        listeners.connect()
