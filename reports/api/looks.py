"""The list of looks for a spreadsheet, over HTTP."""

from typing import Any

from django.http import StreamingHttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request

from ledger import looks
from ledger.api.entrances import LookSerializer
from ledger.api.scope import Scoped
from ledger.models import Look
from reports import jobs, looks_csv
from reports.api.exchange import AnyAccepted


class LooksFilters(serializers.Serializer):
    language = serializers.ChoiceField(
        choices=jobs.LANGUAGES, default="en", help_text="Of the column `in_words`."
    )


class LooksAsCsv(Scoped):
    """Every answer that an inspector was given, newest first, as CSV (RFC 4180)."""

    queryset = Look.objects.none()
    serializer_class = LookSerializer
    pagination_class = None
    content_negotiation_class = AnyAccepted

    @extend_schema(
        operation_id="looks_as_csv",
        parameters=[LooksFilters],
        responses={(200, "text/csv"): OpenApiTypes.STR},
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> StreamingHttpResponse:
        asked = LooksFilters(data=request.query_params)
        asked.is_valid(raise_exception=True)
        here = self.establishment
        return looks_csv.answer(here, looks.of(here), asked.validated_data["language"])
