"""Whether the service can work: asked by supervisors, answered without sign-in."""

import os
from functools import cache

from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from drf_spectacular.utils import extend_schema
from kombu import Connection
from rest_framework.decorators import api_view, authentication_classes, permission_classes
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response

from config.api import conditions
from config.api.refusals import Unavailable


@extend_schema(exclude=True)
@api_view(["GET"])
@authentication_classes([])
@permission_classes([AllowAny])
def health(request: Request) -> Response:
    """200 while records can be kept: the broker may be away ("degraded"), work waits as rows. Else 503."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
        _all_migrated()
        _refuse_faults()
    except DatabaseError as error:
        raise Unavailable("The database does not answer.") from error
    broker = _broker_answers()
    return Response(
        {
            "status": "ok" if broker else "degraded",
            "database": "answers",
            "broker": "answers" if broker else "does not answer",
        }
    )


@cache
def _all_migrated() -> None:
    """Raises Unavailable while migrations wait. Once none does, it is not asked again: a process runs one code."""
    executor = MigrationExecutor(connection)
    if plan := executor.migration_plan(executor.loader.graph.leaf_nodes()):
        raise Unavailable(f"{len(plan)} migrations wait: run manage.py migrate.")


def _refuse_faults() -> None:
    if found := conditions.faults():
        raise Unavailable(f"{found[0]}. {len(found)} such: run manage.py migrate, then manage.py verify.")


def _broker_answers() -> bool:
    if settings.CELERY_BROKER_URL.startswith("filesystem://"):
        return os.access(settings.CELERY_BROKER_TRANSPORT_OPTIONS["data_folder_out"], os.W_OK)
    patience = {"socket_connect_timeout": 1, "socket_timeout": 1}
    try:
        with Connection(settings.CELERY_BROKER_URL, connect_timeout=1, transport_options=patience) as broker:
            broker.ensure_connection(max_retries=1, interval_start=0)
    except Exception:
        return False
    return True
