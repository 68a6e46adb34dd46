from django.apps import AppConfig


class ReportsConfig(AppConfig):
    """What is shown."""

    name = "reports"
    default_auto_field = "django.db.models.BigAutoField"
