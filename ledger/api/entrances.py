"""Entrances of inspectors: opened, revoked, and every look through them."""

from dataclasses import replace
from datetime import datetime
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers
from rest_framework.request import Request
from rest_framework.response import Response

from config.api.bodies import BodySerializer
from config.api.examples import ID, WHEN, example
from ledger import entrances
from ledger.acts import Act
from ledger.api.records import DeedView, RecordSerializer, RecordView
from ledger.api.scope import PLANNERS, PersonReference, Scoped
from ledger.models import Entrance, Look, Record


class NewcomerSerializer(BodySerializer):
    """An inspector who was never here: who they are, and a first password, which they change themselves."""

    sign_in_name = serializers.CharField(max_length=60)
    name = serializers.CharField(max_length=120)
    initials = serializers.CharField(max_length=6)
    email = serializers.EmailField(required=False, allow_blank=True, default="")
    password = serializers.CharField(max_length=200, trim_whitespace=False)


@example(
    performed_at=WHEN,
    person=ID,
    authority="County food inspection",
    because="Yearly inspection, announced by letter of 12 February.",
    opens_at="2026-03-02T08:00:00+01:00",
    closes_at="2026-03-06T18:00:00+01:00",
    first_day="2026-01-01",
    last_day="2026-02-28",
)
class EntranceSerializer(RecordSerializer):
    person = PersonReference(
        required=False, help_text="Somebody with the role inspector here; or `newcomer` in its place."
    )
    newcomer = NewcomerSerializer(
        required=False, write_only=True, help_text="Makes the person with the role inspector in one go."
    )
    authority = serializers.CharField(max_length=200)
    because = serializers.CharField(max_length=1000)
    opens_at = serializers.DateTimeField()
    closes_at = serializers.DateTimeField(help_text="From then on it opens nothing.")
    first_day = serializers.DateField(help_text="The first local day of the records that it opens.")
    last_day = serializers.DateField(
        required=False, allow_null=True, default=None, help_text="The last one, included; none: up to today."
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("person" in attrs) == ("newcomer" in attrs):
            raise serializers.ValidationError(
                {"person": "Name the inspector, or say who the newcomer is."}, code="one-of"
            )
        return super().validate(attrs)


class Entrances(RecordView):
    """Let an inspector read: from when until when, and which days of the records. Revoked ones are listed too, as withdrawn.

    A period that is over is not prolonged: revoke it and open another.
    """

    serializer_class = EntranceSerializer
    queryset = Entrance.objects.select_related("establishment", "performed_by", "person")
    write_roles = PLANNERS

    def deed(self, act: Act, **values: Any) -> Record:
        if (who := values.pop("newcomer", None)) is not None:
            return entrances.let_in_somebody_new(act=act, who=dict(who), **values)
        return entrances.let_in(act=act, **values)


@example(performed_at=WHEN, corrects=ID, reason="The inspection is over.")
class RevokedSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The entrance that is revoked.")
    reason = serializers.CharField(max_length=1000)


class EntrancesRevoked(DeedView):
    """Revoke an entrance: it opens nothing from this moment on, in no session and with no key."""

    queryset = Entrance.objects.all()
    serializer_class = RevokedSerializer
    shown_by = EntranceSerializer
    write_roles = PLANNERS

    def deed(self, act: Act, **values: Any) -> Record:
        return entrances.revoke(act=replace(act, withdraws=True))


class LookSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    at = serializers.SerializerMethodField()
    entrance = serializers.UUIDField(source="entrance_id")
    person = serializers.UUIDField(source="entrance.person_id")
    name = serializers.CharField(source="entrance.person.name")
    authority = serializers.CharField(source="entrance.authority")
    what = serializers.CharField(help_text="The name of the address.")
    subject = serializers.UUIDField(allow_null=True)
    document = serializers.IntegerField(allow_null=True, help_text="The number of the document.")
    document_kind = serializers.CharField()
    answered = serializers.IntegerField(help_text="The HTTP status; from 400 on nothing was shown.")
    address = serializers.CharField(help_text="Where the request came from.")

    def get_at(self, look: Look) -> datetime:
        return look.at.astimezone(self.context["establishment"].zone)


class LookFilters(serializers.Serializer):
    entrance = serializers.UUIDField(required=False)


class Looks(mixins.ListModelMixin, Scoped):
    """Every answer that an inspector was given, newest first. ``?entrance=`` narrows it to one entrance."""

    serializer_class = LookSerializer
    queryset = Look.objects.select_related("entrance__person")
    ordering = ("-at", "-id")

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        asked = LookFilters(data=self.request.query_params)
        asked.is_valid(raise_exception=True)
        return queryset.filter(**{f"{name}_id": value for name, value in asked.validated_data.items()})

    @extend_schema(parameters=[LookFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)
