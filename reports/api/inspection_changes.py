"""What changed between two inspection files."""

import json
from typing import Any
from uuid import UUID

from django.core.files.storage import default_storage
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from config.api.refusals import RuleBroken, Unknown
from ledger.api.scope import Scoped
from ledger.models import Establishment
from reports import jobs
from reports.inspection import changes
from reports.models import DocumentJob


class SinceFilters(serializers.Serializer):
    since = serializers.UUIDField(help_text="The id of an earlier inspection file.")


class FileLineSerializer(serializers.Serializer):
    kind = serializers.CharField()
    of = serializers.CharField()
    document = serializers.CharField(help_text="Its number in its file.")


class FileRecordSerializer(serializers.Serializer):
    record = serializers.UUIDField()
    kind = serializers.CharField()
    digest = serializers.CharField()
    corrects = serializers.UUIDField(allow_null=True)


class FileChangesSerializer(serializers.Serializer):
    documents_new = FileLineSerializer(many=True)
    documents_gone = FileLineSerializer(many=True)
    records_new = FileRecordSerializer(many=True)
    records_gone = FileRecordSerializer(many=True, help_text="No longer reached by what was asked for.")
    put_right = serializers.ListField(
        child=serializers.UUIDField(),
        help_text="Records of the earlier file that a new one corrects or withdraws.",
    )


class InspectionFileChanges(Scoped):
    """What this inspection file has and an earlier one has not, and the other way round."""

    serializer_class = FileChangesSerializer
    queryset = DocumentJob.objects.all()
    pagination_class = None

    @extend_schema(parameters=[SinceFilters], responses={200: FileChangesSerializer, 409: None})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        later = self.get_object()
        since = read_filters(self, SinceFilters)["since"]
        changed = changes.between(_data(_other(self.establishment, since)), _data(_file(later)))
        return Response(FileChangesSerializer(changed).data)


def _other(here: Establishment, pk: UUID) -> DocumentJob:
    return _file(DocumentJob.objects.filter(establishment=here, pk=pk).first(), field="since")


def _file(found: DocumentJob | None, field: str = "") -> DocumentJob:
    if found is None or found.kind != DocumentJob.Kind.INSPECTION_FILE:
        raise Unknown("There is no such inspection file here.", field=field)
    return found


def _data(job: DocumentJob) -> dict[str, Any]:
    if job.state != DocumentJob.State.DONE:
        raise RuleBroken(
            f"Inspection file {job.number:06d} is {job.get_state_display()}.", code="not-made-yet"
        )
    with default_storage.open(jobs.path_of(job, "json")) as file:
        data: dict[str, Any] = json.load(file)
    return data
