"""What may be asked of a report of a recall."""

from rest_framework import serializers

from config.api.bodies import BodySerializer


class RecallReportSerializer(BodySerializer):
    """As it was known at a time."""

    at = serializers.DateTimeField(
        required=False,
        help_text="What had been recorded by then; now, if left out. After the end it is the final report.",
    )


class RecallPlanPaperSerializer(BodySerializer):
    """With what the recall plan is printed."""

    telephones = serializers.BooleanField(
        required=False, default=False, help_text="Those of people too: for what stays in the house."
    )
