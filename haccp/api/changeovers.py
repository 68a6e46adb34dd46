"""Changeovers: what was done, what showed it, who released it. Nothing that was done is refused; a release may be."""

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_field, extend_schema_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from batches.api.reference import ID, example
from batches.models import Area, Batch, Equipment, Material, RecipeVersion
from config.api import examples
from config.api.bodies import BodySerializer
from config.api.examples import WHEN
from haccp.api.verifications import Said
from haccp.changeovers import findings, lines, recording, releasing, verifying
from haccp.changeovers.procedure_documents import LONGEST
from haccp.changeovers.sheets import MOST_COUNTS
from haccp.models import (
    Changeover,
    ChangeoverRelease,
    ChangeoverVerification,
    CleaningProcedureVersion,
    Shown,
    ShownBy,
)
from ledger import signatures
from ledger.acts import Act
from ledger.api.records import DeedView, RecordSerializer, RecordView
from ledger.api.scope import PersonReference, Scoped, ScopedReference
from ledger.models import Record

MOST_EQUIPMENT, MOST_STEPS, MOST_ALLERGENS = 50, 300, 100


class ReasonSerializer(serializers.Serializer):
    """Something that is missing, or stands in the way."""

    code = serializers.CharField()
    detail = serializers.CharField()
    field = serializers.CharField()
    ids = serializers.ListField(child=serializers.CharField())


class TickedSerializer(BodySerializer):
    """A step of the procedure that was done."""

    step = serializers.CharField(max_length=20, help_text="Its code in the procedure's version.")
    done_at = serializers.DateTimeField()
    person = PersonReference(required=False, help_text="Who did it; who did the work, if left out.")

    def to_representation(self, instance: Any) -> dict[str, Any]:
        return dict(instance)


class HandedOutSerializer(BodySerializer):
    """Things handed out for the product before: they come out even, or it is told. Whole numbers as text."""

    what = serializers.CharField(max_length=300)
    issued = serializers.CharField(max_length=20)
    used = serializers.CharField(max_length=20, required=False)
    spoiled = serializers.CharField(max_length=20, required=False)
    returned = serializers.CharField(max_length=20, required=False)

    def to_representation(self, instance: Any) -> dict[str, Any]:
        return dict(instance)


class ClearanceSerializer(BodySerializer):
    """What of the product before was removed; true where nothing of it was there."""

    product = serializers.BooleanField(required=False)
    packaging = serializers.BooleanField(required=False)
    labels = serializers.BooleanField(required=False)
    none_issued = serializers.BooleanField(
        required=False, help_text="Instead of counts: no packaging or labels were handed out there."
    )
    counts = HandedOutSerializer(many=True, required=False, max_length=MOST_COUNTS)  # type: ignore[call-arg]

    def to_representation(self, instance: Any) -> dict[str, Any]:
        return dict(instance)


class KeptAsIds(serializers.ListField):
    """Rows named in a body, kept with the record by their ids."""

    def to_representation(self, data: Any) -> list[str]:
        return list(data)


def optional(queryset: Any, **more: Any) -> ScopedReference:
    return ScopedReference(queryset=queryset, required=False, allow_null=True, default=None, **more)


@example(
    "From pillows to drops",
    performed_at="2026-03-02T11:00:00+01:00",
    ended_at="2026-03-02T11:50:00+01:00",
    equipment=[ID],
    from_batch=ID,
    to_recipe_version=ID,
    procedure_version=ID,
    steps=[
        {"step": "SCRAPE", "done_at": "2026-03-02T11:10:00+01:00"},
        {"step": "WASH", "done_at": "2026-03-02T11:30:00+01:00"},
        {"step": "DRY", "done_at": "2026-03-02T11:45:00+01:00"},
    ],
    dry_before_start=True,
    clearance={
        "product": True,
        "packaging": True,
        "labels": True,
        "counts": [{"what": "Pillow labels", "issued": "200", "used": "180", "returned": "20"}],
    },
)
class ChangeoverEntrySerializer(RecordSerializer):
    """A changeover from performed_at until ended_at, as it stands in a list."""

    equipment = KeptAsIds(
        child=ScopedReference(queryset=Equipment.objects.all()), min_length=1, max_length=MOST_EQUIPMENT
    )
    area = optional(Area.objects.all())
    from_batch = optional(Batch.objects.all(), slug="uid")
    to_material = optional(Material.objects.all(), help_text="This, or to_recipe_version.")
    to_recipe_version = optional(RecipeVersion.objects.all())
    procedure_version = ScopedReference(queryset=CleaningProcedureVersion.objects.select_related("procedure"))
    steps = TickedSerializer(many=True, required=False, default=list, max_length=MOST_STEPS)  # type: ignore[call-arg]
    dry_before_start = serializers.BooleanField(required=False, allow_null=True, default=None)
    clearance = ClearanceSerializer(required=False, default=dict)
    ended_at = serializers.DateTimeField(required=False, allow_null=True, default=None)


class ChangeoverSerializer(ChangeoverEntrySerializer):
    """A changeover from performed_at until ended_at. What is missing is recorded and told, never refused."""

    shortcomings = serializers.SerializerMethodField(
        help_text="What is missing or in the way, as it is now; a release waits for it."
    )
    release = serializers.SerializerMethodField(help_text="The release that stands, or null.")

    @extend_schema_field(ReasonSerializer(many=True))
    def get_shortcomings(self, changeover: Changeover) -> list[dict[str, Any]]:
        return ReasonSerializer(lines.shortcomings(changeover), many=True).data

    def get_release(self, changeover: Changeover) -> str | None:
        found = lines.standing_release(changeover)
        return None if found is None else str(found.pk)


CHANGEOVERS = Changeover.objects.select_related(
    "establishment", "performed_by", "procedure_version__procedure", "from_batch", "to_recipe_version"
)


class ChangeoverFilters(serializers.Serializer):
    procedure_version = serializers.UUIDField(required=False)


class Changeovers(RecordView):
    """Changeovers, newest first."""

    queryset = CHANGEOVERS

    def get_serializer_class(self) -> type[serializers.Serializer]:
        return ChangeoverEntrySerializer if self.request.method == "GET" else ChangeoverSerializer

    def get_queryset(self) -> Any:
        return super().get_queryset().filter(**read_filters(self, ChangeoverFilters))

    @extend_schema(parameters=[ChangeoverFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    @extend_schema(
        request=ChangeoverSerializer, responses={201: ChangeoverSerializer, 200: ChangeoverSerializer}
    )
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return super().post(request, *args, **kwargs)

    def deed(self, act: Act, **values: Any) -> Record:
        return recording.record(act=act, **values)


class WholeChangeoverSerializer(ChangeoverSerializer):
    """A changeover with what a release would still be refused for."""

    missing = serializers.SerializerMethodField(
        help_text="For a release of all that its procedure clears; empty where it is ready to be signed."
    )

    @extend_schema_field(ReasonSerializer(many=True))
    def get_missing(self, changeover: Changeover) -> list[dict[str, Any]]:
        return ReasonSerializer(releasing.missing(changeover), many=True).data


class OneChangeover(Scoped):
    """A changeover, and what a release would still be refused for."""

    serializer_class = WholeChangeoverSerializer
    queryset = CHANGEOVERS

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


class OfChangeover(RecordView):
    """Records of the changeover that the address names."""

    @property
    def changeover(self) -> Changeover:
        return get_object_or_404(CHANGEOVERS, establishment=self.establishment, pk=self.kwargs["pk"])

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(changeover=self.changeover)


# -- verifications --------------------------------------------------------------------------------------

SWAB = {
    "performed_at": "2026-03-02T12:05:00+01:00",
    "equipment": ID,
    "method": "swab",
    "allergen": "milk",
    "value": "< 2.5",
    "unit": "MC",
    "detection_limit": "2.5",
    "wiped_cm2": "100",
    "contact_cm2": "8000",
    "first_product_kg": "2",
    "counts": "protein",
    "validated_for": {"food": "Sugar on steel", "evidence": "Kit maker's study, sheet 4"},
}
LOOK = {"performed_at": "2026-03-02T12:00:00+01:00", "method": "visual", "outcome": "clean"}


class ComesToSerializer(serializers.Serializer):
    """What it comes to. Numbers are text; absent for a look."""

    sentence = serializers.CharField()
    value = serializers.CharField(required=False)
    low = serializers.CharField(required=False)
    high = serializers.CharField(required=False)
    unit = serializers.CharField(required=False)

    def to_representation(self, instance: Any) -> dict[str, Any]:
        return dict(instance)


class LevelSerializer(serializers.Serializer):
    """The action level it was judged against: reference dose / amount eaten at once. Empty where there is none."""

    value = serializers.CharField(required=False)
    unit = serializers.CharField(required=False)
    dose_mg = serializers.CharField(required=False)
    dose_set = serializers.CharField(required=False)
    dated = serializers.CharField(required=False)
    source = serializers.CharField(required=False)
    eaten_g = serializers.CharField(required=False)

    def to_representation(self, instance: Any) -> dict[str, Any]:
        return dict(instance)


class ValidatedForSerializer(BodySerializer):
    """Where the method was shown to find the allergen. Nothing is within unless both are named, each by words of its own."""

    food = serializers.CharField(
        max_length=LONGEST, required=False, allow_blank=True, help_text="In which food, on what surface."
    )
    evidence = serializers.CharField(
        max_length=LONGEST,
        required=False,
        allow_blank=True,
        help_text="Where that is written: report, study.",
    )

    def get_attribute(self, instance: Any) -> Any:
        return instance.said.get(self.field_name)

    def to_representation(self, instance: Any) -> dict[str, Any]:
        return dict(instance)


@extend_schema_serializer(
    examples=[
        OpenApiExample("Swab below detection", SWAB, request_only=True),
        OpenApiExample("A look", LOOK, request_only=True),
    ]
)
class ChangeoverVerificationSerializer(RecordSerializer):
    """Something looked at or measured after a changeover; judged at once. Numbers are text."""

    changeover = serializers.UUIDField(source="changeover_id", read_only=True)
    equipment = optional(Equipment.objects.all(), help_text="Which piece; all of them, if left out.")
    method = serializers.ChoiceField(
        choices=ShownBy.choices, help_text="atp and protein show cleanliness; they clear no allergen."
    )
    allergen = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")
    outcome = Said(help_text=f"Of a look: {findings.CLEAN} or {findings.NOT_CLEAN}.")
    value = Said(help_text='As entered; "< 2.5" lies below what the method finds.')
    unit = Said(help_text="Of a mass: MC (µg), MGM (mg); of ATP and protein as the meter shows it.")
    detection_limit = Said(help_text="The least that the method finds, in the same unit.")
    wiped_cm2 = Said(help_text="Of a swab: the area wiped.")
    contact_cm2 = Said(help_text="Of a swab: the whole area that the product touches.")
    tested_ml = Said(help_text="Of rinse water: how much was tested.")
    rinse_ml = Said(help_text="Of rinse water: all of it.")
    first_product_kg = Said(help_text="The first product off the line, never the whole batch.")
    counts = Said(help_text=f"What the value counts: {', '.join(findings.COUNTS)} (part of the protein).")
    validated_for = ValidatedForSerializer(
        required=False, allow_null=True, help_text="Null or left out: the method was not validated."
    )
    level = LevelSerializer(read_only=True)
    result = serializers.ChoiceField(choices=Shown.choices, read_only=True)
    finding = ComesToSerializer(read_only=True)


class ChangeoverVerifications(OfChangeover):
    """What was looked at and measured after a changeover. Something outside lets its release fall."""

    serializer_class = ChangeoverVerificationSerializer
    queryset = ChangeoverVerification.objects.select_related("establishment", "performed_by", "equipment")

    def deed(self, act: Act, **values: Any) -> Record:
        own = {name: values.pop(name) for name in ("equipment", "method", "allergen")}
        return verifying.record(act=act, changeover=self.changeover, said=values, **own)


# -- releases -------------------------------------------------------------------------------------------


class OnlyThese(serializers.ListField):
    """Null, as it is sent, where all of them are meant."""

    def to_representation(self, data: Any) -> Any:
        return None if data == "all" else list(data)


@example(
    "Released for milk only",
    performed_at="2026-03-02T12:20:00+01:00",
    allergens=["milk"],
    password="the signer's own",
)
class ChangeoverReleaseSerializer(RecordSerializer):
    """A changeover released by signature; it writes a cleaning break for each piece of equipment."""

    changeover = serializers.UUIDField(source="changeover_id", read_only=True)
    allergens = OnlyThese(
        child=serializers.CharField(max_length=40),
        required=False,
        allow_null=True,
        default=None,
        max_length=MOST_ALLERGENS,
        help_text="For these only, of those the procedure clears; each of them, if left out.",
    )
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)
    scope = serializers.DictField(
        read_only=True,
        help_text="What was really shown: allergens, microbiological, foreign-bodies; area, if named.",
    )
    basis = serializers.ListField(child=serializers.UUIDField(), read_only=True)


class ChangeoverReleases(OfChangeover):
    """Release equipment after a changeover: signed by a supervisor or a food-safety lead, refused with every reason."""

    serializer_class = ChangeoverReleaseSerializer
    queryset = ChangeoverRelease.objects.select_related("establishment", "performed_by", "changeover")
    write_roles = releasing.RELEASERS

    def deed(self, act: Act, **values: Any) -> Record:
        proof = signatures.prove(
            request=self.request._request, person=act.recorded_by, password=values["password"]
        )
        return releasing.release(
            act=act, changeover=self.changeover, proof=proof, allergens=values["allergens"]
        )


# -- withdrawing ----------------------------------------------------------------------------------------


@examples.example(performed_at=WHEN, corrects=ID, reason="Noted for the wrong table.")
class WithdrawnOfChangeoverSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The record that never happened.")
    reason = serializers.CharField(max_length=1000)


class WithdrawnChangeovers(DeedView):
    """Say that a changeover never happened. Its release falls, and what ran since is held."""

    queryset = Changeover.objects.all()
    serializer_class = WithdrawnOfChangeoverSerializer
    shown_by = ChangeoverSerializer

    def deed(self, act: Act, **values: Any) -> Record:
        return recording.withdraw(act=act)


class WithdrawnChangeoverVerifications(DeedView):
    """Say that a verification never happened. A release that rests on it falls."""

    queryset = ChangeoverVerification.objects.all()
    serializer_class = WithdrawnOfChangeoverSerializer
    shown_by = ChangeoverVerificationSerializer

    def deed(self, act: Act, **values: Any) -> Record:
        return verifying.withdraw(act=act)


class WithdrawnChangeoverReleases(DeedView):
    """Take a release back. Its cleaning breaks count no more, and what ran since is held."""

    queryset = ChangeoverRelease.objects.all()
    serializer_class = WithdrawnOfChangeoverSerializer
    shown_by = ChangeoverReleaseSerializer

    def deed(self, act: Act, **values: Any) -> Record:
        return releasing.withdraw(act=act)
