"""Recalls and trace exercises over HTTP: decide, freeze, let go, tell, answer, look, end."""

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from batches.carry_over import Hazard
from batches.models import Lot
from config.api.bodies import BodySerializer
from config.api.examples import ID, PASSWORD, WHEN, example
from haccp.models import (
    Depth,
    Deviation,
    Level,
    Recall,
    RecallClass,
    RecallEnd,
    RecallExclusion,
    RecallHazard,
    RecallScope,
    RecallStrategy,
)
from haccp.recalls import deciding, scoping
from haccp.recalls.deciding import Strategy
from haccp.trace_starts import hazard_of
from ledger import signatures
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView
from ledger.api.scope import DECIDERS, WORKERS, Scoped, ScopedReference
from ledger.models import Establishment, Record

RELATED = ("establishment", "performed_by")
REASON = {"max_length": 4000}


def password_field() -> serializers.CharField:
    return serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)


class StrategySerializer(BodySerializer):
    recall_class = serializers.ChoiceField(choices=RecallClass.choices, required=False)
    classified_by = serializers.CharField(
        max_length=200,
        required=False,
        help_text="The authority that classified it, and its reference.",
    )
    depth = serializers.ChoiceField(choices=Depth.choices)
    level = serializers.ChoiceField(choices=Level.choices)
    percent = serializers.IntegerField(
        min_value=11,
        max_value=99,
        required=False,
        allow_null=True,
        default=None,
        help_text="At level B only.",
    )
    because = serializers.CharField(**REASON)


STRATEGY = {"depth": "retail", "level": "A", "because": "It may be severe, and all buyers are known."}


class RecallSerializer(RecordSerializer):
    code = serializers.CharField(read_only=True)
    is_exercise = serializers.BooleanField(required=False, default=False)
    hazard = serializers.ChoiceField(choices=RecallHazard.choices)
    because = serializers.CharField(**REASON)
    determined_at = serializers.DateTimeField(help_text="When you knew; authorities count from then.")
    deviation = ScopedReference(
        queryset=Deviation.objects.all(), required=False, allow_null=True, default=None
    )


@example(
    performed_at=WHEN,
    hazard="allergen",
    because="Almond in a product whose label does not declare it.",
    determined_at="2026-03-02T07:00:00+01:00",
    strategy=STRATEGY,
    password=PASSWORD,
)
class DecidedSerializer(RecallSerializer):
    strategy = StrategySerializer(write_only=True)
    password = password_field()


class RecallFilters(serializers.Serializer):
    exercise = serializers.BooleanField(required=False, default=None, allow_null=True)
    open = serializers.BooleanField(required=False, default=None, allow_null=True)


class Recalls(RecordView):
    """Recalls and trace exercises, newest first. Deciding on one is signed."""

    serializer_class = DecidedSerializer
    queryset = Recall.objects.select_related(*RELATED, "deviation")

    def get_queryset(self) -> Any:
        queryset, asked = super().get_queryset(), read_filters(self, RecallFilters)
        if asked.get("exercise") is not None:
            queryset = queryset.filter(is_exercise=asked["exercise"])
        return queryset if asked.get("open") is None else queryset.filter(end__isnull=asked["open"])

    @extend_schema(parameters=[RecallFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def deed(self, act: Act, **values: Any) -> Record:
        strategy, proof = Strategy(**values.pop("strategy")), proof_of(self, act, values)
        return deciding.decide(act=act, proof=proof, strategy=strategy, **values)


def proof_of(view: Scoped, act: Act, values: dict[str, Any]) -> signatures.Proof:
    return signatures.prove(
        request=view.request._request, person=act.recorded_by, password=values.pop("password")
    )


class OfRecall(RecordView):
    """Records of one recall, which stands in the address."""

    write_roles = DECIDERS

    @property
    def recall(self) -> Recall:
        found = Recall.objects.select_related("establishment", "deviation")
        return get_object_or_404(found, establishment=self.establishment, pk=self.kwargs["pk"])

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(recall=self.recall)


@example(
    performed_at=WHEN,
    strategy=STRATEGY | {"recall_class": "I", "classified_by": "Town food office, letter 12"},
)
class StrategyRecordSerializer(RecordSerializer):
    strategy = StrategySerializer(write_only=True)
    recall_class = serializers.CharField(read_only=True)
    classified_by = serializers.CharField(read_only=True)
    depth = serializers.CharField(read_only=True)
    level = serializers.CharField(read_only=True)
    percent = serializers.IntegerField(read_only=True, allow_null=True)
    because = serializers.CharField(read_only=True)


class Strategies(OfRecall):
    """Class, depth and effectiveness level; the newest holds."""

    serializer_class = StrategyRecordSerializer
    queryset = RecallStrategy.objects.select_related(*RELATED)

    def deed(self, act: Act, **values: Any) -> Record:
        return deciding.change_strategy(act=act, recall=self.recall, strategy=Strategy(**values["strategy"]))


class HazardSerializer(BodySerializer):
    """What may have been carried over shared equipment; a cleaning stops it only where it is valid for it."""

    allergens = serializers.ListField(
        child=serializers.CharField(max_length=60), required=False, max_length=50, help_text="Codes."
    )
    microbiological = serializers.BooleanField(required=False, default=False)
    foreign_bodies = serializers.BooleanField(required=False, default=False)


def carried_over(here: Establishment, said: dict[str, Any], field: str) -> Hazard | None:
    """What ``HazardSerializer`` read. Raises Unusable for allergens that no list names."""
    return hazard_of(
        here,
        tuple(said.get("allergens", ())),
        said.get("microbiological", False),
        said.get("foreign_bodies", False),
        field=f"{field}.allergens",
    )


@example(performed_at=WHEN, lots=[ID], hazard={"allergens": ["almond"]})
class ScopeSerializer(RecordSerializer):
    number = serializers.IntegerField(read_only=True)
    starts = serializers.ListField(child=serializers.UUIDField(), read_only=True)
    hazard = HazardSerializer(
        required=False,
        help_text="Widen by shared equipment, as far as this may have been carried over. What was named once is "
        "followed whenever the scope is frozen again.",
    )
    touches = serializers.ListField(
        child=serializers.DictField(),
        read_only=True,
        help_text="How equipment led from batch to batch; a frozen lot names its own by place (`touch`, from 0).",
    )
    frozen = serializers.ListField(child=serializers.DictField(), source="lots", read_only=True)
    consignees = serializers.ListField(child=serializers.DictField(), read_only=True)
    outlets = serializers.ListField(
        child=serializers.DictField(),
        read_only=True,
        help_text="Where buyers nobody names may have got some, with quantities and days.",
    )
    in_batches = serializers.ListField(
        child=serializers.DictField(),
        read_only=True,
        help_text="What went into batches that have made nothing yet.",
    )
    seal_number = serializers.IntegerField(read_only=True)
    seal_hash = serializers.CharField(read_only=True)
    left_out = serializers.SerializerMethodField(help_text="Lots that a signed decision let go.")
    lots = serializers.ListField(
        child=serializers.UUIDField(),
        write_only=True,
        min_length=1,
        max_length=1000,
        help_text="To trace from.",
    )

    @extend_schema_field(serializers.ListField(child=serializers.UUIDField()))
    def get_left_out(self, scope: RecallScope) -> list[str]:
        return sorted(scoping.left_out(scope))


class Scopes(OfRecall):
    """What is in the recall, frozen from a trace forward from lots. Frozen again it can only grow."""

    serializer_class = ScopeSerializer
    queryset = RecallScope.objects.select_related(*RELATED).prefetch_related("exclusions__lot")
    write_roles = WORKERS

    def deed(self, act: Act, **values: Any) -> Record:
        hazard = carried_over(self.establishment, values.get("hazard", {}), "hazard")
        return scoping.freeze(act=act, recall=self.recall, starts=values["lots"], hazard=hazard)


@example(performed_at=WHEN, lot=ID, because="Made before the nut paste came in.", password=PASSWORD)
class ExclusionSerializer(RecordSerializer):
    lot = ScopedReference(queryset=Lot.objects.all(), slug="uid")
    because = serializers.CharField(**REASON)
    scope = serializers.IntegerField(source="scope.number", read_only=True)
    password = password_field()


class Exclusions(OfRecall):
    """Lots that leave the scope, each by a signed decision with its reason."""

    serializer_class = ExclusionSerializer
    queryset = RecallExclusion.objects.select_related(*RELATED, "lot", "scope")

    def get_queryset(self) -> Any:
        queryset = super(OfRecall, self).get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(scope__recall=self.recall)

    def deed(self, act: Act, **values: Any) -> Record:
        proof = proof_of(self, act, values)
        return scoping.leave_out(act=act, proof=proof, recall=self.recall, **values)


@example(performed_at=WHEN, because="All shops answered; what came back is destroyed.", password=PASSWORD)
class RecallEndSerializer(RecordSerializer):
    because = serializers.CharField(**REASON)
    password = password_field()


class RecallEnds(OfRecall):
    """It is over, signed. What is open then stays open in its report."""

    serializer_class = RecallEndSerializer
    queryset = RecallEnd.objects.select_related(*RELATED)

    def deed(self, act: Act, **values: Any) -> Record:
        proof = proof_of(self, act, values)
        return deciding.end(act=act, proof=proof, recall=self.recall, **values)
