"""A logger's readings over HTTP: sent as a file, summarised, drawn, and given back as they were sent."""

from typing import Any, cast

from django.conf import settings
from django.http import HttpResponse, StreamingHttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from config.api.examples import ID, WHEN, example, example_form
from config.api.parsers import FileAsBody, StrictMultiPartParser
from haccp import series as deeds
from haccp import series_uses
from haccp.api.histories import SvgPicture
from haccp.api.registers import NumberText
from haccp.drawing import svg
from haccp.logger.readings import as_csv
from haccp.models import Instrument, Series
from ledger.acts import Act
from ledger.api.records import DeedView, RecordSerializer, RecordView
from ledger.api.scope import Scoped, ScopedReference
from ledger.models import Record


class SeriesForm(StrictMultiPartParser):
    """A form with a file of readings."""

    def largest(self) -> int:
        return settings.LARGEST_SERIES


class CsvBody(FileAsBody):
    """Readings as the body, CSV (RFC 4180)."""

    media_type = "text/csv"

    def largest(self) -> int:
        return settings.LARGEST_SERIES


class JsonLinesBody(CsvBody):
    """Readings as the body, one JSON object a line."""

    media_type = "application/x-ndjson"


class LoggedSerializer(RecordSerializer):
    """A logger's readings. Numbers are read strictly; of offset seconds the first counts from ``performed_at``."""

    unit = serializers.CharField(
        max_length=10, help_text="UN/ECE Rec 20, as the logger has it, for example CEL, FAH."
    )
    instrument = ScopedReference(
        queryset=Instrument.objects.all(),
        required=False,
        allow_null=True,
        default=None,
        help_text="The logger. Its range is what readings are held against.",
    )
    decimal_comma = serializers.BooleanField(
        required=False, default=False, write_only=True, help_text="Numbers may have a comma as decimal mark."
    )
    as_entered = serializers.BooleanField(
        required=False,
        default=False,
        write_only=True,
        help_text="Store them although they lie outside the instrument's range; they are flagged then.",
    )
    began_at = serializers.DateTimeField(read_only=True)
    ended_at = serializers.DateTimeField(read_only=True)
    count = serializers.IntegerField(read_only=True)
    sha256 = serializers.CharField(read_only=True, help_text="Over the digests of its packed blocks.")
    flags = serializers.ListField(child=serializers.CharField(), read_only=True)
    sentences = serializers.SerializerMethodField(help_text="What to mind, one sentence each.")

    def get_sentences(self, series: Series) -> list[str]:
        return [deeds.SENTENCES[flag] for flag in series.flags]


@example_form(performed_at=WHEN, unit="CEL", file="(the logger's file: CSV or lines of JSON)")
class LoggedFileSerializer(LoggedSerializer):
    file = serializers.FileField(
        write_only=True,
        help_text="CSV that begins with time,value or seconds,value; or one JSON object a line with at or seconds, "
        "and value. At most 1,000,000 readings.",
    )


BESIDE = (
    ("performed_at", OpenApiTypes.DATETIME),
    ("unit", OpenApiTypes.STR),
    ("instrument", OpenApiTypes.UUID),
    ("id", OpenApiTypes.UUID),
    ("decimal_comma", OpenApiTypes.BOOL),
    ("as_entered", OpenApiTypes.BOOL),
)
"""What stands in the query where the readings are the body."""


class AllSeries(RecordView):
    """Series, newest first. Send readings as the file of a form, or as the body with the rest in the query.

    All or nothing: each line that is no use is named, and then nothing is stored. Readings outside the range of the
    instrument are asked back once (409); sent again with ``as_entered=true`` they are stored and flagged.
    """

    serializer_class = LoggedFileSerializer
    queryset = Series.objects.select_related("establishment", "performed_by", "instrument")
    parser_classes = [SeriesForm, CsvBody, JsonLinesBody]

    @extend_schema(
        parameters=[
            OpenApiParameter(
                name, kind, description="Where the readings are the body; a form has it as a field."
            )
            for name, kind in BESIDE
        ],
        request={
            "multipart/form-data": LoggedFileSerializer,
            "text/csv": OpenApiTypes.STR,
            "application/x-ndjson": OpenApiTypes.STR,
        },
        responses={201: LoggedSerializer, 200: LoggedSerializer},
    )
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return super().post(request, *args, **kwargs)

    def deed(self, act: Act, **values: Any) -> Record:
        return deeds.store(act=act, **values)


class MissingReadingsSerializer(serializers.Serializer):
    """Where readings are missing."""

    after_seconds = serializers.FloatField(source="after", help_text="Since the first reading.")
    lasts_seconds = serializers.FloatField(source="lasts")


class LoggedSummarySerializer(serializers.Serializer):
    """What can be said of all readings, in the unit of the series; null was not asked for."""

    lowest = serializers.CharField()
    highest = serializers.CharField()
    mean = NumberText(help_text="Of the readings, not weighted by time.")
    lasts_seconds = NumberText()
    usual_step_seconds = NumberText(help_text="The median.")
    longest_gap_seconds = NumberText(help_text="Readings further apart leave a gap.")
    gap_count = serializers.IntegerField()
    gap_seconds = NumberText(help_text="Of this time nothing is said.")
    gaps = MissingReadingsSerializer(many=True, help_text="The first twenty.")
    outside_seconds = NumberText(allow_null=True, help_text="Below lower or above upper, gaps left out.")
    f_minutes = NumberText(
        allow_null=True,
        help_text="Heat in minutes at the reference temperature, gaps left out; by definition only, no statement "
        "of what it kills.",
    )


class JudgedCheckSerializer(serializers.Serializer):
    """A standing check that was judged by the series."""

    check = serializers.UUIDField(source="pk")
    performed_at = serializers.DateTimeField()
    code = serializers.CharField(source="control_point.code")
    batch = serializers.UUIDField(source="batch.uid", default=None, allow_null=True)
    lot = serializers.UUIDField(source="lot.uid", default=None, allow_null=True)
    result = serializers.CharField(help_text="As it was judged, and stays.")


class LoggedWithSummarySerializer(LoggedSerializer):
    summary = LoggedSummarySerializer(read_only=True)
    checks = serializers.SerializerMethodField(help_text="Standing checks judged by it, the earliest first.")
    corrected_by = serializers.UUIDField(
        source="corrected_by.pk", default=None, allow_null=True, help_text="Since then it stands no more."
    )

    @extend_schema_field(JudgedCheckSerializer(many=True))
    def get_checks(self, series: Series) -> Any:
        return judged_by(series)


@example(performed_at=WHEN, corrects=ID, reason="Read from the wrong logger.")
class WithdrawnLoggedSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The series that never was.")
    reason = serializers.CharField(max_length=1000)


class LoggedGoneSerializer(LoggedSerializer):
    checks = serializers.SerializerMethodField(
        help_text="Standing checks judged by what was withdrawn: they answer no due check, and released lots they "
        "spoke for await a decision again."
    )

    @extend_schema_field(JudgedCheckSerializer(many=True))
    def get_checks(self, series: Any) -> Any:
        return judged_by(series.corrects)


def judged_by(series: Series) -> Any:
    found = series_uses.judged_by(series).select_related("control_point", "batch", "lot")
    return JudgedCheckSerializer(found, many=True).data


class Limits(serializers.Serializer):
    lower = NumberText(required=False, help_text="In the unit of the series.")
    upper = NumberText(required=False, help_text="In the unit of the series.")
    longest_gap_seconds = NumberText(
        required=False, help_text="Readings further apart leave a gap; twice the usual step, if left out."
    )


class SummaryFilters(Limits):
    reference_temperature = NumberText(required=False, help_text="Of F; z with it.")
    z = NumberText(required=False, help_text="Degrees for a factor of ten.")


class ReadSeries(Scoped):
    """A series that is read."""

    queryset = Series.objects.select_related("establishment", "performed_by", "instrument")


class OneSeries(ReadSeries):
    """A series with a summary: lowest, highest, mean, gaps; time outside limits and F where they are asked for."""

    serializer_class = LoggedWithSummarySerializer

    @extend_schema(parameters=[SummaryFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        found = cast(Any, self.get_object())
        found.summary = deeds.summary(found, deeds.Asked(**read_filters(self, SummaryFilters)))
        return Response(self.get_serializer(found).data)


class WithdrawnSeries(DeedView):
    """Say that a series never was. Its readings stay as they are kept, and nothing is judged by them any more."""

    queryset = Series.objects.all()
    serializer_class = WithdrawnLoggedSerializer
    shown_by = LoggedGoneSerializer

    def deed(self, act: Act, **values: Any) -> Record:
        return deeds.withdraw(act=act)


class Plot(ReadSeries):
    """A series as SVG: one line, the limits that are asked for, gaps left open."""

    renderer_classes = [JSONRenderer, SvgPicture]
    serializer_class = LoggedSerializer

    @extend_schema(parameters=[Limits], responses={(200, "image/svg+xml"): OpenApiTypes.STR})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        asked = deeds.Asked(**read_filters(self, Limits))
        image = svg(deeds.plotted(self.get_object(), asked))
        answer = HttpResponse(image, content_type="image/svg+xml; charset=utf-8")
        answer["Content-Security-Policy"] = "default-src 'none'; sandbox"
        return answer


class CsvText(BaseRenderer):
    """Lets ``Accept: text/csv`` through; the view itself writes the text."""

    media_type = "text/csv"
    format = "csv"


class AsCsv(ReadSeries):
    """Every reading as ``time,value``, on the logger's own clock, with the decimals it was sent with."""

    renderer_classes = [JSONRenderer, CsvText]
    serializer_class = LoggedSerializer

    @extend_schema(responses={(200, "text/csv"): OpenApiTypes.STR})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> StreamingHttpResponse:
        found = self.get_object()
        rows = deeds.readings(found)  # before the answer begins, so that damage is told as a problem
        name = f'attachment; filename="series-{found.pk}.csv"'
        answer = StreamingHttpResponse(as_csv(rows), content_type="text/csv; charset=utf-8")
        answer["Content-Disposition"] = name
        return answer
