"""Hazard plans: drafts that change under ``If-Match``, and versions approved by signature."""

from typing import Any

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer, extend_schema_view
from rest_framework import serializers
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from batches.api.reference import ReferenceSerializer, ReferenceView
from config.api.refusals import Unknown, Unusable
from haccp import plan_documents, plans
from haccp.api.registers import Register, RegisterRow
from haccp.models import Plan, PlanVersion
from ledger.acts import Act
from ledger.api.approvals import Versions, VersionSerializer
from ledger.api.scope import Scoped

WAYS_IN = ("draft", "yaml", "starter")
DROPS = {
    "code": "HP-DROPS",
    "name": "Plain lemon drops",
    "draft": {
        "title": "Plain lemon drops, cooked and cooled",
        "scope": "From receipt of sugar to sealed bags.",
        "products": ["DROPS"],
        "steps": [{"code": "COOK", "name": "Cook to the hard crack", "products": ["DROPS"]}],
    },
}
DROPS_AS_YAML = {
    "code": "HP-DROPS",
    "name": "Plain lemon drops",
    "yaml": "title: Plain lemon drops, cooked and cooled\nproducts: [DROPS]\n",
}


class PlanEntrySerializer(ReferenceSerializer):
    """A plan as it stands in a list, without its draft."""

    approved_version = serializers.SerializerMethodField(help_text="The newest approved version, or null.")

    def get_approved_version(self, plan: Plan) -> str | None:
        latest = plans.latest_version(plan)
        return None if latest is None else str(latest.pk)


@extend_schema_serializer(
    examples=[
        OpenApiExample("Lemon drops", DROPS, request_only=True),
        OpenApiExample("The same as YAML", DROPS_AS_YAML, request_only=True),
        OpenApiExample(
            "From a starter plan",
            {"code": "HP-DROPS", "name": "Plain lemon drops", "starter": "plain_boiled_drops"},
            request_only=True,
        ),
    ]
)
class PlanSerializer(PlanEntrySerializer):
    """A plan and its draft, sent in one of three ways: draft, yaml or starter."""

    draft = serializers.DictField(
        required=False, help_text="One document; every number is text. It may have gaps, not errors of shape."
    )
    yaml = serializers.CharField(
        required=False,
        write_only=True,
        trim_whitespace=False,
        max_length=plan_documents.MOST_BYTES,
        help_text="The same as YAML text.",
    )
    starter = serializers.CharField(
        required=False, write_only=True, max_length=80, help_text="The name of a starter plan to begin with."
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        given = [name for name in WAYS_IN if name in attrs]
        if len(given) > 1 or (not given and not self.partial):
            raise serializers.ValidationError({"draft": "Send one of draft, yaml and starter."})
        if "yaml" in attrs:
            attrs["draft"] = _read_yaml(attrs.pop("yaml"))
        if "starter" in attrs:
            attrs["draft"] = _starter(attrs.pop("starter"))
        return attrs


def _read_yaml(text: str) -> dict[str, Any]:
    try:
        return plan_documents.from_yaml(text)
    except Unusable as refusal:
        raise plan_documents.Unreadable(refusal.detail, field="yaml") from refusal


def _starter(name: str) -> dict[str, Any]:
    try:
        return plan_documents.starter_plan(name)
    except Unknown as refusal:
        raise Unknown(refusal.detail, field="starter") from refusal


class Plans(Register):
    """Hazard plans, newest first. A new one begins as a draft that may have gaps."""

    queryset = Plan.objects.all()

    def get_serializer_class(self) -> type[serializers.Serializer]:
        return PlanEntrySerializer if self.request.method == "GET" else PlanSerializer

    @extend_schema(request=PlanSerializer, responses={201: PlanSerializer, 200: PlanSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return super().post(request, *args, **kwargs)

    def make(self, act: Act, values: dict[str, Any]) -> Plan:
        return plans.draft(act=act, code=values["code"], name=values["name"], document=values["draft"])


class OnePlan(RegisterRow):
    """A plan and its draft. A change needs ``If-Match``; approved versions stay as they are."""

    queryset = Plan.objects.all()
    serializer_class = PlanSerializer

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.answer(self.get_object())  # shows the approved version too, so it is never "not modified"

    def alter(self, act: Act, row: Plan, values: dict[str, Any], expected_version: int) -> Plan:
        return plans.redraft(act=act, plan=row, values=values, expected_version=expected_version)


class YamlText(BaseRenderer):
    """Lets ``Accept: application/yaml`` (RFC 9512) through; the view itself writes the text."""

    media_type = "application/yaml"
    format = "yaml"


class AsYaml(ReferenceView):
    """A document as one readable YAML file."""

    renderer_classes = [JSONRenderer, YamlText]
    serializer_class = PlanSerializer

    def document(self) -> tuple[str, dict[str, Any]]:
        """The name of the file, and the document."""
        raise NotImplementedError

    @extend_schema(responses={(200, "application/yaml"): OpenApiTypes.OBJECT})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        name, document = self.document()
        return HttpResponse(
            plan_documents.to_yaml(document),
            content_type="application/yaml; charset=utf-8",
            headers={"Content-Disposition": f'inline; filename="{name}.yaml"'},
        )


class DraftAsYaml(AsYaml):
    """The draft of a plan as YAML text."""

    queryset = Plan.objects.all()

    def document(self) -> tuple[str, dict[str, Any]]:
        return "plan-draft", self.get_object().draft


class VersionAsYaml(AsYaml):
    """An approved version as YAML text."""

    queryset = PlanVersion.objects.all()

    def document(self) -> tuple[str, dict[str, Any]]:
        version = self.get_object()
        return f"plan-version-{version.number}", version.document


class PlanGapSerializer(serializers.Serializer):
    """What the draft still lacks."""

    codex_step = serializers.IntegerField(help_text="1 to 12, as in CXC 1-1969.")
    step = serializers.SerializerMethodField(help_text="The same in words.")
    code = serializers.CharField()
    detail = serializers.CharField()
    field = serializers.CharField(help_text="Where in the draft, as a dotted path.")
    eased_by = serializers.CharField(
        help_text="The relief of the house by which it does not stand before approval today; empty: it does."
    )

    def get_step(self, gap: plan_documents.Gap) -> str:
        return plan_documents.CODEX_STEPS.get(gap.codex_step, "shape")


class PlanGaps(ReferenceView):
    """Every gap of the draft against the twelve Codex steps, in their order. Empty is no approval."""

    queryset = Plan.objects.all()
    serializer_class = PlanGapSerializer
    pagination_class = None

    @extend_schema(responses={200: PlanGapSerializer(many=True)})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(plans.gaps(self.get_object()), many=True).data)


class DifferenceFilters(serializers.Serializer):
    before = serializers.IntegerField(
        required=False,
        min_value=1,
        max_value=2**31 - 1,
        help_text="A version number; the newest, if left out.",
    )
    after = serializers.IntegerField(
        required=False,
        min_value=1,
        max_value=2**31 - 1,
        help_text="A version number; the draft, if left out.",
    )


class PlanDifferenceSerializer(serializers.Serializer):
    path = serializers.CharField(help_text="Where, in words.")
    before = serializers.JSONField(allow_null=True, help_text="null: not there.")
    after = serializers.JSONField(allow_null=True, help_text="null: not there.")


class PlanDifferences(ReferenceView):
    """What changed between two versions of a plan, or from a version to the draft."""

    queryset = Plan.objects.all()
    serializer_class = PlanDifferenceSerializer
    pagination_class = None

    @extend_schema(parameters=[DifferenceFilters], responses={200: PlanDifferenceSerializer(many=True)})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        plan, asked = self.get_object(), read_filters(self, DifferenceFilters)
        found = plans.differences(plan, before=asked.get("before"), after=asked.get("after"))
        return Response(self.get_serializer([each._asdict() for each in found], many=True).data)


class ControlPointSerializer(serializers.Serializer):
    """A control point of an approved version; checks name its id."""

    id = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    kind = serializers.CharField(help_text="ccp, oprp or prp.")
    document = serializers.DictField(help_text="Its part of the plan, with the products it applies to.")


class PlanVersionSerializer(VersionSerializer):
    plan = serializers.UUIDField(source="plan_id", read_only=True)
    products = serializers.SerializerMethodField(help_text="The materials it covers.")
    control_points = ControlPointSerializer(many=True, read_only=True)

    def get_products(self, version: PlanVersion) -> list[str]:
        return sorted(str(product.material_id) for product in version.products.all())


VERSIONS = PlanVersion.objects.select_related("establishment", "performed_by").prefetch_related(
    "products", "control_points"
)


@extend_schema_view(
    post=extend_schema(responses={201: PlanVersionSerializer, 200: PlanVersionSerializer, 412: None})
)
class PlanVersions(Versions):
    """Approved versions of a plan. Approving signs: the food-safety lead gives the password again."""

    serializer_class = PlanVersionSerializer
    queryset = VERSIONS
    drafted, drafted_as = Plan, "plan"

    def approve(self, *, row: Any, **approval: Any) -> PlanVersion:
        return plans.approve(plan=row, **approval)


class OnePlanVersion(Scoped):
    """An approved version with its control points."""

    serializer_class = PlanVersionSerializer
    queryset = VERSIONS

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


class StarterPlanSerializer(serializers.Serializer):
    name = serializers.CharField(help_text="What to send as starter.")
    title = serializers.CharField()


class StarterPlans(ReferenceView):
    """Starter plans to begin with. Each still needs the site's own team, walk and validation."""

    queryset = Plan.objects.all()
    serializer_class = StarterPlanSerializer
    pagination_class = None

    @extend_schema(responses={200: StarterPlanSerializer(many=True)})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        found = [
            {"name": name, "title": plan_documents.starter_plan(name)["title"]}
            for name in plan_documents.starter_plans()
        ]
        return Response(self.get_serializer(found, many=True).data)
