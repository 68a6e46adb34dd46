"""Action levels of allergens, and what a swab means in the first food off the line. Nothing is stored."""

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import (
    OpenApiExample,
    extend_schema,
    extend_schema_field,
    extend_schema_serializer,
)
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.quantities import parse_number
from config.api.bodies import BodySerializer
from config.api.refusals import Unusable
from haccp.api.answers import ComputedAnswersSerializer, ModelAnswerSerializer, PositiveText, answered
from haccp.science import residues
from haccp.science.residues import Found, ReferenceDose
from ledger.api.scope import WORKERS, Scoped
from ledger.models import Establishment

MOST_DOSES = 50
LONGEST = 200
CAUTIONS = (
    "Heat and dilution clear no allergen.",
    "A dose is set so that few people react; it is no promise for every person. Ask your authority which set it takes.",
)
ASKED = {"eaten_g": "200", "allergens": ["hazelnut", "milk"], "detection_limit": "2.5"}
SWABBED = {"found": "5", "contact_cm2": "2000", "first_product_g": "400", "batch_g": "60000"}


class DoseSerializer(BodySerializer):
    """A reference dose of another set than the one known here."""

    allergen = serializers.CharField(max_length=LONGEST)
    mg = PositiveText(help_text="Total protein of the allergen.")
    dose_set = serializers.CharField(
        max_length=LONGEST, help_text="Whose set it is of; sets are never mixed."
    )
    source = serializers.CharField(max_length=LONGEST, help_text="Where it is written.")


@extend_schema_serializer(
    examples=[OpenApiExample("A bag of 200 g with hazelnut and milk", ASKED, request_only=True)]
)
class ActionLevelsAskedSerializer(BodySerializer):
    """For the amount that one person eats at once: a whole bag, not one piece. Doses known here, or your own."""

    eaten_g = PositiveText(help_text="g, on one occasion.")
    allergens = serializers.ListField(
        child=serializers.ChoiceField(choices=sorted(residues.FAO_WHO)),
        required=False,
        max_length=MOST_DOSES,
        help_text="By FAO/WHO; every one of it where neither these nor doses are given.",
    )
    doses = DoseSerializer(many=True, required=False, max_length=MOST_DOSES)  # type: ignore[call-arg]
    detection_limit = PositiveText(required=False, help_text="mg/kg that the method finds.")

    def wanted(self) -> list[ReferenceDose]:
        asked = self.validated_data
        names = asked.get("allergens", () if "doses" in asked else sorted(residues.FAO_WHO))
        own = [ReferenceDose(**dict(each) | {"mg": float(each["mg"])}) for each in asked.get("doses", ())]
        return [*(residues.FAO_WHO[name] for name in names), *own]


class ActionLevelSerializer(serializers.Serializer):
    allergen = serializers.CharField()
    dose_mg = serializers.CharField(allow_null=True, help_text="Total protein; null: the set gives none.")
    dose_set = serializers.CharField()
    source = serializers.CharField()
    level = ModelAnswerSerializer(help_text="mg protein per kg food (59: parts per million).")
    method_suffices = serializers.BooleanField(
        allow_null=True, help_text="Whether what the method finds lies below the level; null: not asked."
    )


class ActionLevelsSerializer(serializers.Serializer):
    levels = ActionLevelSerializer(many=True)
    cautions = serializers.ListField(child=serializers.CharField())


class ActionLevels(Scoped):
    """Action level = reference dose / amount eaten on one occasion. Doses of two sets are never mixed."""

    serializer_class = ActionLevelsAskedSerializer
    queryset = Establishment.objects.none()
    write_roles = WORKERS

    @extend_schema(request=ActionLevelsAskedSerializer, responses={200: ActionLevelsSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        doses, asked = serializer.wanted(), serializer.validated_data
        finds = asked.get("detection_limit")
        levels = residues.action_levels(doses, float(asked["eaten_g"]))
        shown = [
            {
                "allergen": dose.allergen,
                "dose_mg": None if dose.mg is None else f"{dose.mg:g}",
                "dose_set": dose.dose_set,
                "source": dose.source,
                "level": answered(levels[dose.allergen]),
                "method_suffices": None
                if finds is None
                else residues.detection_suffices(float(finds), levels[dose.allergen]),
            }
            for dose in doses
        ]
        return Response({"levels": shown, "cautions": list(CAUTIONS)})


@extend_schema_field(OpenApiTypes.STR)
class FoundText(serializers.Field):
    """A plain decimal number as text; < before it: below what the method finds."""

    def to_internal_value(self, data: Any) -> Found:
        below = isinstance(data, str) and data.startswith("<")
        plain = data[1:] if below else data
        try:
            return Found(float(parse_number(plain, field=self.field_name or "", signed=False)), below)
        except Unusable as refusal:
            raise serializers.ValidationError(refusal.detail, code=refusal.code) from refusal


@extend_schema_serializer(examples=[OpenApiExample("A swab of a table", SWABBED, request_only=True)])
class SwabSerializer(BodySerializer):
    found = FoundText(help_text="ug protein per 100 cm2 wiped, as text; < below detection.")
    contact_cm2 = PositiveText(help_text="All of the surface that the food touches.")
    first_product_g = PositiveText(help_text="What leaves first and takes it all up.")
    batch_g = PositiveText(help_text="The whole batch: it must be more than the first product.")


class Swab(Scoped):
    """mg/kg in the first food off the line, from a swab: never spread over the whole batch."""

    serializer_class = SwabSerializer
    queryset = Establishment.objects.none()
    write_roles = WORKERS

    @extend_schema(request=SwabSerializer, responses={200: ComputedAnswersSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        asked = serializer.validated_data
        found = residues.swab_in_product(
            asked["found"], *(float(asked[name]) for name in ("contact_cm2", "first_product_g", "batch_g"))
        )
        return Response({"answers": [answered(found)], "cautions": list(CAUTIONS)})
