"""What may be asked of a report of a recall."""

from rest_framework import serializers

from config.api.bodies import BodySerializer


class RecallReportSerializer(BodySerializer):
    """As it was known at a time."""

    at = serializers.DateTimeField(
        required=False,
        help_text="What had been recorded by then; now, if left out. After the end it is the final report.",
    )
