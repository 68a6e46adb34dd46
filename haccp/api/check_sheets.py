"""Sheets for a day without power: asking for one, which are out, what was keyed in from one, writing one off."""

from typing import Any

from django.db.models import Prefetch
from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_field, extend_schema_serializer
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from batches.models import Batch
from config.api.examples import WHEN, example
from haccp import check_sheets, sheet_codes
from haccp.models import Check, CheckSheet, ControlPoint
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView, act_of
from ledger.api.scope import Scoped, ScopedReference
from ledger.models import Record

FOR_A_BATCH = {
    "performed_at": "2026-03-02T06:00:00+01:00",
    "day": "2026-03-02",
    "batch": "01a21200-0000-7000-8000-000000000020",
    "lines_each": 8,
}


@extend_schema_field(OpenApiTypes.STR)
class SheetCode(serializers.Field):
    """A sheet by the code printed on it; one that no sheet here bears is not found, with the one most like it."""

    def to_internal_value(self, data: Any) -> CheckSheet:
        if not isinstance(data, str):
            raise serializers.ValidationError("Send the code as text, as it is printed: S-482177-05.")
        return check_sheets.find(self.context["establishment"], data)

    def to_representation(self, value: CheckSheet) -> str:
        return value.code


class KeyedSerializer(serializers.Serializer):
    """A standing check that was keyed in from the sheet."""

    check = serializers.UUIDField(source="pk")
    line = serializers.IntegerField(source="sheet_line")
    twice = serializers.BooleanField(help_text="Another standing check was keyed in from the same line.")
    performed_by = serializers.UUIDField(source="performed_by_id", help_text="As written on the paper.")
    recorded_by = serializers.UUIDField(source="recorded_by_id", help_text="Who keyed it in.")
    recorded_at = serializers.DateTimeField()


class WrittenOffSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    because = serializers.CharField()
    recorded_by = serializers.UUIDField(source="recorded_by_id")
    recorded_at = serializers.DateTimeField()


@extend_schema_serializer(examples=[OpenApiExample("For a batch", FOR_A_BATCH, request_only=True)])
class CheckSheetSerializer(RecordSerializer):
    """A sheet of blank lines. Print it as a document of kind check-sheet; a scan of it hangs on this record."""

    code = serializers.CharField(
        read_only=True, help_text="As printed; a check keyed in from it names it as sheet."
    )
    day = serializers.DateField(help_text="Whose limits stand on it.")
    batch = ScopedReference(
        queryset=Batch.objects.select_related("recipe_version__material"),
        slug="uid",
        required=False,
        allow_null=True,
        default=None,
    )
    control_points = ScopedReference(  # type: ignore[call-arg]
        queryset=ControlPoint.objects.all(),
        many=True,
        required=False,
        write_only=True,
        help_text="In the order in which they are to stand; left out: all that ask for a check of the batch, or here.",
    )
    lines_each = serializers.IntegerField(
        min_value=1,
        max_value=check_sheets.MOST_LINES,
        default=check_sheets.USUAL_LINES,
        write_only=True,
        help_text="Blank lines for each control point.",
    )
    lines = serializers.IntegerField(read_only=True, help_text="In all.")
    blocks = serializers.ListField(
        child=serializers.DictField(),
        read_only=True,
        help_text="Which lines are for which control point, with its limits as they bind on that day.",
    )
    keyed = serializers.SerializerMethodField(help_text="What was keyed in from it, by line.")
    written_off = WrittenOffSerializer(read_only=True, allow_null=True, default=None)
    open = serializers.SerializerMethodField(
        help_text="Whether it has lines that were neither keyed in nor written off."
    )

    @extend_schema_field(KeyedSerializer(many=True))
    def get_keyed(self, sheet: CheckSheet) -> Any:
        found = _keyed(sheet)
        lines = [each.sheet_line for each in found]
        for each in found:
            each.twice = lines.count(each.sheet_line) > 1
        return KeyedSerializer(found, many=True).data

    def get_open(self, sheet: CheckSheet) -> bool:
        lines = {each.sheet_line for each in _keyed(sheet)}
        return not hasattr(sheet, "written_off") and len(lines) < sheet.lines


def _keyed(sheet: CheckSheet) -> list[Any]:
    """As read with the list; a sheet just issued has none."""
    return list(getattr(sheet, "keyed_checks", ()))


class SheetFilters(serializers.Serializer):
    open = serializers.BooleanField(
        required=False, help_text="true: only those with lines neither keyed in nor written off."
    )
    code = serializers.CharField(
        required=False,
        max_length=sheet_codes.MOST_CHARACTERS,
        help_text="As printed; 404 where none bears it.",
    )


KEYED = Prefetch(
    "checks",
    Check.objects.standing().order_by("sheet_line", "recorded_at", "id"),
    to_attr="keyed_checks",
)
SHEETS = CheckSheet.objects.select_related("establishment", "performed_by", "batch", "written_off")


class CheckSheets(RecordView):
    """Sheets that were printed, newest first. ``?open=true``: which are out and not wholly keyed in or written off."""

    serializer_class = CheckSheetSerializer
    queryset = SHEETS.prefetch_related(KEYED)

    def get_queryset(self) -> Any:
        asked, rows = read_filters(self, SheetFilters), super().get_queryset()
        if asked.get("open"):
            rows = check_sheets.still_open(rows)
        if "code" in asked:
            rows = rows.filter(pk=check_sheets.find(self.establishment, asked["code"]).pk)
        return rows

    @extend_schema(parameters=[SheetFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def deed(self, act: Act, **values: Any) -> Record:
        return check_sheets.issue(
            act=act,
            day=values["day"],
            batch=values["batch"],
            control_points=values.get("control_points", []),
            lines=values["lines_each"],
        )


class OneCheckSheet(Scoped):
    """A sheet, with what was keyed in from it."""

    serializer_class = CheckSheetSerializer
    queryset = SHEETS.prefetch_related(KEYED)

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


@example(performed_at=WHEN, because="Left blank: the power came back at ten.")
class SheetWrittenOffSerializer(RecordSerializer):
    sheet = serializers.UUIDField(source="sheet_id", read_only=True)
    because = serializers.CharField(max_length=1000)


class WriteOffSheet(Scoped):
    """Say that a sheet, or what is left blank on it, will not be keyed in any more, and why."""

    serializer_class = SheetWrittenOffSerializer
    queryset = CheckSheet.objects.all()

    @extend_schema(responses={201: SheetWrittenOffSerializer, 200: SheetWrittenOffSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        sheet = get_object_or_404(self.get_queryset(), pk=kwargs["pk"])
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        off = check_sheets.write_off(
            act=act_of(self, request, values), sheet=sheet, because=values["because"]
        )
        code = status.HTTP_200_OK if off.repeated else status.HTTP_201_CREATED
        return Response(self.get_serializer(off).data, status=code)
