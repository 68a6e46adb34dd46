"""Tags over HTTP: each as a picture (SVG); on sheets of labels they are asked for as a document."""

from typing import Any

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request

from batches.api.movements import read_filters
from batches.models import Lot, Movement
from config.api.bodies import BodySerializer
from haccp.api.histories import SvgPicture
from ledger.api.scope import Scoped, ScopedReference
from reports import lot_labels, tags
from reports.code_drawing import Carrier
from reports.lot_labels import Drawn
from reports.tag_drawing import Tag

LOTS = Lot.objects.select_related("material", "state", "establishment")
MOVEMENTS = Movement.objects.select_related(
    "lot__material", "lot__state", "lot__establishment", "performed_by", "establishment"
)
KINDS = {"tub": "lot", "hold": "lot", "sample": "movement", "label": "lot"}
"""What each tag is about."""
CARRIERS = [each.value for each in Carrier]


class TagSerializer(BodySerializer):
    """A tag and how many of it."""

    kind = serializers.ChoiceField(choices=list(KINDS))
    lot = ScopedReference(slug="uid", queryset=LOTS, required=False, help_text="For tub, hold and label.")
    movement = ScopedReference(queryset=MOVEMENTS, required=False, help_text="The sampling, for a sample.")
    copies = serializers.IntegerField(min_value=1, max_value=100, default=1)
    carrier = serializers.ChoiceField(
        choices=CARRIERS, required=False, help_text="The kind of barcode, for a label; qr, if left out."
    )
    made_on = serializers.BooleanField(
        required=False, help_text="With the day it was made in a GS1 barcode, for a label."
    )

    def validate(self, said: dict[str, Any]) -> dict[str, Any]:
        needed = KINDS[said["kind"]]
        if {"lot", "movement"} & said.keys() != {needed}:
            raise serializers.ValidationError({needed: f"A {said['kind']} tag is about one {needed}."})
        if said["kind"] == "label":
            return {"carrier": Carrier.QR.value} | said
        for name in ("carrier", "made_on"):
            if name in said:
                raise serializers.ValidationError({name: "Only a label says this."})
        return said


class TagPicture(Scoped):
    """One tag as a picture, told in its description as well."""

    serializer_class = TagSerializer
    renderer_classes = [JSONRenderer, SvgPicture]

    def tag(self) -> Drawn:
        raise NotImplementedError

    @extend_schema(responses={(200, "image/svg+xml"): OpenApiTypes.STR, 409: None})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        answer = HttpResponse(lot_labels.svg(self.tag()), content_type="image/svg+xml; charset=utf-8")
        answer["Content-Security-Policy"] = "default-src 'none'; sandbox"
        return answer


class TubLabel(TagPicture):
    """The label of a tub: name, lot, allergens by its genealogy and by contact, made, use by."""

    queryset = LOTS
    lookup_field = "uid"

    def tag(self) -> Tag:
        return tags.tub([self.get_object()])[0]


class LabelFilters(serializers.Serializer):
    carrier = serializers.ChoiceField(
        choices=CARRIERS,
        default=Carrier.QR.value,
        help_text="qr: the lot's own address, for every house. The others are GS1 and need its numbers.",
    )
    made_on = serializers.BooleanField(default=False, help_text="With the day it was made in a GS1 barcode.")


class LotLabel(TagPicture):
    """The label of a lot with a barcode that says which it is.

    409 with every reason where the lot may not bear that barcode: without GS1 numbers of the house there is no GS1
    label, and what was received bears its maker's.
    """

    queryset = LOTS
    lookup_field = "uid"

    @extend_schema(parameters=[LabelFilters], responses={(200, "image/svg+xml"): OpenApiTypes.STR, 409: None})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        return super().get(request, *args, **kwargs)

    def tag(self) -> Drawn:
        asked = read_filters(self, LabelFilters)
        return lot_labels.label(self.get_object(), asked["carrier"], made_on=asked["made_on"])


class HoldTag(TagPicture):
    """The tag of a lot that is held or rejected, with why. 409 where it is neither."""

    queryset = LOTS
    lookup_field = "uid"

    def tag(self) -> Tag:
        return tags.hold(self.get_object())


class SampleLabel(TagPicture):
    """The label of a sample, by the movement that took it."""

    queryset = MOVEMENTS

    def tag(self) -> Tag:
        return tags.sample(self.get_object())
