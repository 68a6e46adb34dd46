"""What materials consist of: written down by lead or administrator, each with its source."""

from typing import Any

from rest_framework import serializers

from batches.api.reference import ID, ReferenceSerializer, example
from batches.models import Material
from haccp import compositions
from haccp.api.registers import Register, RegisterRow
from haccp.models import Composition
from ledger.acts import Act
from ledger.api.scope import ScopedReference

SYRUP = {
    "water": "20",
    "water_uncertainty": "0.5",
    "tolerance": "0.5",
    "dissolved": [{"solute": "glucose", "grams": "40"}, {"solute": "fructose", "grams": "40"}],
    "undissolved": {},
    "glass": False,
}


@example(
    "An invert syrup",
    code="C-INV",
    name="Invert syrup, 80 % solids",
    material=ID,
    document=SYRUP,
    method="refractometer, by the maker",
    source="The maker's data sheet; write its date here",
    provenance="read",
    in_force_from="2026-01-01",
    in_force_until=None,
)
class CompositionSerializer(ReferenceSerializer):
    """What 100 g of a material consist of, from a day on. Predictions lean on it; nothing is guessed."""

    material = ScopedReference(queryset=Material.objects.all())
    document = serializers.DictField(
        help_text="Grams per 100 g, numbers as text: water with its water_uncertainty, dissolved (solutes by name), "
        "undissolved (fat, protein, starch, crystals, other), tolerance of their sum, glass."
    )
    method = serializers.CharField(max_length=200, help_text="How it was found: label, oven, Karl Fischer.")
    source = serializers.CharField(max_length=300, help_text="Where it is written.")
    provenance = serializers.CharField(max_length=200, help_text="How that was seen: read, measured, memory.")
    in_force_from = serializers.DateField()
    in_force_until = serializers.DateField(
        required=False, allow_null=True, help_text="The first day it no longer holds."
    )


class Compositions(Register):
    """Compositions of materials, newest first."""

    serializer_class = CompositionSerializer
    queryset = Composition.objects.select_related("material")

    def make(self, act: Act, values: dict[str, Any]) -> Composition:
        return compositions.make(act=act, values=values)


class OneComposition(RegisterRow):
    """A composition. A change needs ``If-Match`` and is a record with before and after."""

    serializer_class = CompositionSerializer
    queryset = Composition.objects.select_related("material")

    def alter(self, act: Act, row: Composition, values: dict[str, Any], expected_version: int) -> Composition:
        return compositions.alter(act=act, composition=row, values=values, expected_version=expected_version)
