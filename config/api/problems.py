"""Every error under /api/ as a problem answer (RFC 9457): what was wrong, where, what was kept, what to do."""

import logging
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

from django.core.exceptions import ObjectDoesNotExist, PermissionDenied, ValidationError
from django.db import DatabaseError, IntegrityError, InterfaceError, OperationalError
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from kombu.exceptions import OperationalError as BrokerDown
from rest_framework import exceptions, serializers, status
from rest_framework.response import Response
from rest_framework.views import exception_handler as rest_exception_handler
from rest_framework.views import set_rollback

from config.api.constraints import refusal_of
from config.api.refusals import Refusal

log = logging.getLogger(__name__)
MEDIA_TYPE = "application/problem+json"
RETRY_AFTER = "30"  # seconds

TITLES = {
    400: ("unusable-request", "The request cannot be used as it is"),
    401: ("not-signed-in", "Not signed in"),
    403: ("not-allowed", "Not allowed"),
    404: ("not-found", "Not found here"),
    405: ("method-not-allowed", "This address does not take that method"),
    406: ("not-acceptable", "No such form of answer"),
    409: ("conflict", "A rule stands in the way"),
    412: ("changed-meanwhile", "Changed meanwhile"),
    413: ("too-large", "Too large"),
    415: ("unsupported-media-type", "Send JSON"),
    428: ("version-missing", "Say which version you saw"),
    429: ("too-many-tries", "Too many tries"),
    500: ("unforeseen", "Something unforeseen went wrong"),
    503: ("unavailable", "Not available just now"),
}


def body_of(code: int, detail: str, *, kind: str = "", title: str = "", **more: Any) -> dict[str, Any]:
    """The members of RFC 9457 section 3.1, and our own ``errors`` or ``reasons``."""
    usual_kind, usual_title = TITLES.get(code, ("problem", "Something is wrong"))
    body = {
        "type": f"/api/problems/{kind or usual_kind}",
        "title": title or usual_title,
        "status": code,
        "detail": detail,
    }
    return body | {name: value for name, value in more.items() if value}


def exception_handler(exc: Exception, context: dict[str, Any]) -> Response | None:
    """Turn what a view raised into a problem answer; None lets an unforeseen error become a 500."""
    exc = _in_our_words(exc)
    if isinstance(exc, Refusal):
        set_rollback()
        return _answer(exc.status, _body_of_refusal(exc))
    if isinstance(exc, exceptions.ValidationError):
        set_rollback()
        errors = list(_flat(exc.detail))
        detail = (
            f"{len(errors)} {'value' if len(errors) == 1 else 'values'} cannot be used. Nothing was written."
        )
        return _answer(
            400, body_of(400, detail, kind="invalid", title="Some values cannot be used", errors=errors)
        )
    if isinstance(exc, (OperationalError, InterfaceError, BrokerDown, ConnectionError)):
        log.warning("a service this needs is down: %s", exc)
        set_rollback()
        body = body_of(
            503, "A service this needs does not answer. Nothing was written; try again in a moment."
        )
        return _answer(503, body)
    answer = rest_exception_handler(exc, context)
    if answer is None:
        return None
    detail = getattr(exc, "detail", None) or (exc.args[0] if exc.args else "")
    kept = {name: answer[name] for name in ("WWW-Authenticate", "Retry-After", "Allow") if name in answer}
    return _answer(
        answer.status_code, body_of(answer.status_code, str(detail) or "Nothing was written."), kept
    )


def _in_our_words(exc: Exception) -> Exception:
    if isinstance(exc, IntegrityError):
        return refusal_of(exc) or exc
    if isinstance(exc, ValidationError):
        return exceptions.ValidationError(serializers.as_serializer_error(exc))
    if isinstance(exc, (Http404, ObjectDoesNotExist)):
        return exceptions.NotFound("There is nothing at this address for you.")
    return exc


def _body_of_refusal(refusal: Refusal) -> dict[str, Any]:
    reasons = [
        {
            name: value
            for name, value in (
                ("code", reason.code),
                ("detail", reason.detail),
                ("field", reason.field),
                ("ids", list(reason.ids)),
            )
            if value
        }
        for reason in refusal.reasons
    ]
    errors = [
        {"field": reason.field, "code": reason.code, "detail": reason.detail}
        for reason in refusal.reasons
        if reason.field
    ]
    return body_of(
        refusal.status, refusal.detail, kind=refusal.code, title=refusal.title, reasons=reasons, errors=errors
    )


def refusal_as_item(refusal: Refusal) -> dict[str, Any]:
    """A refusal as the answer to one item of a bulk post (decision D21)."""
    return _body_of_refusal(refusal)


def _flat(detail: Any, path: str = "") -> Iterator[dict[str, str]]:
    """REST framework's nested errors as a list with dotted paths."""
    if isinstance(detail, dict):
        for name, inner in detail.items():
            here = path if name == "non_field_errors" else f"{path}.{name}".lstrip(".")
            yield from _flat(inner, here)
    elif isinstance(detail, list):
        for index, inner in enumerate(detail):
            nested = isinstance(inner, (dict, list))
            yield from _flat(inner, f"{path}.{index}".lstrip(".") if nested else path)
    else:
        yield {"field": path, "code": str(getattr(detail, "code", "invalid")), "detail": str(detail)}


def _answer(code: int, body: dict[str, Any], headers: dict[str, str] | None = None) -> Response:
    answer = Response(body, status=code, headers=headers, content_type=MEDIA_TYPE)
    if code in (429, 503) and "Retry-After" not in answer:
        answer["Retry-After"] = "300" if code == 429 else RETRY_AFTER
    return answer


def plain_answer(code: int, detail: str, **more: Any) -> JsonResponse:
    """A problem answer where no REST view is at work: routing, middleware, unforeseen errors."""
    answer = JsonResponse(body_of(code, detail, **more), status=code, content_type=MEDIA_TYPE)
    if code == 503:
        answer["Retry-After"] = RETRY_AFTER
    return answer


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    from django.views.defaults import page_not_found

    if request.path.startswith("/api/"):
        return plain_answer(404, "There is nothing at this address.")
    return page_not_found(request, exception)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    from django.views.defaults import bad_request as usual

    if request.path.startswith("/api/"):
        return plain_answer(400, "The request cannot be read.")
    return usual(request, exception)


def permission_denied(request: HttpRequest, exception: PermissionDenied) -> HttpResponse:
    from django.views.defaults import permission_denied as usual

    if request.path.startswith("/api/"):
        return plain_answer(403, "This is not allowed.")
    return usual(request, exception)


class ApiErrors:
    """Middleware: an unforeseen error under /api/ answers a problem with a reference, and is logged in full."""

    def __init__(self, get_response: Any):
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if not request.path.startswith("/api/"):
            return None
        if isinstance(exception, (OperationalError, InterfaceError)):
            log.warning("the database does not answer: %s", exception)
            return plain_answer(
                503, "The database does not answer. Nothing was written; try again in a moment."
            )
        reference = uuid4().hex[:12]
        log.error("unforeseen error %s at %s", reference, request.path, exc_info=exception)
        kind = "database" if isinstance(exception, DatabaseError) else ""
        detail = f"Nothing was written. Tell the administrator the reference {reference}."
        return plain_answer(status.HTTP_500_INTERNAL_SERVER_ERROR, detail, kind=kind, reference=reference)
