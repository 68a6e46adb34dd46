"""A lot held against the labels used on it, as release would ask now."""

from typing import Any

from django.shortcuts import get_object_or_404
from django.utils import timezone
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.models import Lot
from haccp.labels import comparing
from haccp.labels.comparing import OnLot
from ledger.api.scope import Scoped


class ToldSerializer(serializers.Serializer):
    code = serializers.CharField()
    detail = serializers.CharField()
    ids = serializers.ListField(child=serializers.CharField())


class LotLabelSerializer(serializers.Serializer):
    """What stands against its release by its label, what is only told, and what that rests on."""

    lot = serializers.UUIDField()
    sold = serializers.BooleanField(help_text="False for what bears no label: ingredients, rework.")
    packing_checks = serializers.ListField(child=serializers.UUIDField())
    label_versions = serializers.ListField(child=serializers.UUIDField(), help_text="Used on it.")
    refused = ToldSerializer(many=True)
    told = ToldSerializer(many=True)
    assessments = serializers.ListField(child=serializers.UUIDField(), help_text="Those it needs.")


class LotLabel(Scoped):
    """What a lot contains against the labels used on it, as of today. Nothing is stored."""

    queryset = Lot.objects.select_related("material", "establishment")
    serializer_class = LotLabelSerializer

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        lot = get_object_or_404(self.get_queryset(), uid=kwargs["uid"])
        today = timezone.now().astimezone(self.establishment.zone).date()
        found = comparing.compared(self.establishment, [lot], today).get(lot.pk)
        return Response(self.get_serializer(_shown(lot, found)).data)


def _shown(lot: Lot, found: OnLot | None) -> dict[str, Any]:
    return {
        "lot": lot.uid,
        "sold": found is not None,
        "packing_checks": [each.pk for each in found.seen] if found else [],
        "label_versions": [each.pk for each in found.versions] if found else [],
        "refused": found.refused if found else [],
        "told": found.told if found else [],
        "assessments": [each.pk for each in found.rests_on] if found else [],
    }
