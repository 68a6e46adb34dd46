"""Every error under /api/ as a problem answer (RFC 9457): what was wrong, where, what was kept, what to do."""

import logging
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

from django.core.exceptions import (
    BadRequest,
    ObjectDoesNotExist,
    PermissionDenied,
    RequestDataTooBig,
    SuspiciousOperation,
    ValidationError,
)
from django.db import DataError, IntegrityError
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse, UnreadablePostError
from django.http.multipartparser import MultiPartParserError
from kombu.exceptions import OperationalError as BrokerDown
from redis.exceptions import ConnectionError as RedisDown
from redis.exceptions import TimeoutError as RedisSilent
from rest_framework import exceptions, serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.response import Response
from rest_framework.views import exception_handler as rest_exception_handler
from rest_framework.views import set_rollback

from config.api import kinds
from config.api.constraints import refusal_of
from config.api.outages import is_outage
from config.api.parsers import UNKEEPABLE, is_mangled
from config.api.refusals import Refusal

log = logging.getLogger(__name__)
MEDIA_TYPE = "application/problem+json"
RETRY_AFTER = {429: "300", 503: "30"}  # seconds
KEPT_HEADERS = ("Allow", "Retry-After", "WWW-Authenticate")
DOWN = (BrokerDown, RedisDown, RedisSilent, ConnectionError)
OUT_OF_RANGE = (DataError, OverflowError)
DJANGO_ANSWERS = (Http404, PermissionDenied, SuspiciousOperation, BadRequest, MultiPartParserError)
SEND_AGAIN = (
    "A service this needs does not answer. Send it again with the same id: nothing is recorded twice."
)
OUTSIDE_A_VIEW = {
    403: "This is not allowed.",
    404: "There is nothing at this address.",
    405: "This address does not take that method.",
    429: "Too many tries. Wait as many seconds as Retry-After says.",
    503: SEND_AGAIN,
}


def body_of(code: int, detail: str, *, kind: str = "", title: str = "", **more: Any) -> dict[str, Any]:
    """The members of RFC 9457 section 3.1, and our own ``errors``, ``reasons`` or ``reference``."""
    known = kinds.BY_CODE.get(kind) or kinds.usual(code)
    address = f"/api/problems/{kind}" if kind else known.address if known else "about:blank"
    body = {
        "type": address,
        "title": title or (known.title if known else kinds.title_of(code)),
        "status": code,
        "detail": detail,
    }
    return body | {name: value for name, value in more.items() if value}


def exception_handler(exc: Exception, context: dict[str, Any]) -> Response | None:
    """Turn what a view raised into a problem answer; None lets an unforeseen error become a 500."""
    exc = _in_our_words(exc)
    if request := context.get("request"):  # a problem is JSON, also where the view shows a page or YAML
        request.accepted_renderer, request.accepted_media_type = JSONRenderer(), MEDIA_TYPE
    if isinstance(exc, Refusal):
        set_rollback()
        return _answer(exc.status, refusal_as_item(exc))
    if isinstance(exc, exceptions.ValidationError):
        set_rollback()
        return _answer(400, _body_of_invalid(list(_flat(exc.detail))))
    if _is_down(exc):
        log.warning("a service this needs is down", exc_info=exc)
        set_rollback()
        return _answer(503, body_of(503, SEND_AGAIN))
    answer = rest_exception_handler(exc, context)
    if answer is None:
        return None
    return _answer(answer.status_code, body_of(answer.status_code, _sentence_of(exc)), _kept_headers(answer))


def _is_down(exc: Exception) -> bool:
    return isinstance(exc, DOWN) or is_outage(exc)


def _sentence_of(exc: Exception) -> str:
    said = getattr(exc, "detail", None) or [str(part) for part in exc.args]
    return " ".join(each["detail"] for each in _flat(said)) or "Nothing was written."


def _in_our_words(exc: Exception) -> Exception:
    if isinstance(exc, IntegrityError):
        return refusal_of(exc) or exc
    if isinstance(exc, ValidationError):
        return exceptions.ValidationError(serializers.as_serializer_error(exc))
    if isinstance(exc, (Http404, ObjectDoesNotExist)):
        return exceptions.NotFound("There is nothing at this address for you.")
    if isinstance(exc, RequestDataTooBig):
        return TooLarge()
    if isinstance(exc, UnreadablePostError):
        return exceptions.ParseError("The body ended too early.")
    if isinstance(exc, OUT_OF_RANGE):
        # A check that should have come earlier is missing: the log says where.
        log.warning("a value got past the checks and does not fit", exc_info=exc)
        return exceptions.ValidationError("A value is too long or too large to be kept.", code="out-of-range")
    return exc


class TooLarge(exceptions.APIException):
    status_code = 413
    default_detail = "The body is too large. Nothing was written; send less at a time."


def refusal_as_item(refusal: Refusal) -> dict[str, Any]:
    """The body for a refusal; also the answer to one item of a bulk post (decision D21)."""
    reasons = [
        {
            name: value
            for name, value in (
                ("code", reason.code),
                ("detail", reason.detail),
                ("field", reason.field),
                ("ids", [str(each) for each in reason.ids]),
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


def _body_of_invalid(errors: list[dict[str, str]]) -> dict[str, Any]:
    values = "1 value" if len(errors) == 1 else f"{len(errors)} values"
    return body_of(400, f"{values} cannot be used. Nothing was written.", kind="invalid", errors=errors)


def _flat(detail: Any, path: str = "") -> Iterator[dict[str, str]]:
    """REST framework's nested errors as a list with dotted paths."""
    if isinstance(detail, dict):
        for name, inner in detail.items():
            here = path if name in ("non_field_errors", "__all__") else f"{path}.{name}".lstrip(".")
            yield from _flat(inner, here)
    elif isinstance(detail, list):
        for index, inner in enumerate(detail):
            nested = isinstance(inner, (dict, list))
            yield from _flat(inner, f"{path}.{index}".lstrip(".") if nested else path)
    else:
        yield {"field": path, "code": str(getattr(detail, "code", "invalid")), "detail": str(detail)}


def _answer(code: int, body: dict[str, Any], headers: dict[str, str] | None = None) -> Response:
    return _with_waiting(Response(body, status=code, headers=headers, content_type=MEDIA_TYPE))


def plain_answer(code: int, detail: str, **more: Any) -> JsonResponse:
    """A problem answer where no REST view is at work: routing, middleware, unforeseen errors."""
    return _with_waiting(JsonResponse(body_of(code, detail, **more), status=code, content_type=MEDIA_TYPE))


def _with_waiting(answer: Any) -> Any:
    if wait := RETRY_AFTER.get(answer.status_code):
        answer.headers.setdefault("Retry-After", wait)
    return answer


def _kept_headers(answer: HttpResponse) -> dict[str, str]:
    return {name: answer[name] for name in KEPT_HEADERS if name in answer}


class ApiErrors:
    """Middleware, outermost: what goes wrong under /api/ answers a problem, whether a view was at work or not."""

    def __init__(self, get_response: Any):
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if not _of_api(request):
            return self.get_response(request)
        if unreadable := _unreadable(request):
            return unreadable
        answer = self.get_response(request)
        if answer.status_code < 400 or answer.get("Content-Type", "").startswith(MEDIA_TYPE):
            return answer
        return _as_problem(request, answer)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if not _of_api(request) or isinstance(exception, DJANGO_ANSWERS):
            return None
        if _is_down(exception):
            log.warning("a service this needs is down", exc_info=exception)
            return plain_answer(503, SEND_AGAIN)
        return _unforeseen(request, exception)


def _of_api(request: HttpRequest) -> bool:
    return request.path_info.startswith("/api/")


def _unreadable(request: HttpRequest) -> HttpResponse | None:
    """An address that no row can ever match: refused before any database is asked (decision D12)."""
    if UNKEEPABLE.search(request.path_info):
        return plain_answer(404, OUTSIDE_A_VIEW[404])
    try:
        pairs = request.GET.lists()
    except SuspiciousOperation:
        return plain_answer(400, "The query has too many parts.")
    # Django puts U+FFFD where the query was not UTF-8.
    bad = [name for name, values in pairs if any(is_mangled(text) for text in (name, *values))]
    if not bad:
        return None
    sentence = "Contains a character that cannot be kept, or is not UTF-8."
    errors = [{"field": name, "code": "unkeepable-character", "detail": sentence} for name in bad]
    return JsonResponse(_body_of_invalid(errors), status=400, content_type=MEDIA_TYPE)


def _as_problem(request: HttpRequest, answer: HttpResponse) -> HttpResponse:
    """What Django or a middleware answered in HTML, as a problem."""
    if answer.status_code == 500:
        return _unforeseen(request, None)
    detail = OUTSIDE_A_VIEW.get(answer.status_code, "The request cannot be used.")
    problem = plain_answer(answer.status_code, detail)
    for name, value in _kept_headers(answer).items():
        problem[name] = value
    return problem


def _unforeseen(request: HttpRequest, exception: Exception | None) -> HttpResponse:
    """A 500 says nothing of the inside; the reference leads to the traceback in the log."""
    reference = uuid4().hex[:12]
    log.error("unforeseen error %s at %s %s", reference, request.method, request.path, exc_info=exception)
    return plain_answer(500, f"Tell the administrator the reference {reference}.", reference=reference)
