from django.apps import AppConfig


class HaccpConfig(AppConfig):
    """What must hold."""

    name = "haccp"
    default_auto_field = "django.db.models.BigAutoField"
