"""Traces over HTTP, page by page."""

import hashlib
from typing import Any, ClassVar
from urllib.parse import parse_qsl, urlencode, urlsplit

import orjson
from django.core.signing import BadSignature, Signer
from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request

from batches import traces
from batches.api.movements import read_filters
from batches.api.trace_answers import TraceSerializer
from batches.api.trace_json import as_json
from batches.models import Lot
from batches.trace_questions import FromLots, TraceQuestion
from batches.trace_results import Direction, Trace
from config.api.refusals import RuleBroken
from ledger.api.scope import Scoped

SIGNER = Signer(salt="pages of a trace")
NOT_OURS = "This is not a cursor of this trace; start from its first page."
USUAL, LARGEST = 1000, 10_000  # lots on a page (site setting, no source)


class TraceCursor(serializers.CharField):
    """Where a page goes on, and how much the trace held; signed, so that only one of ours is read."""

    def to_internal_value(self, data: Any) -> Any:
        try:
            asked, after, size = SIGNER.unsign_object(super().to_internal_value(data))
        except (BadSignature, ValueError) as error:
            raise serializers.ValidationError(NOT_OURS, code="bad-cursor") from error
        return asked, after, size


class TraceFilters(serializers.Serializer):
    """How much of a trace, and how."""

    exact = serializers.BooleanField(
        required=False, default=False, help_text="Tell shares as fractions too, of a trace of few steps."
    )
    least_share = serializers.FloatField(
        required=False,
        help_text="Follow only lots with at least this share of the traced lots, above 0 and below 1; what was left "
        "is told in `unfollowed`. Without it everything is followed. Never ask so about an allergen or a microbe.",
    )
    limit = serializers.IntegerField(
        required=False, default=USUAL, min_value=1, max_value=LARGEST, help_text="Lots on a page."
    )
    cursor = TraceCursor(
        required=False,
        help_text="From `next` of another page of this trace. 409 if records changed what it holds.",
    )


class TraceAnswers(Scoped):
    """The base of what answers a trace."""

    serializer_class = TraceSerializer
    pagination_class = None

    def answer(self, request: Request, question: TraceQuestion, said: dict[str, Any]) -> HttpResponse:
        found = traces.trace(
            self.establishment, question, after=self._after(request, said), limit=said["limit"]
        )
        if "cursor" in said:
            _refuse_changed(said["cursor"][2], _counts(found))
        body = as_json(found) | {"next": self._next(request, found)}
        return HttpResponse(orjson.dumps(body, option=orjson.OPT_UTC_Z), content_type="application/json")

    def _after(self, request: Request, said: dict[str, Any]) -> int | None:
        if "cursor" not in said:
            return None
        asked, after, _ = said["cursor"]
        if asked != _asked(request):
            raise serializers.ValidationError({"cursor": NOT_OURS}, code="bad-cursor")
        return int(after)

    def _next(self, request: Request, found: Trace) -> str | None:
        if found.following is None:
            return None
        address = urlsplit(request.build_absolute_uri())
        query = [pair for pair in parse_qsl(address.query, keep_blank_values=True) if pair[0] != "cursor"]
        query.append(("cursor", SIGNER.sign_object([_asked(request), found.following, _counts(found)])))
        return address._replace(query=urlencode(query)).geturl()


def _asked(request: Request) -> str:
    """The question, so that no cursor goes on in the answer to another."""
    asked = sorted((name, values) for name, values in request.GET.lists() if name not in ("cursor", "limit"))
    return hashlib.sha256(f"{request.path} {asked}".encode()).hexdigest()[:16]


def _counts(found: Trace) -> list[int]:
    size = found.size
    return [size.lots, size.steps, size.mixes, size.taken_as]


def _refuse_changed(before: list[int], now: list[int]) -> None:
    """A late entry may bring a lot that stands before the page: it would be on none of them."""
    if before != now:
        raise RuleBroken(
            f"What is traced has changed meanwhile: it held {_counted(*before)}, now {_counted(*now)}. "
            "Ask for its first page again.",
            code="trace-changed",
            field="cursor",
        )


def _counted(lots: int, steps: int, mixes: int, taken_as: int) -> str:
    told = f"{lots} lot{'' if lots == 1 else 's'} and {steps} step{'' if steps == 1 else 's'}"
    return f"{told}, mixed {mixes} times and taken out {taken_as} times" if mixes else told


class OfOneLot(TraceAnswers):
    queryset = Lot.objects.all()
    direction: ClassVar[Direction]

    def follow(self, request: Request) -> HttpResponse:
        said = read_filters(self, TraceFilters)
        start = FromLots((self.kwargs["pk"],))
        question = TraceQuestion(
            start, self.direction, least_share=said.get("least_share"), exact=said["exact"]
        )
        return self.answer(request, question, said)


class Back(OfOneLot):
    """Everything a lot came from, with suppliers and their lot codes."""

    direction = Direction.BACK

    @extend_schema(operation_id="trace_back", parameters=[TraceFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        return self.follow(request)


class Forward(OfOneLot):
    """Everything a lot went into, with the customers it was shipped to."""

    direction = Direction.FORWARD

    @extend_schema(operation_id="trace_forward", parameters=[TraceFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        return self.follow(request)


class Whole(OfOneLot):
    """The whole chain of a lot: back to its sources, forward to the customers.

    What else was made of its sources is not in it: ask forward from the source.
    """

    direction = Direction.WHOLE

    @extend_schema(operation_id="trace_whole", parameters=[TraceFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        return self.follow(request)
