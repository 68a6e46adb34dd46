"""The list of ingredients by the recipe, a label held against it, and what bought compounds are made of."""

from collections.abc import Sequence
from datetime import date
from fractions import Fraction
from typing import Any

from django.shortcuts import get_object_or_404
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from batches.api.reference import ID, ReferenceSerializer, example
from batches.models import Material, RecipeVersion
from config.api.refusals import RuleBroken, Unknown
from haccp.api.registers import Register, RegisterRow
from haccp.labels import documents, ingredient_list, made_of, recipe_lists
from haccp.labels.ingredient_list import Listed
from haccp.labels.recipe_lists import OfRecipe
from haccp.models import Label, LabelVersion, StatedParts
from ledger.acts import Act
from ledger.api.scope import PLANNERS, Scoped, ScopedReference

RECIPE_VERSIONS = RecipeVersion.objects.select_related("material", "establishment")


class ListedSerializer(serializers.Serializer):
    """An ingredient where it belongs by weight at mixing."""

    code = serializers.CharField(help_text="Of its material; of a stated part, its place in the statement.")
    name = serializers.CharField()
    percent = serializers.CharField(
        allow_null=True, help_text="Of all that is mixed; null where only the order is known."
    )
    percent_of_finished = serializers.CharField(
        allow_null=True,
        help_text="Of the finished product; null unless the recipe says what total is left; "
        "over 100 where more of it went in than is left in all.",
    )
    named = serializers.BooleanField(help_text="The product's name tells of it: it bears its percentage.")
    allergens = serializers.ListField(child=serializers.CharField())
    parts = serializers.ListField(
        child=serializers.DictField(), help_text="The same of each, for what stands in brackets."
    )


class ListSerializer(serializers.Serializer):
    """The list of ingredients by an approved recipe version."""

    recipe_version = serializers.UUIDField()
    day = serializers.DateField()
    text = serializers.CharField(help_text="In one line; allergens between asterisks, compounds in brackets.")
    ingredients = ListedSerializer(many=True)
    cannot = serializers.ListField(
        child=serializers.CharField(), help_text="Why there is no list, or no order within a compound."
    )
    left_out = serializers.ListField(child=serializers.CharField(), help_text="Packaging and the like.")
    note = serializers.CharField()


class DifferenceSerializer(serializers.Serializer):
    kind = serializers.ChoiceField(
        choices=["missing", "extra", "order", "percentage", "no-percentage", "allergen", "not-told"]
    )
    name = serializers.CharField()
    within = serializers.CharField(help_text="The compound it stands in, or empty.")
    printed = serializers.CharField(help_text="For order: the place as printed.")
    computed = serializers.CharField()


class DifferencesSerializer(ListSerializer):
    """How far a label lies from its recipe. A difference is shown; a person decides."""

    differences = DifferenceSerializer(many=True)


class DaySerializer(serializers.Serializer):
    day = serializers.DateField(required=False, help_text="A local day; today, if left out.")


class AgainstSerializer(DaySerializer):
    recipe_version = serializers.UUIDField(
        required=False, help_text="The newest approved one of the product, if left out."
    )


def _shown(found: OfRecipe) -> dict[str, Any]:
    return {
        "recipe_version": found.version.pk,
        "day": found.on,
        "text": found.words,
        "ingredients": _listed(found.found.listed, found),
        "cannot": found.found.cannot,
        "left_out": found.left_out,
        "note": found.found.note,
    }


def _percent(share: Fraction | None, times: Fraction | None) -> str | None:
    return None if share is None or times is None else f"{ingredient_list.percent(share * times):f}"


def _listed(listed: Sequence[Listed], whole: OfRecipe) -> list[dict[str, Any]]:
    return [
        {
            "code": each.code,
            "name": each.name,
            "percent": _percent(each.share, Fraction(1)),
            "percent_of_finished": _percent(each.share, whole.found.thicker),
            "named": each.code in whole.named,
            "allergens": sorted(each.allergens),
            "parts": _listed(each.parts, whole),
        }
        for each in listed
    ]


class ListView(Scoped):
    """Shares tell the recipe, which is confidential: an inspector does not read them here."""

    def day(self, asked: dict[str, Any]) -> date:
        return asked.get("day") or timezone.now().astimezone(self.establishment.zone).date()


class RecipeIngredients(ListView):
    """The list of ingredients of an approved recipe version, in descending order by weight at mixing."""

    queryset = RECIPE_VERSIONS
    serializer_class = ListSerializer

    @extend_schema(parameters=[DaySerializer])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        version, asked = self.get_object(), read_filters(self, DaySerializer)
        return Response(self.get_serializer(_shown(recipe_lists.of(version, self.day(asked)))).data)


class LabelAgainstRecipe(ListView):
    """A label held against the list of ingredients of its product's recipe; subclasses say which document."""

    serializer_class = DifferencesSerializer

    def document(self, row: Any) -> Any:
        raise NotImplementedError

    @extend_schema(parameters=[AgainstSerializer])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        row, asked = self.get_object(), read_filters(self, AgainstSerializer)
        label = documents.read(self.document(row))
        if isinstance(label, list):
            raise RuleBroken(
                "The draft cannot be read as a label yet; its gaps say why.",
                code="label-unreadable",
                reasons=label,
            )
        version = self.recipe_version(row.material, asked)
        found = recipe_lists.of(version, self.day(asked))
        shown = _shown(found) | {"differences": recipe_lists.differences(found, label)}
        return Response(self.get_serializer(shown).data)

    def recipe_version(self, material: Material, asked: dict[str, Any]) -> RecipeVersion:
        if "recipe_version" in asked:
            return get_object_or_404(
                RECIPE_VERSIONS, establishment=self.establishment, pk=asked["recipe_version"]
            )
        newest = recipe_lists.version_of(material)
        if newest is None:
            raise Unknown(f"No approved recipe makes {material.name}.", field="recipe_version")
        return newest


class LabelDifferences(LabelAgainstRecipe):
    """The draft of a label, held against the recipe of its product."""

    queryset = Label.objects.select_related("material")

    @extend_schema(responses={200: DifferencesSerializer, 409: None})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return super().get(request, *args, **kwargs)

    def document(self, row: Label) -> Any:
        return row.draft


class LabelVersionDifferences(LabelAgainstRecipe):
    """An approved label, held against the recipe of its product."""

    queryset = LabelVersion.objects.select_related("material")

    def document(self, row: LabelVersion) -> Any:
        return row.document


CHOCOLATE = {
    "parts": [
        {"name": "cocoa mass"},
        {"name": "sugar"},
        {"name": "whole milk powder", "allergens": ["milk"]},
        {"name": "emulsifier: lecithins (soya)", "allergens": ["soybean"]},
    ]
}


@example(
    "Chocolate for coating",
    code="P-CHO",
    name="Chocolate for coating",
    material=ID,
    document=CHOCOLATE,
    source="The maker's specification; write its number and date here",
    provenance="read",
    in_force_from="2026-01-01",
)
class StatedPartsSerializer(ReferenceSerializer):
    """What a bought compound ingredient is made of, in the order its supplier lists it, from a day on."""

    material = ScopedReference(queryset=Material.objects.all())
    document = serializers.DictField(help_text="parts: name, allergens (codes), parts.")
    source = serializers.CharField(max_length=300, help_text="Where it is written.")
    provenance = serializers.CharField(max_length=200, help_text="How that was seen: read, from memory.")
    in_force_from = serializers.DateField()


class AllStatedParts(Register):
    """What bought compound ingredients are made of, newest first."""

    serializer_class = StatedPartsSerializer
    queryset = StatedParts.objects.select_related("material")
    write_roles = PLANNERS

    def make(self, act: Act, values: dict[str, Any]) -> StatedParts:
        return made_of.make(act=act, values=values)


class OneStatedParts(RegisterRow):
    """One of them. A change needs ``If-Match`` and is a record with before and after."""

    serializer_class = StatedPartsSerializer
    queryset = StatedParts.objects.select_related("material", "establishment")
    write_roles = PLANNERS

    def alter(self, act: Act, row: StatedParts, values: dict[str, Any], expected_version: int) -> StatedParts:
        return made_of.alter(act=act, row=row, values=values, expected_version=expected_version)
