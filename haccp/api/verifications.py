"""Verifications of instruments: recorded and judged at once; what an instrument's verifications say of a day."""

from typing import Any

from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.utils.functional import cached_property
from drf_spectacular.utils import (
    OpenApiExample,
    extend_schema,
    extend_schema_serializer,
)
from rest_framework import mixins, serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from config.api.examples import ID, WHEN, example
from haccp import doubts, due_instruments, instruments, verifications
from haccp.api.registers import NumberText
from haccp.models import Check, Instrument, InstrumentVerification, Method, Verified
from haccp.readings import LONGEST
from haccp.verified import State
from ledger.acts import Act
from ledger.api.records import DeedView, MomentField, RecordSerializer, RecordView
from ledger.api.scope import Scoped, ScopedReference
from ledger.models import Record

MOST_DAYS = 366
RELATED = ("establishment", "performed_by", "instrument")


class Said(serializers.CharField):
    """A part of what was said; left out of the answer where it was."""

    def __init__(self, needed: bool = False, **kwargs: Any):
        usual = {"required": needed, "max_length": LONGEST} | ({} if needed else {"allow_blank": True})
        super().__init__(**(usual | kwargs))

    def get_attribute(self, instance: Any) -> Any:
        return instance.said.get(self.field_name, "")


class KnownValueSerializer(serializers.Serializer):
    """What it should have shown; by its source it lies between ``low`` and ``high``."""

    value = serializers.CharField()
    low = serializers.CharField()
    high = serializers.CharField()
    unit = serializers.CharField()
    source = serializers.CharField()


BOILING = {
    "performed_at": "2026-03-02T08:05:00+01:00",
    "instrument": "01a21200-0000-7000-8000-000000000030",
    "method": "boiling-point",
    "standard": "Boiling tap water, barometer B-1",
    "unit": "CEL",
    "pressure": "97.4",
    "as_found": "98.6",
    "tolerance": "0.5",
    "covers_lower": "90",
    "covers_upper": "110",
}


@extend_schema_serializer(examples=[OpenApiExample("Probe in boiling water", BOILING, request_only=True)])
class VerificationSerializer(RecordSerializer):
    """An instrument held against something known. Numbers are text in ``unit``. The result is computed here."""

    instrument = ScopedReference(queryset=Instrument.objects.select_related("establishment"))
    method = serializers.ChoiceField(choices=Method.choices)
    standard = serializers.CharField(
        max_length=verifications.MOST_CHARACTERS, help_text="What it was held against: number, certificate."
    )
    unit = Said(needed=True, help_text="UN/ECE Rec 20, of the instrument's kind: CEL, FAH, C62, GRM.")
    as_found = Said(needed=True, help_text="What it showed before anybody touched it.")
    as_left = Said(help_text="What it showed after it was put right, if it was.")
    tolerance = Said(needed=True, help_text="How far off it may be either way: your own, as in your plan.")
    covers_lower = Said(needed=True, help_text="The range this speaks for; readings outside it are flagged.")
    covers_upper = Said(
        needed=True,
        help_text="In ice or boiling water at most 110 °C: water verifies no probe in boiling sugar.",
    )
    stated = Said(help_text="The value of a weight or a reference instrument; the others are computed.")
    salt = Said(help_text="Of a saturated solution: LiCl, MgCl2, K2CO3, Mg(NO3)2, NaCl, KCl, K2SO4.")
    temperature = Said(help_text="Of the saturated solution, in °C, from 20 to 30.")
    pressure = Said(
        help_text="As the barometer in the room shows it, in kPa, not reduced to sea level. Without it a standard day "
        "at the establishment's altitude is taken, which is known less well."
    )
    reference = KnownValueSerializer(read_only=True)
    error = serializers.SerializerMethodField(help_text="As found minus reference, with its sign.")
    result = serializers.ChoiceField(choices=Verified.choices, read_only=True, help_text="As found.")
    left = serializers.ChoiceField(choices=Verified.choices, read_only=True, help_text="As left.")
    doubted = serializers.ListField(
        child=serializers.UUIDField(), read_only=True, help_text="Checks in doubt when it was recorded."
    )
    sentences = serializers.SerializerMethodField()

    def get_error(self, verification: InstrumentVerification) -> str:
        return doubts.signed(doubts.error_of(verification))

    def get_sentences(self, verification: InstrumentVerification) -> list[str]:
        return verifications.sentences(verification)


class RecomputedSerializer(serializers.Serializer):
    """A reading as it was judged, and as it would have been with the error taken off, by the same bounds.

    ``corrected`` and ``now`` are empty where it cannot be told.
    """

    quantity = serializers.CharField()
    entered = serializers.CharField()
    unit = serializers.CharField()
    error = serializers.CharField(help_text="As found minus reference, with its sign, in this unit.")
    corrected = serializers.CharField(
        help_text="Entered minus error; the error is taken as the same everywhere."
    )
    result = serializers.CharField(help_text="As it was judged, and stays.")
    now = serializers.CharField()
    sentence = serializers.CharField()


class DoubtedCheckSerializer(serializers.Serializer):
    """A check in doubt by the verification in ``context["failure"]``. Its record stays as it is; what it comes to stands
    beside it."""

    check = serializers.UUIDField(source="check.pk")
    performed_at = serializers.DateTimeField(source="check.performed_at")
    code = serializers.CharField(source="check.control_point.code")
    batch = serializers.UUIDField(source="check.batch.uid", default=None, allow_null=True)
    lots = serializers.ListField(child=serializers.UUIDField())
    result = serializers.CharField(source="check.result")
    now = serializers.CharField(help_text="The worst of its readings; empty where one cannot be told.")
    readings = RecomputedSerializer(many=True)

    def to_representation(self, instance: Check) -> dict[str, Any]:
        shown: dict[str, Any] = super().to_representation(doubts.beside(instance, self.context["failure"]))
        return shown


class VerificationFilters(serializers.Serializer):
    instrument = serializers.UUIDField(required=False)


class Verifications(RecordView):
    """Verifications of instruments, newest first. A failed one opens a deviation and holds what it put in doubt."""

    serializer_class = VerificationSerializer
    queryset = InstrumentVerification.objects.select_related(*RELATED)

    def get_queryset(self) -> Any:
        return super().get_queryset().filter(**read_filters(self, VerificationFilters))

    @extend_schema(parameters=[VerificationFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def deed(self, act: Act, **values: Any) -> Record:
        own = {name: values.pop(name) for name in ("instrument", "method", "standard")}
        return verifications.record(act=act, **own, said=values)


class OneVerification(Scoped):
    """One verification of an instrument."""

    serializer_class = VerificationSerializer
    queryset = InstrumentVerification.objects.select_related(*RELATED)

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


class ChecksInDoubt(mixins.ListModelMixin, Scoped):
    """Every check that a failed verification puts in doubt by now, beside what it comes to; the earliest first."""

    serializer_class = DoubtedCheckSerializer
    queryset = Check.objects.all()
    ordering = ("performed_at", "id")

    def get_queryset(self) -> Any:
        if getattr(self, "swagger_fake_view", False):
            return super().get_queryset()
        return doubts.in_doubt(self.verification)

    @cached_property
    def verification(self) -> InstrumentVerification:
        known = InstrumentVerification.objects.select_related("instrument")
        return get_object_or_404(known, establishment=self.establishment, pk=self.kwargs["pk"])

    def get_serializer_context(self) -> dict[str, Any]:
        context = super().get_serializer_context()
        if not getattr(self, "swagger_fake_view", False):
            context["failure"] = self.verification
        return context

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)


@example(performed_at=WHEN, corrects=ID, reason="Noted for the wrong meter.")
class WithdrawnVerificationSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The verification that never happened.")
    reason = serializers.CharField(max_length=1000)


class WithdrawnVerifications(DeedView):
    """Say that a verification never happened. The deviation it opened and what is held stay."""

    queryset = InstrumentVerification.objects.all()
    serializer_class = WithdrawnVerificationSerializer
    shown_by = VerificationSerializer

    def deed(self, act: Act, **values: Any) -> Record:
        return verifications.withdraw(act=act)


class SpeaksForSerializer(serializers.Serializer):
    """A verification, and the range it speaks for."""

    verification = serializers.UUIDField(source="id")
    performed_at = serializers.DateTimeField(source="at")
    point = NumberText(help_text="Where it was held against something known.")
    lower = NumberText()
    upper = NumberText()
    unit = serializers.CharField()


class StandingSerializer(serializers.Serializer):
    """What the verifications of an instrument say of a day."""

    instrument = serializers.UUIDField(source="instrument.pk")
    code = serializers.CharField(source="instrument.code")
    name = serializers.CharField(source="instrument.name")
    day = serializers.DateField()
    state = serializers.ChoiceField(choices=[each.value for each in State])
    due_day = serializers.DateField(allow_null=True, help_text="The last day on which it is in time.")
    speaking = SpeaksForSerializer(
        many=True, help_text="Good verifications that still speak, each for its range."
    )
    failed = SpeaksForSerializer(many=True, help_text="Failures that no later good verification has cleared.")


class AtFilters(serializers.Serializer):
    at = MomentField(required=False, help_text="When; now, if left out.")


class InstrumentStanding(Scoped):
    """What an instrument's verifications say of a time: verified, overdue, failed or never verified."""

    queryset = Instrument.objects.select_related("establishment", "verification_state")
    serializer_class = StandingSerializer

    @extend_schema(parameters=[AtFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        instrument = self.get_object()
        asked = read_filters(self, AtFilters).get("at")
        at = timezone.now() if asked is None else asked.at
        return Response(self.get_serializer(instruments.standing(instrument, at)).data)


class DueFilters(serializers.Serializer):
    within_days = serializers.IntegerField(required=False, default=0, min_value=0, max_value=MOST_DAYS)


class DueInstruments(Scoped):
    """Instruments in use that must be verified: overdue, failed, never verified, or due within so many days."""

    queryset = Instrument.objects.all()
    serializer_class = StandingSerializer
    pagination_class = None

    @extend_schema(parameters=[DueFilters], responses={200: StandingSerializer(many=True)})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        days = read_filters(self, DueFilters)["within_days"]
        found = due_instruments.due(self.establishment, timezone.now(), days)
        return Response(self.get_serializer(found, many=True).data)
