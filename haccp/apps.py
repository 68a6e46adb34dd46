from django.apps import AppConfig

from config.api.constraints import say


class HaccpConfig(AppConfig):
    """What must hold."""

    name = "haccp"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from haccp import listeners, verifications  # noqa: F401  (its projection joins verify and rebuild)

        listeners.connect()
        say(
            "question_is_answered_once",
            "question",
            "This question was answered at the same moment; read that answer and correct it with a reason. "
            "Nothing was written.",
        )
