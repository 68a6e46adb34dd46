from config.api.bodies import BodySerializer
from config.api.days import DayField


class RetentionAskedSerializer(BodySerializer):
    """What a report on retention is of."""

    on = DayField(required=False, help_text="The day asked for; today, if left out.")
