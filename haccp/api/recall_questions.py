"""Whether to recall, over HTTP: what is open since when, the periods to mind, and the decision."""

from typing import Any

from django.db.models import Prefetch
from django.shortcuts import get_object_or_404
from django.utils import timezone
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import mixins, serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.amounts import AmountSerializer, amount
from batches.api.movements import read_filters
from config.api.examples import PASSWORD, WHEN, example
from haccp.api.recalls import REASON, RELATED, password_field, proof_of
from haccp.models import Recall, RecallQuestion, RecallQuestionLot, RecallVerdict
from haccp.recalls import periods, questions
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView
from ledger.api.scope import DECIDERS, Scoped, ScopedReference
from ledger.models import Record


class QuestionedLotSerializer(serializers.Serializer):
    lot = serializers.UUIDField()
    code = serializers.CharField()
    shipped = AmountSerializer(help_text="That had left when it came into question.")
    because = serializers.UUIDField(help_text="The case that held it, or the shipment that came after.")
    determined_at = serializers.DateTimeField()
    decided = serializers.BooleanField()


class PeriodSerializer(serializers.Serializer):
    """A reminder: ``due`` is counted from the determination; null where the text names no number of hours."""

    jurisdiction = serializers.CharField()
    says = serializers.CharField()
    hours = serializers.CharField(allow_null=True)
    due = serializers.DateTimeField(allow_null=True)
    source = serializers.CharField()
    section = serializers.CharField()
    provenance = serializers.CharField()


class RecallQuestionSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    deviation = serializers.UUIDField(source="deviation_id")
    title = serializers.CharField(source="deviation.title")
    determined_at = serializers.DateTimeField()
    recorded_at = serializers.DateTimeField()
    open = serializers.BooleanField(source="is_open")
    elapsed_seconds = serializers.IntegerField(
        help_text="Since the determination of what is open; of what is decided, until then."
    )
    lots = QuestionedLotSerializer(many=True, source="shown_lots")
    verdicts = serializers.SerializerMethodField(help_text="Ids of the decisions, newest first.")
    periods = PeriodSerializer(many=True, source="shown_periods")
    ask = serializers.CharField(source="deferral")

    @extend_schema_field(serializers.ListField(child=serializers.UUIDField()))
    def get_verdicts(self, question: RecallQuestion) -> list[str]:
        return [str(each.pk) for each in question.verdicts.all()]


def shown(question: Any) -> Any:
    """The question with what is told of it now."""
    lots, verdicts, now = list(question.lots.all()), list(question.verdicts.all()), timezone.now()
    waiting = questions.open_lots(lots, verdicts)
    question.is_open = bool(waiting)
    question.elapsed_seconds = int(questions.elapsed(question, lots, verdicts, now).total_seconds())
    question.shown_lots = [_lot(each, each not in waiting) for each in lots]
    since = min((each.determined_at for each in waiting), default=question.determined_at)
    question.shown_periods = [_period(each, since) for each in periods.of(question.establishment.country)]
    question.deferral = periods.ASK
    return question


def _lot(each: RecallQuestionLot, decided: bool) -> dict[str, Any]:
    return {
        "lot": each.lot.uid,
        "code": each.lot.code,
        "shipped": amount(each.shipped, each.lot.material.dimension),
        "because": each.because_id,
        "determined_at": each.determined_at,
        "decided": decided,
    }


def _period(each: periods.Period, since: Any) -> dict[str, Any]:
    hours = None if each.within is None else str(int(each.within.total_seconds() // 3600))
    told = ("jurisdiction", "says", "source", "section", "provenance")
    return {**{name: getattr(each, name) for name in told}, "hours": hours, "due": each.due(since)}


class QuestionFilters(serializers.Serializer):
    open = serializers.BooleanField(required=False, default=None, allow_null=True)


WITH_ALL = (
    Prefetch("lots", RecallQuestionLot.objects.select_related("lot__material").order_by("recorded_at", "id")),
    Prefetch("verdicts", RecallVerdict.objects.order_by("-recorded_at", "-id")),
)


class RecallQuestions(mixins.ListModelMixin, Scoped):
    """Cases that hold what has been shipped: whether to recall is open until a food-safety lead decides."""

    serializer_class = RecallQuestionSerializer
    queryset = RecallQuestion.objects.select_related(*RELATED, "deviation").prefetch_related(*WITH_ALL)
    ordering = ("-recorded_at", "-id")

    def get_queryset(self) -> Any:
        queryset, asked = super().get_queryset(), read_filters(self, QuestionFilters)
        if asked.get("open") is None:
            return queryset
        rows = questions.with_times(queryset)
        return rows.filter(questions.OPEN) if asked["open"] else rows.exclude(questions.OPEN)

    @extend_schema(parameters=[QuestionFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        page = self.paginate_queryset(self.filter_queryset(self.get_queryset()))
        told = self.get_serializer([shown(each) for each in page or ()], many=True)
        return self.get_paginated_response(told.data)


class OneRecallQuestion(Scoped):
    serializer_class = RecallQuestionSerializer
    queryset = RecallQuestion.objects.select_related(*RELATED, "deviation").prefetch_related(*WITH_ALL)

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(shown(self.get_object())).data)


@example(
    performed_at=WHEN,
    because="Everything came back unopened, and the label of what was eaten names the allergen.",
    password=PASSWORD,
)
class RecallVerdictSerializer(RecordSerializer):
    recall = ScopedReference(
        queryset=Recall.objects.all(),
        required=False,
        allow_null=True,
        default=None,
        help_text="The recall that was decided; none: no recall is needed.",
    )
    because = serializers.CharField(**REASON)
    lots = serializers.ListField(child=serializers.UUIDField(), read_only=True)
    password = password_field()


class RecallVerdicts(RecordView):
    """Signed decisions whether to recall; the newest holds, for every lot that was in question by then."""

    serializer_class = RecallVerdictSerializer
    queryset = RecallVerdict.objects.select_related(*RELATED, "recall")
    write_roles = DECIDERS

    @property
    def question(self) -> RecallQuestion:
        rows = RecallQuestion.objects.select_related("establishment")
        return get_object_or_404(rows, establishment=self.establishment, pk=self.kwargs["pk"])

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(question=self.question)

    def deed(self, act: Act, **values: Any) -> Record:
        proof = proof_of(self, act, values)
        return questions.decide(act=act, proof=proof, question=self.question, **values)
