"""Places that are topped up before they are empty: what is mixed in one, and when it was found empty."""

from datetime import datetime
from typing import Any

from django.shortcuts import get_object_or_404
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches import emptying, mixed_places
from batches.api.movements import read_filters
from batches.models import FoundEmpty, Lot, LotStatus, StoragePlace
from config.api import examples
from config.api.examples import ID, WHEN
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView, act_of
from ledger.api.scope import Scoped
from ledger.models import Record

CAUTION = "A stock of zero does not say that a place is empty. How much of each lot is in what is taken out cannot be computed."


class MayBeInSerializer(serializers.Serializer):
    lot = serializers.UUIDField()
    code = serializers.CharField()
    material_name = serializers.CharField()
    status = serializers.ChoiceField(choices=LotStatus.choices)
    since = serializers.DateTimeField(
        allow_null=True, help_text="null: it came in under the name of another lot that it was mixed with."
    )


class MixedInPlaceSerializer(serializers.Serializer):
    """Whatever is taken out under the name of one of ``lots`` may be any of them."""

    place = serializers.UUIDField()
    refilled = serializers.BooleanField(help_text="false: nothing counts as mixed in it.")
    at = serializers.DateTimeField()
    emptied = serializers.DateTimeField(
        allow_null=True,
        help_text="Last found empty and clean; null: never, so it is mixed since its first lot.",
    )
    mixed = serializers.BooleanField(help_text="Whether more than one lot may be in it.")
    lots = MayBeInSerializer(many=True)
    caution = serializers.CharField()


class MixedFilters(serializers.Serializer):
    at = serializers.DateTimeField(required=False, help_text="As it was at this time; left out: now.")


def _may_be_in(lot: Lot, since: datetime | None) -> dict[str, Any]:
    return {
        "lot": lot.uid,
        "code": lot.code,
        "material_name": lot.material.name,
        "status": lot.state.status,
        "since": since,
    }


class MixedInPlace(Scoped):
    """What is mixed in a storage place that is topped up before it is empty."""

    serializer_class = MixedInPlaceSerializer
    queryset = StoragePlace.objects.select_related("establishment")

    @extend_schema(parameters=[MixedFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        place, at = self.get_object(), read_filters(self, MixedFilters).get("at") or timezone.now()
        found = mixed_places.in_place(place, at)
        told = {
            "place": place.pk,
            "refilled": place.refilled,
            "at": at,
            "emptied": found.emptied,
            "mixed": len(found.lots) > 1,
            "lots": [_may_be_in(*each) for each in found.lots],
            "caution": CAUTION,
        }
        return Response(self.get_serializer(told).data)


@examples.example(performed_at=WHEN, is_clean=True, note="Brushed out and wiped; dry.")
class FoundEmptySerializer(RecordSerializer):
    """Somebody looked and nothing was left. What a stock says is not asked."""

    storage_place = serializers.UUIDField(source="storage_place_id", read_only=True)
    is_clean = serializers.BooleanField(
        help_text="Nothing clung to it either. false: what comes in next is still mixed with what lay in it before."
    )


class FoundEmpties(RecordView):
    """When a storage place was found empty. From an empty and clean one on, its lots are mixed with no earlier ones."""

    serializer_class = FoundEmptySerializer
    queryset = FoundEmpty.objects.select_related("establishment", "performed_by")

    @property
    def storage_place(self) -> StoragePlace:
        return get_object_or_404(StoragePlace, establishment=self.establishment, pk=self.kwargs["pk"])

    def get_queryset(self) -> Any:
        queryset: Any = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(storage_place=self.storage_place)

    def deed(self, act: Act, **values: Any) -> Record:
        return emptying.find_empty(act=act, storage_place=self.storage_place, **values)


@examples.example(performed_at=WHEN, corrects=ID, reason="Said of the wrong bin.")
class FoundEmptyWithdrawnSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The record that was wrong.")
    reason = serializers.CharField(max_length=1000)


class WithdrawnFoundEmpties(Scoped):
    """Say that a place was not found empty. What no longer bears the right label by that is held."""

    serializer_class = FoundEmptyWithdrawnSerializer
    queryset = StoragePlace.objects.all()

    @extend_schema(
        request=FoundEmptyWithdrawnSerializer,
        responses={201: FoundEmptySerializer, 200: FoundEmptySerializer},
    )
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        place = self.get_object()
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        act = act_of(self, request, dict(serializer.validated_data))
        made = emptying.withdraw(act=act, storage_place=place)
        code = status.HTTP_200_OK if made.repeated else status.HTTP_201_CREATED
        return Response(FoundEmptySerializer(made, context=self.get_serializer_context()).data, status=code)
