"""The list of looks for a spreadsheet: everything an inspector was answered, for who wants to keep or print it."""

from collections.abc import Iterator
from typing import Any

from django.http import StreamingHttpResponse
from django.utils import translation
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request

from ledger import looks
from ledger.api.entrances import LookSerializer
from ledger.api.scope import Scoped
from ledger.models import Look
from reports import jobs
from reports.api.exchange import CSV, AnyAccepted
from reports.exchange import separated
from reports.look_words import sentence

HEADS = (
    "at",
    "name",
    "authority",
    "in_words",
    "what",
    "document",
    "document_kind",
    "subject",
    "answered",
    "address",
    "entrance",
    "id",
)
TYPED = (HEADS.index("name"), HEADS.index("authority"))
ROWS_AT_ONCE = 2000


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
        rows = self._rows(asked.validated_data["language"])
        answer = StreamingHttpResponse(separated.as_csv(rows, HEADS, TYPED), content_type=CSV)
        answer["Content-Disposition"] = 'attachment; filename="looks.csv"'
        return answer

    def _rows(self, language: str) -> Iterator[list[tuple[str, ...]]]:
        rows: list[tuple[str, ...]] = []
        for look in looks.of(self.establishment).iterator(ROWS_AT_ONCE):
            rows.append(self._cells(look, language))
            if len(rows) == ROWS_AT_ONCE:
                yield rows
                rows = []
        yield rows

    def _cells(self, look: Look, language: str) -> tuple[str, ...]:
        told = {
            "at": look.at.astimezone(self.establishment.zone).isoformat(timespec="seconds"),
            "name": look.entrance.person.name,
            "authority": look.entrance.authority,
        }
        with translation.override(language):
            told["in_words"] = sentence(look)
        return tuple(str(told.get(name) or _cell(look, name)) for name in HEADS)


def _cell(look: Look, name: str) -> Any:
    value = getattr(look, f"{name}_id" if name == "entrance" else name)
    return "" if value is None else value
