"""Which parts of the work are asked of a house, and the reliefs that its food-safety leads record."""

from dataclasses import replace
from datetime import date
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from config.api.days import DayField
from config.api.examples import PASSWORD, WHEN, example
from haccp.api.recalls import password_field, proof_of
from haccp.compliance import known, profile, reliefs
from haccp.models import ComplianceRelief
from ledger.acts import Act, Moment
from ledger.api.records import DeedView, RecordSerializer, RecordView
from ledger.api.scope import DECIDERS, Scoped
from ledger.models import Record


class LawSerializer(serializers.Serializer):
    """What published law spares whom, and how well its text is known."""

    code = serializers.CharField()
    name = serializers.CharField()
    for_whom = serializers.CharField()
    spares = serializers.CharField(help_text="In law.")
    instead = serializers.CharField(help_text="What it asks for in turn.")
    eases = serializers.ListField(
        child=serializers.CharField(), help_text="Codes of parts that it eases here."
    )
    longest_days = serializers.IntegerField()
    source = serializers.CharField()
    provenance = serializers.CharField()


class GroundSerializer(serializers.Serializer):
    """Why something is eased."""

    relief = serializers.CharField(
        source="law.code", default="", help_text="Empty: the establishment's own profile says so."
    )
    basis = serializers.CharField()
    evidence = serializers.CharField()
    by = serializers.CharField(help_text="The name of who recorded it.")
    from_day = serializers.DateField(allow_null=True)
    until_day = serializers.DateField(
        allow_null=True, help_text="The first day it no longer holds; null: no end is said."
    )
    record = serializers.UUIDField(allow_null=True)


class RequiredPartSerializer(serializers.Serializer):
    code = serializers.CharField(source="part.code")
    name = serializers.CharField(source="part.name")
    asks = serializers.CharField(source="part.asks")
    requirements = serializers.ListField(
        child=serializers.CharField(), source="part.requirements", help_text="Ids of the requirements map."
    )
    kept = serializers.BooleanField(source="part.kept", help_text="No relief eases it.")
    state = serializers.SerializerMethodField(help_text="asked or eased, on that day.")
    eased = serializers.CharField(source="part.eased", help_text="What is different where it is eased.")
    grounds = GroundSerializer(many=True)

    def get_state(self, standing: profile.Standing) -> str:
        return "eased" if standing.is_eased else "asked"


class ProfileSerializer(serializers.Serializer):
    on = serializers.DateField()
    country = serializers.CharField()
    parts = RequiredPartSerializer(many=True)
    reliefs = GroundSerializer(many=True, help_text="Those of law that hold on that day.")
    known_reliefs = LawSerializer(
        many=True, help_text="Those that the law of this country knows, as far as we do."
    )
    kept = serializers.CharField()
    ask = serializers.CharField()


class OnFilter(serializers.Serializer):
    on = DayField(required=False, help_text="The day to ask of; today, if left out.")


class RequiredParts(Scoped):
    """Which parts the service asks of this establishment on a day, which are eased, by whom, on what basis, until when."""

    serializer_class = ProfileSerializer
    queryset = ComplianceRelief.objects.all()

    @extend_schema(parameters=[OnFilter], responses=ProfileSerializer)
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        here = self.establishment
        on: date = read_filters(self, OnFilter).get("on") or Moment.now(here).local.date()
        told = profile.of(here, on)
        data = {
            **{name: getattr(told, name) for name in ("on", "country", "parts", "reliefs")},
            "known_reliefs": known.of(here.country),
            "kept": known.KEPT,
            "ask": known.DEFERRAL,
        }
        return Response(ProfileSerializer(data).data)


@example(
    performed_at=WHEN,
    relief="eu-nature-and-size",
    basis="Two people, one kitchen. The town's food office agreed on its visit of 12 February 2026.",
    evidence="Its letter of 20 February 2026, scan attached.",
    from_day="2026-03-02",
    until_day="2027-03-01",
    password=PASSWORD,
)
class ComplianceReliefSerializer(RecordSerializer):
    relief = serializers.CharField(max_length=40, help_text="A code of `known_reliefs`.")
    basis = serializers.CharField(max_length=4000, help_text="On what it rests, in words.")
    evidence = serializers.CharField(
        max_length=2000, help_text="What shows it and where that lies; scans can hang on the record."
    )
    from_day = serializers.DateField(help_text="Not before the day it is recorded on.")
    until_day = serializers.DateField(help_text="The first day it no longer holds.")
    password = password_field()


class ComplianceReliefs(RecordView):
    """Reliefs as recorded and signed, newest first. A correction (`corrects`) ends one earlier, and nothing else."""

    serializer_class = ComplianceReliefSerializer
    queryset = ComplianceRelief.objects.select_related("establishment", "performed_by")
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        proof = proof_of(self, act, values)
        return reliefs.record(act=act, proof=proof, **values)


@example(
    performed_at=WHEN,
    corrects="01a21200-0000-7000-8000-000000000050",
    reason="We sell more than that.",
    password=PASSWORD,
)
class WithdrawnReliefSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The relief that never held.")
    reason = serializers.CharField(max_length=1000)
    password = password_field()


class WithdrawnReliefs(DeedView):
    """Say that a relief never held: what it eased is asked again for all of its days."""

    queryset = ComplianceRelief.objects.all()
    serializer_class = WithdrawnReliefSerializer
    shown_by = ComplianceReliefSerializer
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        proof = proof_of(self, act, values)
        return reliefs.withdraw(act=replace(act, withdraws=True), proof=proof)
