"""Of which days a document tells."""

from datetime import date
from typing import Any

from rest_framework import serializers

from config.api.bodies import BodySerializer
from config.api.days import DayField

MOST_DAYS = 3653  # ten years (a site setting, no source)


class DaysSerializer(BodySerializer):
    """Days of the establishment, both included; or everything there is, where the kind of document can tell that."""

    first = DayField(required=False, help_text="The first local day.")
    last = DayField(required=False, help_text="The last local day.")
    whole = serializers.BooleanField(
        required=False,
        default=False,
        help_text="Everything there is, over all versions of the plan: for a monitoring log only, in place of days.",
    )

    def validate(self, said: dict[str, Any]) -> dict[str, Any]:
        first, last = said.get("first"), said.get("last")
        if said["whole"]:
            if first or last:
                raise serializers.ValidationError({"whole": "Give days or the whole, not both."})
            return said
        missing = [name for name in ("first", "last") if said.get(name) is None]
        if missing:
            raise serializers.ValidationError(dict.fromkeys(missing, "Name the day; both are included."))
        self._refuse_wrong(said["first"], said["last"])
        return said

    def _refuse_wrong(self, first: date, last: date) -> None:
        if last < first:
            raise serializers.ValidationError({"last": "The period ends before it begins."})
        if (last - first).days > MOST_DAYS:
            raise serializers.ValidationError(
                {"first": "Ask for ten years at most, and for more in parts, one document each."}
            )
