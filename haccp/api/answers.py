"""Computed numbers on the wire: as text with their band, model and source, or plainly that they cannot be computed."""

from decimal import Decimal
from typing import Any

from rest_framework import serializers

from haccp.api.registers import NumberText
from haccp.science.answers import Answer, Computed

PLACES = {
    "C62": 3, "P1": 2, "CEL": 1, "KEL": 1, "KPA": 2, "KGM": 3, "GRM": 1, "MMT": 4, "MMK": 1, "59": 3,
}  # fmt: skip


def rounded(value: float | None, unit: str, places: int | None = None) -> str | None:
    """As text, to the places a model is worth; to ``places`` where they are said."""
    return None if value is None else f"{value:.{PLACES[unit] if places is None else places}f}"


class PositiveText(NumberText):
    """A plain decimal number above 0, as text."""

    def to_internal_value(self, data: Any) -> Decimal:
        value = super().to_internal_value(data)
        if value <= 0:
            raise serializers.ValidationError("This must be above 0.", code="not-positive")
        return value


class ShareText(NumberText):
    """A share from 0 to 1, as text."""

    def to_internal_value(self, data: Any) -> Decimal:
        value = super().to_internal_value(data)
        if not 0 <= value <= 1:
            raise serializers.ValidationError("A share lies between 0 and 1.", code="out-of-range")
        return value


def floats(said: dict[str, Any], *names: str) -> tuple[float, ...]:
    return tuple(float(said[name]) for name in names)


class ModelAnswerSerializer(serializers.Serializer):
    """What a model says. ``computed`` is false where it cannot speak: then there is no number, but why and what to do."""

    model = serializers.CharField()
    computed = serializers.BooleanField()
    value = serializers.CharField(allow_null=True)
    low = serializers.CharField(allow_null=True)
    high = serializers.CharField(allow_null=True)
    unit = serializers.CharField(help_text="UN/ECE Rec 20; empty where nothing is computed.")
    source = serializers.CharField()
    notes = serializers.ListField(child=serializers.CharField())
    why_not = serializers.CharField()

    def to_representation(self, instance: Answer) -> dict[str, Any]:
        return answered(instance)


class ComputedAnswersSerializer(serializers.Serializer):
    """What models say to a question, and what to mind about all of it."""

    answers = ModelAnswerSerializer(many=True)
    cautions = serializers.ListField(child=serializers.CharField())


def answered(answer: Answer, places: int | None = None) -> dict[str, Any]:
    """An answer as ``ModelAnswerSerializer`` shows it."""
    if isinstance(answer, Computed):
        ends = ("value", "low", "high")
        numbers = {name: rounded(getattr(answer, name), answer.unit, places) for name in ends}
        said = {"unit": answer.unit, "source": answer.source, "notes": list(answer.notes), "why_not": ""}
        return {"model": answer.model, "computed": True, **numbers, **said}
    nothing: dict[str, Any] = {
        "value": None,
        "low": None,
        "high": None,
        "unit": "",
        "source": "",
        "notes": [],
    }
    return {"model": answer.model, "computed": False, **nothing, "why_not": f"{answer.why} {answer.advice}"}
