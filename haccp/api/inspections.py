"""Inspections over HTTP: who came, what was shown or copied, that they left, and the whole of one visit."""

from dataclasses import replace
from typing import Any

from django.db.models import Prefetch
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from config.api.bodies import BodySerializer
from config.api.examples import ID, WHEN, example
from haccp.api.finding_shapes import InspectionFindingSerializer, with_states
from haccp.api.inspection_samples import RESULTS, InspectionSampleSerializer
from haccp.inspections import due, visits, withdrawals
from haccp.models import (
    InspectedBy,
    InspectedFor,
    InspectedHow,
    Inspection,
    InspectionEnd,
    InspectionNote,
    InspectionSample,
)
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView, act_of
from ledger.api.scope import PersonReference, Scoped, ScopedReference
from ledger.models import Entry, Record

RELATED = ("establishment", "performed_by")
TEXT: dict[str, Any] = {"required": False, "allow_blank": True}


class VisitorSerializer(BodySerializer):
    name = serializers.CharField(max_length=120)
    function = serializers.CharField(max_length=120, **TEXT, default="")


class PeopleOfTheHouse(serializers.ListField):
    """Read as people who belong here; shown by the ids that are kept."""

    child = PersonReference()

    def to_representation(self, data: Any) -> list[str]:
        return list(data)


@example(
    performed_at=WHEN,
    by_whom="authority",
    body="Town food office",
    why="routine",
    about="Records of the last quarter, and the table room.",
    visitors=[{"name": "R. Example", "function": "food inspector"}],
)
class InspectionSerializer(RecordSerializer):
    """``performed_at``: when they came, or when what they wrote came."""

    by_whom = serializers.ChoiceField(choices=InspectedBy.choices)
    body = serializers.CharField(max_length=200, help_text="The office or firm.")
    why = serializers.ChoiceField(choices=InspectedFor.choices)
    how = serializers.ChoiceField(choices=InspectedHow.choices, required=False, default="on-site")
    about = serializers.CharField(max_length=2000, **TEXT, help_text="What they said they came for.")
    announced_on = serializers.DateField(
        required=False, allow_null=True, help_text="The day on which they announced it; empty: they did not."
    )
    reference = serializers.CharField(max_length=120, **TEXT, help_text="Of their notice or order.")
    methods = serializers.CharField(max_length=2000, **TEXT, help_text="How they went about it.")
    visitors = VisitorSerializer(
        many=True, required=False, help_text="Who came. The digest covers their names as a salted hash."
    )
    accompanied_by = PeopleOfTheHouse(
        required=False, max_length=20, help_text="Those of the house who went along."
    )
    first = serializers.UUIDField(
        source="first_id",
        read_only=True,
        allow_null=True,
        help_text="The first record of a line of corrections.",
    )


class InspectionFilters(serializers.Serializer):
    open = serializers.BooleanField(
        required=False, default=None, allow_null=True, help_text="Whether they are here still."
    )


class Inspections(RecordView):
    """Who came to inspect, newest first. Post one when somebody comes, or writes; late is taken and shown as late."""

    serializer_class = InspectionSerializer
    queryset = Inspection.objects.select_related(*RELATED)

    def get_queryset(self) -> Any:
        queryset, is_open = super().get_queryset(), read_filters(self, InspectionFilters).get("open")
        if is_open is None:
            return queryset
        return queryset.standing().filter(~visits.LEFT if is_open else visits.LEFT)

    @extend_schema(parameters=[InspectionFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def deed(self, act: Act, **values: Any) -> Record:
        return visits.arrive(act=act, **values)


def visit_of(view: Scoped) -> Inspection:
    """The record the address names: any of its line."""
    rows = Inspection.objects.select_related("establishment")
    return get_object_or_404(rows, establishment=view.establishment, pk=view.kwargs["pk"])


class OfInspection(RecordView):
    """Records of one visit, which stands in the address."""

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(inspection=visits.line_of(visit_of(self)))


@example(performed_at=WHEN, what="copied", text="The batch record, on paper.", document=17)
class InspectionNoteSerializer(RecordSerializer):
    what = serializers.ChoiceField(choices=InspectionNote.What.choices)
    text = serializers.CharField(max_length=4000, **TEXT)
    document = serializers.IntegerField(
        required=False,
        allow_null=True,
        min_value=1,
        max_value=2**31 - 1,
        help_text="The number of a document made here, as printed on it.",
    )
    record = ScopedReference(
        queryset=Entry.objects.all(),
        required=False,
        allow_null=True,
        help_text="A record that was shown, or the one that let them look.",
    )


class InspectionNotes(OfInspection):
    """What was shown, copied or handed over, and remarks, newest first."""

    serializer_class = InspectionNoteSerializer
    queryset = InspectionNote.objects.select_related(*RELATED)

    def deed(self, act: Act, **values: Any) -> Record:
        return visits.note(act=act, inspection=visit_of(self), **values)


@example(performed_at=WHEN, outcome="One finding; to be answered in writing.", reference="Protocol 12/26")
class InspectionEndSerializer(RecordSerializer):
    """``performed_at``: when they left. A photo or scan of their report hangs on this record (``attachments``)."""

    outcome = serializers.CharField(max_length=4000, **TEXT, help_text="What they said of the whole.")
    reference = serializers.CharField(max_length=120, **TEXT, help_text="Of their report.")
    disagrees = serializers.BooleanField(required=False, default=False)
    objection = serializers.CharField(max_length=4000, **TEXT, help_text="In the house's own words.")


class InspectionEnds(OfInspection):
    """That they left. What is told of the visit later is taken all the same."""

    serializer_class = InspectionEndSerializer
    queryset = InspectionEnd.objects.select_related(*RELATED)

    def deed(self, act: Act, **values: Any) -> Record:
        return visits.leave(act=act, inspection=visit_of(self), **values)


@example(performed_at=WHEN, what="note", corrects=ID, reason="It was another visit.")
class InspectionWithdrawalSerializer(RecordSerializer):
    what = serializers.ChoiceField(choices=list(withdrawals.KINDS), write_only=True)
    corrects = serializers.UUIDField(source="corrects_id", help_text="The record of what never was.")
    reason = serializers.CharField(max_length=1000)


class InspectionWithdrawals(Scoped):
    """Say that something recorded of a visit never was. Refused while something else rests on it."""

    queryset = Inspection.objects.all()
    serializer_class = InspectionWithdrawalSerializer

    @extend_schema(responses={201: InspectionWithdrawalSerializer, 200: InspectionWithdrawalSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        visit = visit_of(self)
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        act = replace(act_of(self, request, values), withdraws=True)
        gone = withdrawals.withdraw(act=act, inspection=visit, what=values["what"])
        code = status.HTTP_200_OK if gone.repeated else status.HTTP_201_CREATED
        return Response(self.get_serializer(gone).data, status=code)


# -- the whole of one ------------------------------------------------------------------------------------


class WholeInspectionSerializer(InspectionSerializer):
    """The visit as it stands, with all that stands of it, the oldest first."""

    notes = InspectionNoteSerializer(many=True, source="shown_notes", read_only=True)
    samples = InspectionSampleSerializer(many=True, source="shown_samples", read_only=True)
    findings = InspectionFindingSerializer(many=True, source="shown_findings", read_only=True)
    end = InspectionEndSerializer(source="shown_end", read_only=True, allow_null=True)


def whole(visit: Inspection) -> Any:
    """A visit with what stands of it; as many statements however much that is."""
    first = visits.line_of(visit)
    now: Any = Inspection.objects.select_related(*RELATED).get(
        visits.of_line(first), corrected_by__isnull=True
    )
    notes = InspectionNote.objects.standing().filter(inspection=first).select_related(*RELATED)
    samples = InspectionSample.objects.standing().filter(inspection=first)
    found = due.findings(visit.establishment).filter(inspection=first)
    now.shown_notes = list(notes.order_by("performed_at", "id"))
    now.shown_samples = list(
        samples.select_related(*RELATED, "lot", "movement")
        .prefetch_related(Prefetch("results", RESULTS))
        .order_by("performed_at", "id")
    )
    now.shown_findings = with_states(list(found.order_by("performed_at", "id")), visit.establishment)
    ends = InspectionEnd.objects.standing().filter(inspection=first).select_related(*RELATED)
    now.shown_end = ends.first()
    return now


class OneInspection(Scoped):
    """One visit: who came, what was shown or copied, samples with their results, findings with their answers, the end."""

    serializer_class = WholeInspectionSerializer
    queryset = Inspection.objects.all()

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(whole(visit_of(self))).data)
