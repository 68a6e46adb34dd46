"""Recording checks: judged at once, and answered with what the person at the stove should do."""

from typing import Any, ClassVar
from uuid import UUID

from django.shortcuts import get_object_or_404
from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_field, extend_schema_serializer
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from batches.models import Batch, Lot, Part
from config.api.bodies import BodySerializer
from config.api.examples import ID, WHEN, example
from config.api.problems import exception_handler, refusal_as_item
from config.api.refusals import Refusal
from haccp import check_sheets, checks, judging, monitoring, series_uses
from haccp.api import check_rows
from haccp.api.check_sheets import SheetCode
from haccp.limits import Result
from haccp.models import Check, ControlPoint, Instrument
from haccp.readings import LONGEST, MOST_POINTS
from ledger.acts import Act
from ledger.api.records import DeedView, RecordSerializer, RecordView, act_of
from ledger.api.scope import Scoped, ScopedReference
from ledger.models import Record

MOST_ITEMS = 200
MOST_READINGS = 20  # as many as a control point may have limits
KEPT_ROWS = 1000


class KeptReference(ScopedReference):
    """A reference to a row that is written once, so that one process reads it once (control points, parts)."""

    _rows: ClassVar[dict[tuple[Any, UUID], Any]] = {}

    def find(self, key: Any) -> Any:
        place = (self.get_queryset().model, key)
        row = self._rows.get(place) or super().find(key)
        if row is None or row.establishment_id != self.context["establishment"].pk:
            return None
        if len(self._rows) >= KEPT_ROWS:
            self._rows.clear()
        self._rows[place] = row
        return row


class PointSerializer(BodySerializer):
    at = serializers.CharField(max_length=LONGEST, help_text="RFC 3339, with its offset.")
    value = serializers.CharField(max_length=LONGEST)


class ReadingSerializer(BodySerializer):
    """One reading as entered; ``haccp.readings`` reads it strictly."""

    quantity = serializers.CharField(max_length=LONGEST)
    value = serializers.CharField(
        required=False,
        max_length=LONGEST,
        help_text="A plain decimal number as text, with a comma where the establishment takes one; < before it: below "
        "what the method detects.",
    )
    unit = serializers.CharField(
        required=False, max_length=LONGEST, help_text="UN/ECE Rec 20, for example CEL, FAH, C62, MIN."
    )
    outcome = serializers.CharField(
        required=False, max_length=LONGEST, help_text="One of those the limit names."
    )
    counted_out = serializers.CharField(
        required=False, max_length=LONGEST, help_text="Whole things, as text."
    )
    counted_in = serializers.CharField(required=False, max_length=LONGEST)
    points = PointSerializer(  # type: ignore[call-arg]
        many=True,
        required=False,
        max_length=MOST_POINTS,
        help_text="A short course, typed by hand, with its unit.",
    )
    series = serializers.CharField(
        required=False,
        max_length=LONGEST,
        help_text="The id of an uploaded series of readings, in place of a value.",
    )
    method = serializers.CharField(required=False, max_length=LONGEST)
    sample_temperature = serializers.CharField(required=False, max_length=LONGEST)
    sample_temperature_unit = serializers.CharField(
        required=False, max_length=LONGEST, help_text="CEL, FAH or KEL, where a sample temperature is given."
    )


class ScanSerializer(serializers.Serializer):
    """A scan of the sheet, as it hangs on the sheet's record."""

    attachment = serializers.UUIDField()
    file_name = serializers.CharField()
    sha256 = serializers.CharField()


SAMPLE = {"sample_temperature": "21", "sample_temperature_unit": "CEL"}
SEEN = {
    "performed_at": "2026-03-02T09:30:00+01:00",
    "control_point": "01a21200-0000-7000-8000-000000000010",
    "batch": "01a21200-0000-7000-8000-000000000020",
    "instrument": "01a21200-0000-7000-8000-000000000030",
    "occasion": "",
    "readings": [{"quantity": "water activity", "value": "0.52", "unit": "C62", **SAMPLE}],
}


@extend_schema_serializer(examples=[OpenApiExample("Water activity of a filling", SEEN, request_only=True)])
class CheckSerializer(RecordSerializer):
    control_point = KeptReference(queryset=ControlPoint.objects.all())
    batch = ScopedReference(
        queryset=Batch.objects.select_related("state", "recipe_version__material"),
        slug="uid",
        required=False,
        allow_null=True,
        default=None,
    )
    part = KeptReference(queryset=Part.objects.all(), required=False, allow_null=True, default=None)
    lot = ScopedReference(
        queryset=Lot.objects.select_related("material"),
        slug="uid",
        required=False,
        allow_null=True,
        default=None,
    )
    instrument = ScopedReference(
        queryset=Instrument.objects.select_related("verification_state"),
        required=False,
        allow_null=True,
        default=None,
    )
    occasion = serializers.CharField(
        required=False,
        allow_blank=True,
        default="",
        max_length=40,
        help_text="start, end, break or change, where the plan asks for more than one of them.",
    )
    sheet = SheetCode(
        required=False,
        allow_null=True,
        default=None,
        help_text="The code of the sheet it was written on by hand, of a check that is keyed in later: performed_at and "
        "performed_by are as written there. A line keyed in twice is flagged.",
    )
    line = serializers.IntegerField(
        source="sheet_line",
        required=False,
        allow_null=True,
        default=None,
        min_value=1,
        max_value=check_sheets.MOST_POINTS * check_sheets.MOST_LINES,
        help_text="Which line of the sheet.",
    )
    scans = serializers.SerializerMethodField(help_text="Scans that hang on the sheet it was written on.")
    readings = ReadingSerializer(many=True, max_length=MOST_READINGS)  # type: ignore[call-arg]
    as_entered = serializers.BooleanField(
        required=False,
        default=False,
        write_only=True,
        help_text="Store a reading that its instrument cannot show, flagged; without it such a reading is asked back "
        "(409), since it looks like one in another unit.",
    )
    result = serializers.ChoiceField(choices=[each.value for each in Result], read_only=True)
    judgements = serializers.ListField(child=serializers.DictField(), read_only=True)
    flags = serializers.ListField(child=serializers.CharField(), read_only=True)
    run_flags = serializers.SerializerMethodField(
        help_text="before-the-run or after-its-time, by the times of the batch that stand now; flags are those "
        "of the day it was recorded on."
    )
    series_gone = serializers.SerializerMethodField(
        help_text="Series it was judged by that were corrected or withdrawn since: it answers no due check."
    )
    sentences = serializers.SerializerMethodField(help_text="What to do now, one sentence each.")

    @extend_schema_field(ScanSerializer(many=True))
    def get_scans(self, check: Check) -> Any:
        found = check_sheets.scans_of([check])
        return ScanSerializer(found.get(check.sheet_id, ()), many=True).data

    def get_series_gone(self, check: Check) -> list[UUID]:
        return series_uses.gone(check)

    def get_run_flags(self, check: Check) -> list[str]:
        return judging.run_flags(check)

    def get_sentences(self, check: Check) -> list[str]:
        return judging.sentences(check)


def subject_of(values: dict[str, Any]) -> checks.Subject:
    return checks.Subject(
        control_point=values["control_point"],
        batch=values.get("batch"),
        part=values.get("part"),
        lot=values.get("lot"),
        instrument=values.get("instrument"),
        occasion=values.get("occasion", ""),
        sheet=values.get("sheet"),
        line=values.get("sheet_line"),
    )


class CheckFilters(serializers.Serializer):
    batch = serializers.UUIDField(required=False)
    control_point = serializers.UUIDField(required=False)
    lot = serializers.UUIDField(required=False)


class Checks(RecordView):
    """Checks, newest first; a new one is judged and answered at once. ``?batch=`` narrows the list.

    A reading outside the range of its instrument is asked back once (409, nothing stored): sent again with
    ``as_entered`` true it is stored and flagged. Who sends what was entered without a network, and cannot ask,
    says true at once.
    """

    serializer_class = CheckSerializer
    queryset = Check.objects.all()
    renderer_classes = (check_rows.RowsRenderer,)
    largest = 1000

    def get_queryset(self) -> Any:
        names = {"batch": "batch__uid", "lot": "lot__uid"}
        asked = read_filters(self, CheckFilters)
        return (
            super().get_queryset().filter(**{names.get(name, name): value for name, value in asked.items()})
        )

    @extend_schema(parameters=[CheckFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        page = self.paginate_queryset(check_rows.columns(self.get_queryset())) or []
        return self.get_paginated_response(check_rows.rows(self.establishment, page))

    def deed(self, act: Act, **values: Any) -> Record:
        said = [dict(each) for each in values.pop("readings")]
        return checks.record(act=act, subject=subject_of(values), said=said, as_entered=values["as_entered"])


@example(performed_at=WHEN, corrects=ID, reason="Keyed for the wrong batch.")
class WithdrawnCheckSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The check that never happened.")
    reason = serializers.CharField(max_length=1000)


class WithdrawnChecks(DeedView):
    """Say that a check never happened. What it answered is due again; its deviation and hold stay."""

    queryset = Check.objects.all()
    serializer_class = WithdrawnCheckSerializer
    shown_by = CheckSerializer

    def deed(self, act: Act, **values: Any) -> Record:
        return checks.withdraw(act=act)


@example(items=[SEEN])
class CheckItemsSerializer(BodySerializer):
    items = serializers.ListField(child=serializers.DictField(), min_length=1, max_length=MOST_ITEMS)


class CheckAnswerSerializer(serializers.Serializer):
    status = serializers.IntegerField()
    check = serializers.DictField(allow_null=True)
    problem = serializers.DictField(allow_null=True)


class CheckAnswersSerializer(serializers.Serializer):
    answers = CheckAnswerSerializer(many=True)


class ManyChecks(Scoped):
    """Post up to 200 checks at once. Each answers for itself; one refusal does not stop the others."""

    queryset = Check.objects.all()
    serializer_class = CheckItemsSerializer

    @extend_schema(request=CheckItemsSerializer, responses={200: CheckAnswersSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        outer = self.get_serializer(data=request.data)
        outer.is_valid(raise_exception=True)
        items = outer.validated_data["items"]
        context = self.get_serializer_context() | {"seen": {}}
        answers: list[Any] = [None] * len(items)
        wanted: list[tuple[int, checks.Wanted]] = []
        for index, item in enumerate(items):
            try:
                wanted.append((index, self._wanted(request, item, context)))
            except Exception as error:
                answers[index] = _refused(error)
        recorded = checks.record_many([each for _, each in wanted])
        for (index, each), answer in zip(wanted, recorded, strict=True):
            answers[index] = self._answer(answer, each, context)
        return Response({"answers": answers})

    def _wanted(self, request: Request, item: Any, context: dict[str, Any]) -> checks.Wanted:
        serializer = CheckSerializer(data=item, context=context)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        said = [dict(each) for each in values.pop("readings")]
        act = act_of(self, request, values)
        return checks.Wanted(act, subject_of(values), said, values["as_entered"])

    def _answer(
        self, answer: Check | Refusal, wanted: checks.Wanted, context: dict[str, Any]
    ) -> dict[str, Any]:
        if isinstance(answer, Refusal):
            return {"status": answer.status, "check": None, "problem": refusal_as_item(answer)}
        code = status.HTTP_200_OK if answer.repeated else status.HTTP_201_CREATED
        answer.establishment = wanted.act.establishment  # known here; spares a statement an item
        return {"status": code, "check": CheckSerializer(answer, context=context).data, "problem": None}


def _refused(error: Exception) -> dict[str, Any]:
    problem = exception_handler(error, {})
    if problem is None:
        raise error
    return {"status": problem.status_code, "check": None, "problem": problem.data}


class DueSerializer(serializers.Serializer):
    """A check the batch's plan asks for, and what became of it."""

    slot = serializers.CharField(source="due.slot")
    control_point = serializers.UUIDField(source="due.control_point.pk")
    code = serializers.CharField(source="due.spec.code")
    name = serializers.CharField(source="due.spec.name")
    kind = serializers.CharField(source="due.spec.kind")
    occasion = serializers.CharField(source="due.occasion")
    part = serializers.UUIDField(source="due.part.pk", default=None, allow_null=True)
    due_at = serializers.DateTimeField(source="due.due_at", allow_null=True)
    missed_after = serializers.DateTimeField(source="due.missed_after", allow_null=True)
    state = serializers.ChoiceField(choices=[each.value for each in monitoring.State])
    check = serializers.UUIDField(source="check.pk", default=None, allow_null=True)
    result = serializers.CharField(source="check.result", default=None, allow_null=True)
    sentence = serializers.CharField(
        help_text="Of what is yours: the plan asks for it, and no record tells the service when."
    )


class DueChecks(Scoped):
    """Which checks are due for a batch and its parts: made, waiting, missed, or yours to remember."""

    queryset = Batch.objects.select_related("state", "recipe_version__material")
    serializer_class = DueSerializer
    pagination_class = None

    @extend_schema(responses={200: DueSerializer(many=True)})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        batch = get_object_or_404(self.get_queryset(), uid=kwargs["uid"])
        found = monitoring.of_batch(batch, timezone.now())
        return Response(self.get_serializer(found, many=True).data)
