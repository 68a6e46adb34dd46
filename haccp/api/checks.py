"""Recording checks: judged at once, and answered with what the person at the stove should do."""

from typing import Any

from django.shortcuts import get_object_or_404
from django.utils import timezone
from drf_spectacular.utils import (
    OpenApiExample,
    OpenApiParameter,
    OpenApiTypes,
    extend_schema,
    extend_schema_serializer,
)
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches.models import Batch, Lot, Part
from config.api.problems import exception_handler, refusal_as_item
from config.api.refusals import Refusal
from haccp import checks, monitoring
from haccp.limits import Result
from haccp.models import Check, ControlPoint, Instrument
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView, act_of
from ledger.api.scope import Scoped, ScopedReference
from ledger.models import Record

MOST_ITEMS = 200
KEPT_POINTS = 1000
_points: dict[Any, ControlPoint] = {}


class ControlPointReference(ScopedReference):
    """A control point never changes, so one process reads it once."""

    def find(self, key: Any) -> Any:
        if key not in _points:
            found = super().find(key)
            if found is None:
                return None
            if len(_points) >= KEPT_POINTS:
                _points.clear()
            _points[key] = found
        point = _points[key]
        return point if point.establishment_id == self.context["establishment"].pk else None


class ReadingSerializer(serializers.Serializer):
    """One reading as entered; ``haccp.readings`` reads it strictly."""

    quantity = serializers.CharField()
    value = serializers.CharField(required=False, help_text="A plain decimal number as text.")
    unit = serializers.CharField(required=False, help_text="UN/ECE Rec 20, for example CEL, FAH, C62, MIN.")
    outcome = serializers.CharField(required=False, help_text="One of the outcomes the limit names.")
    method = serializers.CharField(required=False)
    sample_temperature = serializers.CharField(required=False)


SEEN = {
    "performed_at": "2026-03-02T09:30:00+01:00",
    "control_point": "01a21200-0000-7000-8000-000000000010",
    "batch": "01a21200-0000-7000-8000-000000000020",
    "instrument": "01a21200-0000-7000-8000-000000000030",
    "occasion": "",
    "readings": [{"quantity": "water activity", "value": "0.52", "unit": "C62", "sample_temperature": "21"}],
}


@extend_schema_serializer(examples=[OpenApiExample("Water activity of a filling", SEEN, request_only=True)])
class CheckSerializer(RecordSerializer):
    control_point = ControlPointReference(queryset=ControlPoint.objects.all())
    batch = ScopedReference(
        queryset=Batch.objects.select_related("state", "recipe_version__material"),
        slug="uid",
        required=False,
        allow_null=True,
        default=None,
    )
    part = ScopedReference(queryset=Part.objects.all(), required=False, allow_null=True, default=None)
    lot = ScopedReference(
        queryset=Lot.objects.all(), slug="uid", required=False, allow_null=True, default=None
    )
    instrument = ScopedReference(
        queryset=Instrument.objects.all(), required=False, allow_null=True, default=None
    )
    occasion = serializers.CharField(
        required=False,
        allow_blank=True,
        default="",
        max_length=40,
        help_text="start or end, where the plan asks for both.",
    )
    readings = ReadingSerializer(many=True)
    result = serializers.ChoiceField(choices=[each.value for each in Result], read_only=True)
    judgements = serializers.ListField(child=serializers.DictField(), read_only=True)
    flags = serializers.ListField(child=serializers.CharField(), read_only=True)
    sentences = serializers.SerializerMethodField(help_text="What to do now, one sentence each.")

    def get_sentences(self, check: Check) -> list[str]:
        return checks.judgement_sentences(check)


def subject_of(values: dict[str, Any]) -> checks.Subject:
    return checks.Subject(
        control_point=values["control_point"],
        batch=values.get("batch"),
        part=values.get("part"),
        lot=values.get("lot"),
        instrument=values.get("instrument"),
        occasion=values.get("occasion", ""),
    )


class Checks(RecordView):
    """Checks, newest first; a new one is judged and answered at once. ``?batch=`` narrows the list."""

    serializer_class = CheckSerializer
    queryset = Check.objects.select_related(
        "establishment", "performed_by", "control_point", "batch", "part", "lot", "instrument"
    )

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        asked = self.request.query_params if self.request else {}
        for name, path in (("batch", "batch__uid"), ("control_point", "control_point"), ("lot", "lot__uid")):
            if asked.get(name):
                queryset = queryset.filter(**{path: serializers.UUIDField().run_validation(asked[name])})
        return queryset

    @extend_schema(
        parameters=[OpenApiParameter(name, OpenApiTypes.UUID) for name in ("batch", "control_point", "lot")]
    )
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def deed(self, act: Act, **values: Any) -> Record:
        said = [dict(each) for each in values.pop("readings")]
        return checks.record(act=act, subject=subject_of(values), said=said)


class CheckItemsSerializer(serializers.Serializer):
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
        return checks.Wanted(act_of(self, request, values), subject_of(values), said)

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

    def get_fields(self) -> dict[str, Any]:
        return dict(super().get_fields())


class DueChecks(Scoped):
    """Which checks are due for a batch and its parts: made, waiting or missed."""

    queryset = Batch.objects.select_related("state", "recipe_version__material")
    serializer_class = DueSerializer
    pagination_class = None

    @extend_schema(responses={200: DueSerializer(many=True)})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        batch = get_object_or_404(self.get_queryset(), uid=kwargs["uid"])
        found = monitoring.of_batch(batch, timezone.now())
        return Response(self.get_serializer(found, many=True).data)
