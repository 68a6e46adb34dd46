from rest_framework import serializers

from config.api.bodies import BodySerializer


class RetentionAskedSerializer(BodySerializer):
    """What a report on retention is of."""

    on = serializers.DateField(required=False, help_text="The day asked for; today, if left out.")
