"""What an inspection file may be asked of."""

from typing import Any

from rest_framework import serializers

from batches.models import Batch, Lot, Material, TradingPartner
from config.api.bodies import BodySerializer
from ledger.api.scope import ScopedReference

MOST_NAMED = 100  # of one sort in one request (site setting, no source)


def _several(queryset: Any, told: str, **by: Any) -> serializers.ListField:
    return serializers.ListField(
        child=ScopedReference(queryset=queryset, **by),
        required=False,
        default=list,
        max_length=MOST_NAMED,
        help_text=told,
    )


class InspectionFileSerializer(BodySerializer):
    """Lots, batches, products, control points, suppliers, customers, a period: one of them or several together.

    The period bounds what is found by product, control point, supplier or customer; alone it asks for all of it.
    """

    lots = _several(Lot.objects.all(), "Their batches and their whole traces.", slug="uid")
    batches = _several(Batch.objects.all(), "Their records.", slug="uid")
    products = _several(
        Material.objects.all(), "Batches of them in the period, and what is declared of them."
    )
    control_points = serializers.ListField(
        child=serializers.CharField(max_length=20),
        required=False,
        default=list,
        max_length=MOST_NAMED,
        help_text="By their codes, over all versions of the plan: their logs in the period.",
    )
    suppliers = _several(
        TradingPartner.objects.all(), "What came from them in the period, and where it went."
    )
    customers = _several(TradingPartner.objects.all(), "What went to them in the period, and what was in it.")
    since = serializers.DateField(required=False, help_text="The first local day of the period.")
    until = serializers.DateField(required=False, help_text="The last local day of the period, included.")

    def validate(self, said: dict[str, Any]) -> dict[str, Any]:
        if not any(said.values()):
            raise serializers.ValidationError(
                {
                    "lots": "Say what the file is of: lots, batches, products, control points, suppliers, customers or a period."
                },
                code="nothing-asked",
            )
        if "since" in said and "until" in said and said["until"] < said["since"]:
            raise serializers.ValidationError(
                {"until": "The period ends before it begins."}, code="ends-first"
            )
        return said
