"""Areas, storage places, equipment, materials and partners. A change needs ``If-Match``; nothing is removed."""

from typing import Any

from rest_framework import mixins, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches import reference
from batches.models import Area, Dimension, Equipment, Material, MaterialKind, StoragePlace, TradingPartner
from config.api.etags import answer_with_etag, version_sent
from ledger.api.records import act_of
from ledger.api.scope import PLANNERS, Scoped, ScopedReference


class ReferenceSerializer(serializers.Serializer):
    id = serializers.UUIDField(required=False, help_text="Chosen by the client if it likes.")
    code = serializers.CharField(max_length=20)
    name = serializers.CharField(max_length=120)
    in_use = serializers.BooleanField(required=False)
    version = serializers.IntegerField(read_only=True)


class AreaSerializer(ReferenceSerializer):
    """A room or zone."""


class StoragePlaceSerializer(ReferenceSerializer):
    area = ScopedReference(queryset=Area.objects.all(), required=False, allow_null=True)
    for_held = serializers.BooleanField(required=False, help_text="Kept apart for what is held.")


class EquipmentSerializer(ReferenceSerializer):
    area = ScopedReference(queryset=Area.objects.all(), required=False, allow_null=True)
    kind = serializers.CharField(
        max_length=60, help_text="As the steps of plans and recipes name it: kettle, table."
    )
    shared = serializers.BooleanField(required=False, help_text="Several batches may occupy it at once.")


class MaterialSerializer(ReferenceSerializer):
    kind = serializers.ChoiceField(choices=MaterialKind.choices)
    dimension = serializers.ChoiceField(choices=Dimension.choices, required=False)
    short_name = serializers.CharField(max_length=6, help_text="A-Z and 0-9; begins its lot codes.")
    piece_mass_mg = serializers.IntegerField(required=False, allow_null=True, min_value=1, max_value=10**12)
    shelf_life_days = serializers.IntegerField(required=False, allow_null=True, min_value=1, max_value=36500)
    lot_code_pattern = serializers.CharField(required=False, allow_blank=True, max_length=60)
    gtin = serializers.CharField(required=False, allow_blank=True, max_length=14)


class PartnerSerializer(ReferenceSerializer):
    is_supplier = serializers.BooleanField(required=False)
    is_customer = serializers.BooleanField(required=False)
    is_carrier = serializers.BooleanField(required=False)
    is_laboratory = serializers.BooleanField(required=False)
    address = serializers.CharField(required=False, allow_blank=True, max_length=1000)
    contact = serializers.CharField(
        required=False,
        allow_blank=True,
        max_length=500,
        help_text="Private: shown to lead and administrator only.",
    )
    gln = serializers.CharField(required=False, allow_blank=True, max_length=13)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        parts = ("is_supplier", "is_customer", "is_carrier", "is_laboratory")
        if not any(attrs.get(part, getattr(self.instance, part, False)) for part in parts):
            raise serializers.ValidationError(
                {"is_supplier": "Say what this partner is: at least one of the four."}
            )
        return attrs

    def to_representation(self, instance: Any) -> dict[str, Any]:
        shown: dict[str, Any] = super().to_representation(instance)
        if not self.context.get("may_see_private"):
            shown.pop("contact", None)
        return shown


class ReferenceView(Scoped):
    write_roles = PLANNERS

    def get_serializer_context(self) -> dict[str, Any]:
        context = super().get_serializer_context()
        if not getattr(self, "swagger_fake_view", False):
            context["may_see_private"] = bool(self.standing.roles & PLANNERS)
        return context


class ReferenceList(mixins.ListModelMixin, ReferenceView):
    ordering = ("-id",)

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        act = act_of(self, request, {"id": values.pop("id")} if "id" in values else {})
        row = reference.make(act=act, kind=self.queryset.model, values=values)
        return answer_with_etag(self.get_serializer(row).data, row, status.HTTP_201_CREATED)


class ReferenceOne(ReferenceView):
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        row = self.get_object()
        return answer_with_etag(self.get_serializer(row).data, row)

    def patch(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        expected, row = version_sent(request), self.get_object()
        serializer = self.get_serializer(row, data=request.data, partial=True)
        serializer.is_valid(raise_exception=True)
        values = {name: value for name, value in serializer.validated_data.items() if name != "id"}
        changed = reference.alter(
            act=act_of(self, request, {}), row=row, values=values, expected_version=expected
        )
        return answer_with_etag(self.get_serializer(changed).data, changed)


SERIALIZERS = {
    Area: AreaSerializer,
    StoragePlace: StoragePlaceSerializer,
    Equipment: EquipmentSerializer,
    Material: MaterialSerializer,
    TradingPartner: PartnerSerializer,
}


def views_of(kind: type[Any]) -> tuple[type[ReferenceList], type[ReferenceOne]]:
    """The list and the single view of one kind of reference data."""
    shared = {"serializer_class": SERIALIZERS[kind], "queryset": kind.objects.all(), "__doc__": kind.__doc__}
    return (
        type(f"{kind.__name__}List", (ReferenceList,), shared),
        type(f"{kind.__name__}One", (ReferenceOne,), shared),
    )
