"""What there is in the days that an entrance opens, as data: each section with the bodies that ask for its documents."""

from typing import Any

from django.utils import translation
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from ledger.api.scope import ANY_ROLE, Scoped
from reports import inspecting, jobs, open_records
from reports.api.documents import OWN
from reports.open_records import Offer, Section


class OpenRecordsFilters(serializers.Serializer):
    first = serializers.DateField(
        required=False, help_text="The first local day; of an inspector that of the entrance, if left out."
    )
    last = serializers.DateField(required=False, help_text="The last local day, included; likewise.")
    language = serializers.ChoiceField(choices=jobs.LANGUAGES, default="en")


class OfferSerializer(serializers.Serializer):
    of = serializers.CharField(
        help_text="What the document is about; empty where it is of the whole section."
    )
    title = serializers.CharField(help_text="The kind of document, in words.")
    ask = serializers.DictField(help_text="The body to send to `documents`.")


class SectionSerializer(serializers.Serializer):
    name = serializers.CharField()
    title = serializers.CharField()
    count = serializers.IntegerField(
        allow_null=True, help_text="How many there are; null where nothing is counted."
    )
    left_out = serializers.IntegerField(help_text="So many more are not listed singly: ask for fewer days.")
    documents = OfferSerializer(many=True)


class OpenRecordsSerializer(serializers.Serializer):
    first = serializers.DateField()
    last = serializers.DateField()
    sections = SectionSerializer(many=True)


class OpenRecords(Scoped):
    """A plain index of what there is in some days, with the documents that tell of it. A count of 0 says that there is none.

    For an inspector in the days of the entrance; for who works here in any: what an inspector of those days would find.
    """

    serializer_class = OpenRecordsSerializer
    read_roles = ANY_ROLE

    @extend_schema(parameters=[OpenRecordsFilters], responses=OpenRecordsSerializer)
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        asked = OpenRecordsFilters(data=request.query_params)
        asked.is_valid(raise_exception=True)
        said = asked.validated_data
        days = inspecting.days_asked(self.standing.entrance, said.get("first"), said.get("last"))
        with translation.override(said["language"]):
            found = open_records.sections(self.establishment, days)
            told = [_section(each, said["language"]) for each in found]
        return Response({"first": days.first, "last": days.last, "sections": told})


def _section(section: Section, language: str) -> dict[str, Any]:
    return {
        "name": section.name,
        "title": section.title,
        "count": section.count,
        "left_out": section.left_out,
        "documents": [_offer(each, language) for each in section.offers],
    }


def _offer(offer: Offer, language: str) -> dict[str, Any]:
    return {
        "of": offer.of,
        "title": jobs.title(offer.kind, language),
        "ask": _body(offer, language),
    }


def _body(offer: Offer, language: str) -> dict[str, Any]:
    """What is sent to ask for it: what it is about stands under the name that its kind has for that."""
    said: dict[str, Any] = {"kind": str(offer.kind)}
    if offer.subject is not None:
        said["subject"] = str(offer.subject)
    if offer.about:
        said[next(name for name, kinds in OWN.items() if offer.kind in kinds)] = offer.about
    return said | {"language": language}
