"""Samples that inspectors took, and what came of them."""

from typing import Any

from django.db.models import Prefetch
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import mixins, serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.amounts import AsEntered
from batches.api.movements import UNIT_HELP, read_filters
from batches.flags import SENTENCES, Flag
from batches.models import Lot
from config.api.examples import ID, WHEN, example
from haccp.inspections import due, samples, visits
from haccp.models import CounterSample, Inspection, InspectionSample, SampleResult
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView
from ledger.api.scope import Scoped, ScopedReference
from ledger.models import Record

RELATED = ("establishment", "performed_by")
TEXT: dict[str, Any] = {"required": False, "allow_blank": True}
RESULTS = (
    SampleResult.objects.standing()
    .select_related("establishment", "performed_by")
    .order_by("performed_at", "id")
)


@example(
    performed_at=WHEN,
    outcome="in-order",
    text="Water activity 0.41; nothing objected to.",
    reference="L 88/26",
)
class SampleResultSerializer(RecordSerializer):
    """``performed_at``: when it came."""

    outcome = serializers.ChoiceField(choices=SampleResult.Outcome.choices)
    text = serializers.CharField(max_length=4000)
    reference = serializers.CharField(max_length=120, **TEXT)


@example(
    performed_at=WHEN,
    lot=ID,
    quantity="0.250",
    unit="KGM",
    analysis="Salmonella",
    mark="Seal 4711",
    counter="stays",
    counter_sample="Seal 4712, in the office safe",
    receipt="R 9",
)
class InspectionSampleSerializer(RecordSerializer):
    inspection = serializers.UUIDField(source="inspection_id", read_only=True)
    lot = ScopedReference(queryset=Lot.objects.all(), slug="uid", required=False, allow_null=True)
    of = serializers.CharField(max_length=300, **TEXT, help_text="Of what, where it is not of a lot.")
    quantity = AsEntered(source="entered", required=False, help_text="Of a lot; it leaves its stock.")
    unit = serializers.CharField(max_length=3, required=False, help_text=UNIT_HELP)
    taken_before = serializers.UUIDField(
        required=False,
        allow_null=True,
        help_text="The movement that took it out of stock, where that was recorded already: then no lot and amount.",
    )
    movement = serializers.UUIDField(source="movement_id", read_only=True, allow_null=True)
    movement_flags = serializers.SerializerMethodField(
        help_text="What was out of order as it left the stock."
    )
    analysis = serializers.CharField(max_length=1000, **TEXT, help_text="What is looked for, if told.")
    mark = serializers.CharField(max_length=200, **TEXT, help_text="How theirs is sealed or marked.")
    counter = serializers.ChoiceField(
        choices=CounterSample.choices, help_text="What became of a counter-sample."
    )
    counter_sample = serializers.CharField(
        max_length=300, **TEXT, help_text="How one that stays is sealed or marked, and where it lies."
    )
    receipt = serializers.CharField(max_length=120, **TEXT, help_text="Number of the receipt they gave.")
    result_by = serializers.DateField(
        required=False, allow_null=True, help_text="When a result was promised."
    )
    results = serializers.SerializerMethodField()

    @extend_schema_field(
        {
            "type": "array",
            "items": {"type": "object", "properties": {"code": {"enum": list(Flag)}, "detail": {}}},
        }
    )
    def get_movement_flags(self, sample: InspectionSample) -> list[dict[str, str]]:
        flags = [] if sample.movement is None else sample.movement.flags
        return [{"code": code, "detail": SENTENCES[Flag(code)]} for code in flags]

    @extend_schema_field(SampleResultSerializer(many=True))
    def get_results(self, sample: InspectionSample) -> Any:
        """As read with the sample, those that stand."""
        return SampleResultSerializer(sample.results.all(), many=True, context=self.context).data

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        named = [name for name in ("lot", "entered", "unit") if attrs.get(name)]
        if attrs.get("taken_before") and named:
            raise serializers.ValidationError(
                {"taken_before": "That movement says of which lot and how much."}
            )
        return super().validate(attrs)


SAMPLES = InspectionSample.objects.select_related(*RELATED, "lot", "movement").prefetch_related(
    Prefetch("results", RESULTS)
)


def _visit(view: Scoped) -> Inspection:
    rows = Inspection.objects.select_related("establishment")
    return get_object_or_404(rows, establishment=view.establishment, pk=view.kwargs["pk"])


class InspectionSamples(RecordView):
    """Samples of one visit, newest first. One of a lot leaves its stock."""

    serializer_class = InspectionSampleSerializer
    queryset = SAMPLES

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(inspection=visits.line_of(_visit(self)))

    def deed(self, act: Act, **values: Any) -> Record:
        amount = {"quantity": values.pop("entered", ""), "unit": values.pop("unit", "")}
        return samples.take(act=act, inspection=_visit(self), **amount, **values)


class SampleResults(RecordView):
    """Results of one sample, newest first. A lot that is objected to is held at once."""

    serializer_class = SampleResultSerializer
    queryset = SampleResult.objects.select_related(*RELATED)

    @property
    def sample(self) -> InspectionSample:
        rows = InspectionSample.objects.select_related("inspection__establishment", "lot")
        return get_object_or_404(rows, inspection=visits.line_of(_visit(self)), pk=self.kwargs["sample"])

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(sample=self.sample)

    def deed(self, act: Act, **values: Any) -> Record:
        return samples.tell_result(act=act, sample=self.sample, **values)


class SampleFilters(serializers.Serializer):
    awaiting = serializers.BooleanField(
        required=False, default=False, help_text="Only those whose result is not told, or not decided."
    )


class AllInspectionSamples(mixins.ListModelMixin, Scoped):
    """Samples of all visits, newest first. ``?awaiting=true``: whose result is still to come."""

    serializer_class = InspectionSampleSerializer
    queryset = SAMPLES
    ordering = ("-recorded_at", "-id")

    def get_queryset(self) -> Any:
        queryset: Any = super().get_queryset()
        if read_filters(self, SampleFilters).get("awaiting"):
            queryset = queryset.filter(pk__in=due.awaiting(self.establishment).order_by().values("pk"))
        return queryset

    @extend_schema(parameters=[SampleFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)
