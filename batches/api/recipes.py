"""Recipes: drafts that change under ``If-Match``, and versions approved by signature."""

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import mixins, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches import recipes
from batches.models import Material, Recipe, RecipeVersion
from config.api.etags import answer_with_etag, version_sent
from ledger import signatures
from ledger.api.records import RecordSerializer, act_of
from ledger.api.scope import DECIDERS, PLANNERS, WORKERS, Scoped, ScopedReference

CARAMELS = {
    "code": "R-SBC",
    "name": "Salted butter caramels",
    "material": "01a21200-0000-7000-8000-000000000001",
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
                "material": "BUT",
                "quantity": "1.4",
                "unit": "KGM",
                "tolerance_permille": "10",
            },
        ],
        "steps": [{"code": "COOK", "name": "Caramelise", "equipment_kind": "kettle"}],
        "notes": "",
    },
}


@extend_schema_serializer(examples=[OpenApiExample("Caramels", CARAMELS, request_only=True)])
class RecipeSerializer(serializers.Serializer):
    id = serializers.UUIDField(required=False)
    code = serializers.CharField(max_length=20)
    name = serializers.CharField(max_length=120)
    material = ScopedReference(queryset=Material.objects.all(), help_text="What it makes.")
    draft = serializers.DictField(help_text="One document; numbers are text, materials stand by their code.")
    in_use = serializers.BooleanField(required=False)
    version = serializers.IntegerField(read_only=True)


class RecipeLineSerializer(serializers.Serializer):
    position = serializers.IntegerField()
    material = serializers.UUIDField(source="material_id")
    amount = serializers.IntegerField(help_text="Milligrams or pieces for the recipe's own batch size.")
    tolerance_permille = serializers.IntegerField()


class RecipeVersionSerializer(RecordSerializer):
    recipe = serializers.UUIDField(source="recipe_id", read_only=True)
    number = serializers.IntegerField(read_only=True)
    document = serializers.DictField(read_only=True)
    lines = RecipeLineSerializer(many=True, read_only=True)
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)


class Recipes(mixins.ListModelMixin, Scoped):
    """Recipes with their drafts."""

    serializer_class = RecipeSerializer
    queryset = Recipe.objects.all()
    read_roles = WORKERS
    write_roles = PLANNERS
    ordering = ("-id",)

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        values.pop("in_use", None)
        act = act_of(self, request, {"id": values.pop("id")} if "id" in values else {})
        row = recipes.draft(act=act, document=values.pop("draft"), **values)
        return answer_with_etag(self.get_serializer(row).data, row, status.HTTP_201_CREATED)


class OneRecipe(Scoped):
    serializer_class = RecipeSerializer
    queryset = Recipe.objects.all()
    read_roles = WORKERS
    write_roles = PLANNERS

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        row = self.get_object()
        return answer_with_etag(self.get_serializer(row).data, row)

    def patch(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        expected, row = version_sent(request), self.get_object()
        serializer = self.get_serializer(row, data=request.data, partial=True)
        serializer.is_valid(raise_exception=True)
        values = {k: v for k, v in serializer.validated_data.items() if k in ("name", "draft", "in_use")}
        changed = recipes.redraft(
            act=act_of(self, request, {}), recipe=row, values=values, expected_version=expected
        )
        return answer_with_etag(self.get_serializer(changed).data, changed)


class RecipeVersions(mixins.ListModelMixin, Scoped):
    """Approved versions of a recipe. Approving signs: the food-safety lead gives the password again."""

    serializer_class = RecipeVersionSerializer
    queryset = RecipeVersion.objects.select_related("establishment", "performed_by").prefetch_related("lines")
    read_roles = WORKERS
    write_roles = DECIDERS
    ordering = ("-number", "-id")

    def get_queryset(self) -> Any:
        return super().get_queryset().filter(recipe=self.kwargs.get("pk"))

    def recipe(self) -> Recipe:
        from django.shortcuts import get_object_or_404

        return get_object_or_404(Recipe, establishment=self.establishment, pk=self.kwargs["pk"])

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        self.recipe()
        return self.list(request, *args, **kwargs)

    @extend_schema(responses={201: RecipeVersionSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        recipe = self.recipe()
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        password = values.pop("password")
        act = act_of(self, request, values)
        proof = signatures.prove(request=request._request, person=act.recorded_by, password=password)
        version = recipes.approve(act=act, recipe=recipe, proof=proof)
        code = status.HTTP_200_OK if version.repeated else status.HTTP_201_CREATED
        return Response(self.get_serializer(version).data, status=code)
