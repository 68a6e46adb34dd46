"""Cleaning procedures: drafts that change under ``If-Match``, and versions approved by signature."""

from typing import Any

from drf_spectacular.utils import extend_schema, extend_schema_field, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.recipes import GapSerializer
from batches.api.reference import ReferenceSerializer, example
from haccp.api.registers import Register, RegisterRow
from haccp.changeovers import procedures
from haccp.models import CleaningProcedure, CleaningProcedureVersion
from ledger.acts import Act
from ledger.api.approvals import Versions, VersionSerializer
from ledger.api.scope import Scoped

WET = {
    "method": "wet",
    "minutes": "45",
    "equipment_kinds": ["table"],
    "steps": [
        {"code": "SCRAPE", "what": "Scrape down to the bare plate", "by": "scrape"},
        {"code": "WASH", "what": "Wash with hot water and detergent", "by": "wash"},
        {"code": "DRY", "what": "Dry with paper until nothing shines", "by": "dry"},
    ],
    "clears": {"allergens": ["hazelnut", "milk"], "microbiological": False, "foreign-bodies": True},
    "verify": [
        {"by": "visual", "where": "Whole plate, seams, legs"},
        {"by": "swab", "allergens": ["hazelnut", "milk"], "where": "Four corners and the worst place"},
        {"by": "atp", "where": "Middle of the plate", "upper": "150", "unit": "RLU"},
    ],
    "levels": {
        "eaten_g": "40",
        "doses": [
            {
                "allergen": "milk",
                "mg": "2.0",
                "dose_set": "FAO/WHO",
                "dated": "2022",
                "source": "FAO/WHO expert consultation, part 2",
            },
            {
                "allergen": "hazelnut",
                "mg": "3.0",
                "dose_set": "FAO/WHO",
                "dated": "2022",
                "source": "FAO/WHO expert consultation, part 2",
            },
        ],
    },
    "validation": "Three runs of 12 to 14 January 2026 after hazelnut paste; swabs in report 7.",
}


@example("Washing down a table", code="CLEAN-WET", name="Table, washed", draft=WET)
class CleaningProcedureSerializer(ReferenceSerializer):
    """A cleaning procedure and its draft, with what stands between the draft and its approval."""

    draft = serializers.DictField(
        help_text="One document, numbers as text. method: wet, dry, push-through, other; minutes; equipment_kinds; "
        "steps with what each does (by); clears; verify: visual, rinse, swab, atp, protein; levels: what is eaten at "
        "once and reference doses of one set; validation. It may be incomplete."
    )
    gaps = serializers.SerializerMethodField(help_text="Empty when the draft can be approved.")
    version_in_force = serializers.SerializerMethodField()

    @extend_schema_field(GapSerializer(many=True))
    def get_gaps(self, procedure: CleaningProcedure) -> list[dict[str, Any]]:
        return GapSerializer(procedures.gaps(procedure), many=True).data

    def get_version_in_force(self, procedure: CleaningProcedure) -> str | None:
        latest = procedures.latest_version(procedure)
        return None if latest is None else str(latest.pk)


class CleaningProcedureEntrySerializer(ReferenceSerializer):
    """A cleaning procedure as it stands in a list."""

    draft = serializers.DictField()


class CleaningProcedures(Register):
    """Cleaning procedures, newest first. A new one begins as a draft that may be incomplete."""

    queryset = CleaningProcedure.objects.all()

    def get_serializer_class(self) -> type[serializers.Serializer]:
        return (
            CleaningProcedureEntrySerializer if self.request.method == "GET" else CleaningProcedureSerializer
        )

    @extend_schema(
        request=CleaningProcedureSerializer,
        responses={201: CleaningProcedureSerializer, 200: CleaningProcedureSerializer},
    )
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return super().post(request, *args, **kwargs)

    def make(self, act: Act, values: dict[str, Any]) -> CleaningProcedure:
        return procedures.draft(act=act, code=values["code"], name=values["name"], document=values["draft"])


class OneCleaningProcedure(RegisterRow):
    """A procedure and its draft. A change needs ``If-Match``; approved versions stay as they are."""

    queryset = CleaningProcedure.objects.select_related("establishment")
    serializer_class = CleaningProcedureSerializer

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.answer(self.get_object())  # shows the approved version too, so it is never "not modified"

    def alter(
        self, act: Act, row: CleaningProcedure, values: dict[str, Any], expected_version: int
    ) -> CleaningProcedure:
        return procedures.redraft(act=act, procedure=row, values=values, expected_version=expected_version)


class CleaningProcedureVersionSerializer(VersionSerializer):
    procedure = serializers.UUIDField(source="procedure_id", read_only=True)


VERSIONS = CleaningProcedureVersion.objects.select_related("establishment", "performed_by")


@extend_schema_view(
    post=extend_schema(
        responses={
            201: CleaningProcedureVersionSerializer,
            200: CleaningProcedureVersionSerializer,
            412: None,
        }
    )
)
class CleaningProcedureVersions(Versions):
    """Approved versions of a procedure. Approving signs: the food-safety lead gives the password again."""

    serializer_class = CleaningProcedureVersionSerializer
    queryset = VERSIONS
    drafted, drafted_as = CleaningProcedure, "procedure"

    def approve(self, *, row: Any, **approval: Any) -> CleaningProcedureVersion:
        return procedures.approve(procedure=row, **approval)


class OneCleaningProcedureVersion(Scoped):
    """An approved version."""

    serializer_class = CleaningProcedureVersionSerializer
    queryset = VERSIONS

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)
