"""Any record by its id: what it says, its digest, its proof, who signed it, what hangs on it, what corrects it."""

from typing import Any

from django.core.files.storage import default_storage
from django.http import FileResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from config.api.examples import ID, PASSWORD, WHEN, example, example_form
from config.api.parsers import StrictMultiPartParser
from config.api.refusals import Unknown
from ledger import attachments, signatures
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView
from ledger.api.scope import ANY_ROLE, PLANNERS, Scoped, ScopedReference
from ledger.evidence import evidence
from ledger.models import Attachment, Change, Entry, Meaning, Record, Removal, Seal, Signature
from ledger.seals import proof_of


class SealSerializer(serializers.Serializer):
    number = serializers.CharField()
    previous = serializers.CharField()
    root = serializers.CharField()
    leaves = serializers.CharField(source="leaf_count")
    sealed_at = serializers.DateTimeField()
    hash = serializers.CharField()


class Seals(mixins.ListModelMixin, Scoped):
    """The chain of seals, newest first. A hash kept elsewhere shows whether anything was rewritten since."""

    serializer_class = SealSerializer
    queryset = Seal.objects.all()
    ordering = ("-number",)
    read_roles = ANY_ROLE

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)


@example(performed_at=WHEN, target=ID, meaning="reviewed", password=PASSWORD)
class SignatureSerializer(RecordSerializer):
    target = ScopedReference(queryset=Entry.objects.all(), help_text="The id of the record that is signed.")
    meaning = serializers.ChoiceField(choices=Meaning.choices)
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)
    signer_name = serializers.CharField(read_only=True)
    target_digest = serializers.CharField(read_only=True)


class Signatures(RecordView):
    """Sign a record: the signer gives their password again, and nobody signs as another."""

    serializer_class = SignatureSerializer
    queryset = Signature.objects.select_related("establishment", "performed_by")

    def deed(self, act: Act, **values: Any) -> Record:
        proof = signatures.prove(
            request=self.request._request, person=act.recorded_by, password=values.pop("password")
        )
        return signatures.sign(act=act, proof=proof, **values)


@example_form(performed_at=WHEN, target=ID, file="(a photo or a scan)")
class AttachmentSerializer(RecordSerializer):
    target = ScopedReference(queryset=Entry.objects.all(), help_text="The id of the record it hangs on.")
    file = serializers.FileField(write_only=True, help_text="JPEG, PNG or PDF.")
    file_name = serializers.CharField(read_only=True)
    media_type = serializers.CharField(read_only=True)
    size = serializers.IntegerField(read_only=True)
    sha256 = serializers.CharField(read_only=True)


class Attachments(RecordView):
    """Hang a photo or a scan on a record. The file's hash is part of the record."""

    serializer_class = AttachmentSerializer
    queryset = Attachment.objects.select_related("establishment", "performed_by")
    parser_classes = [StrictMultiPartParser]

    def deed(self, act: Act, **values: Any) -> Record:
        file = values.pop("file")
        return attachments.attach(
            act=act, file=file, file_name=file.name, media_type=file.content_type or "", **values
        )


class AttachmentFile(Scoped):
    """The file itself, as it was attached."""

    queryset = Attachment.objects.all()
    serializer_class = AttachmentSerializer

    @extend_schema(responses={(200, "application/octet-stream"): OpenApiTypes.BINARY})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> FileResponse:
        found = self.get_object()
        try:
            file = default_storage.open(attachments.path_of(found.sha256))
        except FileNotFoundError as error:
            raise Unknown(
                "The file is not in the storage any more. Its hash remains; verify names it."
            ) from error
        return FileResponse(
            file,
            content_type=found.media_type,
            as_attachment=True,
            filename=found.file_name,
        )


class ChangeSerializer(RecordSerializer):
    subject_kind = serializers.CharField()
    subject_id = serializers.UUIDField()
    before = serializers.DictField()
    after = serializers.DictField()


class ChangeFilters(serializers.Serializer):
    subject = serializers.UUIDField(required=False)


class Changes(mixins.ListModelMixin, Scoped):
    """What reference data said before and after each change. ``?subject=`` narrows it to one row."""

    serializer_class = ChangeSerializer
    queryset = Change.objects.select_related("establishment", "performed_by")
    read_roles = PLANNERS
    ordering = ("-recorded_at", "-id")

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        asked = ChangeFilters(data=self.request.query_params)
        asked.is_valid(raise_exception=True)
        return queryset.filter(**{f"{name}_id": value for name, value in asked.validated_data.items()})

    @extend_schema(parameters=[ChangeFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)


class RemovedSerializer(serializers.Serializer):
    id = serializers.UUIDField(help_text="Of the record of the removal.")
    rule = serializers.CharField(help_text="The retention rule that ended.")
    recorded_at = serializers.DateTimeField()
    recorded_by = serializers.UUIDField(source="recorded_by_id")


class AnyRecordSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    kind = serializers.CharField()
    digest = serializers.CharField()
    content = serializers.DictField(
        allow_null=True,
        help_text="What the digest covers; confidential values stand as a salted hash. Null when it was removed.",
    )
    removed = RemovedSerializer(
        allow_null=True, help_text="How it left after its retention ended; digest, seal and proof stay."
    )
    corrected_by = serializers.UUIDField(allow_null=True)
    proof = serializers.DictField(
        allow_null=True, help_text="Inclusion proof (RFC 6962); null while not sealed."
    )
    seal = SealSerializer(allow_null=True, help_text="The seal that the proof leads to.")
    signatures = SignatureSerializer(many=True)
    attachments = AttachmentSerializer(many=True)


class AnyRecord(Scoped):
    """One record of any kind. Of one that was removed: what stays."""

    queryset = Entry.objects.all()
    serializer_class = AnyRecordSerializer

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        entry = self.get_object()
        removed = Removal.objects.of(self.establishment).filter(removed_id=entry.pk).first()
        record = None if removed else signatures.record_of(entry)
        proof = proof_of(entry)
        later = getattr(record, "corrected_by", None)
        shown = {
            "id": entry.pk,
            "kind": entry.kind,
            "digest": entry.digest,
            "content": record and record.content(),
            "removed": removed,
            "corrected_by": later and later.pk,
            "proof": proof and proof.as_json(),
            "seal": proof and proof.seal,
            "signatures": entry.signatures.select_related("establishment", "performed_by", "target"),
            "attachments": entry.attachments.select_related("establishment", "performed_by", "target"),
        }
        return Response(self.get_serializer(shown).data)


class RecordEvidence(Scoped):
    """A record, its proof and seal as a file for the stand-alone checker; confidential values stay hidden."""

    queryset = Entry.objects.all()
    serializer_class = AnyRecordSerializer

    @extend_schema(responses={200: OpenApiTypes.OBJECT})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        record = signatures.record_of(self.get_object())
        return Response(evidence([record]), status=status.HTTP_200_OK)
