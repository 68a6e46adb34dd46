"""What is asked of a document that tells which parts are asked of an establishment."""

from config.api.bodies import BodySerializer
from config.api.days import DayField


class ProfileAskedSerializer(BodySerializer):
    on = DayField(required=False, help_text="As of which day; today, if left out.")
