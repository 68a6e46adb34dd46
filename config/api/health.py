"""Whether the service can work: asked by supervisors, answered without sign-in."""

from django.conf import settings
from django.db import connection
from django.http import HttpRequest, JsonResponse
from kombu import Connection


def health(request: HttpRequest) -> JsonResponse:
    """200 while the database answers; the broker may be away ("degraded"): records are kept all the same."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except Exception:
        return JsonResponse({"status": "down", "database": "does not answer"}, status=503)
    broker = _broker_answers()
    return JsonResponse({"status": "ok" if broker else "degraded", "database": "answers", "broker": broker})


def _broker_answers() -> bool:
    if settings.CELERY_BROKER_URL.startswith("filesystem://"):
        return True
    try:
        with Connection(settings.CELERY_BROKER_URL, connect_timeout=1) as broker:
            broker.ensure_connection(max_retries=1, interval_start=0)
    except Exception:
        return False
    return True
