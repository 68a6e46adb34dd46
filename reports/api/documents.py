"""Documents: ask for one (202 with a place to ask), see how far it is, fetch it."""

from typing import Any

from django.core.files.storage import default_storage
from django.http import FileResponse
from django.urls import reverse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import mixins, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from config.api.bodies import BodySerializer
from config.api.refusals import RuleBroken, Unknown
from haccp.api.trials import TRIED, ProposalSerializer
from ledger.api.scope import ANY_ROLE, Scoped
from reports import inspecting, jobs
from reports.api.changeover_table import ChangeoverTableSerializer
from reports.api.compliance_profiles import ProfileAskedSerializer
from reports.api.inspection_files import InspectionFileSerializer
from reports.api.mass_balances import BalanceAskedSerializer
from reports.api.periods import DaysSerializer
from reports.api.recall_reports import RecallPlanPaperSerializer, RecallReportSerializer
from reports.api.retention import RetentionAskedSerializer
from reports.api.tags import TagSerializer
from reports.api.trace_questions import TraceAskedSerializer
from reports.documents import PageSize, PdfVariant
from reports.models import DocumentJob

OF_A_PERIOD = (
    DocumentJob.Kind.MONITORING_LOG,
    DocumentJob.Kind.DEVIATION_LIST,
    DocumentJob.Kind.RECEIVING_LOG,
    DocumentJob.Kind.CHANGEOVER_LOG,
    DocumentJob.Kind.VERIFICATION_LOG,
)
"""Kinds that tell of days."""
NEEDED: dict[str, tuple[str, ...]] = {
    DocumentJob.Kind.BATCH_RECORD: ("subject",),
    DocumentJob.Kind.HAZARD_PLAN: ("subject",),
    DocumentJob.Kind.CHECK_SHEET: ("subject",),
    DocumentJob.Kind.TRIAL: ("trial",),
    DocumentJob.Kind.SALE_SIGN: ("subject",),
    DocumentJob.Kind.TAG_SHEET: ("tags",),
    DocumentJob.Kind.TRACE: ("trace",),
    DocumentJob.Kind.INSPECTION_FILE: ("file",),
    DocumentJob.Kind.RECALL_LETTER: ("subject",),
    DocumentJob.Kind.RECALL_REPORT: ("subject",),
    DocumentJob.Kind.NOTICE_REPLY: ("subject",),
    DocumentJob.Kind.PUBLIC_NOTICE: ("subject",),
    DocumentJob.Kind.MASS_BALANCE: ("balance",),
    **dict.fromkeys(OF_A_PERIOD, ("period",)),
    DocumentJob.Kind.MONITORING_LOG: ("subject", "period"),
    DocumentJob.Kind.DEVIATION: ("subject",),
    DocumentJob.Kind.ALLERGEN_SHEET: ("subject",),
    DocumentJob.Kind.INSPECTION_RECORD: ("subject",),
}
"""What a kind cannot do without; a changeover table is of today, of everything, unless it is said."""
OWN = {
    "trial": (DocumentJob.Kind.TRIAL,),
    "tags": (DocumentJob.Kind.TAG_SHEET,),
    "table": (DocumentJob.Kind.CHANGEOVER_TABLE,),
    "trace": (DocumentJob.Kind.TRACE,),
    "report": (DocumentJob.Kind.RECALL_REPORT,),
    "plan": (DocumentJob.Kind.RECALL_PLAN,),
    "balance": (DocumentJob.Kind.MASS_BALANCE,),
    "file": (DocumentJob.Kind.INSPECTION_FILE,),
    "profile": (DocumentJob.Kind.COMPLIANCE_PROFILE,),
    "retention": (DocumentJob.Kind.RETENTION_REPORT,),
    "period": OF_A_PERIOD,
}
"""What is said of some kinds only."""
MEDIA = {
    "pdf": "application/pdf",
    "json": "application/json",
    "html": "text/html; charset=utf-8",
    "zip": "application/zip",
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A batch record",
            {"kind": "batch-record", "subject": "01a21200-0000-7000-8000-000000000020"},
            request_only=True,
        ),
        OpenApiExample(
            "A hazard plan in Spanish",
            {
                "kind": "hazard-plan",
                "subject": "01a21200-0000-7000-8000-000000000050",
                "language": "es",
            },
            request_only=True,
        ),
        OpenApiExample(
            "A sign for unpacked sale",
            {"kind": "sale-sign", "subject": "01a21200-0000-7000-8000-000000000001"},
            request_only=True,
        ),
        OpenApiExample(
            "Labels of a tub, ten of them",
            {
                "kind": "tag-sheet",
                "tags": [{"kind": "tub", "lot": "01a21200-0000-7000-8000-000000000030", "copies": 10}],
                "page_size": "letter",
            },
            request_only=True,
        ),
        OpenApiExample(
            "A changeover table for the wall beside a table",
            {
                "kind": "changeover-table",
                "table": {"equipment": ["01a21200-0000-7000-8000-000000000010"]},
            },
            request_only=True,
        ),
        OpenApiExample(
            "A trace forward from a lot",
            {
                "kind": "trace",
                "trace": {"lot": ["01a21200-0000-7000-8000-000000000030"], "direction": "forward"},
            },
            request_only=True,
        ),
        OpenApiExample(
            "Where a recall stood at a time",
            {
                "kind": "recall-report",
                "subject": "01a21200-0000-7000-8000-000000000040",
                "report": {"at": "2026-03-09T12:00:00+01:00"},
            },
            request_only=True,
        ),
        OpenApiExample(
            "The mass balance of a batch",
            {"kind": "mass-balance", "balance": {"batch": "01a21200-0000-7000-8000-000000000020"}},
            request_only=True,
        ),
        OpenApiExample(
            "An inspection file of a day and a lot",
            {
                "kind": "inspection-file",
                "file": {
                    "lots": ["01a21200-0000-7000-8000-000000000030"],
                    "since": "2026-03-02",
                    "until": "2026-03-02",
                },
            },
            request_only=True,
        ),
        OpenApiExample(
            "The log of a control point in March, in Spanish",
            {
                "kind": "monitoring-log",
                "subject": "01a21200-0000-7000-8000-000000000050",
                "period": {"first": "2026-03-01", "last": "2026-03-31"},
                "language": "es",
            },
            request_only=True,
        ),
        OpenApiExample("A trial on past checks", {"kind": "trial", "trial": TRIED}, request_only=True),
    ]
)
class DocumentSerializer(BodySerializer):
    id = serializers.UUIDField(required=False)
    kind = serializers.ChoiceField(choices=DocumentJob.Kind.choices)
    subject = serializers.UUIDField(
        required=False,
        help_text="The id of the batch for a batch record, of the product for a sign, of the notice for a recall "
        "letter or a public notice, of the recall for its report, of the reply to a notice for its letter, of the "
        "approved version for a hazard plan, or of the plan itself for its draft, of a control point of any version of "
        "the plan for its log, of the deviation, of the product for its allergen and label sheet, of the check sheet for "
        "a sheet to be printed, of the inspection for its record.",
    )
    trial = ProposalSerializer(
        required=False, source="about", write_only=True, help_text="What to try, for a trial."
    )
    tags = serializers.ListField(
        child=TagSerializer(),
        required=False,
        write_only=True,
        max_length=200,
        help_text="For a sheet of tags.",
    )
    table = ChangeoverTableSerializer(
        required=False,
        write_only=True,
        help_text="Which day, equipment and products, for a changeover table.",
    )
    trace = TraceAskedSerializer(
        required=False, write_only=True, help_text="What to trace, for a trace: as it is asked over the API."
    )
    report = RecallReportSerializer(
        required=False,
        write_only=True,
        help_text="As of which time, for a report of a recall or an exercise.",
    )
    plan = RecallPlanPaperSerializer(
        required=False, write_only=True, help_text="With what the recall plan is printed."
    )
    balance = BalanceAskedSerializer(
        required=False,
        write_only=True,
        help_text="Of which lot, batch or period, for a mass balance.",
    )
    file = InspectionFileSerializer(
        required=False, write_only=True, help_text="What an inspection file is of: it takes some minutes."
    )
    profile = ProfileAskedSerializer(
        required=False,
        write_only=True,
        help_text="As of which day, for which parts are asked of the establishment.",
    )
    period = DaysSerializer(
        required=False, write_only=True, help_text="Of which days, for logs and lists of a period."
    )
    retention = RetentionAskedSerializer(
        required=False, write_only=True, help_text="By which day, for a report on retention."
    )
    about = serializers.DictField(read_only=True, help_text="What was asked besides the subject.")
    language = serializers.ChoiceField(choices=jobs.LANGUAGES, default="en")
    page_size = serializers.ChoiceField(choices=[size.value for size in PageSize], default="a4")
    pdf_variant = serializers.ChoiceField(
        choices=[variant.value for variant in PdfVariant],
        default="pdf/a-3u",
        help_text="For the archive (ISO 19005-3) or for assistive technology (ISO 14289-1); both are tagged.",
    )
    outside = serializers.BooleanField(
        default=False,
        write_only=True,
        help_text="As it may leave the house: without quantities of the recipe, private contacts and names of who came to "
        "inspect, unless a food-safety lead let them go (`disclosures`). What an inspector asks for, and what lies in an "
        "inspection file, is always made so.",
    )
    number = serializers.IntegerField(read_only=True)
    parts_drawn = serializers.IntegerField(
        read_only=True, help_text="How far it is: so many documents of it."
    )
    parts_in_all = serializers.IntegerField(read_only=True)
    state = serializers.ChoiceField(choices=DocumentJob.State.choices, read_only=True)
    asked_at = serializers.DateTimeField(read_only=True)
    made_at = serializers.DateTimeField(read_only=True, allow_null=True)
    problem = serializers.CharField(read_only=True)
    size = serializers.IntegerField(read_only=True, allow_null=True)
    sha256 = serializers.CharField(source="digest", read_only=True)
    forms = serializers.SerializerMethodField(
        help_text="In which forms it can be fetched; none before it is done."
    )

    def get_forms(self, job: DocumentJob) -> list[str]:
        return list(jobs.forms_of(job))

    def validate(self, asked: dict[str, Any]) -> dict[str, Any]:
        missing = [name for name in NEEDED.get(asked["kind"], ()) if name not in self.initial_data]
        if missing:
            raise serializers.ValidationError(
                dict.fromkeys(missing, f"A document of the kind {asked['kind']} needs it.")
            )
        for name, kinds in OWN.items():
            said = asked.pop("about" if name == "trial" else name, None)
            if said is not None and asked["kind"] not in kinds:
                of = " or a ".join(kinds)
                raise serializers.ValidationError({name: f"This is said of a {of} only."})
        for name in OWN.keys() & self.initial_data.keys():  # as asked: it is read again when it is made
            asked["about"] = {"tags": self.initial_data[name]} if name == "tags" else self.initial_data[name]
        return asked


class ReadDocuments(Scoped):
    """Who works here reads all of them; an inspector those made for outside that lie in the days of the entrance."""

    serializer_class = DocumentSerializer
    queryset = DocumentJob.objects.all()
    read_roles = ANY_ROLE
    seen: DocumentJob | None = None

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False) or not self.standing.entrance:
            return queryset
        return queryset.filter(inspecting.open_to(self.standing.entrance))

    def get_object(self) -> DocumentJob:
        self.seen = super().get_object()
        return self.seen

    def looked_at(self) -> dict[str, Any]:
        return inspecting.looked_at(self.seen) if self.seen else super().looked_at()


class Documents(mixins.ListModelMixin, ReadDocuments):
    """Documents asked for, newest first. A new one is made by a worker: 202, and its address to ask at.

    What an inspector asks for is made for outside, and lies in the days that the entrance opens.
    """

    ordering = ("-id",)
    write_roles = ANY_ROLE

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    @extend_schema(responses={202: DocumentSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        said = {"asked_by": request.user, **serializer.validated_data}
        if self.standing.entrance:
            job = inspecting.ask(self.standing.entrance, **said)
        else:
            job = jobs.ask(establishment=self.establishment, **said)
        self.seen = job
        where = reverse("document", kwargs={"establishment": self.establishment.pk, "pk": job.pk})
        return Response(
            self.get_serializer(job).data, status=status.HTTP_202_ACCEPTED, headers={"Location": where}
        )


class OneDocument(ReadDocuments):
    """How far a document is; ``state`` says done when its files can be fetched."""

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(self.get_serializer(self.get_object()).data)


class DocumentFile(ReadDocuments):
    """The document as PDF, as data (JSON) or as a page (HTML); one that is a table also as CSV and XLSX."""

    @extend_schema(responses={(200, "application/octet-stream"): OpenApiTypes.BINARY, 409: None})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> FileResponse:
        return fetched(self.get_object(), kwargs["form"])


def fetched(job: DocumentJob, kind: str) -> FileResponse:
    """A file of a document that is done. Raises RuleBroken ``not-made-yet``, Unknown for a form it does not come in."""
    if job.state != DocumentJob.State.DONE:
        raise RuleBroken(
            f"The document is {job.get_state_display()}. {job.problem}".strip(), code="not-made-yet"
        )
    if kind not in jobs.forms_of(job):
        raise Unknown(f"A {job.kind} comes as: {', '.join(jobs.forms_of(job))}.")
    answer = FileResponse(
        default_storage.open(jobs.path_of(job, kind)),
        content_type=MEDIA[kind],
        as_attachment=kind != "html",
        filename=f"{job.kind}-{job.number:06d}.{kind}",
    )
    answer["Content-Security-Policy"] = "default-src 'none'; style-src 'unsafe-inline'; sandbox"
    return answer
