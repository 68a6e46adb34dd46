"""What a mass balance on paper may be asked of: a lot, a batch, or a period."""

from typing import Any

from rest_framework import serializers

from config.api.bodies import BodySerializer


class BalanceAskedSerializer(BodySerializer):
    """One `lot`, one `batch`, or `since` and `until`, then of every material or of one."""

    lot = serializers.UUIDField(required=False)
    batch = serializers.UUIDField(required=False)
    since = serializers.DateTimeField(required=False)
    until = serializers.DateTimeField(required=False)
    material = serializers.UUIDField(required=False, help_text="Of a period only.")

    def validate(self, asked: dict[str, Any]) -> dict[str, Any]:
        period = {"since", "until", "material"} & asked.keys()
        if len({"lot", "batch"} & asked.keys()) + bool(period) != 1:
            raise serializers.ValidationError(
                "Name one lot, or one batch, or a period by since and until.", code="one-of"
            )
        for name in ("since", "until") if period else ():
            if name not in asked:
                raise serializers.ValidationError(
                    {name: "A period has a since and an until."}, code="missing"
                )
        if period and asked["until"] <= asked["since"]:
            raise serializers.ValidationError({"until": "A period ends after it begins."}, code="ends-before")
        return asked
