"""How long records are kept, over HTTP: what leaves by a day, what a lead says of it, what was archived.

Archives are written and records removed by ``manage.py retention``, on the machine where the files lie.
"""

from dataclasses import replace
from datetime import date
from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from config.api.days import DayField
from config.api.examples import ID, PASSWORD, WHEN, example
from config.api.refusals import RuleBroken, Unknown
from haccp.api.recalls import password_field, proof_of
from haccp.models import Archive, Jurisdiction, KeptLonger, LegalHold, Markets
from haccp.retention import rules, saying
from haccp.retention.summary import Summary, summary
from ledger.acts import Act
from ledger.api.records import DeedView, RecordSerializer, RecordView
from ledger.api.scope import DECIDERS, PLANNERS, WORKERS, Scoped
from ledger.models import Entry, Record
from ledger.snapshots import one_snapshot

MOST_AT_ONCE = 20_000  # a site setting, no source: some seconds of work
RELATED = ("establishment", "performed_by")
ASK = (
    "Rules are told in our own words, most from memory. Read the current text and ask your authority before anything "
    "leaves."
)
WORD = {"performed_at": WHEN, "password": PASSWORD}


class Uncorrected(RecordSerializer):
    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs.get("corrects_id"):
            raise serializers.ValidationError({"corrects": "Take the word back, and give another."})
        return super().validate(attrs)


# -- what a lead says -------------------------------------------------------------------------------------


@example(**WORD, jurisdictions=["EU"], because="We sell at our door and to shops of this country.")
class MarketsSerializer(Uncorrected):
    jurisdictions = serializers.ListField(
        child=serializers.ChoiceField(choices=Jurisdiction.choices),
        min_length=1,
        max_length=len(Jurisdiction),
        help_text="Where the house ships to; where it is counts anyway.",
    )
    because = serializers.CharField(max_length=1000)
    password = password_field()


class RetentionMarkets(RecordView):
    """Where the house ships to: only rules from there apply. Without such a word all apply. Signed; the newest holds."""

    serializer_class = MarketsSerializer
    queryset = Markets.objects.select_related(*RELATED)
    read_roles = WORKERS
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        return saying.state_markets(act=act, proof=proof_of(self, act, values), **values)


@example(**WORD, group="everything", years=6, because="Our insurer asks for it.")
class KeptLongerSerializer(Uncorrected):
    group = serializers.ChoiceField(choices=[rules.EVERYTHING, *rules.shipped().groups])
    years = serializers.IntegerField(min_value=1, max_value=100)
    because = serializers.CharField(max_length=1000)
    password = password_field()


class RetentionPeriods(RecordView):
    """The house's own periods: longer than the rules, never shorter (409 ``shorter-than-the-rule``). Signed."""

    serializer_class = KeptLongerSerializer
    queryset = KeptLonger.objects.select_related(*RELATED)
    read_roles = WORKERS
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        return saying.keep_longer(act=act, proof=proof_of(self, act, values), **values)


@example(**WORD, subject=ID, because="A court asks for it.")
class LegalHoldSerializer(Uncorrected):
    subject = serializers.UUIDField(help_text="Of a lot, a batch, a record; of the house for everything.")
    because = serializers.CharField(max_length=1000)
    password = password_field()


class LegalHolds(RecordView):
    """What is kept until further notice, whatever its day says. Signed."""

    serializer_class = LegalHoldSerializer
    queryset = LegalHold.objects.select_related(*RELATED)
    read_roles = WORKERS
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        return saying.hold(act=act, proof=proof_of(self, act, values), **values)


WORDS: dict[str, Any] = {kind.kind: kind for kind in (Markets, KeptLonger, LegalHold)}


@example(**WORD, corrects=ID, reason="The court has decided.")
class WordTakenBackSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The word that is taken back.")
    reason = serializers.CharField(max_length=1000)
    password = password_field()


class WordsTakenBack(DeedView):
    """Take a word on markets, a period or a hold back, signed: it counts no more, and stays legible."""

    queryset = LegalHold.objects.all()
    serializer_class = WordTakenBackSerializer
    read_roles = WORKERS
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        named = Entry.objects.filter(establishment=self.establishment, pk__in=[act.corrects]).first()
        kind = None if named is None else WORDS.get(named.kind)
        if kind is None:
            raise Unknown(
                f"There is no such word {act.corrects} here. Nothing was written.", field="corrects"
            )
        proof = proof_of(self, act, values)
        return saying.take_back(act=replace(act, withdraws=True), proof=proof, kind=kind)


# -- what leaves ------------------------------------------------------------------------------------------


class RetentionFilters(serializers.Serializer):
    on = DayField(required=False, help_text="The day asked for; today, if left out.")


class KindCountSerializer(serializers.Serializer):
    kind = serializers.CharField(source="kind.kind")
    records = serializers.IntegerField()
    leaving = serializers.IntegerField()


class KeptBySerializer(serializers.Serializer):
    because = serializers.CharField()
    provenance = serializers.CharField(help_text="How the rule was seen; empty where it is no rule.")
    records = serializers.IntegerField()
    until = serializers.DateField(allow_null=True, help_text="Of the last of them; null: no end is known.")


class RetentionRuleSerializer(serializers.Serializer):
    id = serializers.CharField()
    jurisdiction = serializers.CharField()
    group = serializers.CharField()
    clock = serializers.ChoiceField(choices=rules.CLOCKS)
    months = serializers.IntegerField(allow_null=True, help_text="Null: the text names no number.")
    says = serializers.CharField()
    source = serializers.CharField()
    section = serializers.CharField()
    provenance = serializers.CharField()


class RetentionSerializer(serializers.Serializer):
    on = serializers.DateField()
    jurisdictions = serializers.ListField(child=serializers.CharField())
    records = serializers.IntegerField()
    leaving = serializers.IntegerField()
    kinds = KindCountSerializer(many=True)
    kept = KeptBySerializer(many=True)
    rules = RetentionRuleSerializer(many=True)
    ask = serializers.CharField(default=ASK)


class Retention(Scoped):
    """What will leave retention by a day, and what keeps the rest. Of more than 20,000 records ask for the document."""

    queryset = Archive.objects.all()
    serializer_class = RetentionSerializer
    read_roles = PLANNERS

    @extend_schema(parameters=[RetentionFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        asked = read_filters(self, RetentionFilters)
        with one_snapshot():
            found = self._summary(asked.get("on"))
        return Response(RetentionSerializer(found).data)

    def _summary(self, on: date | None) -> Summary:
        count = Entry.objects.filter(establishment=self.establishment).count()
        if count > MOST_AT_ONCE:
            raise RuleBroken(
                f"{count} records are too many to count while you wait. Ask for the document `retention-report`.",
                code="too-many-records",
            )
        return summary(self.establishment, on or timezone.now().astimezone(self.establishment.zone).date())


class ArchiveSerializer(RecordSerializer):
    file_name = serializers.CharField(read_only=True)
    size = serializers.IntegerField(read_only=True)
    sha256 = serializers.CharField(read_only=True)
    records = serializers.IntegerField(read_only=True)
    root = serializers.CharField(read_only=True)


class Archives(mixins.ListModelMixin, Scoped):
    """What was written to a verified file before it may leave, newest first."""

    queryset = Archive.objects.select_related(*RELATED)
    serializer_class = ArchiveSerializer
    read_roles = WORKERS
    ordering = ("-recorded_at", "-id")

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)
