from django.apps import AppConfig


class BatchesConfig(AppConfig):
    """What happened to material."""

    name = "batches"
    default_auto_field = "django.db.models.BigAutoField"
