"""Starting a batch and releasing a lot: both gates answer with every reason at once."""

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.batches import Batches, BatchSerializer
from batches.models import Batch, BatchStart, Equipment, Lot, RecipeVersion
from config.api.examples import PASSWORD, WHEN, example
from haccp import gates
from haccp.models import Release, StartPermission
from ledger import signatures
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView, act_of
from ledger.api.scope import WORKERS, ScopedReference
from ledger.models import Record, Role


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Six kilograms of caramels",
            {
                "performed_at": "2026-03-02T08:00:00+01:00",
                "recipe_version": "01a21200-0000-7000-8000-000000000002",
                "quantity": "6",
                "unit": "KGM",
                "equipment": ["01a21200-0000-7000-8000-000000000003"],
            },
            request_only=True,
        )
    ]
)
class StartBatchSerializer(RecordSerializer):
    recipe_version = ScopedReference(queryset=RecipeVersion.objects.select_related("material", "recipe"))
    quantity = serializers.CharField(max_length=40, write_only=True, help_text="The batch size, as text.")
    unit = serializers.CharField(max_length=3, write_only=True)
    equipment = serializers.ListField(
        child=ScopedReference(queryset=Equipment.objects.all()), required=False, default=list, max_length=50
    )

    already_happened = serializers.BooleanField(
        required=False,
        default=False,
        write_only=True,
        help_text="The batch runs already: it is recorded; what the gate would refuse opens a deviation with hold.",
    )

    def to_representation(self, instance: BatchStart) -> dict[str, Any]:
        return started(instance)


class StartedBatchSerializer(BatchSerializer):
    warnings = serializers.ListField(
        child=serializers.DictField(), help_text="What the gate would have refused outside a phased start."
    )


def started(record: BatchStart) -> dict[str, Any]:
    batch = Batch.objects.select_related("state", "recipe_version").get(pk=record.batch_id)
    permission = StartPermission.objects.get(pk=batch.permission_id)
    return {**BatchSerializer(batch).data, "warnings": permission.warnings}


class StartBatch(Batches):
    """Batches, newest first. Post one to start it; the gate refuses with every reason at once."""

    write_roles = WORKERS

    @extend_schema(
        request=StartBatchSerializer, responses={201: StartedBatchSerializer, 200: StartedBatchSerializer}
    )
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = StartBatchSerializer(data=request.data, context=self.get_serializer_context())
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        record = gates.start_batch(act=act_of(self, request, values), **values)
        code = status.HTTP_200_OK if record.repeated else status.HTTP_201_CREATED
        return Response(started(record), status=code)


@example(performed_at=WHEN, password=PASSWORD)
class ReleaseSerializer(RecordSerializer):
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)
    lot = serializers.UUIDField(source="lot.uid", read_only=True)
    basis = serializers.DictField(read_only=True)


class Releases(RecordView):
    """Release a product lot or accept a received one, by signature."""

    serializer_class = ReleaseSerializer
    queryset = Release.objects.select_related("establishment", "performed_by", "lot")
    write_roles = frozenset({Role.FOOD_SAFETY_LEAD, Role.SUPERVISOR})

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(lot=self.lot)

    @property
    def lot(self) -> Lot:
        return get_object_or_404(Lot, establishment=self.establishment, uid=self.kwargs["uid"])

    def deed(self, act: Act, **values: Any) -> Record:
        proof = signatures.prove(
            request=self.request._request, person=act.recorded_by, password=values["password"]
        )
        return gates.release(act=act, lot=self.lot, proof=proof)
