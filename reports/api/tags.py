"""Tags over HTTP: each as a picture (SVG); on sheets of labels they are asked for as a document."""

from typing import Any

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request

from batches.models import Lot, Movement
from config.api.bodies import BodySerializer
from haccp.api.histories import SvgPicture
from ledger.api.scope import Scoped, ScopedReference
from reports import tags
from reports.tag_drawing import Tag, svg

LOTS = Lot.objects.select_related("material", "state", "establishment")
MOVEMENTS = Movement.objects.select_related(
    "lot__material", "lot__state", "lot__establishment", "performed_by", "establishment"
)
KINDS = {"tub": "lot", "hold": "lot", "sample": "movement"}
"""What each tag is about."""


class TagSerializer(BodySerializer):
    """A tag and how many of it."""

    kind = serializers.ChoiceField(choices=list(KINDS))
    lot = ScopedReference(slug="uid", queryset=LOTS, required=False, help_text="For tub and hold.")
    movement = ScopedReference(queryset=MOVEMENTS, required=False, help_text="The sampling, for a sample.")
    copies = serializers.IntegerField(min_value=1, max_value=100, default=1)

    def validate(self, said: dict[str, Any]) -> dict[str, Any]:
        needed = KINDS[said["kind"]]
        if {"lot", "movement"} & said.keys() != {needed}:
            raise serializers.ValidationError({needed: f"A {said['kind']} tag is about one {needed}."})
        return said


class TagPicture(Scoped):
    """One tag as a picture, told in its description as well."""

    serializer_class = TagSerializer
    renderer_classes = [JSONRenderer, SvgPicture]

    def tag(self) -> Tag:
        raise NotImplementedError

    @extend_schema(responses={(200, "image/svg+xml"): OpenApiTypes.STR, 409: None})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        answer = HttpResponse(svg(self.tag()), content_type="image/svg+xml; charset=utf-8")
        answer["Content-Security-Policy"] = "default-src 'none'; sandbox"
        return answer


class TubLabel(TagPicture):
    """The label of a tub: name, lot, allergens by its genealogy and by contact, made, use by."""

    queryset = LOTS
    lookup_field = "uid"

    def tag(self) -> Tag:
        return tags.tub([self.get_object()])[0]


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
