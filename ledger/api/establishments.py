from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from config.api.bodies import NothingUnknown
from config.api.etags import answer_unless_known, answer_with_etag, version_sent
from config.api.examples import example
from ledger import establishments
from ledger.api.records import WhyField, act_of
from ledger.api.scope import PLANNERS, Scoped
from ledger.models import Establishment, Membership


@example(phased_start_until="2026-06-30", note="The plan is being written.")
class EstablishmentSerializer(NothingUnknown, serializers.ModelSerializer):
    note = WhyField()
    gs1_prefixes = serializers.ListField(
        child=serializers.CharField(max_length=12),
        required=False,
        max_length=20,
        help_text="GS1 company prefixes as your GS1 organisation gave them to you; none, if you have none.",
    )

    class Meta:
        model = Establishment
        fields = [
            "id",
            "name",
            "address",
            "country",
            "time_zone",
            "altitude_m",
            "phased_start_until",
            "one_person_reason",
            "late_after_minutes",
            "decimal_comma",
            "balance_gap_permille",
            "buyers_kept_days",
            "exercise_mailbox",
            "reached_by",
            "gs1_prefixes",
            "gln",
            "note",
            "version",
        ]
        read_only_fields = ["version"]


class WhereSerializer(serializers.Serializer):
    establishment = serializers.UUIDField(source="establishment_id")
    name = serializers.CharField(source="establishment.name")
    role = serializers.CharField()
    from_day = serializers.DateField()
    until_day = serializers.DateField(allow_null=True)


class MeSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    sign_in_name = serializers.CharField()
    name = serializers.CharField()
    initials = serializers.CharField()
    roles = WhereSerializer(many=True)


class Me(APIView):
    """Who the key belongs to, and where that person has which role."""

    @extend_schema(responses=MeSerializer)
    def get(self, request: Request) -> Response:
        person: Any = request.user
        person.roles = Membership.objects.filter(person=person).select_related("establishment")
        return Response(MeSerializer(person).data)


class EstablishmentView(Scoped):
    """The establishment and its compliance profile. A change needs ``If-Match`` with the version last read."""

    serializer_class = EstablishmentSerializer
    queryset = Establishment.objects.all()
    write_roles = PLANNERS

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        here = self.establishment
        return answer_unless_known(request, self.get_serializer(here).data, here)

    def patch(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        expected = version_sent(request, self.establishment)
        serializer = self.get_serializer(self.establishment, data=request.data, partial=True)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        act = act_of(self, request, values)
        changed = establishments.change_profile(act=act, values=values, expected_version=expected)
        return answer_with_etag(self.get_serializer(changed).data, changed)
