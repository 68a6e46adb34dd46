"""Findings of inspections: told, answered, closed by signature, and which are still open."""

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.movements import read_filters
from haccp.api.finding_shapes import (
    FindingAnswerSerializer,
    FindingClosedSerializer,
    InspectionFindingSerializer,
    with_states,
)
from haccp.api.inspections import OfInspection, visit_of
from haccp.api.recalls import proof_of
from haccp.inspections import due, findings, visits
from haccp.models import Finding, FindingAnswer, FindingClosed
from ledger.acts import Act
from ledger.api.records import RecordView
from ledger.api.scope import DECIDERS, Scoped
from ledger.models import Record

RELATED = ("establishment", "performed_by")
FINDINGS = Finding.objects.select_related(
    *RELATED, "lot", "batch", "closed__performed_by", "closed__establishment"
)


class WithStates(mixins.ListModelMixin):
    """How each finding on a page stands, asked at once."""

    def paginate_queryset(self: Any, queryset: Any) -> Any:
        page = super().paginate_queryset(queryset)  # type: ignore[misc]
        return page if page is None else with_states(page, self.establishment)


class InspectionFindings(WithStates, OfInspection):
    """What one visit found, newest first. A day before the visit is asked back once (409)."""

    serializer_class = InspectionFindingSerializer
    queryset = FINDINGS

    def deed(self, act: Act, **values: Any) -> Record:
        return findings.find(act=act, inspection=visit_of(self), **values)


class OfFinding(RecordView):
    """Records of one finding, which stands in the address below its visit."""

    @property
    def finding(self) -> Finding:
        rows = Finding.objects.select_related("establishment", "inspection__establishment")
        return get_object_or_404(rows, inspection=visits.line_of(visit_of(self)), pk=self.kwargs["finding"])


class FindingAnswers(OfFinding):
    """What was done about a finding, newest first. Late is taken, and told with the finding."""

    serializer_class = FindingAnswerSerializer
    queryset = FindingAnswer.objects.select_related(*RELATED)

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        return queryset.filter(finding=visits.line_of(self.finding))

    def deed(self, act: Act, **values: Any) -> Record:
        return findings.answer(act=act, finding=self.finding, **values)


class FindingClosings(OfFinding):
    """Close a finding by signature: by their word or the house's. Refused while nobody has answered it."""

    serializer_class = FindingClosedSerializer
    queryset = FindingClosed.objects.select_related(*RELATED)
    write_roles = DECIDERS

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset
        line = Finding.objects.filter(visits.of_line(visits.line_of(self.finding)))
        return queryset.filter(finding__in=line)

    def deed(self, act: Act, **values: Any) -> Record:
        proof = proof_of(self, act, values)
        return findings.close(act=act, finding=self.finding, proof=proof, **values)


class FindingFilters(serializers.Serializer):
    open = serializers.BooleanField(
        required=False, default=None, allow_null=True, help_text="Whether they are still to be closed."
    )
    answered = serializers.BooleanField(required=False, default=None, allow_null=True)
    due_by = serializers.DateField(required=False, help_text="Only those due on this day or before.")


class AllFindings(WithStates, Scoped):
    """What stands of all that inspections found, the newest first; ``?open=true&answered=false`` awaits an answer."""

    serializer_class = InspectionFindingSerializer
    queryset = FINDINGS
    ordering = ("-recorded_at", "-id")

    def get_queryset(self) -> Any:
        queryset: Any = super().get_queryset()
        asked = read_filters(self, FindingFilters)
        queryset = queryset.standing()
        if asked.get("open") is not None:
            queryset = queryset.filter(due.NOT_CLOSED if asked["open"] else ~due.NOT_CLOSED)
        if asked.get("answered") is not None:
            queryset = queryset.filter(due.ANSWERED if asked["answered"] else ~due.ANSWERED)
        return queryset.filter(due_on__lte=asked["due_by"]) if "due_by" in asked else queryset

    @extend_schema(parameters=[FindingFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)
