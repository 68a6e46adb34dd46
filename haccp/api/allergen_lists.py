"""Allergen lists: written down or brought in by lead or administrator, confirmed by signature of a lead."""

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.reference import ReferenceSerializer, ReferenceView, example
from config.api.bodies import BodySerializer
from haccp.allergens import files, lists
from haccp.api.confirming import Confirmation, ConfirmationSerializer
from haccp.api.registers import Register, RegisterRow
from haccp.models import AllergenList
from ledger.acts import Act
from ledger.api.records import MomentField, act_of
from ledger.signatures import Proof

DOCUMENT = {
    "groups": [
        {
            "code": "tree-nuts",
            "name": "tree nuts",
            "members": [{"code": "hazelnut", "name": "hazelnut", "provenance": "read"}],
        }
    ]
}


@example(
    "A list of one group",
    code="AL-OWN",
    name="Allergens of our market",
    jurisdiction="Here",
    authority="Your local food authority",
    citation="Write the law, its date and section here",
    provenance="read",
    document=DOCUMENT,
    in_force_from="2026-01-01",
    in_force_until=None,
)
class AllergenListSerializer(ReferenceSerializer):
    """The allergens one jurisdiction lists. It counts at once; until it is confirmed that is said with it."""

    jurisdiction = serializers.CharField(max_length=60)
    authority = serializers.CharField(max_length=200)
    citation = serializers.CharField(max_length=300, help_text="Where it is written.")
    provenance = serializers.CharField(max_length=200, help_text="How that was seen: read, from memory.")
    document = serializers.DictField(
        help_text="Groups, each with code, name and members; a member has code, name and provenance, and may have from, "
        "until, over, exempt and citation. One substance has one code in every list."
    )
    in_force_from = serializers.DateField()
    in_force_until = serializers.DateField(
        required=False, allow_null=True, help_text="The first day it no longer counts."
    )
    confirmed_by = serializers.UUIDField(source="confirmed_by_id", read_only=True, allow_null=True)
    confirmed_at = serializers.DateTimeField(read_only=True, allow_null=True)
    status = serializers.CharField(
        read_only=True, help_text="In words: whether it is to be confirmed with your authority."
    )


class AllergenLists(Register):
    """Allergen lists, newest first."""

    serializer_class = AllergenListSerializer
    queryset = AllergenList.objects.all()

    def make(self, act: Act, values: dict[str, Any]) -> AllergenList:
        return lists.make(act=act, values=values)


class OneAllergenList(RegisterRow):
    """An allergen list. Once confirmed it stays: give it a last day and write a new one."""

    serializer_class = AllergenListSerializer
    queryset = AllergenList.objects.all()

    def alter(
        self, act: Act, row: AllergenList, values: dict[str, Any], expected_version: int
    ) -> AllergenList:
        return lists.alter(act=act, row=row, values=values, expected_version=expected_version)


@extend_schema_serializer(
    examples=[
        OpenApiExample("Confirm", {"list_version": 1, "password": "the signer's own"}, request_only=True)
    ]
)
class ListConfirmationSerializer(ConfirmationSerializer):
    """The signer says that the list was read against the authority's text."""

    list_version = serializers.IntegerField(min_value=1, help_text="The version of the list that was read.")


@extend_schema_view(
    post=extend_schema(request=ListConfirmationSerializer, responses={200: AllergenListSerializer, 412: None})
)
class ConfirmAllergenList(Confirmation):
    """Confirm an allergen list by signature."""

    serializer_class = AllergenListSerializer
    queryset = AllergenList.objects.all()
    said, version = ListConfirmationSerializer, "list_version"

    def confirm(self, *, act: Act, row: AllergenList, proof: Proof, expected_version: int) -> AllergenList:
        return lists.confirm(act=act, row=row, proof=proof, expected_version=expected_version)


@extend_schema_serializer(
    examples=[OpenApiExample("A list that ships", {"example": "eu"}, request_only=True)]
)
class AllergenListFileSerializer(BodySerializer):
    """A list as a file: send one of ``yaml`` and ``example``."""

    performed_at = MomentField(source="performed", required=False, write_only=True)
    note = serializers.CharField(max_length=4000, required=False, allow_blank=True, write_only=True)
    yaml = serializers.CharField(
        max_length=files.MOST_BYTES, required=False, write_only=True, trim_whitespace=False
    )
    example = serializers.ChoiceField(
        choices=files.shipped(), required=False, write_only=True, help_text="A list that ships."
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("yaml" in attrs) == ("example" in attrs):
            raise serializers.ValidationError({"yaml": "Send one of yaml and example."})
        attrs["said"] = (
            files.from_yaml(attrs.pop("yaml"))
            if "yaml" in attrs
            else files.shipped_list(attrs.pop("example"))
        )
        return attrs


class AllergenListBroughtInSerializer(serializers.Serializer):
    """What came of it. It counts from now on, and is to be confirmed with your authority."""

    list = AllergenListSerializer(source="row")
    made = serializers.BooleanField(help_text="false: its code stood here already, and it was left as it is.")
    says_something_else_in = serializers.ListField(source="other", child=serializers.CharField())


class AllergenListFromFile(ReferenceView):
    """Bring in a list from YAML, whole or with every error. Repeating it doubles nothing."""

    serializer_class = AllergenListFileSerializer
    queryset = AllergenList.objects.all()

    @extend_schema(request=AllergenListFileSerializer, responses={200: AllergenListBroughtInSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        said = values.pop("said")
        brought = lists.bring_in(act=act_of(self, request, values), said=said)
        return Response(AllergenListBroughtInSerializer(brought, context=self.get_serializer_context()).data)
