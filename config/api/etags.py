"""Reference data changes only for somebody who saw its present version: ``ETag`` and ``If-Match`` (RFC 9110)."""

import re
from typing import Any, Protocol

from rest_framework.exceptions import APIException
from rest_framework.request import Request
from rest_framework.response import Response

from config.api.refusals import ChangedMeanwhile

OURS = re.compile(r'\s*"([0-9]{1,9})"\s*')


class HasVersion(Protocol):
    version: Any


class VersionMissing(APIException):
    status_code = 428
    default_detail = "Send If-Match with the ETag you read, so that nobody's change is overwritten unseen."


def version_sent(request: Request) -> int:
    """The version named in ``If-Match``. Raises VersionMissing (428), ChangedMeanwhile (412) for a foreign tag.

    ``*`` names no version, so it counts as missing. The domain function compares the version under the row's
    lock: a caller passes it on as ``expected_version``.
    """
    header = request.headers.get("If-Match", "").strip()
    if header in ("", "*"):
        raise VersionMissing
    found = OURS.fullmatch(header)
    if not found:
        raise ChangedMeanwhile(
            "If-Match is not an ETag of this service. Nothing was written; read the row again first."
        )
    return int(found[1])


def answer_with_etag(data: Any, row: HasVersion, status: int = 200) -> Response:
    return Response(data, status=status, headers={"ETag": f'"{row.version}"'})
