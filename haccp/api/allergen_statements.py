"""What documents state about the allergens of materials and lots: recorded, corrected, withdrawn."""

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from batches.models import Lot, Material, TradingPartner
from config.api.examples import ID, WHEN, example
from haccp.allergens import statements
from haccp.allergens.saying import MOST
from haccp.models import AllergenStatement
from ledger.acts import Act
from ledger.api.records import DeedView, RecordSerializer, RecordView
from ledger.api.scope import Scoped, ScopedReference
from ledger.models import Record, Role

RELATED = ("establishment", "performed_by", "material", "lot", "supplier")
WRITERS = frozenset({Role.SUPERVISOR, Role.FOOD_SAFETY_LEAD, Role.ADMINISTRATOR})
SUPPLIERS_SHEET = {
    "performed_at": "2026-03-02T08:05:00+01:00",
    "material": ID,
    "says": [
        {"allergen": "hazelnut", "says": "contains"},
        {"allergen": "almond", "says": "may-contain", "because": "same line"},
        {"allergen": "peanut", "says": "free-of", "because": "assay 3/26, below 1 mg/kg"},
    ],
    "document": "Specification 12 of the mill",
    "document_day": "2026-01-15",
    "in_force_from": "2026-01-15",
}


@extend_schema_serializer(examples=[OpenApiExample("A supplier's sheet", SUPPLIERS_SHEET, request_only=True)])
class AllergenStatementSerializer(RecordSerializer):
    """What a document states about a material. What it does not speak of is unknown, never absent."""

    material = ScopedReference(queryset=Material.objects.all())
    lot = ScopedReference(
        queryset=Lot.objects.all(),
        slug="uid",
        required=False,
        allow_null=True,
        help_text="null: every lot. A statement for one lot adds to what its material's says, and takes nothing away.",
    )
    supplier = ScopedReference(
        queryset=TradingPartner.objects.all(),
        required=False,
        allow_null=True,
        help_text="null: whoever supplies it.",
    )
    says = serializers.ListField(
        child=serializers.DictField(),
        min_length=1,
        max_length=MOST,
        help_text="For each allergen its code, and says: contains, may-contain, free-of (because: the evidence) or "
        "exempt (because: the legal basis, as a list here names it). mg_per_kg, as text, where an amount is known (sulphites).",
    )
    document = serializers.CharField(max_length=200, help_text="Which paper says so: its name and number.")
    document_day = serializers.DateField()
    in_force_from = serializers.DateField(
        help_text="A later statement of the same material and supplier replaces this one from its own day on."
    )


class AllergenStatementFilters(serializers.Serializer):
    material = serializers.UUIDField(required=False)
    supplier = serializers.UUIDField(required=False)
    lot = serializers.UUIDField(required=False, source="lot__uid")


class AllergenStatements(RecordView):
    """Allergen statements, newest first; corrected and withdrawn ones stay visible."""

    serializer_class = AllergenStatementSerializer
    queryset = AllergenStatement.objects.select_related(*RELATED)
    write_roles = WRITERS

    def get_queryset(self) -> Any:
        return super().get_queryset().filter(**read_filters(self, AllergenStatementFilters))

    @extend_schema(parameters=[AllergenStatementFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def deed(self, act: Act, **values: Any) -> Record:
        return statements.record(act=act, **values)


class OneAllergenStatement(Scoped):
    """One allergen statement."""

    serializer_class = AllergenStatementSerializer
    queryset = AllergenStatement.objects.select_related(*RELATED)

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


@example(performed_at=WHEN, corrects=ID, reason="Written down for the wrong material.")
class WithdrawnAllergenStatementSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The statement that was never made.")
    reason = serializers.CharField(max_length=1000)


class WithdrawnAllergenStatements(DeedView):
    """Say that a statement was never made. What it spoke of is unknown again, unless another says it."""

    queryset = AllergenStatement.objects.all()
    serializer_class = WithdrawnAllergenStatementSerializer
    shown_by = AllergenStatementSerializer
    write_roles = WRITERS

    def deed(self, act: Act, **values: Any) -> Record:
        return statements.withdraw(act=act)
