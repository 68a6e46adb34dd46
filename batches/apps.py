from django.apps import AppConfig


class BatchesConfig(AppConfig):
    """What happened to material."""

    name = "batches"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from batches import edges, lots, runs  # noqa: F401 - they register how to rebuild and compare
