"""What a recipe predicts, what was measured against it, and what that still allows to grow."""

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.recipes import RecipeView
from batches.cautions import BURNS
from batches.models import Batch, Lot, RecipeVersion
from haccp import growing, mixing, predictions
from haccp.api.answers import ModelAnswerSerializer, answered, rounded
from haccp.science.answers import NotComputed
from haccp.science.growth import Growth
from ledger.acts import Moment
from ledger.api.scope import Scoped

DEFERS = (
    "A prediction never replaces a measurement. The limits are the plan's, and local rules come first. "
    "What is inside a limit may still harm somebody; qualified people and the competent authority decide."
)


class BandSerializer(serializers.Serializer):
    """The spread of the models that may speak, over the whole of the moisture predicted."""

    computed = serializers.BooleanField()
    low = serializers.CharField(allow_null=True)
    high = serializers.CharField(allow_null=True)
    upper_bound = serializers.CharField(allow_null=True, help_text="It lies below this whatever else holds.")
    models = serializers.ListField(child=serializers.CharField())
    why_not = serializers.CharField()


class BasisSerializer(serializers.Serializer):
    material = serializers.UUIDField()
    material_name = serializers.CharField()
    composition = serializers.UUIDField(allow_null=True, help_text="null: nothing is in writing.")
    source = serializers.CharField()
    provenance = serializers.CharField()
    method = serializers.CharField()


class PredictionSerializer(serializers.Serializer):
    recipe_version = serializers.UUIDField()
    on = serializers.DateField(help_text="The day whose compositions were used.")
    moisture = ModelAnswerSerializer()
    water_activity = BandSerializer()
    models = ModelAnswerSerializer(
        many=True, help_text="Those that spoke, and those that could not with the reason."
    )
    basis = BasisSerializer(many=True)
    notes = serializers.ListField(child=serializers.CharField())
    cautions = serializers.ListField(child=serializers.CharField())


def shown(prediction: predictions.Prediction) -> dict[str, Any]:
    mix = prediction.mix
    return {
        "recipe_version": str(prediction.recipe_version.pk),
        "on": prediction.on.isoformat(),
        "moisture": answered(mix.moisture),
        "water_activity": _band(mix),
        "models": [answered(each) for each in mix.models],
        "basis": [_basis(each) for each in prediction.basis],
        "notes": list(mix.notes),
        "cautions": [str(BURNS), DEFERS],
    }


def _band(mix: mixing.Mix) -> dict[str, Any]:
    bound = rounded(mix.upper_bound, "C62")
    if isinstance(mix.band, NotComputed):
        why = mix.band.sentence
        return {
            "computed": False,
            "low": None,
            "high": None,
            "upper_bound": bound,
            "models": [],
            "why_not": why,
        }
    low, high = rounded(mix.band.low, "C62"), rounded(mix.band.high, "C62")
    models = list(mix.band.models)
    return {
        "computed": True,
        "low": low,
        "high": high,
        "upper_bound": bound,
        "models": models,
        "why_not": "",
    }


def _basis(basis: predictions.Basis) -> dict[str, Any]:
    held = basis.composition
    return {
        "material": str(basis.material.pk),
        "material_name": basis.material.name,
        "composition": None if held is None else str(held.pk),
        "source": "" if held is None else held.source,
        "provenance": "" if held is None else held.provenance,
        "method": "" if held is None else held.method,
    }


class RecipePrediction(RecipeView):
    """Moisture and water activity of an approved recipe, from what its materials consist of today.

    Nothing is guessed: a material without a composition leaves no number. Without ``cooked_to`` in the recipe it is
    of the mix as weighed in.
    """

    serializer_class = PredictionSerializer
    queryset = RecipeVersion.objects.all()

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        today = Moment.now(self.establishment).local.date()
        return Response(shown(predictions.of_recipe(self.get_object(), today)))


class MeasuredReadingSerializer(serializers.Serializer):
    check = serializers.UUIDField()
    at = serializers.DateTimeField()
    quantity = serializers.CharField()
    value = serializers.CharField(help_text="As entered.")
    unit = serializers.CharField()
    uncertainty = serializers.CharField(
        allow_null=True, help_text="Of the instrument, k = 2; null: not stated."
    )
    method = serializers.CharField()
    sample_temperature = serializers.CharField()


class MeasuredGapSerializer(serializers.Serializer):
    measured = MeasuredReadingSerializer()
    low = serializers.CharField(allow_null=True)
    high = serializers.CharField(allow_null=True)
    gap = serializers.CharField(allow_null=True, help_text="How far outside what is predicted; 0 inside.")
    flagged = serializers.BooleanField(
        help_text="Further off than the model's accuracy. No deviation by itself."
    )
    sentence = serializers.CharField()


class ComparedSerializer(serializers.Serializer):
    """``prediction`` is null for what was not made here; ``why_not`` says so."""

    prediction = PredictionSerializer(allow_null=True)
    why_not = serializers.CharField()
    gaps = MeasuredGapSerializer(many=True)


def _measured(each: predictions.Measured) -> dict[str, Any]:
    return {
        "check": str(each.check),
        "at": each.at.isoformat(),
        "quantity": each.quantity,
        "value": each.entered,
        "unit": each.unit,
        "uncertainty": None if each.uncertainty is None else f"{each.uncertainty:g}",
        "method": each.method,
        "sample_temperature": each.sample_temperature,
    }


def compared(found: predictions.Compared) -> dict[str, Any]:
    return {
        "prediction": None if isinstance(found.prediction, NotComputed) else shown(found.prediction),
        "why_not": found.prediction.sentence if isinstance(found.prediction, NotComputed) else "",
        "gaps": [_gap(each) for each in found.gaps],
    }


def _gap(gap: predictions.Gap) -> dict[str, Any]:
    unit = predictions.UNITS[gap.measured.quantity]
    numbers = {name: rounded(getattr(gap, name), unit) for name in ("low", "high", "gap")}
    return {"measured": _measured(gap.measured), **numbers, "flagged": gap.flagged, "sentence": gap.sentence}


class BatchPrediction(RecipeView):
    """What was measured of a batch and its lots against what its recipe predicts, by the compositions of its day."""

    serializer_class = ComparedSerializer
    queryset = Batch.objects.select_related("state", "establishment", "recipe_version")

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        batch = get_object_or_404(self.get_queryset(), uid=kwargs["uid"])
        return Response(compared(predictions.of_batch(batch)))


LOTS = Lot.objects.select_related("batch__state", "batch__establishment", "batch__recipe_version")


class LotPrediction(RecipeView):
    """What was measured of a lot against what the recipe it was made by predicts."""

    serializer_class = ComparedSerializer
    queryset = LOTS

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        lot = get_object_or_404(self.get_queryset(), uid=kwargs["uid"])
        return Response(compared(predictions.of_lot(lot)))


class OrganismSerializer(serializers.Serializer):
    name = serializers.CharField()
    least_water_activity = serializers.CharField()
    source = serializers.CharField()


class GrowthSerializer(serializers.Serializer):
    """``judged_by``: the reading plus its uncertainty. The cautions belong to every answer."""

    computed = serializers.BooleanField()
    why_not = serializers.CharField()
    water_activity = MeasuredReadingSerializer(allow_null=True)
    judged_by = serializers.CharField(allow_null=True)
    ph = MeasuredReadingSerializer(many=True)
    may_grow = OrganismSerializer(many=True)
    below_limits_of_growth = OrganismSerializer(many=True, help_text="They may be there alive.")
    may_spoil = OrganismSerializer(many=True)
    notes = serializers.ListField(child=serializers.CharField())
    cautions = serializers.ListField(child=serializers.CharField())


class LotGrowth(Scoped):
    """Which organisms the measured water activity and pH of a lot still allow to grow, by published limits.

    By the standing checks of the lot and of its batch, at the unsafe side of what the instrument is known to.
    """

    serializer_class = GrowthSerializer
    queryset = LOTS

    @extend_schema(responses={200: GrowthSerializer})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        lot = get_object_or_404(self.get_queryset(), uid=kwargs["uid"])
        return Response(grown(growing.of_lot(lot)))


def grown(found: growing.LotGrowth) -> dict[str, Any]:
    growth = found.growth
    judged = found.water_activity
    said: dict[str, Any] = {
        "computed": isinstance(growth, Growth),
        "why_not": "" if isinstance(growth, Growth) else growth.sentence,
        "water_activity": None if judged is None else _measured(judged),
        "judged_by": rounded(growth.aw, "C62") if isinstance(growth, Growth) else None,
        "ph": [_measured(each) for each in found.ph],
        "notes": list(found.notes),
        "cautions": [*(growth.notes if isinstance(growth, Growth) else ()), DEFERS],
    }
    return said | _organisms(growth)


def _organisms(growth: Growth | NotComputed) -> dict[str, list[dict[str, str]]]:
    if isinstance(growth, NotComputed):
        return {"may_grow": [], "below_limits_of_growth": [], "may_spoil": []}
    return {
        "may_grow": [_organism(each.organism, each.least_aw, each.source) for each in growth.may_grow],
        "below_limits_of_growth": [
            _organism(each.organism, each.least_aw, each.source) for each in growth.below_limits
        ],
        "may_spoil": [_organism(each.group, each.least_aw, each.source) for each in growth.may_spoil],
    }


def _organism(name: str, least_aw: float, source: str) -> dict[str, str]:
    return {"name": name, "least_water_activity": f"{least_aw:g}", "source": source}
