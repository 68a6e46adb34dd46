"""The table for the wall: which product after which needs what cleaning. Derived, never kept by hand."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from haccp.changeovers import matrix
from haccp.changeovers.matrix import Cell, Level, Matrix
from haccp.models import CleaningProcedureVersion
from ledger.acts import Moment
from ledger.api.scope import Scoped

MOST_MATERIALS = 200


class MatrixFilters(serializers.Serializer):
    on = serializers.DateField(required=False, help_text="A local day; today, if left out.")
    equipment_kind = serializers.CharField(
        required=False, max_length=60, help_text="By procedures that are meant for it; for any, if left out."
    )
    material = serializers.ListField(
        child=serializers.UUIDField(),
        required=False,
        max_length=MOST_MATERIALS,
        help_text="Only these products; may be given several times.",
    )


class AllergenNamedSerializer(serializers.Serializer):
    code = serializers.CharField()
    name = serializers.CharField()


class MatrixProductSerializer(serializers.Serializer):
    """A product by its approved recipe. What it declares: its label, or its recipe where no label is approved."""

    material = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    holds = AllergenNamedSerializer(many=True, help_text="Contains or may contain.")
    unknown = AllergenNamedSerializer(many=True, help_text="Nobody stated it for something that goes in.")
    declares = serializers.ListField(child=serializers.CharField())
    declared_by = serializers.CharField()


class MatrixProcedureSerializer(serializers.Serializer):
    version = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    minutes = serializers.CharField()


class MatrixCellSerializer(serializers.Serializer):
    """One product after another."""

    before = serializers.UUIDField()
    after = serializers.UUIDField()
    level = serializers.ChoiceField(
        choices=[each.value for each in Level],
        help_text="Which cleaning stands between them; unknown is no nothing.",
    )
    clear = serializers.ListField(
        child=serializers.CharField(), help_text="What must be cleared between them."
    )
    unknown = serializers.ListField(
        child=serializers.CharField(), help_text="May have to be cleared: nobody stated it. Not absent."
    )
    procedures = MatrixProcedureSerializer(
        many=True, help_text="Each clears all of it, the unknown as well; the quickest first."
    )
    procedures_for_what_is_known = MatrixProcedureSerializer(
        many=True, help_text="Where none clears the unknown as well."
    )
    none_clears = serializers.ListField(
        child=serializers.CharField(), help_text="No approved procedure clears these."
    )
    minutes = serializers.CharField(
        allow_null=True,
        help_text="Of the quickest; 0: nothing to clear. null: not known, or none does it alone.",
    )


class MatrixSerializer(serializers.Serializer):
    on = serializers.DateField()
    equipment_kind = serializers.CharField(allow_null=True)
    products = MatrixProductSerializer(many=True)
    cells = MatrixCellSerializer(many=True)
    mark = serializers.CharField(
        help_text="The same for as long as nothing in it has changed: a print that bears another is out of date."
    )
    caution = serializers.CharField()


class ChangeoverMatrix(Scoped):
    """Products after products: which allergens must be cleared between them, by which procedures, in how long.

    Of every product with an approved recipe. Recipes are confidential: an inspector does not read this here.
    """

    queryset = CleaningProcedureVersion.objects.all()
    serializer_class = MatrixSerializer
    pagination_class = None

    @extend_schema(parameters=[MatrixFilters], responses={200: MatrixSerializer})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        asked = read_filters(self, MatrixFilters)
        today = Moment.of(timezone.now().astimezone(self.establishment.zone)).local.date()
        on, kind = asked.get("on", today), asked.get("equipment_kind")
        found = matrix.of_day(
            self.establishment, on, equipment_kind=kind, materials=asked.get("material") or None
        )
        shown = {"on": on, "equipment_kind": kind, "caution": matrix.CAUTION} | _shown(found)
        return Response(self.get_serializer(shown).data)


def _shown(found: Matrix) -> dict[str, Any]:
    def named(codes: frozenset[str]) -> list[dict[str, str]]:
        return [{"code": code, "name": found.vocabulary.name(code)} for code in sorted(codes)]

    products = [
        {
            "material": each.material.pk,
            "code": each.material.code,
            "name": each.material.name,
            "holds": named(each.holds),
            "unknown": named(each.unknown),
            "declares": sorted(each.bears.codes),
            "declared_by": each.bears.by,
        }
        for each in found.products
    ]
    return {"products": products, "cells": [_cell(each) for each in found.cells], "mark": found.mark}


def _cell(each: Cell) -> dict[str, Any]:
    return {
        "before": each.before,
        "after": each.after,
        "level": each.level.value,
        "clear": each.clear,
        "unknown": each.unknown,
        "procedures": [_procedure(version) for version in each.by],
        "procedures_for_what_is_known": [_procedure(version) for version in each.by_known],
        "none_clears": each.none_clears,
        "minutes": None if each.minutes is None else f"{each.minutes:f}",
    }


def _procedure(version: CleaningProcedureVersion) -> dict[str, Any]:
    return {
        "version": version.pk,
        "code": version.procedure.code,
        "name": version.procedure.name,
        "minutes": version.document["minutes"],
    }
