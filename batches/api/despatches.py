"""What suppliers tell of goods on their way: sent as a file, listed as proposed receipts, confirmed or declined."""

import hashlib
from typing import Any

from django.core.exceptions import RequestDataTooBig
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import mixins, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.amounts import AsEntered
from batches.api.movements import UNIT_HELP, document, partner, place, read_filters
from batches.bringing.columns import House
from batches.despatches import proposing, tables
from batches.despatches.events import read_document
from batches.despatches.lines import Despatch
from batches.despatches.proposing import AWAITING
from batches.models import Material, ProposalOutcome, ProposedReceipt, TradingPartner
from config.api.bodies import BodySerializer
from config.api.examples import ID, WHEN, example, example_form
from config.api.parsers import FileAsBody, StrictJSONParser, StrictMultiPartParser
from config.api.refusals import Unusable
from ledger.acts import Act, Moment
from ledger.api.records import RecordSerializer, act_of
from ledger.api.scope import Scoped, ScopedReference

LARGEST = 5 * 1024 * 1024  # bytes of one despatch (site setting, no source)
STATES = (AWAITING, *ProposalOutcome.values)


class DespatchForm(StrictMultiPartParser):
    """A form with the file."""

    def largest(self) -> int:
        return LARGEST


class DespatchBody(FileAsBody):
    """The file as the body."""

    def largest(self) -> int:
        return LARGEST


class CsvDespatch(DespatchBody):
    media_type = "text/csv"


class WorkbookDespatch(DespatchBody):
    media_type = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


class EventsDespatch(DespatchBody):
    media_type = "application/ld+json"


@example_form(supplier=ID, file="(the supplier's file)")
class DespatchSerializer(BodySerializer):
    supplier = ScopedReference(queryset=TradingPartner.objects.all(), help_text="Whose despatch it is.")
    file = serializers.FileField(help_text="CSV, XLSX, or EPCIS 2.0 in JSON.")
    name = serializers.CharField(
        max_length=200, required=False, help_text="What the file is called; where it is the body."
    )


class ReadSerializer(serializers.Serializer):
    """What was read of the line, as text; what it does not tell is left out."""

    document = serializers.CharField(required=False, help_text="Number of the despatch note.")
    despatched_at = serializers.CharField(required=False)
    item = serializers.CharField(required=False, help_text="The supplier's number, or our code.")
    gtin = serializers.CharField(required=False)
    description = serializers.CharField(required=False)
    lot = serializers.CharField(required=False, help_text="The supplier's lot code.")
    quantity = serializers.CharField(required=False)
    unit = serializers.CharField(required=False)
    best_before = serializers.CharField(required=False)
    sscc = serializers.CharField(required=False)


class PassedOverSerializer(serializers.Serializer):
    place = serializers.CharField(source="field")
    code = serializers.CharField()
    detail = serializers.CharField()


class ProposedReceiptSerializer(serializers.Serializer):
    """One line of a despatch. Nothing is in stock before it is confirmed."""

    id = serializers.UUIDField(source="pk")
    supplier = serializers.UUIDField(source="supplier_id")
    file = serializers.CharField()
    file_sha256 = serializers.CharField()
    spot = serializers.CharField(help_text="Line of a table, or JSON pointer.")
    read = ReadSerializer(source="said.read")
    said = serializers.DictField(help_text="As it stood in the file.")
    state = serializers.SerializerMethodField()
    receipt = serializers.SerializerMethodField(help_text="The movement, and the lot: both bear this id.")
    declined_because = serializers.SerializerMethodField()
    material = serializers.SerializerMethodField(
        help_text="What it seems to be: the one material in use here with that GTIN or code."
    )
    recorded_by = serializers.UUIDField(source="recorded_by_id")
    recorded_at = serializers.DateTimeField()
    digest = serializers.CharField()

    @extend_schema_field(serializers.ChoiceField(choices=STATES))
    def get_state(self, proposal: ProposedReceipt) -> str:
        return self.context["states"][proposal.pk].state

    @extend_schema_field(serializers.UUIDField(allow_null=True))
    def get_receipt(self, proposal: ProposedReceipt) -> Any:
        return self.context["states"][proposal.pk].receipt

    @extend_schema_field(serializers.CharField())
    def get_declined_because(self, proposal: ProposedReceipt) -> str:
        return self.context["states"][proposal.pk].because

    @extend_schema_field(serializers.UUIDField(allow_null=True))
    def get_material(self, proposal: ProposedReceipt) -> Any:
        material = self.context["suggested"].get(proposal.pk)
        return None if material is None else material.pk


def shown(proposals: Any) -> list[Any]:
    found = list(proposals)
    context = {"states": proposing.states(found), "suggested": proposing.suggested(found)}
    return list(ProposedReceiptSerializer(found, many=True, context=context).data)


class ProposedSerializer(serializers.Serializer):
    new = ProposedReceiptSerializer(many=True)
    known = ProposedReceiptSerializer(many=True, help_text="Proposed before; nothing was doubled.")
    passed_over = PassedOverSerializer(many=True, help_text="What is no despatch, with its place.")


class ProposalFilters(serializers.Serializer):
    state = serializers.ChoiceField(choices=STATES, required=False)
    supplier = serializers.UUIDField(required=False)


COLUMNS = "\n".join(f"* {line}" for line in tables.told())
SENDING = f"""Propose the lines of a supplier's despatch as receipts. All or nothing; every error is told with its line and
column, or its JSON pointer. The same despatch again doubles nothing. A person confirms or declines each line.

EPCIS 2.0: ObjectEvents of shipping, in JSON. CSV (UTF-8) or XLSX with these columns:

{COLUMNS}"""


class ProposedReceipts(mixins.ListModelMixin, Scoped):
    """Proposed receipts, newest first."""

    serializer_class = ProposedReceiptSerializer
    queryset = ProposedReceipt.objects.all()
    parser_classes = [DespatchForm, CsvDespatch, WorkbookDespatch, EventsDespatch]
    ordering = ("-recorded_at", "-id")

    def get_queryset(self) -> Any:
        queryset: Any = super().get_queryset()
        asked = read_filters(self, ProposalFilters)
        if "supplier" in asked:
            queryset = queryset.filter(supplier=asked["supplier"])
        return proposing.in_state(queryset, asked["state"]) if "state" in asked else queryset

    @extend_schema(parameters=[ProposalFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        page = self.paginate_queryset(self.get_queryset())
        return self.get_paginated_response(shown(page))

    @extend_schema(
        description=SENDING,
        parameters=[
            OpenApiParameter("supplier", OpenApiTypes.UUID, description="Where the file is the body."),
            OpenApiParameter("name", OpenApiTypes.STR, description="Where the file is the body."),
        ],
        request={
            "multipart/form-data": DespatchSerializer,
            CsvDespatch.media_type: OpenApiTypes.STR,
            WorkbookDespatch.media_type: OpenApiTypes.BINARY,
            EventsDespatch.media_type: OpenApiTypes.OBJECT,
        },
        responses={201: ProposedSerializer, 200: ProposedSerializer},
    )
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = DespatchSerializer(data=request.data, context=self.get_serializer_context())
        serializer.is_valid(raise_exception=True)
        said = serializer.validated_data
        file = said["file"]
        if file.size > LARGEST:
            raise RequestDataTooBig
        person: Any = request.user
        act = Act(self.establishment, person, Moment.now(self.establishment), person)
        name = said.get("name") or file.name
        digest = hashlib.sha256(b"".join(file.chunks())).hexdigest()
        file.seek(0)
        found = proposing.propose(
            act=act,
            supplier=said["supplier"],
            file=proposing.File(name, digest),
            despatch=self._read(file, name, act, said["supplier"]),
        )
        told = {"new": shown(found.new), "known": shown(found.known)}
        passed_over = PassedOverSerializer(found.passed_over, many=True).data
        code = status.HTTP_201_CREATED if found.new else status.HTTP_200_OK
        return Response(told | {"passed_over": passed_over}, status=code)

    def _read(self, file: Any, name: str, act: Act, supplier: TradingPartner) -> Despatch:
        here = self.establishment
        head = file.read(64).removeprefix(b"\xef\xbb\xbf").lstrip()
        file.seek(0)
        if head.startswith((b"{", b"[")):
            return read_document(StrictJSONParser().parse(file), name, supplier.gln)
        if not head:
            raise Unusable("The file is empty.", code="empty-file", field="file")
        return tables.read_table(file, name, House(here.zone, here.decimal_comma, act.performed.at))


class OneProposedReceipt(Scoped):
    serializer_class = ProposedReceiptSerializer
    queryset = ProposedReceipt.objects.all()

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(shown([self.get_object()])[0])


@example(performed_at=WHEN, material=ID, quantity="24.5", unit="KGM")
class ConfirmedSerializer(RecordSerializer):
    """What really came; what is left out is as it was proposed. `id` is that of the receipt."""

    corrects = None
    reason = None
    material = ScopedReference(queryset=Material.objects.all(), required=False)
    quantity = AsEntered(required=False)
    unit = serializers.CharField(max_length=3, required=False, help_text=UNIT_HELP)
    supplier_code = serializers.CharField(required=False, allow_blank=True)
    best_before = serializers.DateField(required=False, allow_null=True)
    code = serializers.CharField(required=False, help_text="Our own code; the next free one if left out.")
    to_place = place()
    carrier = partner(required=False)
    document = document()


@example(performed_at=WHEN, because="Never came.")
class DeclinedSerializer(RecordSerializer):
    corrects = None
    reason = None
    because = serializers.CharField(max_length=1000)


class Answering(Scoped):
    """201 for a new answer, 200 for a repeat: the proposal as it stands then."""

    queryset = ProposedReceipt.objects.all()

    def answer(self, request: Request, deed: Any) -> Response:
        proposal = self.get_object()
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        made = deed(act=act_of(self, request, values), proposal=proposal, **values)
        code = status.HTTP_200_OK if made.repeated else status.HTTP_201_CREATED
        return Response(shown([proposal])[0], status=code)


ANSWERED = {201: ProposedReceiptSerializer, 200: ProposedReceiptSerializer}


class ConfirmedProposals(Answering):
    """The goods came: a receipt is recorded, with what really came where it differs."""

    serializer_class = ConfirmedSerializer

    @extend_schema(responses=ANSWERED)
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.answer(request, proposing.confirm)


class DeclinedProposals(Answering):
    """The goods did not come or were not taken in, and why."""

    serializer_class = DeclinedSerializer

    @extend_schema(responses=ANSWERED)
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.answer(request, proposing.decline)
