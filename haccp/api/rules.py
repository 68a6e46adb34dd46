"""Local rules: written down by lead or administrator, confirmed by signature of a food-safety lead."""

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.reference import ReferenceSerializer, ReferenceView, example
from batches.models import Material
from config.api.bodies import BodySerializer
from haccp import rules
from haccp.api.registers import NumberText, Register, RegisterRow
from haccp.models import LocalRule
from ledger import signatures
from ledger.acts import Act
from ledger.api.records import MomentField, act_of
from ledger.api.scope import DECIDERS, ScopedReference


@example(
    "A bound to be confirmed",
    code="LR-AW",
    name="Water activity of shelf-stable fillings",
    quantity="water activity",
    unit="C62",
    material=None,
    upper="0.85",
    upper_inclusive=True,
    condition="Where the filling is kept at room temperature.",
    authority="Your local food authority",
    citation="Letter of the authority; write its date and number here",
    provenance="read",
    in_force_from="2026-01-01",
    in_force_until=None,
)
class LocalRuleSerializer(ReferenceSerializer):
    """A bound from local regulation. It binds nothing until it is confirmed, and only on its days."""

    quantity = serializers.CharField(max_length=80, help_text="As the plan's limits name it.")
    unit = serializers.CharField(max_length=10, help_text="UN/ECE Rec 20, for example CEL, FAH, C62, MIN.")
    material = ScopedReference(
        queryset=Material.objects.all(), required=False, allow_null=True, help_text="null: every material."
    )
    condition = serializers.CharField(max_length=1000, required=False, allow_blank=True)
    lower = NumberText(required=False, allow_null=True)
    lower_inclusive = serializers.BooleanField(required=False)
    upper = NumberText(required=False, allow_null=True)
    upper_inclusive = serializers.BooleanField(required=False)
    authority = serializers.CharField(max_length=200)
    citation = serializers.CharField(max_length=300, help_text="Where it is written.")
    provenance = serializers.CharField(
        max_length=200, required=False, allow_blank=True, help_text="How the citation was seen: read, memory."
    )
    in_force_from = serializers.DateField()
    in_force_until = serializers.DateField(
        required=False, allow_null=True, help_text="The first day it no longer binds."
    )
    confirmed_by = serializers.UUIDField(
        source="confirmed_by_id", read_only=True, allow_null=True, help_text="null: it binds nothing yet."
    )
    confirmed_at = serializers.DateTimeField(read_only=True, allow_null=True)


class LocalRules(Register):
    """Local rules, newest first."""

    serializer_class = LocalRuleSerializer
    queryset = LocalRule.objects.select_related("material")

    def make(self, act: Act, values: dict[str, Any]) -> LocalRule:
        return rules.make(act=act, values=values)


class OneLocalRule(RegisterRow):
    """A local rule. Once confirmed it keeps its bounds: give it a last day and write a new one."""

    serializer_class = LocalRuleSerializer
    queryset = LocalRule.objects.select_related("material")

    def alter(self, act: Act, row: LocalRule, values: dict[str, Any], expected_version: int) -> LocalRule:
        return rules.alter(act=act, rule=row, values=values, expected_version=expected_version)


@extend_schema_serializer(
    examples=[
        OpenApiExample("Confirm", {"rule_version": 1, "password": "the signer's own"}, request_only=True)
    ]
)
class ConfirmationSerializer(BodySerializer):
    """The signer says that the authority asks for this bound."""

    id = serializers.UUIDField(required=False, help_text="With performed_at a resend is harmless.")
    performed_at = MomentField(source="performed", required=False)
    note = serializers.CharField(
        max_length=4000, required=False, allow_blank=True, default="", help_text="With whom it was confirmed."
    )
    rule_version = serializers.IntegerField(min_value=1, help_text="The version of the rule that was read.")
    password = serializers.CharField(max_length=200, trim_whitespace=False)


class ConfirmLocalRule(ReferenceView):
    """Confirm a local rule by signature: from then on it tightens every limit it is about."""

    serializer_class = LocalRuleSerializer
    queryset = LocalRule.objects.select_related("material")
    write_roles = DECIDERS

    @extend_schema(request=ConfirmationSerializer, responses={200: LocalRuleSerializer, 412: None})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        rule = get_object_or_404(self.get_queryset(), pk=kwargs["pk"])
        serializer = ConfirmationSerializer(data=request.data, context=self.get_serializer_context())
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        act = act_of(self, request, values)
        proof = signatures.prove(
            request=request._request, person=act.recorded_by, password=values["password"]
        )
        expected = values["rule_version"]
        return self.answer(rules.confirm(act=act, rule=rule, proof=proof, expected_version=expected))
