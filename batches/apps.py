from django.apps import AppConfig

from config.api.constraints import say


class BatchesConfig(AppConfig):
    """What happened to material."""

    name = "batches"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from batches import edges, lots, runs  # noqa: F401 - they register how to rebuild and compare

        say(  # two who open it at the same moment
            "parts_are_numbered_once",
            "number",
            "This batch has a part with that number. Nothing was written.",
        )
