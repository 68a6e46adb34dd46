"""Local rules: written down or brought in by lead or administrator, confirmed by signature of a food-safety lead."""

from typing import Any

from drf_spectacular.utils import (
    OpenApiExample,
    extend_schema,
    extend_schema_field,
    extend_schema_serializer,
    extend_schema_view,
)
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.reference import ReferenceSerializer, ReferenceView, example
from batches.models import Material
from config.api.bodies import BodySerializer
from haccp import moist_food, rule_files, rules
from haccp.api.confirming import Confirmation, ConfirmationSerializer
from haccp.api.registers import NumberText, Register, RegisterRow
from haccp.models import Effect, LocalRule, MeantFor
from ledger.acts import Act
from ledger.api.records import MomentField, act_of
from ledger.api.scope import ScopedReference
from ledger.signatures import Proof


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
    subject = serializers.CharField(
        max_length=200,
        required=False,
        allow_blank=True,
        help_text="What it is about in the words of the source; a rule with a subject is confirmed for a material.",
    )
    intended_use = serializers.CharField(
        max_length=1000,
        required=False,
        allow_blank=True,
        help_text="What the material is bought or sold for.",
    )
    meant_for = serializers.ChoiceField(
        choices=MeantFor.choices, required=False, help_text="A rule aimed at the other kind of food warns."
    )
    effect = serializers.ChoiceField(
        choices=Effect.choices,
        required=False,
        help_text="A trigger informs: it tightens no limit and passes no finding.",
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
    status = serializers.CharField(
        read_only=True, help_text="In words: whether it is to be confirmed with your authority."
    )


class OneLocalRuleSerializer(LocalRuleSerializer):
    """A local rule, with what to mind before it is confirmed."""

    warning = serializers.SerializerMethodField(
        help_text="Where it was written for other food than the plan makes; empty where nothing is known."
    )

    def get_warning(self, rule: LocalRule) -> str:
        return moist_food.warning(rule)


class LocalRules(Register):
    """Local rules, newest first."""

    serializer_class = LocalRuleSerializer
    queryset = LocalRule.objects.select_related("material")

    def make(self, act: Act, values: dict[str, Any]) -> LocalRule:
        return rules.make(act=act, values=values)


class OneLocalRule(RegisterRow):
    """A local rule. Once confirmed it keeps its bounds: give it a last day and write a new one."""

    serializer_class = OneLocalRuleSerializer
    queryset = LocalRule.objects.select_related("material")

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.answer(self.get_object())  # its warning follows the plan, so it is never "not modified"

    def alter(self, act: Act, row: LocalRule, values: dict[str, Any], expected_version: int) -> LocalRule:
        return rules.alter(act=act, rule=row, values=values, expected_version=expected_version)


@extend_schema_serializer(
    examples=[
        OpenApiExample("Confirm", {"rule_version": 1, "password": "the signer's own"}, request_only=True)
    ]
)
class RuleConfirmationSerializer(ConfirmationSerializer):
    """The signer says that the authority asks for this bound."""

    rule_version = serializers.IntegerField(min_value=1, help_text="The version of the rule that was read.")


@extend_schema_view(
    post=extend_schema(request=RuleConfirmationSerializer, responses={200: OneLocalRuleSerializer, 412: None})
)
class ConfirmLocalRule(Confirmation):
    """Confirm a local rule by signature: from then on it tightens every limit it is about."""

    serializer_class = OneLocalRuleSerializer
    queryset = LocalRule.objects.select_related("material")
    said, version = RuleConfirmationSerializer, "rule_version"

    def confirm(self, *, act: Act, row: LocalRule, proof: Proof, expected_version: int) -> LocalRule:
        return rules.confirm(act=act, rule=row, proof=proof, expected_version=expected_version)


@extend_schema_serializer(examples=[OpenApiExample("Example set", {"example": "eu"}, request_only=True)])
class RuleFileSerializer(BodySerializer):
    """Rules of a file: send one of ``yaml``, ``csv`` and ``example``."""

    performed_at = MomentField(source="performed", required=False, write_only=True)
    note = serializers.CharField(max_length=4000, required=False, allow_blank=True, write_only=True)
    yaml = serializers.CharField(
        max_length=rule_files.MOST_BYTES, required=False, write_only=True, help_text="A list of rules."
    )
    csv = serializers.CharField(
        max_length=rule_files.MOST_BYTES,
        required=False,
        write_only=True,
        trim_whitespace=False,
        help_text=f"A header line, then a rule a line. Columns: {', '.join(rule_files.COLUMNS)}.",
    )
    example = serializers.ChoiceField(
        choices=rule_files.example_sets(), required=False, write_only=True, help_text="A set that ships."
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        given = [name for name in READERS if name in attrs]
        if len(given) != 1:
            raise serializers.ValidationError({"yaml": "Send one of yaml, csv and example."})
        attrs["rows"] = READERS[given[0]](attrs.pop(given[0]))
        return attrs


READERS = {"yaml": rule_files.from_yaml, "csv": rule_files.from_csv, "example": rule_files.example_set}


class LeftAsItIsSerializer(serializers.Serializer):
    code = serializers.CharField()
    says_something_else_in = serializers.ListField(child=serializers.CharField())


class BroughtInSerializer(serializers.Serializer):
    """What came of it. All rules are to be confirmed with your authority before they bind."""

    made = LocalRuleSerializer(many=True)
    left_as_it_is = serializers.SerializerMethodField(help_text="Rules whose code stood here already.")

    @extend_schema_field(LeftAsItIsSerializer(many=True))
    def get_left_as_it_is(self, brought: rules.BroughtIn) -> list[dict[str, Any]]:
        return [
            {"code": rule.code, "says_something_else_in": brought.other.get(rule.code, [])}
            for rule in brought.known
        ]


class LocalRulesFromFile(ReferenceView):
    """Bring in local rules from YAML or CSV: all, or none with every row's error. Repeating it doubles nothing."""

    serializer_class = RuleFileSerializer
    queryset = LocalRule.objects.all()

    @extend_schema(request=RuleFileSerializer, responses={200: BroughtInSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        rows = values.pop("rows")
        brought = rules.bring_in(act=act_of(self, request, values), rows=rows)
        return Response(BroughtInSerializer(brought, context=self.get_serializer_context()).data)
