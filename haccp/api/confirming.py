"""Confirming over HTTP what an authority asks: the signer names the version that was read and gives the password."""

from typing import Any, ClassVar

from django.shortcuts import get_object_or_404
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.reference import ReferenceView
from config.api.bodies import BodySerializer
from ledger import signatures
from ledger.acts import Act
from ledger.api.records import MomentField, act_of
from ledger.api.scope import DECIDERS


class ConfirmationSerializer(BodySerializer):
    """Subclasses add the field for the version that was read."""

    id = serializers.UUIDField(required=False, help_text="With performed_at a resend is harmless.")
    performed_at = MomentField(source="performed", required=False)
    note = serializers.CharField(
        max_length=4000, required=False, allow_blank=True, default="", help_text="With whom it was confirmed."
    )
    password = serializers.CharField(max_length=200, trim_whitespace=False)


class Confirmation(ReferenceView):
    """Confirm one row; ``said`` reads the body, ``version`` is its field for the version that was read."""

    write_roles = DECIDERS
    said: ClassVar[type[ConfirmationSerializer]]
    version: ClassVar[str]

    def confirm(self, *, act: Act, row: Any, proof: signatures.Proof, expected_version: int) -> Any:
        raise NotImplementedError

    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        row = get_object_or_404(self.get_queryset(), pk=kwargs["pk"])
        serializer = self.said(data=request.data, context=self.get_serializer_context())
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        act = act_of(self, request, values)
        proof = signatures.prove(
            request=request._request, person=act.recorded_by, password=values["password"]
        )
        return self.answer(self.confirm(act=act, row=row, proof=proof, expected_version=values[self.version]))
