"""Deviations: reported, answered, decided lot by lot, closed by signature."""

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import (
    OpenApiExample,
    extend_schema,
    extend_schema_field,
    extend_schema_serializer,
)
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from batches.models import Lot
from config.api.bodies import BodySerializer
from config.api.examples import ID, PASSWORD, WHEN, example
from config.api.refusals import Unknown
from haccp import deviations, doubts, verifications
from haccp.api.verifications import DoubtedCheckSerializer
from haccp.deviations import Touched
from haccp.models import Answer, Closing, Correction, Deviation, Disposition, Hold, HoldSubject, Question
from ledger import signatures
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView
from ledger.api.scope import DECIDERS, WORKERS, Scoped, ScopedReference
from ledger.models import Record

RELATED = ("establishment", "performed_by")
MOST_IN_DOUBT = 100


class TouchedSerializer(BodySerializer):
    kind = serializers.ChoiceField(choices=HoldSubject.choices)
    subject = serializers.UUIDField()
    since = serializers.DateTimeField(
        required=False,
        allow_null=True,
        default=None,
        help_text="The last good check; empty: as far as there is.",
    )


@example(performed_at=WHEN, hold={"kind": "equipment", "subject": ID, "since": WHEN})
class HoldSerializer(RecordSerializer):
    subject_kind = serializers.CharField(read_only=True)
    subject = serializers.UUIDField(read_only=True)
    since = serializers.DateTimeField(read_only=True, allow_null=True)
    lots = serializers.ListField(child=serializers.UUIDField(), read_only=True)
    hold = TouchedSerializer(write_only=True)


@example(performed_at=WHEN, question="cause", text="The belt tension was not looked at after the wash.")
class DeviationAnswerSerializer(RecordSerializer):
    question = serializers.ChoiceField(choices=Question.choices)
    text = serializers.CharField(max_length=4000)


@example(performed_at=WHEN, lot=ID, decision="destroy", because="A test piece was not found again.")
class DispositionSerializer(RecordSerializer):
    lot = ScopedReference(queryset=Lot.objects.all(), slug="uid")
    decision = serializers.ChoiceField(choices=Disposition.Decision.choices)
    because = serializers.CharField(max_length=2000)


@example(performed_at=WHEN, password=PASSWORD)
class ClosingSerializer(RecordSerializer):
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Broken scraper",
            {
                "performed_at": "2026-03-02T10:05:00+01:00",
                "title": "A corner of the scraper is missing after the second slab.",
                "hold": {"kind": "batch", "subject": "01a21200-0000-7000-8000-000000000020"},
            },
            request_only=True,
        )
    ]
)
class DeviationSerializer(RecordSerializer):
    title = serializers.CharField(max_length=300)
    hold = TouchedSerializer(required=False, allow_null=True, default=None, write_only=True)
    what = serializers.CharField(read_only=True)
    subject = serializers.UUIDField(read_only=True)
    slot = serializers.CharField(read_only=True)
    because = serializers.UUIDField(source="because_id", read_only=True, allow_null=True)
    closed = serializers.SerializerMethodField()

    def get_closed(self, deviation: Deviation) -> bool:
        return hasattr(deviation, "closing")


class WholeDeviationSerializer(DeviationSerializer):
    holds = HoldSerializer(many=True, read_only=True)
    answers = DeviationAnswerSerializer(many=True, read_only=True)
    dispositions = DispositionSerializer(many=True, read_only=True)
    closing = serializers.SerializerMethodField()
    lots_to_decide = serializers.SerializerMethodField(help_text="Held lots without a decision yet.")
    in_doubt = serializers.SerializerMethodField(
        help_text="Of a failed instrument: the first checks in doubt, with what they come to by the error found."
    )
    in_doubt_count = serializers.SerializerMethodField(
        help_text="How many there are; the verification in ``subject`` lists them all."
    )

    def get_closing(self, deviation: Deviation) -> str | None:
        closing = getattr(deviation, "closing", None)
        return closing and str(closing.pk)

    def get_lots_to_decide(self, deviation: Deviation) -> list[str]:
        decided = {str(each.lot.uid) for each in deviations.dispositions(deviation)}
        return sorted(deviations.held_under(deviation) - decided)

    @extend_schema_field(DoubtedCheckSerializer(many=True))
    def get_in_doubt(self, deviation: Deviation) -> Any:
        failure = verifications.failure_of(deviation)
        if failure is None:
            return []
        found = doubts.in_doubt(failure)[:MOST_IN_DOUBT]
        return DoubtedCheckSerializer(found, many=True, context={"failure": failure}).data

    def get_in_doubt_count(self, deviation: Deviation) -> int:
        failure = verifications.failure_of(deviation)
        return 0 if failure is None else doubts.in_doubt(failure).count()


def touched(said: dict[str, Any] | None) -> Touched | None:
    return None if said is None else Touched(said["kind"], said["subject"], said["since"])


class DeviationFilters(serializers.Serializer):
    open = serializers.BooleanField(required=False, default=None, allow_null=True)


class Deviations(RecordView):
    """Deviations, newest first. Post one to report what you saw; what you name is held at once."""

    serializer_class = DeviationSerializer
    queryset = Deviation.objects.select_related(*RELATED, "closing")

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        is_open = read_filters(self, DeviationFilters).get("open")
        return queryset if is_open is None else queryset.filter(closing__isnull=is_open)

    @extend_schema(parameters=[DeviationFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def deed(self, act: Act, **values: Any) -> Record:
        return deviations.report(act=act, title=values["title"], hold=touched(values.get("hold")))


class OneDeviation(Scoped):
    """One deviation with its holds, answers and decisions."""

    serializer_class = WholeDeviationSerializer
    queryset = Deviation.objects.select_related(*RELATED, "closing")

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


class OfDeviation(RecordView):
    """Records of one deviation, which stands in the address."""

    write_roles = WORKERS

    @property
    def deviation(self) -> Deviation:
        found = Deviation.objects.select_related("establishment")
        return get_object_or_404(found, establishment=self.establishment, pk=self.kwargs["pk"])

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(deviation=self.deviation)


class Holds(OfDeviation):
    """What the deviation holds; a further subject may be held while it is open."""

    serializer_class = HoldSerializer
    queryset = Hold.objects.select_related(*RELATED)

    def deed(self, act: Act, **values: Any) -> Record:
        found = touched(values["hold"])
        if found is None:
            raise Unknown("Name what to hold.", field="hold")
        return deviations.hold_more(act=act, deviation=self.deviation, touched=found)


class Answers(OfDeviation):
    """What was wrong and put right, why it happened, how it will not come back."""

    serializer_class = DeviationAnswerSerializer
    queryset = Answer.objects.select_related(*RELATED)

    def deed(self, act: Act, **values: Any) -> Record:
        return deviations.answer(act=act, deviation=self.deviation, **values)


class Dispositions(OfDeviation):
    """What becomes of each lot that was held."""

    serializer_class = DispositionSerializer
    queryset = Disposition.objects.select_related(*RELATED, "lot")
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        return deviations.dispose(act=act, deviation=self.deviation, **values)


class Close(OfDeviation):
    """Close the case by signature; refused with everything that is missing."""

    serializer_class = ClosingSerializer
    queryset = Closing.objects.select_related(*RELATED)
    write_roles = DECIDERS

    def deed(self, act: Act, **values: Any) -> Record:
        proof = signatures.prove(
            request=self.request._request, person=act.recorded_by, password=values["password"]
        )
        return deviations.close(act=act, deviation=self.deviation, proof=proof)


@example(
    performed_at=WHEN,
    what="A label was askew.",
    done="Put straight.",
    no_impact_because="It could be read.",
)
class CorrectionSerializer(RecordSerializer):
    what = serializers.CharField(max_length=300)
    done = serializers.CharField(max_length=2000)
    no_impact_because = serializers.CharField(max_length=2000)


class Corrections(RecordView):
    """Minor slips put right at once, with the reason why no product is touched."""

    serializer_class = CorrectionSerializer
    queryset = Correction.objects.select_related(*RELATED)

    def deed(self, act: Act, **values: Any) -> Record:
        return deviations.correct(act=act, **values)
