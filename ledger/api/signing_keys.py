"""The certificates that an establishment's documents are signed with: what an inspector compares a PDF with."""

from typing import Any

from rest_framework import mixins, serializers
from rest_framework.request import Request
from rest_framework.response import Response

from ledger import signing_keys
from ledger.api.records import RecordSerializer
from ledger.api.scope import ANY_ROLE, Scoped
from ledger.models import SigningKey


class SigningKeySerializer(RecordSerializer):
    certificate = serializers.CharField(read_only=True, help_text="X.509 as PEM.")
    fingerprint = serializers.CharField(
        read_only=True, help_text="SHA-256 of the certificate in DER, in hex."
    )
    replaces = serializers.CharField(
        read_only=True, help_text="The fingerprint of the key that was in force before; empty for the first."
    )
    brought = serializers.BooleanField(
        read_only=True, help_text="Whether somebody else made key and certificate."
    )
    ends_at = serializers.SerializerMethodField(help_text="Until when the certificate holds.")

    def get_ends_at(self, record: SigningKey) -> str:
        return signing_keys.ends_at(record).isoformat()


class SigningKeys(mixins.ListModelMixin, Scoped):
    """Which key signed the documents of the establishment from when on, newest first. Keys are made on the server."""

    serializer_class = SigningKeySerializer
    queryset = SigningKey.objects.select_related("establishment", "performed_by")
    ordering = ("-recorded_at", "-id")
    read_roles = ANY_ROLE

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)
