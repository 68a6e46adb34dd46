"""Packing checks: which label was on the roll and how many; judged at once."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.amounts import AsEntered
from batches.api.movements import read_filters
from batches.models import Batch, Lot
from config.api.bodies import BodySerializer
from config.api.examples import ID, WHEN, example
from haccp import monitoring
from haccp.labels import packing, packing_dues
from haccp.models import LabelVersion, Moment, Packed, PackingCheck
from ledger.acts import Act
from ledger.api.records import DeedView, RecordSerializer, RecordView
from ledger.api.scope import Scoped, ScopedReference
from ledger.models import Record

RELATED = ("establishment", "performed_by", "batch__recipe_version__material", "lot", "label_version__label")


class CountsSerializer(BodySerializer):
    """Whole labels, as text."""

    issued = AsEntered(required=False)
    applied = AsEntered(required=False)
    spoiled = AsEntered(required=False)
    returned = AsEntered(required=False)


class FindingSerializer(serializers.Serializer):
    code = serializers.CharField()
    detail = serializers.CharField()


END = {
    "performed_at": "2026-03-02T15:40:00+01:00",
    "batch": "01a21200-0000-7000-8000-000000000020",
    "moment": "end",
    "label_version": "01a21200-0000-7000-8000-000000000060",
    "counts": {"issued": "500", "applied": "412", "spoiled": "6", "returned": "82"},
}
NOT_OURS = {
    "performed_at": "2026-03-02T15:40:00+01:00",
    "batch": "01a21200-0000-7000-8000-000000000020",
    "moment": "roll-change",
    "seen": "A roll of lemon drops, printed by the neighbour",
    "counts": {"issued": "500", "applied": "500", "spoiled": "0", "returned": "0"},
}


@extend_schema_serializer(
    examples=[
        OpenApiExample("End of packing", END, request_only=True),
        OpenApiExample("A label that is none of ours", NOT_OURS, request_only=True),
    ]
)
class PackingCheckSerializer(RecordSerializer):
    """What was on the roll, and the labels of the roll that came off. Whatever was seen is kept."""

    batch = ScopedReference(
        queryset=Batch.objects.select_related("recipe_version__material", "state"), slug="uid"
    )
    lot = ScopedReference(
        queryset=Lot.objects.select_related("material"),
        slug="uid",
        required=False,
        allow_null=True,
        default=None,
        help_text="The lot that is packed, where the batch made several or it was made before.",
    )
    moment = serializers.ChoiceField(choices=Moment.choices)
    label_version = ScopedReference(
        queryset=LabelVersion.objects.select_related("label"),
        required=False,
        allow_null=True,
        default=None,
        help_text="As seen on the roll; empty where it is none of ours, then say in seen what stands there.",
    )
    seen = serializers.CharField(
        required=False, allow_blank=True, default="", max_length=packing.LONGEST_SEEN
    )
    counts = CountsSerializer(
        required=False, default=dict, help_text="All four at roll change and end; issued at the start."
    )
    result = serializers.ChoiceField(choices=Packed.choices, read_only=True)
    findings = FindingSerializer(many=True, read_only=True)
    sentences = serializers.SerializerMethodField()

    def get_sentences(self, check: PackingCheck) -> list[str]:
        return packing.sentences(check)


class PackingFilters(serializers.Serializer):
    batch = serializers.UUIDField(required=False)
    lot = serializers.UUIDField(required=False)


class PackingChecks(RecordView):
    """Packing checks, newest first. One that is not in order opens a deviation with hold."""

    serializer_class = PackingCheckSerializer
    queryset = PackingCheck.objects.select_related(*RELATED)

    def get_queryset(self) -> Any:
        asked = read_filters(self, PackingFilters)
        return super().get_queryset().filter(**{f"{name}__uid": value for name, value in asked.items()})

    @extend_schema(parameters=[PackingFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def deed(self, act: Act, **values: Any) -> Record:
        return packing.record(act=act, **values)


class OnePackingCheck(Scoped):
    """One packing check."""

    serializer_class = PackingCheckSerializer
    queryset = PackingCheck.objects.select_related(*RELATED)

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


@example(performed_at=WHEN, corrects=ID, reason="Keyed for the wrong batch.")
class WithdrawnPackingSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The packing check that never happened.")
    reason = serializers.CharField(max_length=1000)


class WithdrawnPackingChecks(DeedView):
    """Say that a packing check never happened. The deviation it opened and what is held stay."""

    queryset = PackingCheck.objects.all()
    serializer_class = WithdrawnPackingSerializer
    shown_by = PackingCheckSerializer

    def deed(self, act: Act, **values: Any) -> Record:
        return packing.withdraw(act=act)


class PackingDueSerializer(serializers.Serializer):
    """A check that packing takes, and what became of it."""

    slot = serializers.CharField()
    moment = serializers.ChoiceField(choices=Moment.choices)
    lot = serializers.UUIDField(source="lot.uid", default=None, allow_null=True)
    state = serializers.ChoiceField(choices=[each.value for each in monitoring.State])
    check = serializers.UUIDField(source="check.pk", default=None, allow_null=True)
    known_at = serializers.DateTimeField(
        allow_null=True, help_text="When a record told that it is missing; an hour later it is missed."
    )
    sentence = serializers.CharField(help_text="Of what is yours: no record tells the service when.")


class PackingDues(Scoped):
    """Which packing checks a batch takes: made, waiting, missed, or yours to remember. What is sold loose takes none."""

    queryset = Batch.objects.select_related("recipe_version__material", "establishment")
    serializer_class = PackingDueSerializer
    pagination_class = None
    lookup_field = "uid"

    @extend_schema(responses={200: PackingDueSerializer(many=True)})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        found = packing_dues.of_batch(self.get_object(), timezone.now())
        return Response(self.get_serializer(found, many=True).data)
