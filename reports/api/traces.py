"""A trace as a picture (SVG), and as an indented table of plain text with the same lots and steps."""

from typing import Any

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request

from batches import traces
from batches.api.movements import read_filters
from batches.models import Lot
from batches.trace_results import Trace
from haccp.api.histories import SvgPicture
from haccp.api.traces import question
from ledger.api.scope import Scoped
from reports.api.trace_questions import WholeQuestionFilters
from reports.trace_picture import telling


class PlainText(BaseRenderer):
    """Lets ``Accept: text/plain`` through; the view itself writes the text."""

    media_type = "text/plain"
    format = "txt"


class TraceShown(Scoped):
    """The base of what shows a whole trace."""

    queryset = Lot.objects.none()
    serializer_class = None

    def traced(self) -> Trace:
        asked = read_filters(self, WholeQuestionFilters)
        return traces.trace(self.establishment, question(self.establishment, asked))


class TracePicture(TraceShown):
    """A trace as a picture: lots as boxes, the suspect path thick. Of a large one the nearest part; it says what is left out."""

    renderer_classes = [JSONRenderer, SvgPicture]

    @extend_schema(
        operation_id="trace_picture",
        parameters=[WholeQuestionFilters],
        responses={(200, "image/svg+xml"): OpenApiTypes.STR},
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        answer = HttpResponse(telling.svg(self.traced()), content_type="image/svg+xml; charset=utf-8")
        answer["Content-Security-Policy"] = "default-src 'none'; sandbox"
        return answer


class TraceTable(TraceShown):
    """A trace as indented text: each lot once in full, then "see row above"; each step once. Of one with more than 20,000 rows
    it tells the first and says how many are left: the trace as data has all."""

    renderer_classes = [JSONRenderer, PlainText]

    @extend_schema(
        operation_id="trace_table",
        parameters=[WholeQuestionFilters],
        responses={(200, "text/plain"): OpenApiTypes.STR},
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        lines = "\n".join(telling.text(self.traced()))
        return HttpResponse(f"{lines}\n", content_type="text/plain; charset=utf-8")
