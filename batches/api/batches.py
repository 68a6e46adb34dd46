"""Batches and what is noted while they run. A batch begins through the start gate, not here."""

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import mixins, serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches import runs, sheets
from batches.models import (
    Batch,
    BatchEnd,
    Equipment,
    EquipmentUse,
    Movement,
    Part,
    ProcessStep,
    QualityReading,
    TrimReturn,
)
from batches.quantities import shown
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView
from ledger.api.scope import WORKERS, Scoped, ScopedReference
from ledger.models import Record


class BatchSerializer(serializers.Serializer):
    id = serializers.UUIDField(source="uid")
    code = serializers.CharField()
    recipe_version = serializers.UUIDField(source="recipe_version_id")
    plan_version = serializers.UUIDField(source="plan_version_id")
    permission = serializers.UUIDField(source="permission_id")
    product = serializers.UUIDField(source="recipe_version.material_id")
    started_at = serializers.DateTimeField(source="state.started_at")
    ended_at = serializers.DateTimeField(source="state.ended_at", allow_null=True)
    running = serializers.SerializerMethodField()

    def get_running(self, batch: Batch) -> bool:
        return batch.state.ended_at is None


class OneBatch(Scoped):
    """One batch."""

    serializer_class = BatchSerializer
    queryset = Batch.objects.select_related("state", "recipe_version")
    lookup_field = "uid"

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


class OfBatch(RecordView):
    """Records of one batch, which stands in the address."""

    write_roles = WORKERS
    batch_field = "batch"

    @property
    def batch(self) -> Batch:
        found = Batch.objects.select_related("state", "recipe_version")
        return get_object_or_404(found, establishment=self.establishment, uid=self.kwargs["uid"])

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(batch=self.batch)


class PartSerializer(RecordSerializer):
    number = serializers.IntegerField(min_value=1, max_value=999)
    name = serializers.CharField(max_length=60)


class Parts(OfBatch):
    """Numbered parts: a boil, a slab."""

    serializer_class = PartSerializer
    queryset = Part.objects.select_related("establishment", "performed_by")

    def deed(self, act: Act, **values: Any) -> Record:
        return runs.open_part(act=act, batch=self.batch, **values)


class EndSerializer(RecordSerializer):
    pass


class End(OfBatch):
    """The batch ended; its equipment is free."""

    serializer_class = EndSerializer
    queryset = BatchEnd.objects.select_related("establishment", "performed_by")

    def deed(self, act: Act, **values: Any) -> Record:
        return runs.end(act=act, batch=self.batch, **values)


class EquipmentUseSerializer(RecordSerializer):
    equipment = ScopedReference(queryset=Equipment.objects.all())
    deed = serializers.ChoiceField(choices=EquipmentUse.Deed.choices)


class EquipmentUses(OfBatch):
    """Equipment taken into the running batch, or given free before its end."""

    serializer_class = EquipmentUseSerializer
    queryset = EquipmentUse.objects.select_related("establishment", "performed_by")

    def deed(self, act: Act, **values: Any) -> Record:
        return runs.note_equipment(act=act, batch=self.batch, **values)


class ProcessStepSerializer(RecordSerializer):
    part = ScopedReference(queryset=Part.objects.all(), required=False, allow_null=True, default=None)
    step = serializers.CharField(max_length=60)
    equipment = ScopedReference(
        queryset=Equipment.objects.all(), required=False, allow_null=True, default=None
    )
    ended_at = serializers.DateTimeField(required=False, allow_null=True, default=None)


class Steps(OfBatch):
    """Steps of the process with their times."""

    serializer_class = ProcessStepSerializer
    queryset = ProcessStep.objects.select_related("establishment", "performed_by")

    def deed(self, act: Act, **values: Any) -> Record:
        return sheets.note_step(act=act, batch=self.batch, **values)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Colour",
            {"performed_at": "2026-03-02T09:30:00+01:00", "what": "colour", "value": "amber, card 4"},
            request_only=True,
        )
    ]
)
class QualitySerializer(RecordSerializer):
    part = ScopedReference(queryset=Part.objects.all(), required=False, allow_null=True, default=None)
    what = serializers.CharField(max_length=80)
    value = serializers.CharField(max_length=80, help_text="As entered; judged by nobody.")
    unit = serializers.CharField(max_length=10, required=False, allow_blank=True, default="")


class QualityReadings(OfBatch):
    """Readings for quality only: kept beside, never the start of a deviation."""

    serializer_class = QualitySerializer
    queryset = QualityReading.objects.select_related("establishment", "performed_by")

    def deed(self, act: Act, **values: Any) -> Record:
        return sheets.note_quality(act=act, batch=self.batch, **values)


class TrimSerializer(RecordSerializer):
    from_part = ScopedReference(queryset=Part.objects.all())
    to_part = ScopedReference(queryset=Part.objects.all())
    quantity = serializers.CharField(max_length=40, write_only=True)
    unit = serializers.CharField(max_length=3, write_only=True)
    entered = serializers.CharField(read_only=True)
    milligrams = serializers.IntegerField(source="quantity", read_only=True)


class Trim(OfBatch):
    """Trim folded back into a part of the same batch: noted between parts, no lot of its own."""

    serializer_class = TrimSerializer
    queryset = TrimReturn.objects.select_related("establishment", "performed_by")

    def deed(self, act: Act, **values: Any) -> Record:
        return sheets.return_trim(act=act, batch=self.batch, **values)


class WeighingSerializer(serializers.Serializer):
    movement = serializers.UUIDField(source="pk")
    lot = serializers.UUIDField(source="lot.uid")
    lot_code = serializers.CharField(source="lot.code")
    amount = serializers.SerializerMethodField()
    flags = serializers.ListField(child=serializers.CharField())

    def get_amount(self, movement: Movement) -> str:
        return f"{movement.entered} {movement.unit}"


class SheetLineSerializer(serializers.Serializer):
    position = serializers.IntegerField(source="line.position")
    material = serializers.UUIDField(source="line.material_id")
    material_name = serializers.CharField(source="line.material.name")
    target = serializers.SerializerMethodField()
    weighed = serializers.SerializerMethodField()
    difference = serializers.IntegerField(help_text="Weighed less target, in milligrams or pieces.")
    within_tolerance = serializers.BooleanField(source="within")
    tolerance_permille = serializers.IntegerField(source="line.tolerance_permille")
    weighings = WeighingSerializer(many=True)

    def get_target(self, line: sheets.WeighedLine) -> str:
        return shown(line.target, _measure(line))

    def get_weighed(self, line: sheets.WeighedLine) -> str:
        return shown(line.weighed, _measure(line))


def _measure(line: sheets.WeighedLine) -> str:
    return "pieces" if line.line.material.dimension == "count" else "mass"


class SheetSerializer(serializers.Serializer):
    """The batch sheet: weigh-up against the recipe, parts, steps, readings, trim, what was made."""

    batch = BatchSerializer()
    planned = serializers.CharField(source="begun.entered")
    lines = SheetLineSerializer(many=True)
    outside_recipe = WeighingSerializer(many=True)
    made = WeighingSerializer(many=True)
    parts = PartSerializer(many=True)
    steps = ProcessStepSerializer(many=True)
    readings = QualitySerializer(many=True)
    trim = TrimSerializer(many=True)


class Sheet(OneBatch):
    """Everything noted for one batch."""

    serializer_class = SheetSerializer
    read_roles = WORKERS

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(sheets.batch_sheet(self.get_object())).data)


class Batches(mixins.ListModelMixin, Scoped):
    """Batches, newest first."""

    serializer_class = BatchSerializer
    queryset = Batch.objects.select_related("state", "recipe_version")
    ordering = ("-id",)

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)
