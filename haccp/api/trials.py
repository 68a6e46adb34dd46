"""A trial on past checks over HTTP: what a proposed limit, rule or guard band would have done. Reads only."""

from typing import Any

from drf_spectacular.utils import (
    OpenApiExample,
    extend_schema,
    extend_schema_field,
    extend_schema_serializer,
)
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from config.api.bodies import BodySerializer
from haccp import trial_questions, trials
from haccp.limits import GUARDS, Result
from haccp.models import LocalRule
from ledger.api.scope import WORKERS, Scoped, ScopedReference

TRIED = {
    "quantity": "water activity",
    "limit": {"kind": "range", "quantity": "water activity", "unit": "C62", "upper": "0.50"},
    "first_day": "2026-01-01",
    "last_day": "2026-03-31",
}


@extend_schema_serializer(examples=[OpenApiExample("A tighter water activity", TRIED, request_only=True)])
class ProposalSerializer(BodySerializer):
    """What is left out stays as each control point has it; at least one of limit, rule and guard is tried."""

    quantity = serializers.CharField(max_length=200, help_text="As the plan's limits name it.")
    limit = serializers.DictField(required=False, help_text="A limit as in a plan's document.")
    rule = ScopedReference(
        queryset=LocalRule.objects.all(), required=False, help_text="A local rule, confirmed or not."
    )
    guard = serializers.ChoiceField(choices=GUARDS, required=False)
    points = serializers.ListField(
        child=serializers.CharField(max_length=30),
        required=False,
        max_length=trial_questions.MOST_POINTS,
        help_text="Codes of control points; left out: every one.",
    )
    first_day = serializers.DateField(help_text="The establishment's local day, included.")
    last_day = serializers.DateField(help_text="Included.")

    def run(self) -> trials.Trial:
        """The trial as asked, of what was found well shaped. Raises Unusable, Unknown."""
        here = self.context["establishment"]
        return trial_questions.question(here, self.initial_data).answer(here)


class ChangedSerializer(serializers.Serializer):
    check = serializers.UUIDField()
    performed_at = serializers.DateTimeField()
    on = serializers.CharField(help_text="Code of the batch or lot.")
    entered = serializers.CharField()
    was = serializers.ChoiceField(choices=[each.value for each in Result])
    would_be = serializers.ChoiceField(choices=[each.value for each in Result])


class CountSerializer(serializers.Serializer):
    was = serializers.ChoiceField(choices=[each.value for each in Result])
    would_be = serializers.ChoiceField(choices=[each.value for each in Result])
    checks = serializers.IntegerField()


class PointTrialSerializer(serializers.Serializer):
    code = serializers.CharField()
    name = serializers.CharField()
    checks = serializers.IntegerField()
    would_flag = serializers.IntegerField(help_text="Within then, not within by the proposal.")
    would_pass = serializers.IntegerField(help_text="Not within then, within by the proposal.")
    counts = serializers.SerializerMethodField()
    not_judged = serializers.DictField(
        child=serializers.IntegerField(), help_text="Why the proposal could not judge a check, and how many."
    )
    cautions = serializers.ListField(
        child=serializers.CharField(), help_text="What to mind about the rule that was tried there."
    )
    flagged = ChangedSerializer(many=True, help_text=f"The first {trials.MOST_LISTED}.")
    passed = ChangedSerializer(many=True, help_text=f"The first {trials.MOST_LISTED}.")

    @extend_schema_field(CountSerializer(many=True))
    def get_counts(self, point: trials.PointTrial) -> list[dict[str, Any]]:
        return [
            {"was": was, "would_be": now, "checks": count}
            for (was, now), count in sorted(point.counts.items())
        ]


class TrialSerializer(serializers.Serializer):
    first_day = serializers.DateField()
    last_day = serializers.DateField()
    points = PointTrialSerializer(many=True)
    note = serializers.SerializerMethodField()

    def get_note(self, trial: trials.Trial) -> str:
        return trials.NOTE


class Trials(Scoped):
    """Judge the standing checks of a period again by a proposal. Nothing is written."""

    serializer_class = ProposalSerializer
    write_roles = WORKERS

    @extend_schema(request=ProposalSerializer, responses={200: TrialSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        return Response(TrialSerializer(serializer.run()).data)
