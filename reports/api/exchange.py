"""What leaves as data: the movements of a trace or of a period as CSV, XLSX or EPCIS events."""

import tempfile
from collections.abc import Iterator
from typing import Any, ClassVar

from django.http import FileResponse, HttpResponseBase, StreamingHttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.request import Request

from batches.api.movements import read_filters
from batches.models import Lot, Material
from batches.trace_following import Followed
from batches.trace_questions import Period, one
from haccp.api.traces import question
from ledger.api.records import MomentField
from ledger.api.scope import Scoped
from reports.api.trace_questions import WholeQuestionFilters
from reports.exchange import movements, separated, workbooks
from reports.exchange.event_reading import as_epcis
from reports.exchange.movements import Selecting, Selection

EPCIS = "application/ld+json"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


class PeriodEventFilters(serializers.Serializer):
    """Of which time, which lot, which material, which paper; all that there is where nothing is said."""

    since = MomentField(required=False, help_text="Done then or later.")
    until = MomentField(required=False, help_text="Done then or before.")
    lot = serializers.UUIDField(required=False)
    material = serializers.UUIDField(required=False, help_text="A material or product.")
    document = serializers.CharField(
        required=False, max_length=80, help_text="What went with this paper, written as in the movement."
    )


class Standing(serializers.Serializer):
    corrected = serializers.BooleanField(
        required=False,
        default=False,
        help_text="Also what was corrected or withdrawn; the column `state` tells which.",
    )


class TraceSheetFilters(Standing, WholeQuestionFilters):
    """Of which trace; all of it at once."""


class PeriodSheetFilters(Standing, PeriodEventFilters):
    """Of which time, which lot, which material, which paper; all that there is where nothing is said."""


class AnyAccepted(BaseContentNegotiation):
    """The address says the form, so what a client would rather have is not asked."""

    def select_parser(self, request: Any, parsers: Any) -> Any:
        return parsers[0]

    def select_renderer(self, request: Any, renderers: Any, format_suffix: Any = None) -> Any:
        return renderers[0], renderers[0].media_type


class Exchanged(Scoped):
    """The base of all: everything that may be refused is found out before the first byte."""

    queryset = Lot.objects.none()
    serializer_class = serializers.Serializer
    pagination_class = None
    content_negotiation_class = AnyAccepted

    def selected(self) -> Selecting:
        raise NotImplementedError

    def as_csv(self) -> HttpResponseBase:
        return _attached(separated.as_csv(self.rows()), separated.CSV, "movements.csv")

    def as_workbook(self) -> HttpResponseBase:
        file = tempfile.TemporaryFile()  # noqa: SIM115  (closed by the answer)
        try:
            workbooks.write(file, self.rows())
        except BaseException:
            file.close()
            raise
        file.seek(0)
        return FileResponse(file, content_type=XLSX, as_attachment=True, filename="movements.xlsx")

    def rows(self) -> Iterator[list[tuple[str, ...]]]:
        return movements.rows(self.establishment, self.selected())

    def as_events(self) -> HttpResponseBase:
        return _attached(as_epcis(self.establishment, self.selected()), EPCIS, "events.jsonld")


def _attached(parts: Iterator[bytes], media_type: str, name: str) -> StreamingHttpResponse:
    answer = StreamingHttpResponse(parts, content_type=media_type)
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


class OfTrace(Exchanged):
    filters: ClassVar[type[serializers.Serializer]] = TraceSheetFilters

    def selected(self) -> Selecting:
        said, here = read_filters(self, self.filters), self.establishment
        asked = question(here, said)
        starts = asked.start.lots(here)
        standing = not said.get("corrected")
        return lambda: movements.of_trace(Followed(asked, starts, here.pk), standing=standing)


class OfPeriod(Exchanged):
    filters: ClassVar[type[serializers.Serializer]] = PeriodSheetFilters

    def selected(self) -> Selecting:
        said, here = read_filters(self, self.filters), self.establishment
        lot = one(Lot, here, "lot", uid=said["lot"]) if "lot" in said else None
        material = one(Material, here, "material", pk=said["material"]) if "material" in said else None
        selection = Selection(
            lots=None if lot is None else [lot.pk],
            period=Period(*(said[name].at if name in said else None for name in ("since", "until"))),
            material=None if material is None else material.pk,
            document=said.get("document", ""),
            standing=not said.get("corrected"),
        )
        return lambda: selection


SHEET = (
    "One row for each movement, sorted by when it was done. Times are told on the clock of the place. No text in it can "
    "be taken for a formula: in CSV one that begins as a formula does has an apostrophe before it."
)
EVENTS = (
    "One EPCIS 2.0 document in JSON-LD. Each event is one record and bears its id. Lots are named by GS1 Digital Link where "
    "they were made here under a GTIN of the house's own GS1 prefix, else by an address of the house. A record that was "
    "corrected or withdrawn comes again with an error declaration. People, recipes and prices are left out."
)
AS_EVENTS = {(200, EPCIS): OpenApiTypes.OBJECT}
AS_CSV = {(200, "text/csv"): OpenApiTypes.STR}
AS_XLSX = {(200, XLSX): OpenApiTypes.BINARY}


class TraceAsCsv(OfTrace):
    @extend_schema(
        operation_id="trace_as_csv", parameters=[TraceSheetFilters], responses=AS_CSV, description=SHEET
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponseBase:
        return self.as_csv()


class TraceAsWorkbook(OfTrace):
    @extend_schema(
        operation_id="trace_as_workbook", parameters=[TraceSheetFilters], responses=AS_XLSX, description=SHEET
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponseBase:
        return self.as_workbook()


class MovementsAsCsv(OfPeriod):
    @extend_schema(
        operation_id="movements_as_csv", parameters=[PeriodSheetFilters], responses=AS_CSV, description=SHEET
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponseBase:
        return self.as_csv()


class MovementsAsWorkbook(OfPeriod):
    @extend_schema(
        operation_id="movements_as_workbook",
        parameters=[PeriodSheetFilters],
        responses=AS_XLSX,
        description=SHEET,
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponseBase:
        return self.as_workbook()


class TraceAsEvents(OfTrace):
    filters = WholeQuestionFilters

    @extend_schema(
        operation_id="trace_as_events",
        parameters=[WholeQuestionFilters],
        responses=AS_EVENTS,
        description=EVENTS,
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponseBase:
        return self.as_events()


class MovementsAsEvents(OfPeriod):
    filters = PeriodEventFilters

    @extend_schema(
        operation_id="movements_as_events",
        parameters=[PeriodEventFilters],
        responses=AS_EVENTS,
        description=EVENTS,
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponseBase:
        return self.as_events()
