"""Amounts of material on the wire: text and unit, both ways."""

from collections.abc import Callable
from functools import lru_cache
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from batches.models import Dimension

UNITS: dict[str, str] = {Dimension.MASS: "KGM", Dimension.COUNT: "H87"}


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


@lru_cache(maxsize=50_000)  # a trace tells the same few amounts thousands of times
def kilograms(milligrams: int) -> str:
    """Milligrams as kilograms with three decimals, or as many as there are."""
    whole, rest = divmod(abs(milligrams), 1_000_000)
    decimals = f"{rest:06d}"
    decimals = decimals[:3] if decimals.endswith("000") else decimals.rstrip("0")
    return f"{'-' if milligrams < 0 else ''}{whole}.{decimals}"


AMOUNT_TEXTS: dict[str, Callable[[int], str]] = {Dimension.MASS: kilograms, Dimension.COUNT: str}


def amount(base: int, dimension: str) -> dict[str, str]:
    """Base steps as an ``AmountSerializer`` shows them."""
    return {"quantity": AMOUNT_TEXTS[dimension](base), "unit": UNITS[dimension]}
