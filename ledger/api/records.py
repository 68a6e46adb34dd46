"""The part of every record that the API takes and shows, and the view that posts and lists records."""

import threading
from datetime import datetime
from typing import Any, ClassVar

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import mixins, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from config.api.bodies import BodySerializer
from config.api.refusals import Unusable
from ledger.acts import Act, Moment
from ledger.api.scope import PersonReference, Scoped
from ledger.models import Person, Record


@extend_schema_field(OpenApiTypes.DATETIME)
class MomentField(serializers.Field):
    """RFC 3339 with an offset; the offset is kept as sent."""

    def to_internal_value(self, data: Any) -> Moment:
        if not isinstance(data, str):
            raise serializers.ValidationError(
                "Send text as in RFC 3339, for example 2026-03-02T09:30:00+01:00."
            )
        try:
            return Moment.parse(data)
        except Unusable as refusal:
            raise serializers.ValidationError(refusal.detail, code=refusal.code) from refusal

    def to_representation(self, value: Moment) -> str:
        return value.told


_built = threading.local()


class BuiltOnce(BodySerializer):
    """Its fields are built once a thread: building them anew costs several times what using them does.

    They always belong to the serializer that is asking, and so see its context and no other's. A subclass must
    not change its fields by request.
    """

    @property
    def fields(self) -> Any:
        kept = _built.__dict__
        fields = kept.get(type(self))
        if fields is None:
            fields = kept[type(self)] = super().fields
        elif fields.serializer is not self:
            fields.serializer = self
            for field in fields.values():
                field.parent = self
        return fields


class RecordSerializer(BuiltOnce):
    """What all records share. A subclass adds its own fields; ``act`` takes the shared ones out."""

    id = serializers.UUIDField(
        required=False, help_text="Chosen by the client if it likes (UUIDv7); makes a resend harmless."
    )
    performed_at = MomentField(source="performed")
    performed_by = PersonReference(required=False, help_text="Who did the work; who asks, if left out.")
    place = serializers.CharField(max_length=120, required=False, allow_blank=True, default="")
    note = serializers.CharField(max_length=4000, required=False, allow_blank=True, default="")
    sent_at = serializers.DateTimeField(
        required=False, write_only=True, help_text="The device's clock as it sends this."
    )
    corrects = serializers.UUIDField(source="corrects_id", required=False, allow_null=True, default=None)
    reason = serializers.CharField(max_length=1000, required=False, allow_blank=True, default="")
    withdrawn = serializers.BooleanField(read_only=True)
    recorded_by = serializers.UUIDField(source="recorded_by_id", read_only=True)
    recorded_at = serializers.DateTimeField(read_only=True)
    late = serializers.BooleanField(source="is_late", read_only=True)
    clock_ahead_seconds = serializers.SerializerMethodField()
    digest = serializers.CharField(read_only=True)

    SHARED = ("id", "performed", "performed_by", "place", "note", "sent_at", "corrects_id", "reason")

    def get_clock_ahead_seconds(self, record: Record) -> int | None:
        ahead = record.clock_ahead_by
        return None if ahead is None else int(ahead.total_seconds())

    def to_representation(self, instance: Any) -> dict[str, Any]:
        instance.performed = Moment(instance.performed_at, instance.performed_offset)
        shown: dict[str, Any] = super().to_representation(instance)
        return shown

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs.get("corrects_id") and not attrs.get("reason"):
            raise serializers.ValidationError({"reason": "Say why the earlier record is corrected."})
        return attrs


class WhyField(serializers.CharField):
    """The note on the record of a change of reference data."""

    def __init__(self, **kwargs: Any):
        told = {"required": False, "allow_blank": True, "write_only": True, "max_length": 4000}
        super().__init__(**(told | {"help_text": "Why it is so, or changes."} | kwargs))


def act_of(view: Scoped, request: Request, values: dict[str, Any]) -> Act:
    """Take the shared part out of validated ``values`` and make the act of it."""
    shared = {name: values.pop(name) for name in RecordSerializer.SHARED if name in values}
    person: Person = request.user  # type: ignore[assignment]
    return Act(
        establishment=view.establishment,
        performed_by=shared.pop("performed_by", None) or person,
        performed=shared.pop("performed", None) or Moment.now(view.establishment),
        recorded_by=person,
        corrects=shared.pop("corrects_id", None),
        **shared,
    )


class DeedView(Scoped):
    """Post one kind of record, as a withdrawal. ``deed(act=..., **values)`` writes it; there is no update, no delete.

    Answers 201 for a new record and 200 for a repeat: what is stored, as ``shown_by`` shows it where it was read otherwise.
    """

    shown_by: ClassVar[type[RecordSerializer] | None] = None

    def deed(self, act: Act, **values: Any) -> Record:
        raise NotImplementedError

    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        record = self.deed(act=act_of(self, request, values), **values)
        code = status.HTTP_200_OK if record.repeated else status.HTTP_201_CREATED
        shown = self.shown_by or self.get_serializer_class()
        return Response(shown(record, context=self.get_serializer_context()).data, status=code)


class RecordView(mixins.ListModelMixin, DeedView):
    """The same, and the list of them, newest first."""

    ordering = ("-recorded_at", "-id")

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)


def local_time(record: Record) -> datetime:
    """When the work was done, on the clock it was read from."""
    return Moment(record.performed_at, record.performed_offset).local
