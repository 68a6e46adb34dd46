"""Computed numbers on the wire: as text with their band, model and source, or plainly that they cannot be computed."""

from typing import Any

from rest_framework import serializers

from haccp.science.answers import Answer, Computed

PLACES = {"C62": 3, "P1": 2, "CEL": 1, "KEL": 1, "KPA": 2, "KGM": 3}


def rounded(value: float | None, unit: str) -> str | None:
    """As text, to the places a model is worth."""
    return None if value is None else f"{value:.{PLACES[unit]}f}"


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


def answered(answer: Answer) -> dict[str, Any]:
    """An answer as ``ModelAnswerSerializer`` shows it."""
    if isinstance(answer, Computed):
        numbers = {name: rounded(getattr(answer, name), answer.unit) for name in ("value", "low", "high")}
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
