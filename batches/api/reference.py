"""Areas, storage places, equipment, materials and partners. A change needs ``If-Match``; nothing is removed."""

from collections.abc import Callable
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import mixins, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches import reference
from batches.api.movements import read_filters
from batches.models import (
    Area,
    Dimension,
    Equipment,
    Material,
    MaterialKind,
    Outlet,
    StoragePlace,
    TradingPartner,
)
from config.api.bodies import BodySerializer
from config.api.etags import answer_unless_known, answer_with_etag, version_sent
from ledger.api.records import MomentField, act_of
from ledger.api.scope import PLANNERS, Scoped, ScopedReference

ID = "01a21200-0000-7000-8000-000000000001"


def example(title: str, /, **body: Any) -> Callable[[Any], Any]:
    return extend_schema_serializer(examples=[OpenApiExample(title, body, request_only=True)])


class ReferenceSerializer(BodySerializer):
    """What all reference data shares."""

    id = serializers.UUIDField(
        required=False, help_text="Chosen by the client if it likes; with performed_at a resend is harmless."
    )
    code = serializers.CharField(max_length=20, help_text="Short, used once here; what stands on a label.")
    name = serializers.CharField(max_length=120)
    in_use = serializers.BooleanField(required=False, help_text="Nothing is removed; this is set to false.")
    version = serializers.IntegerField(read_only=True)
    performed_at = MomentField(
        source="performed",
        required=False,
        write_only=True,
        help_text="When it was decided; now, if left out.",
    )
    note = serializers.CharField(
        max_length=4000,
        required=False,
        allow_blank=True,
        write_only=True,
        help_text="Why it is so, or changes.",
    )


@example("Room", code="A-1", name="Sugar kitchen")
class AreaSerializer(ReferenceSerializer):
    """A room or zone."""


@example("Shelf", code="S-3", name="Dry store, shelf 3", area=ID, refilled=False)
class StoragePlaceSerializer(ReferenceSerializer):
    """A shelf, cold room, hold area, bin, hopper or tank."""

    area = ScopedReference(queryset=Area.objects.all(), required=False, allow_null=True)
    for_held = serializers.BooleanField(required=False, help_text="Kept apart for what is held.")
    refilled = serializers.BooleanField(
        required=False,
        help_text="Topped up before it is empty: its lots count as mixed, until it is found empty and clean. Once lots lay "
        "in it, taking this back needs a note.",
    )


@example("Kettle", code="K-1", name="Copper kettle", kind="kettle", area=ID)
class EquipmentSerializer(ReferenceSerializer):
    """A kettle, a table, a tempering machine, a tool that is tracked by itself."""

    area = ScopedReference(queryset=Area.objects.all(), required=False, allow_null=True)
    kind = serializers.CharField(
        max_length=60, help_text="As the steps of plans and recipes name it: kettle, table."
    )
    shared = serializers.BooleanField(required=False, help_text="Several batches may occupy it at once.")


@example(
    "Hazelnut pillows",
    code="PIL",
    name="Layered hazelnut pillows",
    kind="finished-product",
    dimension="count",
    short_name="PIL",
    piece_mass_mg=12000,
    shelf_life_days=90,
)
class MaterialSerializer(ReferenceSerializer):
    """Something that comes in lots."""

    kind = serializers.ChoiceField(choices=MaterialKind.choices)
    dimension = serializers.ChoiceField(choices=Dimension.choices, required=False)
    short_name = serializers.CharField(max_length=6, help_text="A-Z and 0-9; begins its lot codes.")
    piece_mass_mg = serializers.IntegerField(
        required=False, allow_null=True, min_value=1, max_value=10**12, help_text="Of one piece, if counted."
    )
    shelf_life_days = serializers.IntegerField(required=False, allow_null=True, min_value=1, max_value=36500)
    lot_code_pattern = serializers.CharField(
        required=False,
        allow_blank=True,
        max_length=60,
        help_text="Of {short} {yy} {mm} {dd} {ddd} {n}; empty is {short}-{yy}{ddd}-{n}.",
    )
    gtin = serializers.CharField(
        required=False, allow_blank=True, max_length=14, help_text="8, 12, 13 or 14 digits; kept as 14."
    )


@example("Supplier", code="NMN", name="Nut Mill North", is_supplier=True, contact="Mo, 0555 0100")
class PartnerSerializer(ReferenceSerializer):
    """A supplier, customer, carrier or laboratory; at least one of them."""

    is_supplier = serializers.BooleanField(required=False)
    is_customer = serializers.BooleanField(required=False)
    is_carrier = serializers.BooleanField(required=False)
    is_laboratory = serializers.BooleanField(required=False)
    outlet = serializers.ChoiceField(
        choices=[each for each in Outlet.choices if each[0]],
        required=False,
        allow_blank=True,
        help_text="The house's own way to buyers: stall, own shop, web orders. Empty: a customer with a name.",
    )
    address = serializers.CharField(required=False, allow_blank=True, max_length=1000)
    email = serializers.EmailField(
        required=False,
        allow_blank=True,
        help_text="Where a recall is told. Private, as contact is.",
    )
    contact = serializers.CharField(
        required=False,
        allow_blank=True,
        max_length=500,
        help_text="Private: left out for everybody but lead and administrator.",
    )
    gln = serializers.CharField(required=False, allow_blank=True, max_length=13, help_text="13 digits.")

    def to_representation(self, instance: Any) -> dict[str, Any]:
        shown: dict[str, Any] = super().to_representation(instance)
        if not self.context.get("may_see_private"):
            shown.pop("contact", None)
            shown.pop("email", None)
        return shown


class ReferenceFilters(serializers.Serializer):
    in_use = serializers.BooleanField(required=False, default=None, allow_null=True)
    code = serializers.CharField(required=False, max_length=20)


class ReferenceView(Scoped):
    write_roles = PLANNERS

    def get_serializer_context(self) -> dict[str, Any]:
        context = super().get_serializer_context()
        if not getattr(self, "swagger_fake_view", False):
            context["may_see_private"] = bool(self.standing.roles & PLANNERS)
        return context

    def answer(self, row: Any, code: int = status.HTTP_200_OK) -> Response:
        return answer_with_etag(self.get_serializer(row).data, row, code)


class ReferenceList(mixins.ListModelMixin, ReferenceView):
    ordering = ("-id",)

    def get_queryset(self) -> Any:
        asked = read_filters(self, ReferenceFilters)
        return super().get_queryset().filter(**{k: v for k, v in asked.items() if v is not None})

    @extend_schema(parameters=[ReferenceFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        row = reference.make(act=act_of(self, request, values), kind=self.queryset.model, values=values)
        return self.answer(row, status.HTTP_200_OK if row.repeated else status.HTTP_201_CREATED)


class ReferenceOne(ReferenceView):
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        row = self.get_object()
        return answer_unless_known(request, self.get_serializer(row).data, row)

    def patch(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        row = self.get_object()
        expected = version_sent(request, row)
        serializer = self.get_serializer(row, data=request.data, partial=True)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        values.pop("id", None)
        changed = reference.alter(
            act=act_of(self, request, values), row=row, values=values, expected_version=expected
        )
        return self.answer(changed)


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
