"""Lots: what there is, where it lies, what was decided."""

from typing import Any

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import mixins, serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches import stock
from batches.api.amounts import AmountSerializer, amount
from batches.api.movements import read_filters
from batches.models import Lot, LotDecision, LotStatus, StoragePlace
from ledger.api.scope import Scoped


class PlaceSerializer(AmountSerializer):
    place = serializers.UUIDField(allow_null=True, help_text="null: nobody said where.")


class DecisionSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    status = serializers.ChoiceField(choices=LotStatus.choices)
    because = serializers.UUIDField(
        source="because_id", help_text="The record that says why: a release, a deviation, a movement."
    )
    because_kind = serializers.CharField(source="because.kind")
    performed_by = serializers.UUIDField(source="performed_by_id")
    performed_at = serializers.DateTimeField()
    recorded_at = serializers.DateTimeField()


class LotSerializer(serializers.Serializer):
    """A lot as it stands now."""

    id = serializers.UUIDField(source="uid")
    code = serializers.CharField()
    material = serializers.UUIDField(source="material_id")
    material_name = serializers.CharField(source="material.name")
    status = serializers.ChoiceField(source="state.status", choices=LotStatus.choices)
    on_hand = serializers.SerializerMethodField()
    day = serializers.DateField(help_text="Received or made on, the establishment's date.")
    best_before = serializers.DateField(source="state.best_before", allow_null=True)
    batch = serializers.UUIDField(source="batch.uid", default=None, allow_null=True)
    is_rework = serializers.BooleanField()
    supplier = serializers.UUIDField(source="state.supplier_id", allow_null=True)
    supplier_code = serializers.CharField(source="state.supplier_code")
    withdrawn = serializers.BooleanField(source="state.withdrawn", help_text="Its birth was withdrawn.")

    @extend_schema_field(AmountSerializer)
    def get_on_hand(self, lot: Lot) -> dict[str, str]:
        return amount(lot.state.on_hand, lot.material.dimension)


class WholeLotSerializer(LotSerializer):
    places = serializers.SerializerMethodField()
    decisions = serializers.SerializerMethodField()

    @extend_schema_field(PlaceSerializer(many=True))
    def get_places(self, lot: Lot) -> list[dict[str, Any]]:
        found, dimension = stock.by_place([lot]).get(lot.pk, {}), lot.material.dimension
        return [{"place": place, **amount(base, dimension)} for place, base in found.items()]

    @extend_schema_field(DecisionSerializer(many=True))
    def get_decisions(self, lot: Lot) -> Any:
        rows = LotDecision.objects.filter(lot=lot).select_related("because").order_by("recorded_at", "id")
        return DecisionSerializer(rows, many=True).data


class LotFilters(serializers.Serializer):
    material = serializers.UUIDField(required=False)
    status = serializers.ChoiceField(required=False, choices=LotStatus.choices)
    supplier = serializers.UUIDField(required=False)
    supplier_code = serializers.CharField(required=False)
    code = serializers.CharField(required=False)
    batch = serializers.UUIDField(required=False)
    day = serializers.DateField(required=False)
    in_stock = serializers.BooleanField(
        required=False, default=None, allow_null=True, help_text="Only lots of which there is some."
    )


FILTERED_BY = {
    "status": "state__status",
    "supplier": "state__supplier",
    "supplier_code": "state__supplier_code",
    "batch": "batch__uid",
}


class Lots(mixins.ListModelMixin, Scoped):
    """The lots of the establishment, newest first; withdrawn ones are left out."""

    serializer_class = LotSerializer
    queryset = Lot.objects.select_related("material", "state", "batch")
    ordering = ("-id",)

    def get_queryset(self) -> Any:
        asked = read_filters(self, LotFilters)
        queryset = super().get_queryset().filter(state__withdrawn=False)
        if asked.pop("in_stock", None):
            queryset = queryset.exclude(state__on_hand=0)
        return queryset.filter(**{FILTERED_BY.get(name, name): value for name, value in asked.items()})

    @extend_schema(parameters=[LotFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)


class OneLot(Scoped):
    """A lot, where it lies, and every decision on it. A withdrawn lot can still be read."""

    serializer_class = WholeLotSerializer
    queryset = Lot.objects.select_related("material", "state", "batch")
    lookup_field = "uid"
    lookup_url_kwarg = "pk"

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


class LyingHereSerializer(AmountSerializer):
    lot = serializers.UUIDField()
    code = serializers.CharField()
    material_name = serializers.CharField()
    status = serializers.ChoiceField(choices=LotStatus.choices)


class PlaceStockSerializer(serializers.Serializer):
    place = serializers.UUIDField()
    lots = LyingHereSerializer(many=True)


class PlaceStock(Scoped):
    """What lies in a storage place, by lot code."""

    serializer_class = PlaceStockSerializer
    queryset = StoragePlace.objects.all()

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        place = self.get_object()
        rows = [
            {
                "lot": lot.uid,
                "code": lot.code,
                "material_name": lot.material.name,
                "status": lot.state.status,
                **amount(base, lot.material.dimension),
            }
            for lot, base in stock.in_place(place)
        ]
        return Response({"place": place.pk, "lots": rows})
