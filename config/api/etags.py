"""Reference data changes only for somebody who saw its present version: ``ETag`` and ``If-Match`` (RFC 9110)."""

from typing import Any, Protocol

from django.utils.http import parse_etags
from rest_framework.exceptions import APIException
from rest_framework.request import Request
from rest_framework.response import Response

from config.api.refusals import ChangedMeanwhile


class HasVersion(Protocol):
    version: Any


class VersionMissing(APIException):
    status_code = 428
    default_detail = "Send If-Match with the ETag you read, so that nobody's change is overwritten unseen."


def version_sent(request: Request) -> int:
    """The version named in ``If-Match``. Raises VersionMissing (428), ChangedMeanwhile (412) for a foreign tag.

    The domain function compares it under the row's lock.
    """
    header = request.headers.get("If-Match")
    if not header:
        raise VersionMissing
    tags = [tag.strip('"') for tag in parse_etags(header)]
    if len(tags) != 1 or not tags[0].isdigit():
        raise ChangedMeanwhile(
            "This was changed since you read it. Nothing was written; read it again first."
        )
    return int(tags[0])


def answer_with_etag(data: Any, row: HasVersion, status: int = 200) -> Response:
    return Response(data, status=status, headers={"ETag": f'"{row.version}"'})
