"""Reviews: which records await one and by which day, and signing for several of them at once."""

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from batches.models import Batch
from haccp import reviews
from ledger import signatures
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView
from ledger.api.scope import DECIDERS, Scoped, ScopedReference
from ledger.models import Entry, Meaning, Record, Signature


class AwaitedSerializer(serializers.Serializer):
    """A record that nobody has reviewed as it stands."""

    id = serializers.UUIDField(source="record.pk", help_text="What to send as one of a review's records.")
    kind = serializers.CharField(source="record.kind")
    about = serializers.CharField()
    batch = serializers.UUIDField(source="batch.uid", default=None, allow_null=True)
    batch_code = serializers.CharField(source="batch.code", default="")
    performed_by = serializers.UUIDField(source="record.performed_by_id")
    recorded_at = serializers.DateTimeField(source="record.recorded_at")
    review_by = serializers.DateField(
        allow_null=True,
        help_text="The last day, by the plan's working days; days closed besides are not known here, so it is "
        "early rather than late. null: no plan says one.",
    )
    overdue = serializers.BooleanField()


class AwaitedFilters(serializers.Serializer):
    batch = serializers.UUIDField(required=False)


class ReviewsDue(Scoped):
    """Checks, closed deviations, slips put right and batches that await a review, the oldest first."""

    serializer_class = AwaitedSerializer
    queryset = Entry.objects.all()
    ordering = ("id",)

    def get_queryset(self) -> Any:
        if getattr(self, "swagger_fake_view", False):
            return super().get_queryset()
        asked = read_filters(self, AwaitedFilters)
        batch = None
        if "batch" in asked:
            batch = get_object_or_404(Batch, establishment=self.establishment, uid=asked["batch"])
        return reviews.awaiting(self.establishment, batch)

    @extend_schema(parameters=[AwaitedFilters], responses={200: AwaitedSerializer(many=True)})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        page = self.paginate_queryset(self.get_queryset())
        assert page is not None
        return self.get_paginated_response(self.get_serializer(reviews.awaited(page), many=True).data)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Two checks",
            {
                "performed_at": "2026-03-03T17:00:00+01:00",
                "records": ["01a21200-0000-7000-8000-000000000040", "01a21200-0000-7000-8000-000000000041"],
                "password": "the signer's own",
            },
            request_only=True,
        )
    ]
)
class ReviewSerializer(RecordSerializer):
    records = serializers.ListField(
        child=ScopedReference(queryset=Entry.objects.all()),
        min_length=1,
        max_length=reviews.MOST_RECORDS,
        write_only=True,
        help_text="The records that were looked over, by id.",
    )
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)
    target = serializers.UUIDField(
        source="target_id", read_only=True, help_text="The record signed for; in an answer the first of them."
    )
    signer_name = serializers.CharField(read_only=True)


class Reviews(RecordView):
    """Reviews as signed, newest first. Post one to sign for several records; nobody reviews their own work."""

    serializer_class = ReviewSerializer
    queryset = Signature.objects.filter(meaning=Meaning.REVIEWED).select_related(
        "establishment", "performed_by"
    )
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        proof = signatures.prove(
            request=self.request._request, person=act.recorded_by, password=values["password"]
        )
        return reviews.review(act=act, proof=proof, records=values["records"])
