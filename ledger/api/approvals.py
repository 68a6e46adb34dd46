"""Approved versions of what has a draft: listed, and approved by signature."""

from typing import Any, ClassVar

from django.db.models import Model
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import mixins, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from ledger import signatures
from ledger.acts import Act
from ledger.api.records import RecordSerializer, act_of
from ledger.api.scope import DECIDERS, Scoped
from ledger.models import Record
from ledger.signatures import Proof

APPROVE = {
    "performed_at": "2026-03-02T09:30:00+01:00",
    "draft_version": 3,
    "password": "the signer's own",
}


@extend_schema_serializer(examples=[OpenApiExample("Approve", APPROVE, request_only=True)])
class VersionSerializer(RecordSerializer):
    """An approved version; it never changes. A newer approval supersedes it."""

    number = serializers.IntegerField(read_only=True)
    document = serializers.DictField(read_only=True)
    draft_version = serializers.IntegerField(
        min_value=1, write_only=True, help_text="The version of the draft that the signer read."
    )
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)


class Versions(mixins.ListModelMixin, Scoped):
    """The versions of the ``drafted`` row that the address names; ``drafted_as`` is the version's field for it.

    Approving signs: the food-safety lead gives the password again.
    """

    write_roles = DECIDERS
    ordering = ("-number", "-id")
    drafted: ClassVar[type[Model]]
    drafted_as: ClassVar[str]

    def approve(self, *, act: Act, row: Any, proof: Proof, expected_version: int) -> Record:
        raise NotImplementedError

    @property
    def row(self) -> Any:
        return get_object_or_404(self.drafted, establishment=self.establishment, pk=self.kwargs["pk"])

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(**{self.drafted_as: self.row})

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        row = self.row
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        act = act_of(self, request, values)
        proof = signatures.prove(
            request=request._request, person=act.recorded_by, password=values["password"]
        )
        version = self.approve(act=act, row=row, proof=proof, expected_version=values["draft_version"])
        code = status.HTTP_200_OK if version.repeated else status.HTTP_201_CREATED
        return Response(self.get_serializer(version).data, status=code)
