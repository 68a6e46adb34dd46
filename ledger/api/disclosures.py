"""Confidential parts that a food-safety lead lets leave the house, and the word taken back."""

from dataclasses import replace
from typing import Any

from rest_framework import serializers

from config.api.examples import ID, WHEN, example
from ledger import disclosures
from ledger.acts import Act
from ledger.api.records import DeedView, RecordSerializer, RecordView
from ledger.api.scope import DECIDERS, PLANNERS
from ledger.models import Disclosure, Part, Record


@example(
    performed_at=WHEN,
    subject=ID,
    part="recipe",
    given_to="County food inspection, on site",
    because="The inspector asks how much lecithin went in.",
)
class DisclosureSerializer(RecordSerializer):
    subject = serializers.UUIDField(
        help_text="The id of what it is about: of a batch for its record, and for traces and balances of lots that went into "
        "it; of a recall, of a reply to a notice, or of a recall plan."
    )
    part = serializers.ChoiceField(choices=Part.choices)
    given_to = serializers.CharField(max_length=200)
    because = serializers.CharField(max_length=1000)

    def validate(self, attrs: dict[str, object]) -> dict[str, object]:
        if attrs.get("corrects_id"):
            raise serializers.ValidationError({"corrects": "Take the word back, and give another."})
        return super().validate(attrs)


class Disclosures(RecordView):
    """Let a confidential part of one thing leave the house: what, to whom, why. Documents for outside then include it."""

    serializer_class = DisclosureSerializer
    queryset = Disclosure.objects.select_related("establishment", "performed_by")
    read_roles = PLANNERS
    write_roles = DECIDERS

    def deed(self, act: Act, **values: object) -> Record:
        return disclosures.disclose(act=act, **values)  # type: ignore[arg-type]


@example(performed_at=WHEN, corrects=ID, reason="The inspection is over.")
class TakenBackSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The word that is taken back.")
    reason = serializers.CharField(max_length=1000)


class TakenBack(DeedView):
    """Take such a word back: documents leave that part out from now on. What was given stays given."""

    queryset = Disclosure.objects.all()
    serializer_class = TakenBackSerializer
    shown_by = DisclosureSerializer
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        return disclosures.take_back(act=replace(act, withdraws=True))
