"""Reference data changes only for somebody who saw its present version: ``ETag`` and ``If-Match`` (RFC 9110).

Whoever has the present version already is told so in few bytes: ``If-None-Match`` and 304.
"""

import re
from typing import Any, Protocol

from django.utils.http import parse_etags
from rest_framework import status
from rest_framework.exceptions import APIException
from rest_framework.request import Request
from rest_framework.response import Response

from config.api.refusals import ChangedMeanwhile

OURS = re.compile(r'"([0-9]{1,9})"')


class HasVersion(Protocol):
    version: Any


class VersionMissing(APIException):
    status_code = 428
    default_detail = "Send If-Match with the ETag you read, so that nobody's change is overwritten unseen."


def version_sent(request: Request, row: HasVersion) -> int:
    """The version named in ``If-Match``. Raises VersionMissing (428), ChangedMeanwhile (412) for foreign tags only.

    Of a list of tags (RFC 9110, 13.1.1) it is the one of ``row`` as it was just read, if that is among them.
    Tags are compared strongly: a weak one never matches.

    ``*`` names no version, so it counts as missing. The domain function compares the version under the row's
    lock: a caller passes it on as ``expected_version``.
    """
    header = request.headers.get("If-Match", "").strip()
    if header in ("", "*"):
        raise VersionMissing
    found = [int(tag[1]) for each in header.split(",") if (tag := OURS.fullmatch(each.strip()))]
    if not found:
        raise ChangedMeanwhile(
            "If-Match is not an ETag of this service. Nothing was written; read the row again first."
        )
    return row.version if row.version in found else found[0]


def answer_with_etag(data: Any, row: HasVersion, status: int = 200) -> Response:
    return Response(data, status=status, headers={"ETag": f'"{row.version}"'})


def answer_unless_known(request: Request, data: Any, row: HasVersion) -> Response:
    """The row with its ETag; 304 without a body where ``If-None-Match`` names it (RFC 9110, 13.1.2 and 15.4.5).

    Only for an answer that shows nothing but the row: the version does not tell of anything else.
    """
    answer = answer_with_etag(data, row)
    known = [tag.removeprefix("W/") for tag in parse_etags(request.headers.get("If-None-Match", ""))]
    if "*" in known or answer["ETag"] in known:  # the weak comparison
        return Response(status=status.HTTP_304_NOT_MODIFIED, headers={"ETag": answer["ETag"]})
    return answer
