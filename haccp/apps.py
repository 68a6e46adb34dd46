from django.apps import AppConfig


class HaccpConfig(AppConfig):
    """What must hold."""

    name = "haccp"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from haccp import listeners

        listeners.connect()
