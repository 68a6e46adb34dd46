"""Recipes: drafts that change under ``If-Match``, and versions approved by signature."""

from typing import Any

from drf_spectacular.utils import (
    OpenApiExample,
    extend_schema,
    extend_schema_field,
    extend_schema_serializer,
    extend_schema_view,
)
from rest_framework import mixins, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches import recipes
from batches.api.amounts import AmountSerializer, AsEntered, amount
from batches.api.movements import UNIT_HELP, read_filters
from batches.api.reference import ID, ReferenceFilters, ReferenceSerializer
from batches.models import Material, Recipe, RecipeLine, RecipeVersion
from batches.movements import read_amount
from config.api.etags import answer_with_etag, version_sent
from config.api.examples import example
from ledger.api.approvals import Versions, VersionSerializer
from ledger.api.records import act_of
from ledger.api.scope import PLANNERS, Scoped, ScopedReference

CARAMELS = {
    "code": "R-SBC",
    "name": "Salted butter caramels",
    "material": ID,
    "draft": {
        "batch_size": {"quantity": "6", "unit": "KGM"},
        "lines": [
            {
                "position": "1",
                "material": "SUG",
                "quantity": "3.1",
                "unit": "KGM",
                "tolerance_permille": "10",
            },
            {
                "position": "2",
                "material": "SALT",
                "quantity": "40",
                "unit": "GRM",
                "tolerance": {"quantity": "1", "unit": "GRM"},
            },
        ],
        "steps": [{"code": "COOK", "name": "Caramelise", "equipment_kind": "kettle", "minutes": "25"}],
        "rework": {
            "materials": ["SBC"],
            "recipes": [],
            "most_permille": "50",
            "most_days": "3",
            "most_generations": "1",
        },
        "notes": "Hot sugar sticks and burns: gloves, long sleeves, dry tools.",
    },
}


@extend_schema_serializer(examples=[OpenApiExample("Caramels", CARAMELS, request_only=True)])
class RecipeSerializer(ReferenceSerializer):
    """A recipe and its draft."""

    material = ScopedReference(queryset=Material.objects.all(), help_text="What it makes.")
    draft = serializers.DictField(
        help_text="One document; numbers are text, materials stand by code or id. It may be incomplete."
    )


class GapSerializer(serializers.Serializer):
    code = serializers.CharField()
    detail = serializers.CharField()
    field = serializers.CharField()


class WholeRecipeSerializer(RecipeSerializer):
    """A recipe with what stands between its draft and approval, and the version in force."""

    gaps = serializers.SerializerMethodField(help_text="Empty when the draft can be approved.")
    version_in_force = serializers.SerializerMethodField()

    @extend_schema_field(GapSerializer(many=True))
    def get_gaps(self, recipe: Recipe) -> list[dict[str, Any]]:
        return GapSerializer(recipes.gaps(recipe), many=True).data

    def get_version_in_force(self, recipe: Recipe) -> str | None:
        latest = recipes.latest_version(recipe)
        return None if latest is None else str(latest.pk)


@example(name="Caramels, softer", note="Renamed.")
class RecipeChangeSerializer(WholeRecipeSerializer):
    """What a recipe makes stays: for another product begin another recipe."""

    material = ScopedReference(read_only=True, queryset=None)


class RecipeLineSerializer(serializers.Serializer):
    position = serializers.IntegerField()
    material = serializers.UUIDField(source="material_id")
    material_name = serializers.CharField(source="material.name")
    amount = serializers.SerializerMethodField(help_text="For the recipe's own batch size.")
    tolerance_permille = serializers.IntegerField(allow_null=True)
    tolerance = serializers.SerializerMethodField(help_text="The same in a batch of any size; else null.")

    @extend_schema_field(AmountSerializer)
    def get_amount(self, line: RecipeLine) -> dict[str, str]:
        return amount(line.amount, line.material.dimension)

    @extend_schema_field(AmountSerializer(allow_null=True))
    def get_tolerance(self, line: RecipeLine) -> dict[str, str] | None:
        fixed = line.tolerance_amount
        return None if fixed is None else amount(fixed, line.material.dimension)


class RecipeVersionSerializer(VersionSerializer):
    recipe = serializers.UUIDField(source="recipe_id", read_only=True)
    material = serializers.UUIDField(source="material_id", read_only=True)
    lines = RecipeLineSerializer(many=True, read_only=True)


class RecipeView(Scoped):
    """Recipes are confidential: an inspector does not read them here."""

    write_roles = PLANNERS


class Recipes(mixins.ListModelMixin, RecipeView):
    """Recipes with their drafts."""

    serializer_class = RecipeSerializer
    queryset = Recipe.objects.all()
    ordering = ("-id",)

    def get_queryset(self) -> Any:
        asked = read_filters(self, ReferenceFilters)
        return super().get_queryset().filter(**{k: v for k, v in asked.items() if v is not None})

    @extend_schema(parameters=[ReferenceFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    @extend_schema(responses={201: WholeRecipeSerializer, 200: WholeRecipeSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        values.pop("in_use", None)  # what begins is in use
        act = act_of(self, request, values)
        row = recipes.draft(act=act, document=values.pop("draft"), **values)
        return _whole(self, row, status.HTTP_200_OK if row.repeated else status.HTTP_201_CREATED)


def _whole(view: RecipeView, row: Recipe, code: int = status.HTTP_200_OK) -> Response:
    shown = WholeRecipeSerializer(row, context=view.get_serializer_context())
    return answer_with_etag(shown.data, row, code)


class OneRecipe(RecipeView):
    """A recipe, its draft, and what stands between the draft and its approval. A change needs ``If-Match``."""

    serializer_class = RecipeChangeSerializer
    queryset = Recipe.objects.select_related("material")

    @extend_schema(responses={200: WholeRecipeSerializer})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return _whole(self, self.get_object())

    @extend_schema(responses={200: WholeRecipeSerializer})
    def patch(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        row = self.get_object()
        expected = version_sent(request, row)
        serializer = self.get_serializer(row, data=request.data, partial=True)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        act = act_of(self, request, {k: values.pop(k) for k in ("performed", "note") if k in values})
        kept = {k: v for k, v in values.items() if k in ("code", "name", "draft", "in_use")}
        changed = recipes.redraft(act=act, recipe=row, values=kept, expected_version=expected)
        return _whole(self, changed)


VERSIONS = RecipeVersion.objects.select_related("establishment", "performed_by").prefetch_related(
    "lines__material"
)


@extend_schema_view(
    post=extend_schema(responses={201: RecipeVersionSerializer, 200: RecipeVersionSerializer, 412: None})
)
class RecipeVersions(Versions, RecipeView):
    """Approved versions of a recipe. Approving signs: the food-safety lead gives the password again."""

    serializer_class = RecipeVersionSerializer
    queryset = VERSIONS
    drafted, drafted_as = Recipe, "recipe"

    def approve(self, *, row: Any, **approval: Any) -> RecipeVersion:
        return recipes.approve(recipe=row, **approval)


class OneRecipeVersion(RecipeView):
    """An approved version."""

    serializer_class = RecipeVersionSerializer
    queryset = VERSIONS

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


class TargetSerializer(serializers.Serializer):
    position = serializers.IntegerField(source="line.position")
    material = serializers.UUIDField(source="line.material_id")
    material_code = serializers.CharField(source="line.material.code")
    material_name = serializers.CharField(source="line.material.name")
    target = serializers.SerializerMethodField()
    tolerance_permille = serializers.IntegerField(source="line.tolerance_permille", allow_null=True)
    tolerance = serializers.SerializerMethodField()

    @extend_schema_field(AmountSerializer)
    def get_target(self, target: recipes.Target) -> dict[str, str]:
        return amount(target.amount, target.line.material.dimension)

    @extend_schema_field(AmountSerializer(allow_null=True))
    def get_tolerance(self, target: recipes.Target) -> dict[str, str] | None:
        fixed = target.line.tolerance_amount
        return None if fixed is None else amount(fixed, target.line.material.dimension)


class TargetsSerializer(serializers.Serializer):
    """What each line asks for in a batch of a size."""

    recipe_version = serializers.UUIDField()
    planned = AmountSerializer()
    lines = TargetSerializer(many=True)


class SizeSerializer(serializers.Serializer):
    quantity = AsEntered(help_text="How much of the product is planned.")
    unit = serializers.CharField(max_length=3, help_text=UNIT_HELP)


class Targets(RecipeView):
    """The lines of an approved version scaled to a batch size, in whole milligrams and pieces."""

    serializer_class = TargetsSerializer
    queryset = RecipeVersion.objects.select_related("material")

    @extend_schema(parameters=[SizeSerializer])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        version, asked = self.get_object(), read_filters(self, SizeSerializer)
        planned = read_amount(version.material, asked["quantity"], asked["unit"]).base
        shown = {
            "recipe_version": version.pk,
            "planned": amount(planned, version.material.dimension),
            "lines": recipes.targets(version, planned),
        }
        return Response(self.get_serializer(shown).data)
