"""Contacts as a food-safety lead assessed them, by signature."""

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from batches.models import Lot, Material
from config.api.examples import ID, PASSWORD, WHEN, example
from haccp.labels import assessments
from haccp.models import ContactAssessment
from ledger import signatures
from ledger.acts import Act
from ledger.api.records import DeedView, RecordSerializer, RecordView
from ledger.api.scope import DECIDERS, Scoped, ScopedReference
from ledger.models import Record

ASSESSED = {
    "performed_at": "2026-03-02T09:30:00+01:00",
    "material": "01a21200-0000-7000-8000-000000000001",
    "allergens": ["almond"],
    "because": "Rinse water of the shared table, ten runs: below the action level with our largest serving.",
    "until": "2026-09-01",
    "password": "the signer's own",
}


def _password() -> serializers.CharField:
    return serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)


@extend_schema_serializer(examples=[OpenApiExample("A shared table", ASSESSED, request_only=True)])
class ContactAssessmentSerializer(RecordSerializer):
    """Why allergens that may be there by contact, or of which nobody stated anything, need not stand on the label.

    It is about one material or one lot, and never lets what is contained go undeclared.
    """

    material = ScopedReference(queryset=Material.objects.all(), required=False, allow_null=True, default=None)
    lot = ScopedReference(
        queryset=Lot.objects.all(), slug="uid", required=False, allow_null=True, default=None
    )
    allergens = serializers.ListField(
        child=serializers.CharField(max_length=60), min_length=1, max_length=assessments.MOST_ALLERGENS
    )
    because = serializers.CharField(max_length=assessments.LONGEST)
    until = serializers.DateField(help_text="The first day it no longer holds.")
    password = _password()


class AssessmentFilters(serializers.Serializer):
    material = serializers.UUIDField(required=False)


class ContactAssessments(RecordView):
    """Assessments of contacts, newest first."""

    serializer_class = ContactAssessmentSerializer
    queryset = ContactAssessment.objects.select_related("establishment", "performed_by", "material", "lot")
    write_roles = DECIDERS

    def get_queryset(self) -> Any:
        return super().get_queryset().filter(**read_filters(self, AssessmentFilters))

    @extend_schema(parameters=[AssessmentFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def deed(self, act: Act, **values: Any) -> Record:
        proof = signatures.prove(
            request=self.request._request, person=act.recorded_by, password=values.pop("password")
        )
        return assessments.assess(act=act, proof=proof, **values)


class OneContactAssessment(Scoped):
    """One assessment."""

    serializer_class = ContactAssessmentSerializer
    queryset = ContactAssessment.objects.select_related("establishment", "performed_by", "material", "lot")

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


@example(performed_at=WHEN, corrects=ID, reason="The shared table is gone.", password=PASSWORD)
class WithdrawnAssessmentSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The assessment that no longer stands.")
    reason = serializers.CharField(max_length=1000)
    password = _password()


class WithdrawnContactAssessments(DeedView):
    """Withdraw an assessment, signed. Lots that were released by it await a decision again."""

    queryset = ContactAssessment.objects.all()
    serializer_class = WithdrawnAssessmentSerializer
    shown_by = ContactAssessmentSerializer
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        proof = signatures.prove(
            request=self.request._request, person=act.recorded_by, password=values["password"]
        )
        return assessments.withdraw(act=act, proof=proof)
