"""Labels: drafts that change under ``If-Match``, and versions approved by signature."""

from typing import Any

from drf_spectacular.utils import (
    OpenApiExample,
    extend_schema,
    extend_schema_field,
    extend_schema_serializer,
    extend_schema_view,
)
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.recipes import GapSerializer
from batches.api.reference import ID, ReferenceSerializer
from batches.models import Material
from config.api.etags import answer_with_etag
from config.api.examples import example
from haccp.api.registers import Register, RegisterRow
from haccp.labels import versions
from haccp.models import Label, LabelVersion
from ledger.acts import Act
from ledger.api.approvals import Versions, VersionSerializer
from ledger.api.scope import Scoped, ScopedReference
from ledger.models import Change

BITES = {
    "code": "L-HNB-100",
    "name": "Honey nut bites, bag of 100 g",
    "material": ID,
    "draft": {
        "languages": ["en"],
        "name": {"en": "Honey nut bites"},
        "contains": ["hazelnut"],
        "may_contain": [{"allergen": "almond", "reason": "Same table; assessed on 12 January 2026."}],
        "ingredients": [
            {"name": {"en": "*hazelnuts*"}, "material": "NUT", "percent": "45", "allergens": ["hazelnut"]},
            {"name": {"en": "sugar"}, "material": "SUG"},
            {"name": {"en": "honey"}, "material": "HON", "percent": "12"},
        ],
        "net_quantity": {"quantity": "100", "unit": "GRM"},
        "warnings": [
            {"kind": "not-under-12-months", "text": {"en": "Not for children under 12 months."}},
        ],
        "artwork": {"sha256": "5e884898da28047151d0e56f8dc6292773603d0d6aabbdd62a11ef721d1542d8"},
    },
}


@extend_schema_serializer(examples=[OpenApiExample("A bag", BITES, request_only=True)])
class LabelSerializer(ReferenceSerializer):
    """The label of a product and its draft."""

    material = ScopedReference(queryset=Material.objects.all(), help_text="The product it stands on.")
    draft = serializers.DictField(
        help_text="One document; numbers are text. languages, name, contains, may_contain, ingredients, net_quantity, "
        "warnings, artwork, unpacked. It may be incomplete; gaps tells what approval would refuse."
    )


class WholeLabelSerializer(LabelSerializer):
    """A label with what stands between its draft and approval, and the version in force."""

    gaps = serializers.SerializerMethodField(help_text="Empty when the draft can be approved.")
    version_in_force = serializers.SerializerMethodField()
    record = serializers.SerializerMethodField(
        help_text="The record of the latest change of the draft: attach the artwork to it."
    )

    @extend_schema_field(GapSerializer(many=True))
    def get_gaps(self, label: Label) -> list[dict[str, Any]]:
        return GapSerializer(versions.gaps(label), many=True).data

    def get_version_in_force(self, label: Label) -> str | None:
        latest = versions.latest_version(label)
        return None if latest is None else str(latest.pk)

    def get_record(self, label: Label) -> str:
        changes = Change.objects.filter(establishment=label.establishment_id, subject_id=label.pk)
        return str(changes.order_by("-recorded_at", "-id").values_list("pk", flat=True)[0])


@example(name="Bag of 100 g", note="Renamed.")
class LabelChangeSerializer(WholeLabelSerializer):
    """What a label stands on stays: for another product begin another label."""

    material = ScopedReference(read_only=True, queryset=None)


class Labels(Register):
    """Labels with their drafts, newest first. A new one begins as a draft that may have gaps."""

    serializer_class = LabelSerializer
    queryset = Label.objects.select_related("material")

    @extend_schema(responses={201: WholeLabelSerializer, 200: WholeLabelSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return super().post(request, *args, **kwargs)

    def make(self, act: Act, values: dict[str, Any]) -> Label:
        values.pop("in_use", None)  # what begins is in use
        return versions.draft(act=act, document=values.pop("draft"), **values)

    def answer(self, row: Label, code: int = status.HTTP_200_OK) -> Response:
        return _whole(self, row, code)


def _whole(view: Scoped, row: Label, code: int = status.HTTP_200_OK) -> Response:
    shown = WholeLabelSerializer(row, context=view.get_serializer_context())
    return answer_with_etag(shown.data, row, code)


class OneLabel(RegisterRow):
    """A label, its draft, and what stands between the draft and its approval. A change needs ``If-Match``."""

    serializer_class = LabelChangeSerializer
    queryset = Label.objects.select_related("material", "establishment")

    @extend_schema(responses={200: WholeLabelSerializer})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return _whole(self, self.get_object())  # shows the version in force too: never "not modified"

    @extend_schema(responses={200: WholeLabelSerializer})
    def patch(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return super().patch(request, *args, **kwargs)

    def alter(self, act: Act, row: Label, values: dict[str, Any], expected_version: int) -> Label:
        return versions.redraft(act=act, label=row, values=values, expected_version=expected_version)

    def answer(self, row: Label, code: int = status.HTTP_200_OK) -> Response:
        return _whole(self, row, code)


class LabelVersionSerializer(VersionSerializer):
    label = serializers.UUIDField(source="label_id", read_only=True)
    material = serializers.UUIDField(source="material_id", read_only=True)
    contains = serializers.SerializerMethodField(help_text="Allergens it declares as contained.")
    may_contain = serializers.SerializerMethodField(help_text="Allergens it declares as a possibility.")

    def get_contains(self, version: LabelVersion) -> list[str]:
        return sorted(version.declared)

    def get_may_contain(self, version: LabelVersion) -> list[str]:
        return sorted(version.precautionary)


VERSIONS = LabelVersion.objects.select_related("establishment", "performed_by")


@extend_schema_view(
    post=extend_schema(responses={201: LabelVersionSerializer, 200: LabelVersionSerializer, 412: None})
)
class LabelVersions(Versions):
    """Approved versions of a label. Approving signs: the food-safety lead gives the password again."""

    serializer_class = LabelVersionSerializer
    queryset = VERSIONS
    drafted, drafted_as = Label, "label"

    def approve(self, *, row: Any, **approval: Any) -> LabelVersion:
        return versions.approve(label=row, **approval)


class OneLabelVersion(Scoped):
    """An approved version of a label."""

    serializer_class = LabelVersionSerializer
    queryset = VERSIONS

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)
