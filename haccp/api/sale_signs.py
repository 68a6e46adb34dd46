"""What a sign for unpacked sale of a product tells today, as data; ``documents`` makes it on paper."""

from typing import Any

from django.utils import timezone
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.models import Material
from haccp.labels import signs
from ledger.api.scope import Scoped


class PieceSerializer(serializers.Serializer):
    text = serializers.CharField()
    strong = serializers.BooleanField(help_text="Emphasised: an allergen.")


class FaceSerializer(serializers.Serializer):
    language = serializers.CharField()
    name = serializers.CharField()
    ingredients = PieceSerializer(many=True)
    warnings = serializers.ListField(child=serializers.CharField())


class SaleSignSerializer(serializers.Serializer):
    """The words in each language of the label, and the allergens of the label and of the lots on sale together."""

    material = serializers.UUIDField(source="material.pk")
    label_version = serializers.UUIDField(source="version.pk")
    day = serializers.DateField(source="on")
    faces = FaceSerializer(many=True)
    contains = serializers.ListField(child=serializers.CharField())
    may_contain = serializers.ListField(child=serializers.CharField(), source="may")
    not_known = serializers.ListField(
        child=serializers.CharField(), help_text="Nobody stated it, nothing declares or covers it."
    )
    allergen_names = serializers.CharField(
        default=signs.NAMES,
        help_text="In which words allergens are named, whatever the languages of the label.",
    )
    lots = serializers.ListField(
        child=serializers.CharField(), help_text="Released lots on hand that it speaks for."
    )


class SaleSign(Scoped):
    """What is told where a product is sold loose. 404 where no label of it is in force."""

    queryset = Material.objects.select_related("establishment")
    serializer_class = SaleSignSerializer

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        today = timezone.now().astimezone(self.establishment.zone).date()
        return Response(self.get_serializer(signs.sign(self.get_object(), today)).data)
