"""Amounts of material on the wire: text and unit, both ways."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from batches.models import Dimension
from batches.quantities import plain_text, to_unit

UNITS = {Dimension.MASS: ("KGM", 3), Dimension.COUNT: ("H87", 0)}


@extend_schema_field({"type": "string", "example": "12.5"})
class AsEntered(serializers.Field):
    """A number as it was entered, digit for digit; the domain reads it and says what is wrong with it."""

    def to_internal_value(self, data: Any) -> Any:
        return str(data) if isinstance(data, int) and not isinstance(data, bool) else data

    def to_representation(self, value: Any) -> str:
        return str(value)


class AmountSerializer(serializers.Serializer):
    """A quantity as text and its unit (UN/ECE Rec 20): kilograms, or pieces."""

    quantity = serializers.CharField()
    unit = serializers.CharField()


def amount(base: int, dimension: str) -> dict[str, str]:
    """Base steps as an ``AmountSerializer`` shows them."""
    unit, places = UNITS[Dimension(dimension)]
    return {"quantity": plain_text(to_unit(base, unit), places), "unit": unit}
