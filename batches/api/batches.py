"""Batches and what is noted while they run. A batch begins through the start gate, not here."""

from dataclasses import replace
from typing import Any

from django.db.models import Q
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import mixins, serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches import noting, runs
from batches.api.amounts import AsEntered
from batches.api.movements import UNIT_HELP, read_filters, weighed_with
from batches.api.reference import ID
from batches.models import (
    Batch,
    BatchEnd,
    BatchStart,
    Equipment,
    EquipmentUse,
    LossKind,
    Occupation,
    Part,
    ProcessStep,
    QualityReading,
    TrimReturn,
    WeighedApart,
)
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView
from ledger.api.scope import WORKERS, Scoped, ScopedReference
from ledger.models import Record

MOST_EQUIPMENT = 100
WHEN = {"performed_at": "2026-03-02T09:30:00+01:00"}


def example(title: str, /, **body: Any) -> Any:
    return extend_schema_serializer(examples=[OpenApiExample(title, WHEN | body, request_only=True)])


class BatchSerializer(serializers.Serializer):
    """A batch as it stands now."""

    id = serializers.UUIDField(source="uid")
    code = serializers.CharField()
    recipe_version = serializers.UUIDField(source="recipe_version_id")
    plan_version = serializers.UUIDField(
        source="plan_version_id", allow_null=True, help_text="null only where a phased start let it begin so."
    )
    permission = serializers.UUIDField(source="permission_id")
    product = serializers.UUIDField(source="recipe_version.material_id")
    started_at = serializers.DateTimeField(source="state.started_at")
    ended_at = serializers.DateTimeField(source="state.ended_at", allow_null=True)
    running = serializers.SerializerMethodField()

    def get_running(self, batch: Batch) -> bool:
        return batch.state.ended_at is None


BATCHES = Batch.objects.select_related("state", "recipe_version")


class BatchFilters(serializers.Serializer):
    running = serializers.BooleanField(required=False, default=None, allow_null=True)
    product = serializers.UUIDField(required=False)
    code = serializers.CharField(required=False, max_length=30)


class Batches(mixins.ListModelMixin, Scoped):
    """Batches, newest first. The start gate adds the way to begin one."""

    serializer_class = BatchSerializer
    queryset = BATCHES
    ordering = ("-id",)

    def get_queryset(self) -> Any:
        queryset, asked = super().get_queryset(), read_filters(self, BatchFilters)
        if asked.get("running") is not None:
            queryset = queryset.filter(state__ended_at__isnull=asked["running"])
        if "product" in asked:
            queryset = queryset.filter(recipe_version__material=asked["product"])
        return queryset.filter(code=asked["code"]) if "code" in asked else queryset

    @extend_schema(parameters=[BatchFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)


class OneBatch(Scoped):
    """One batch."""

    serializer_class = BatchSerializer
    queryset = BATCHES
    lookup_field = "uid"

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


class OfBatch(RecordView):
    """Records of one batch, which stands in the address. With ``corrects`` a post replaces an earlier one."""

    write_roles = WORKERS

    @property
    def batch(self) -> Batch:
        return get_object_or_404(BATCHES, establishment=self.establishment, uid=self.kwargs["uid"])

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(batch=self.batch)


def _records(kind: Any) -> Any:
    return kind.objects.select_related("establishment")


def _part(**options: Any) -> ScopedReference:
    return ScopedReference(queryset=Part.objects.all(), help_text="A part of this batch.", **options)


class EquipmentList(serializers.ListField):
    """Equipment by id; each is looked up here."""

    def __init__(self, **options: Any):
        options.setdefault("max_length", MOST_EQUIPMENT)
        super().__init__(child=ScopedReference(queryset=Equipment.objects.all()), **options)

    def to_representation(self, data: list[str]) -> list[str]:
        return list(data)


@example(
    "Less was planned",
    corrects=ID,
    reason="Read the wrong line of the order.",
    quantity="800",
    unit="H87",
    equipment=[ID],
)
class StartSerializer(RecordSerializer):
    """When a batch began, how much of the product was planned, and on which equipment."""

    corrects = serializers.UUIDField(
        source="corrects_id", allow_null=True, help_text="The start record that this one replaces."
    )
    code = serializers.CharField(read_only=True)
    quantity = AsEntered(write_only=True)
    unit = serializers.CharField(max_length=3, help_text=UNIT_HELP, write_only=True)
    entered = serializers.CharField(read_only=True)
    recipe_version = serializers.UUIDField(source="recipe_version_id", read_only=True)
    permission = serializers.UUIDField(source="permission_id", read_only=True)
    equipment = EquipmentList(required=False, default=list)


class Starts(OfBatch):
    """The record of how a batch began, and its corrections. Recipe, plan and permission stay as pinned."""

    serializer_class = StartSerializer
    queryset = _records(BatchStart)

    def deed(self, act: Act, **values: Any) -> Record:
        return runs.correct_start(act=act, batch=self.batch, **values)


@example("Second boil", number=2, name="Boil 2")
class PartSerializer(RecordSerializer):
    number = serializers.IntegerField(min_value=1, max_value=999)
    name = serializers.CharField(max_length=60)


class Parts(OfBatch):
    """Numbered parts: a boil, a slab."""

    serializer_class = PartSerializer
    queryset = _records(Part)

    def deed(self, act: Act, **values: Any) -> Record:
        return runs.open_part(act=act, batch=self.batch, **values)


@example("Packed", note="Last tray packed.")
class EndSerializer(RecordSerializer):
    """The end of a batch."""


class End(OfBatch):
    """The batch ended; its equipment is free."""

    serializer_class = EndSerializer
    queryset = _records(BatchEnd)

    def deed(self, act: Act, **values: Any) -> Record:
        return runs.end(act=act, batch=self.batch, **values)


@example("Kettle freed", equipment=ID, deed="freed")
class EquipmentUseSerializer(RecordSerializer):
    equipment = ScopedReference(queryset=Equipment.objects.all())
    deed = serializers.ChoiceField(choices=EquipmentUse.Deed.choices)


class EquipmentUses(OfBatch):
    """Equipment taken into the running batch, or given free before its end. It is noted, never refused."""

    serializer_class = EquipmentUseSerializer
    queryset = _records(EquipmentUse)

    def deed(self, act: Act, **values: Any) -> Record:
        return runs.note_equipment(act=act, batch=self.batch, **values)


@example("Caramelised", step="COOK", equipment=ID, ended_at="2026-03-02T09:55:00+01:00")
class ProcessStepSerializer(RecordSerializer):
    part = _part(required=False, allow_null=True, default=None)
    step = serializers.CharField(
        max_length=60, help_text="The code of a step of the recipe, or what else was done."
    )
    equipment = ScopedReference(
        queryset=Equipment.objects.all(), required=False, allow_null=True, default=None
    )
    ended_at = serializers.DateTimeField(required=False, allow_null=True, default=None)


class Steps(OfBatch):
    """Steps of the process, from performed_at until ended_at."""

    serializer_class = ProcessStepSerializer
    queryset = _records(ProcessStep)

    def deed(self, act: Act, **values: Any) -> Record:
        return noting.note_step(act=act, batch=self.batch, **values)


@example("Colour", what="colour", value="amber, card 4")
class QualitySerializer(RecordSerializer):
    part = _part(required=False, allow_null=True, default=None)
    what = serializers.CharField(max_length=80)
    value = serializers.CharField(max_length=80, help_text="As entered; judged by nobody.")
    unit = serializers.CharField(max_length=10, required=False, allow_blank=True, default="")


class QualityReadings(OfBatch):
    """Readings for quality only: kept beside, never the start of a deviation."""

    serializer_class = QualitySerializer
    queryset = _records(QualityReading)

    def deed(self, act: Act, **values: Any) -> Record:
        return noting.note_quality(act=act, batch=self.batch, **values)


@example("Edges folded in", from_part=ID, to_part=ID, quantity="250", unit="GRM")
class TrimSerializer(RecordSerializer):
    from_part = _part()
    to_part = _part()
    quantity = AsEntered(write_only=True)
    unit = serializers.CharField(max_length=3, write_only=True, help_text=UNIT_HELP)
    entered = serializers.CharField(read_only=True)
    milligrams = serializers.IntegerField(source="quantity", read_only=True)


class Trim(OfBatch):
    """Trim folded back into a part of the same batch: noted between parts, no lot of its own."""

    serializer_class = TrimSerializer
    queryset = _records(TrimReturn)

    def deed(self, act: Act, **values: Any) -> Record:
        return noting.return_trim(act=act, batch=self.batch, **values)


@example("Kettle scraped", what="pot-residue", quantity="310", unit="GRM")
class WeighedApartSerializer(RecordSerializer):
    part = _part(required=False, allow_null=True, default=None)
    what = serializers.ChoiceField(choices=LossKind.choices)
    quantity = AsEntered(write_only=True)
    unit = serializers.CharField(max_length=3, write_only=True, help_text=UNIT_HELP)
    weighed_with = weighed_with(allow_null=True)
    entered = serializers.CharField(read_only=True)
    milligrams = serializers.IntegerField(source="quantity", read_only=True)


class Apart(OfBatch):
    """What of a batch was weighed and is no lot: cooked off, left in the pot, thrown away; or coating picked up."""

    serializer_class = WeighedApartSerializer
    queryset = _records(WeighedApart)

    def deed(self, act: Act, **values: Any) -> Record:
        return noting.weigh_apart(act=act, batch=self.batch, **values)


CAN_BE_WITHDRAWN: dict[str, Any] = {
    "end": BatchEnd,
    "equipment": EquipmentUse,
    "step": ProcessStep,
    "quality-reading": QualityReading,
    "trim": TrimReturn,
    "weighed-apart": WeighedApart,
}


@example("Not this batch", what="step", corrects=ID, reason="Noted in the wrong batch.")
class NotedWithdrawnSerializer(RecordSerializer):
    """What was noted of a batch never happened."""

    what = serializers.ChoiceField(choices=list(CAN_BE_WITHDRAWN), write_only=True)
    corrects = serializers.UUIDField(source="corrects_id")
    reason = serializers.CharField(max_length=1000)


class Withdrawn(OfBatch):
    """Withdraw an end, an equipment use, a step, a reading, trim or what was weighed apart. It stays readable."""

    serializer_class = NotedWithdrawnSerializer
    queryset = _records(BatchEnd)
    http_method_names = ["post", "options"]

    def deed(self, act: Act, **values: Any) -> Record:
        kind = CAN_BE_WITHDRAWN[values["what"]]
        return runs.withdraw(act=replace(act, withdraws=True), batch=self.batch, kind=kind)


class OccupationSerializer(serializers.Serializer):
    equipment = serializers.UUIDField(source="equipment_id")
    equipment_code = serializers.CharField(source="equipment.code")
    equipment_name = serializers.CharField(source="equipment.name")
    batch = serializers.UUIDField(source="batch.uid")
    batch_code = serializers.CharField(source="batch.code")
    since = serializers.DateTimeField()
    until = serializers.DateTimeField(allow_null=True)


class OccupationFilters(serializers.Serializer):
    at = serializers.DateTimeField(
        required=False, help_text="As it was at this time; left out: what is open."
    )
    equipment = serializers.UUIDField(required=False)


class Occupations(mixins.ListModelMixin, Scoped):
    """Which batch is, or was, on which equipment."""

    serializer_class = OccupationSerializer
    queryset = Occupation.objects.select_related("equipment", "batch")
    scope_by = "batch__establishment"
    ordering = ("-since", "-id")

    def get_queryset(self) -> Any:
        queryset, asked = super().get_queryset(), read_filters(self, OccupationFilters)
        if "equipment" in asked:
            queryset = queryset.filter(equipment=asked["equipment"])
        if "at" not in asked:
            return queryset.filter(until__isnull=True)
        at = asked["at"]
        return queryset.filter(Q(until__isnull=True) | Q(until__gt=at), since__lte=at)

    @extend_schema(parameters=[OccupationFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)
