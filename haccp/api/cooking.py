"""Sugar stages here and today, and what a reading in the kettle means. Nothing is stored."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from batches.quantities import parse_number
from config.api.refusals import Unusable
from haccp import cooking
from haccp.api.answers import ModelAnswerSerializer, answered, rounded
from haccp.api.registers import NumberText
from haccp.science.stages import SOURCE, ProbeCheck, StageTarget
from ledger.api.scope import Scoped
from ledger.models import Establishment

MOST_POINTS = 20
CELSIUS = "°C, as text."


class Points(serializers.CharField):
    """Temperatures with commas between, as ``0,100``."""

    def to_internal_value(self, data: Any) -> Any:
        parts = super().to_internal_value(data).split(",")
        if len(parts) > MOST_POINTS:
            raise serializers.ValidationError(f"At most {MOST_POINTS} points.", code="too-many")
        try:
            return [float(parse_number(part, field=self.field_name or "")) for part in parts]
        except Unusable as refusal:
            raise serializers.ValidationError(refusal.detail, code=refusal.code) from refusal


class StageFilters(serializers.Serializer):
    pressure = NumberText(
        required=False,
        help_text="What the barometer in the room shows, kPa; else the altitude of the house counts.",
    )
    instrument_error = NumberText(required=False, help_text="What the probe reads too much, K; shown apart.")
    checked_at = Points(required=False, max_length=400, help_text="Where it was checked: °C with commas.")


class ReadingFilters(StageFilters):
    celsius = NumberText(help_text="What the probe shows, °C.")
    method = serializers.ChoiceField(
        choices=[each.value for each in cooking.Method], help_text="Boiled with water, or sugar melted dry."
    )


class StageSerializer(serializers.Serializer):
    """A row. ``low`` and ``high`` are moved by ``shift`` only; the probe's error is in neither."""

    name = serializers.CharField()
    solids = serializers.CharField(help_text="% by mass, as the trade tables say.")
    sea_level_low = serializers.CharField(allow_null=True, help_text=CELSIUS)
    sea_level_high = serializers.CharField(allow_null=True)
    shift = ModelAnswerSerializer()
    low = serializers.CharField(allow_null=True)
    high = serializers.CharField(allow_null=True)
    instrument_error = serializers.CharField(allow_null=True, help_text="K; null: not stated.")
    sentences = serializers.ListField(child=serializers.CharField())


class ProbeSerializer(serializers.Serializer):
    at = serializers.CharField(help_text=CELSIUS)
    speaks = serializers.BooleanField()
    sentence = serializers.CharField()


class StageTableSerializer(serializers.Serializer):
    water_boils = ModelAnswerSerializer()
    stages = StageSerializer(many=True)
    probe = ProbeSerializer()
    source = serializers.CharField()
    cautions = serializers.ListField(child=serializers.CharField())


class MeaningSerializer(serializers.Serializer):
    celsius = serializers.CharField(help_text="As the probe shows it.")
    instrument_error = serializers.CharField(allow_null=True)
    without_error = serializers.CharField(allow_null=True)
    stage = serializers.CharField()
    row = StageSerializer(allow_null=True)
    solids = ModelAnswerSerializer()
    water_boils = ModelAnswerSerializer()
    probe = ProbeSerializer()
    source = serializers.CharField()
    cautions = serializers.ListField(child=serializers.CharField())


def _row(target: StageTarget) -> dict[str, Any]:
    return {
        "name": target.stage.name,
        "solids": target.stage.solids_pct,
        "sea_level_low": rounded(target.stage.low_c, "CEL"),
        "sea_level_high": rounded(target.stage.high_c, "CEL"),
        "shift": answered(target.shift),
        "low": rounded(target.low_c, "CEL"),
        "high": rounded(target.high_c, "CEL"),
        "instrument_error": rounded(target.instrument_error_c, "KEL"),
        "sentences": list(target.sentences),
    }


def _probe(check: ProbeCheck) -> dict[str, Any]:
    return {"at": rounded(check.work_c, "CEL"), "speaks": check.speaks, "sentence": check.sentence}


def _options(asked: dict[str, Any]) -> dict[str, Any]:
    numbers = {"pressure_kpa": asked.get("pressure"), "instrument_error": asked.get("instrument_error")}
    said = {name: None if value is None else float(value) for name, value in numbers.items()}
    return said | {"checked_at": asked.get("checked_at", ())}


class Stages(Scoped):
    """Sugar stages of a syrup boiled with water, at this altitude or the day's pressure.

    The shift and the probe's own error stand apart. Dry caramel and the rows at 160 and 170 °C are never moved.
    """

    serializer_class = StageTableSerializer
    queryset = Establishment.objects.none()

    @extend_schema(parameters=[StageFilters], responses={200: StageTableSerializer})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        table = cooking.table(self.establishment, **_options(read_filters(self, StageFilters)))
        return Response(
            {
                "water_boils": answered(table.water),
                "stages": [_row(each) for each in table.targets],
                "probe": _probe(table.probe),
                "source": SOURCE,
                "cautions": list(cooking.cautions()),
            }
        )


class ReadingMeaning(Scoped):
    """What a temperature in the kettle means: the stage, and the solids of pure sucrose syrup within 3 %.

    Sugar melted dry has no boiling point: its end point is looked at, not computed.
    """

    serializer_class = MeaningSerializer
    queryset = Establishment.objects.none()

    @extend_schema(parameters=[ReadingFilters], responses={200: MeaningSerializer})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        asked = read_filters(self, ReadingFilters)
        celsius, method = float(asked["celsius"]), cooking.Method(asked["method"])
        found = cooking.meaning(self.establishment, celsius, method=method, **_options(asked))
        return Response(
            {
                "celsius": rounded(found.celsius, "CEL"),
                "instrument_error": rounded(found.instrument_error, "KEL"),
                "without_error": rounded(found.without_error, "CEL"),
                "stage": found.stage,
                "row": None if found.target is None else _row(found.target),
                "solids": answered(found.solids),
                "water_boils": answered(found.water),
                "probe": _probe(found.probe),
                "source": SOURCE,
                "cautions": list(cooking.cautions()),
            }
        )
