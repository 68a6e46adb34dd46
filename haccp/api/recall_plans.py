"""The recall plan over HTTP: approve one, read which hold and held."""

from typing import Any

from rest_framework import serializers

from config.api.bodies import BodySerializer
from config.api.examples import PASSWORD, WHEN, example
from haccp.models import Outside, PlanStep, RecallPlan
from haccp.recalls import plans
from ledger import signatures
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView
from ledger.api.scope import DECIDERS
from ledger.models import Record

MOST = 50  # of people, and of those outside (site setting, no source)
PLAN: dict[str, Any] = {
    "people": [
        {"role": "recall lead", "name": "Ada Example", "telephone": "+00 1"},
        {"role": "stores", "name": "Ben Example"},
    ],
    "steps": [
        {"step": "tell-consignees", "role": "recall lead", "how": "By phone, then by letter, the same day."},
        {
            "step": "tell-public",
            "role": "recall lead",
            "how": "A notice in the shop, and what the authority asks.",
        },
        {
            "step": "check-effectiveness",
            "role": "stores",
            "how": "Call back who has not answered by next noon.",
        },
        {"step": "dispose", "role": "stores", "how": "Apart in the locked cage; destroyed before a witness."},
    ],
    "outside": [
        {"what": "authority", "name": "Town food office", "reached_by": "+00 2, day and night"},
        {"what": "laboratory", "name": "Lab Example", "reached_by": "+00 3"},
    ],
    "public_notice": "At every counter and stall, and in the town's paper.",
}


class PlanPersonSerializer(BodySerializer):
    role = serializers.CharField(max_length=100)
    name = serializers.CharField(max_length=200)
    telephone = serializers.CharField(
        max_length=60,
        required=False,
        write_only=True,
        help_text="Private: not printed unless it is asked for.",
    )


class PlanStepSerializer(BodySerializer):
    step = serializers.ChoiceField(choices=PlanStep.choices)
    role = serializers.CharField(max_length=100, help_text="One of the roles of `people`.")
    how = serializers.CharField(max_length=4000)


class OutsideSerializer(BodySerializer):
    what = serializers.ChoiceField(choices=Outside.choices)
    name = serializers.CharField(max_length=200)
    reached_by = serializers.CharField(max_length=200, help_text="Telephone, day and night.")


@example(performed_at=WHEN, password=PASSWORD, **PLAN)
class RecallPlanSerializer(RecordSerializer):
    number = serializers.IntegerField(read_only=True)
    people = serializers.ListField(child=PlanPersonSerializer(), min_length=1, max_length=MOST)
    telephones = serializers.DictField(child=serializers.CharField(), read_only=True, help_text="By role.")
    steps = serializers.ListField(
        child=PlanStepSerializer(),
        max_length=len(PlanStep),
        help_text="Each step once, with whose task it is.",
    )
    outside = serializers.ListField(
        child=OutsideSerializer(), max_length=MOST, help_text="The authority at least."
    )
    public_notice = serializers.CharField(
        max_length=2000, help_text="Where and how the public would be told."
    )
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)


class RecallPlans(RecordView):
    """Recall plans, newest first; the newest holds. Approving one is signed."""

    serializer_class = RecallPlanSerializer
    queryset = RecallPlan.objects.select_related("establishment", "performed_by")
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        proof = signatures.prove(
            request=self.request._request, person=act.recorded_by, password=values.pop("password")
        )
        return plans.approve(act=act, proof=proof, **values)
