"""The batch sheet over HTTP: the frozen value, amounts as text with their unit."""

from datetime import datetime
from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches import sheet_lines, sheets
from batches.api.amounts import AmountSerializer, amount
from batches.api.batches import BATCHES
from batches.cautions import BURNS
from batches.flags import SENTENCES, Flag
from batches.models import Dimension, LossKind, LotStatus
from batches.quantities import plain_text, to_unit
from batches.weighing_up import WeighUp
from ledger.api.scope import Scoped


@extend_schema_field(OpenApiTypes.DATETIME)
class ClockTime(serializers.Field):
    """A time with the offset of the clock it was read from."""

    def to_representation(self, value: datetime) -> str:
        return value.isoformat()


class FlagSerializer(serializers.Serializer):
    code = serializers.ChoiceField(choices=[(flag.value, flag.value) for flag in Flag])
    detail = serializers.CharField()


class NotedSerializer(serializers.Serializer):
    """What every line of the sheet says of itself."""

    id = serializers.UUIDField()
    at = ClockTime()
    by = serializers.CharField()
    keyed_by = serializers.CharField(help_text="Who wrote it down; empty where that is the same person.")
    recorded_at = serializers.DateTimeField()
    late = serializers.BooleanField()
    note = serializers.CharField()


class WeighingSerializer(NotedSerializer):
    lot = serializers.UUIDField()
    lot_code = serializers.CharField()
    material_name = serializers.CharField()
    part = serializers.IntegerField(allow_null=True)
    quantity = serializers.SerializerMethodField()
    entered = serializers.CharField()
    flags = serializers.SerializerMethodField()

    @extend_schema_field(AmountSerializer)
    def get_quantity(self, weighing: sheet_lines.Weighing) -> dict[str, str]:
        return amount(weighing.quantity, weighing.dimension)

    @extend_schema_field(FlagSerializer(many=True))
    def get_flags(self, weighing: sheet_lines.Weighing) -> list[dict[str, Any]]:
        return [{"code": code, "detail": SENTENCES[Flag(code)]} for code in weighing.flags]


class SheetLineSerializer(serializers.Serializer):
    """A recipe line against what was weighed for it."""

    position = serializers.IntegerField()
    material = serializers.UUIDField()
    material_code = serializers.CharField()
    material_name = serializers.CharField()
    target = serializers.SerializerMethodField()
    weighed = serializers.SerializerMethodField()
    difference = serializers.SerializerMethodField(help_text="Weighed less target.")
    tolerance_permille = serializers.IntegerField(allow_null=True)
    tolerance = serializers.SerializerMethodField()
    result = serializers.ChoiceField(choices=[(each.value, each.value) for each in WeighUp])
    weighings = WeighingSerializer(many=True)

    @extend_schema_field(AmountSerializer)
    def get_target(self, line: sheet_lines.SheetLine) -> dict[str, str]:
        return amount(line.target, line.dimension)

    @extend_schema_field(AmountSerializer)
    def get_weighed(self, line: sheet_lines.SheetLine) -> dict[str, str]:
        return amount(line.weighed, line.dimension)

    @extend_schema_field(AmountSerializer)
    def get_difference(self, line: sheet_lines.SheetLine) -> dict[str, str]:
        return amount(line.difference, line.dimension)

    @extend_schema_field(AmountSerializer(allow_null=True))
    def get_tolerance(self, line: sheet_lines.SheetLine) -> dict[str, str] | None:
        fixed = line.tolerance_amount
        return None if fixed is None else amount(fixed, line.dimension)


class PartLineSerializer(NotedSerializer):
    number = serializers.IntegerField()
    name = serializers.CharField()


class StepLineSerializer(NotedSerializer):
    step = serializers.CharField()
    part = serializers.IntegerField(allow_null=True)
    equipment = serializers.CharField()
    ended_at = ClockTime(allow_null=True)


class StepNotNotedSerializer(serializers.Serializer):
    code = serializers.CharField()
    name = serializers.CharField()


class ReadingLineSerializer(NotedSerializer):
    what = serializers.CharField()
    value = serializers.CharField()
    unit = serializers.CharField()
    part = serializers.IntegerField(allow_null=True)


class TrimLineSerializer(NotedSerializer):
    from_part = serializers.IntegerField()
    to_part = serializers.IntegerField()
    quantity = serializers.SerializerMethodField()
    entered = serializers.CharField()

    @extend_schema_field(AmountSerializer)
    def get_quantity(self, trim: sheet_lines.TrimLine) -> dict[str, str]:
        return amount(trim.quantity, Dimension.MASS)


class ApartLineSerializer(NotedSerializer):
    what = serializers.ChoiceField(choices=LossKind.choices)
    part = serializers.IntegerField(allow_null=True)
    quantity = serializers.SerializerMethodField()
    entered = serializers.CharField()

    @extend_schema_field(AmountSerializer)
    def get_quantity(self, apart: sheet_lines.ApartLine) -> dict[str, str]:
        return amount(apart.quantity, Dimension.MASS)


class OccupiedLineSerializer(serializers.Serializer):
    equipment = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    since = ClockTime()
    until = ClockTime(allow_null=True)


class OutputSerializer(serializers.Serializer):
    lot = serializers.UUIDField()
    lot_code = serializers.CharField()
    material = serializers.UUIDField()
    material_name = serializers.CharField()
    quantity = serializers.SerializerMethodField()
    is_rework = serializers.BooleanField()
    best_before = serializers.DateField(allow_null=True)
    status = serializers.ChoiceField(choices=LotStatus.choices)
    makings = WeighingSerializer(many=True, help_text="Each time some of it was written down.")

    @extend_schema_field(AmountSerializer)
    def get_quantity(self, output: sheet_lines.Output) -> dict[str, str]:
        return amount(output.quantity, output.dimension)


class StruckSerializer(serializers.Serializer):
    """What no longer stands, with what replaced it; ``withdrawn``: it never happened."""

    id = serializers.UUIDField()
    kind = serializers.CharField()
    said = serializers.CharField()
    at = ClockTime()
    by = serializers.CharField()
    recorded_at = serializers.DateTimeField()
    replaced_by = serializers.UUIDField()
    replaced_by_whom = serializers.CharField()
    replaced_at = ClockTime()
    withdrawn = serializers.BooleanField()
    reason = serializers.CharField()


class YieldSerializer(serializers.Serializer):
    """Of the product, rework apart; and the mass of everything in and out, where it is known."""

    planned = AmountSerializer()
    made = AmountSerializer()
    percent = serializers.CharField(help_text="Of what was planned.")
    mass_in = serializers.CharField(allow_null=True, help_text="Kilograms; null where not known.")
    mass_out = serializers.CharField(allow_null=True)


class SheetSerializer(serializers.Serializer):
    """The batch sheet: weigh-up against the recipe, parts, steps, readings, trim, what was made."""

    batch = serializers.UUIDField()
    code = serializers.CharField()
    product = serializers.UUIDField()
    product_name = serializers.CharField()
    recipe_code = serializers.CharField()
    recipe_name = serializers.CharField()
    recipe_version = serializers.UUIDField()
    recipe_number = serializers.IntegerField()
    plan_version = serializers.UUIDField(allow_null=True)
    permission = serializers.UUIDField()
    started_at = ClockTime()
    started_by = serializers.CharField()
    ended_at = ClockTime(allow_null=True)
    planned_entered = serializers.CharField()
    lines = SheetLineSerializer(many=True)
    unclear = WeighingSerializer(
        many=True, help_text="Weighed without saying for which of several lines of the material."
    )
    outside_recipe = WeighingSerializer(many=True)
    parts = PartLineSerializer(many=True)
    equipment = OccupiedLineSerializer(many=True)
    steps = StepLineSerializer(many=True)
    steps_not_noted = StepNotNotedSerializer(many=True)
    readings = ReadingLineSerializer(many=True)
    trim = TrimLineSerializer(many=True)
    apart = ApartLineSerializer(many=True, help_text="What was weighed and is no lot.")
    made = OutputSerializer(many=True)
    result = serializers.SerializerMethodField()
    struck = StruckSerializer(many=True)
    caution = serializers.SerializerMethodField(help_text="Show it wherever the cook is shown.")

    def get_caution(self, sheet: sheet_lines.BatchSheet) -> str:
        return str(BURNS)

    @extend_schema_field(YieldSerializer)
    def get_result(self, sheet: sheet_lines.BatchSheet) -> dict[str, Any]:
        found = sheet.result
        return {
            "planned": amount(found.planned, sheet.dimension),
            "made": amount(found.made, sheet.dimension),
            "percent": found.percent,
            "mass_in": _kilograms(found.mass_in),
            "mass_out": _kilograms(found.mass_out),
        }


def _kilograms(milligrams: int | None) -> str | None:
    return None if milligrams is None else plain_text(to_unit(milligrams, "KGM"), 3)


class Sheet(Scoped):
    """Everything noted for one batch. It shows recipe amounts, so it is for those who work here."""

    serializer_class = SheetSerializer
    queryset = BATCHES
    lookup_field = "uid"

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(sheets.batch_sheet(self.get_object())).data)
