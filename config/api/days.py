"""Days on the wire."""

from datetime import date
from typing import Any

from rest_framework import serializers

FIRST_YEAR, LAST_YEAR = 1900, 9000  # no record of this trade lies outside; so that days can be reckoned with


class DayField(serializers.DateField):
    """A day around which others can be reckoned."""

    default_error_messages = {"year": "No work was recorded in that year."}

    def to_internal_value(self, value: Any) -> date:
        day: date = super().to_internal_value(value)
        if not FIRST_YEAR <= day.year <= LAST_YEAR:
            self.fail("year")
        return day
