"""Recalls and trace exercises over HTTP: decide, freeze, let go, tell, answer, look, end."""

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.amounts import AmountSerializer, AsEntered, amount
from batches.api.movements import UNIT_HELP, read_filters
from batches.models import Lot, TradingPartner
from config.api.bodies import BodySerializer
from config.api.examples import ID, PASSWORD, WHEN, example
from haccp.models import (
    Depth,
    Deviation,
    Level,
    Means,
    Recall,
    RecallAnswer,
    RecallClass,
    RecallEnd,
    RecallExclusion,
    RecallHazard,
    RecallNotice,
    RecallScope,
    RecallStrategy,
)
from haccp.recalls import answering, deciding, noticing, scoping
from haccp.recalls.answering import SENTENCES, Odd
from haccp.recalls.consignees import UNITS
from haccp.recalls.deciding import Strategy
from haccp.recalls.status import Consignee, Status, status
from ledger import signatures
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView
from ledger.api.scope import DECIDERS, PLANNERS, WORKERS, Scoped, ScopedReference
from ledger.models import Record

RELATED = ("establishment", "performed_by")
DEFERS = (
    "The competent authority decides on class, depth and what the public is told; its word comes first. "
    "Effectiveness levels and classes are those of 21 CFR 7; elsewhere others hold."
)
REASON = {"max_length": 4000}


def _password() -> serializers.CharField:
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
    password = _password()


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
        strategy, proof = Strategy(**values.pop("strategy")), _proof(self, act, values)
        return deciding.decide(act=act, proof=proof, strategy=strategy, **values)


def _proof(view: Scoped, act: Act, values: dict[str, Any]) -> signatures.Proof:
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


@example(performed_at=WHEN, lots=[ID])
class ScopeSerializer(RecordSerializer):
    number = serializers.IntegerField(read_only=True)
    starts = serializers.ListField(child=serializers.UUIDField(), read_only=True)
    frozen = serializers.ListField(child=serializers.DictField(), source="lots", read_only=True)
    consignees = serializers.ListField(child=serializers.DictField(), read_only=True)
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
        return scoping.freeze(act=act, recall=self.recall, starts=values["lots"])


@example(performed_at=WHEN, lot=ID, because="Made before the nut paste came in.", password=PASSWORD)
class ExclusionSerializer(RecordSerializer):
    lot = ScopedReference(queryset=Lot.objects.all(), slug="uid")
    because = serializers.CharField(**REASON)
    scope = serializers.IntegerField(source="scope.number", read_only=True)
    password = _password()


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
        proof = _proof(self, act, values)
        return scoping.leave_out(act=act, proof=proof, recall=self.recall, **values)


@example(
    performed_at=WHEN,
    partner=ID,
    means="e-mail",
    language="en",
    why="It may contain almond, which the label does not say.",
)
class RecallNoticeSerializer(RecordSerializer):
    partner = ScopedReference(
        queryset=TradingPartner.objects.all(), required=False, allow_null=True, default=None
    )
    means = serializers.ChoiceField(choices=Means.choices)
    language = serializers.ChoiceField(choices=list(noticing.LANGUAGES), required=False, default="en")
    why = serializers.CharField(
        max_length=1000, help_text="In your own words, in the language of the notice; it names no person."
    )
    to = serializers.CharField(
        max_length=500,
        required=False,
        write_only=True,
        help_text="Their own address if left out.",
    )
    subject = serializers.CharField(read_only=True)
    text = serializers.CharField(read_only=True)
    mailed_at = serializers.SerializerMethodField(
        help_text="Of an e-mail: when it left; null: not yet, or none."
    )

    @extend_schema_field(serializers.DateTimeField(allow_null=True))
    def get_mailed_at(self, notice: RecallNotice) -> Any:
        mail = getattr(notice, "mail", None)
        return mail.sent_at if mail else None


class RecallNotices(OfRecall):
    """Who was told, how, and what: the text as it stood. E-mail is sent by the service; of an exercise never outside."""

    serializer_class = RecallNoticeSerializer
    queryset = RecallNotice.objects.select_related(*RELATED, "mail")
    read_roles = PLANNERS | WORKERS

    def deed(self, act: Act, **values: Any) -> Record:
        return noticing.tell(act=act, recall=self.recall, **values)


class AnsweredLotSerializer(BodySerializer):
    lot = ScopedReference(queryset=Lot.objects.select_related("material"), slug="uid")
    unit = serializers.CharField(max_length=3, help_text=UNIT_HELP)
    received = AsEntered(required=False)
    on_hand = AsEntered(required=False)
    sold = AsEntered(required=False)
    returned = AsEntered(required=False)
    destroyed = AsEntered(required=False)


@example(
    performed_at=WHEN,
    partner=ID,
    means="phone",
    lots=[{"lot": ID, "unit": "H87", "received": "48", "on_hand": "20", "sold": "28"}],
    passed_on=False,
)
class RecallAnswerSerializer(RecordSerializer):
    partner = ScopedReference(queryset=TradingPartner.objects.all())
    means = serializers.ChoiceField(choices=Means.choices)
    lots = AnsweredLotSerializer(many=True, write_only=True)
    said = serializers.ListField(child=serializers.DictField(), source="lots", read_only=True)
    passed_on = serializers.BooleanField(
        required=False, allow_null=True, default=None, help_text="Whether they told those they sold to."
    )
    flags = serializers.SerializerMethodField()

    @extend_schema_field(serializers.ListField(child=serializers.DictField()))
    def get_flags(self, answer: RecallAnswer) -> list[dict[str, str]]:
        return [{"code": code, "detail": SENTENCES[Odd(code)]} for code in answer.flags]


class RecallAnswers(OfRecall):
    """What partners answer. It is taken from whomever it comes, also after the end; what does not fit is flagged."""

    serializer_class = RecallAnswerSerializer
    queryset = RecallAnswer.objects.select_related(*RELATED, "partner")
    write_roles = WORKERS

    def deed(self, act: Act, **values: Any) -> Record:
        return answering.answer(act=act, recall=self.recall, **values)


@example(performed_at=WHEN, because="All shops answered; what came back is destroyed.", password=PASSWORD)
class RecallEndSerializer(RecordSerializer):
    because = serializers.CharField(**REASON)
    password = _password()


class RecallEnds(OfRecall):
    """It is over, signed. What is open then stays open in its report."""

    serializer_class = RecallEndSerializer
    queryset = RecallEnd.objects.select_related(*RELATED)

    def deed(self, act: Act, **values: Any) -> Record:
        proof = _proof(self, act, values)
        return deciding.end(act=act, proof=proof, recall=self.recall, **values)


# -- where it stands -----------------------------------------------------------------------------------


class ClockSerializer(serializers.Serializer):
    determined = serializers.DateTimeField()
    decided = serializers.DateTimeField()
    scoped = serializers.DateTimeField(allow_null=True)
    first_told = serializers.DateTimeField(allow_null=True)
    last_answered = serializers.DateTimeField(allow_null=True)
    ended = serializers.DateTimeField(allow_null=True)
    seconds_to_scope = serializers.IntegerField(allow_null=True, help_text="From the decision on.")
    seconds_to_first_notice = serializers.IntegerField(allow_null=True)
    seconds_to_last_answer = serializers.IntegerField(allow_null=True)


class ConsigneeSerializer(serializers.Serializer):
    partner = serializers.UUIDField()
    name = serializers.CharField()
    shipped = AmountSerializer(many=True)
    returned = AmountSerializer(many=True)
    told = serializers.DateTimeField(allow_null=True)
    told_by = serializers.ListField(child=serializers.CharField())
    waiting = serializers.BooleanField(help_text="An e-mail to them is not sent.")
    answered = serializers.DateTimeField(allow_null=True)
    silent_of = serializers.ListField(
        child=serializers.CharField(), help_text="Lots they got and have not answered for, by code."
    )
    said = serializers.DictField(child=AmountSerializer(many=True))
    flags = serializers.ListField(child=serializers.CharField())


class RecallStatusSerializer(serializers.Serializer):
    recall = serializers.UUIDField()
    code = serializers.CharField()
    is_exercise = serializers.BooleanField()
    at = serializers.DateTimeField()
    scope = serializers.IntegerField(allow_null=True)
    lots = serializers.IntegerField()
    recall_class = serializers.CharField()
    depth = serializers.CharField()
    level = serializers.CharField()
    clock = ClockSerializer()
    consignees = ConsigneeSerializer(many=True)
    others = ConsigneeSerializer(many=True, help_text="Who answered and is no consignee by our records.")
    told = serializers.IntegerField()
    answered = serializers.IntegerField()
    needed = serializers.IntegerField(help_text="How many answers the effectiveness level asks for.")
    shipped = AmountSerializer(many=True)
    recovered = AmountSerializer(many=True, help_text="Back here, or destroyed by what they say.")
    recovered_percent = serializers.DictField(child=serializers.CharField(), help_text="By unit.")
    gaps = serializers.ListField(child=serializers.CharField())
    deferral = serializers.CharField()


class StatusFilters(serializers.Serializer):
    at = serializers.DateTimeField(required=False, help_text="As it was known at this time; now if left out.")


class RecallStatus(Scoped):
    """Where a recall stands: clock, consignees, effectiveness, what came back, and every gap."""

    serializer_class = RecallStatusSerializer
    queryset = Recall.objects.select_related("establishment")

    @extend_schema(parameters=[StatusFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        asked = read_filters(self, StatusFilters)
        return Response(shown(status(self.get_object(), asked.get("at"))))


def shown(found: Status) -> dict[str, Any]:
    recall, scope, strategy = found.recall, found.scope, found.strategy
    return {
        "recall": recall.pk,
        "code": recall.code,
        "is_exercise": recall.is_exercise,
        "at": found.at,
        "scope": scope.number if scope else None,
        "lots": len(scoping.in_scope(scope)) if scope else 0,
        "recall_class": strategy.recall_class,
        "depth": strategy.depth,
        "level": strategy.level,
        "clock": _clock(found),
        "consignees": [_consignee(each) for each in found.consignees],
        "others": [_consignee(each) for each in found.others],
        "told": found.told,
        "answered": found.answered,
        "needed": found.needed,
        "shipped": _amounts(found.shipped),
        "recovered": _amounts(found.recovered),
        "recovered_percent": {
            unit: f"{float(part * 100):.1f}"
            for unit in found.shipped
            if (part := found.found(unit)) is not None
        },
        "gaps": list(found.gaps),
        "deferral": DEFERS,
    }


def _clock(found: Status) -> dict[str, Any]:
    clock = found.clock
    spans = {
        "seconds_to_scope": clock.scoped,
        "seconds_to_first_notice": clock.first_told,
        "seconds_to_last_answer": clock.last_answered,
    }
    told = {name: clock.since_decision(at) for name, at in spans.items()}
    return {
        **vars(clock),
        **{name: None if span is None else int(span.total_seconds()) for name, span in told.items()},
    }


def _consignee(each: Consignee) -> dict[str, Any]:
    shown = {name: value for name, value in vars(each).items() if name != "got"}
    return {
        **shown,
        "shipped": _amounts(each.shipped),
        "returned": _amounts(each.returned),
        "said": {name: _amounts(amounts) for name, amounts in each.said.items()},
    }


DIMENSIONS = {unit: dimension for dimension, (unit, _) in UNITS.items()}


def _amounts(by_unit: Any) -> list[dict[str, str]]:
    return [amount(base, DIMENSIONS[unit]) for unit, base in by_unit.items()]
