"""What plans, local rules and instruments share over HTTP: a list to add to, and one row under ``If-Match``."""

from decimal import Decimal
from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.reference import ReferenceList, ReferenceOne
from batches.quantities import parse_number, plain_text
from config.api.etags import version_sent
from config.api.refusals import Unusable
from ledger.acts import Act
from ledger.api.records import act_of


@extend_schema_field(OpenApiTypes.STR)
class NumberText(serializers.Field):
    """A plain decimal number as text, for example ``0.60``."""

    def to_internal_value(self, data: Any) -> Decimal:
        try:
            return parse_number(data, field=self.field_name or "")
        except Unusable as refusal:
            raise serializers.ValidationError(refusal.detail, code=refusal.code) from refusal

    def to_representation(self, value: Decimal) -> str:
        return plain_text(value)


class Register(ReferenceList):
    """List rows, or add one with ``make``."""

    def make(self, act: Act, values: dict[str, Any]) -> Any:
        raise NotImplementedError

    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        row = self.make(act_of(self, request, values), values)
        return self.answer(row, status.HTTP_200_OK if row.repeated else status.HTTP_201_CREATED)


class RegisterRow(ReferenceOne):
    """One row, changed with ``alter`` by whoever saw its present version."""

    def alter(self, act: Act, row: Any, values: dict[str, Any], expected_version: int) -> Any:
        raise NotImplementedError

    def patch(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        row = self.get_object()
        expected = version_sent(request, row)
        serializer = self.get_serializer(row, data=request.data, partial=True)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        values.pop("id", None)
        return self.answer(self.alter(act_of(self, request, values), row, values, expected))
