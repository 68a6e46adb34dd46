"""Bringing in the tables that a house has today, over HTTP."""

from collections.abc import Iterator
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.bringing import files
from batches.bringing.columns import TABLES
from batches.bringing.deed import Outcome, bring_in
from batches.bringing.files import Given
from batches.models import BroughtIn
from config.api.bodies import BodySerializer
from config.api.examples import example_form
from config.api.parsers import StrictMultiPartParser
from config.api.tables import MOST_BYTES
from ledger.api.records import act_of
from ledger.api.scope import PLANNERS, Scoped


class TablesForm(StrictMultiPartParser):
    """A form with tables, which together are no larger than one may be."""

    def largest(self) -> int:
        return MOST_BYTES


def _file(told: str) -> serializers.FileField:
    return serializers.FileField(required=False, help_text=told)


@example_form(dry_run=True, materials="(a table, CSV or XLSX)", lots="(a table, CSV or XLSX)")
class TablesSerializer(BodySerializer):
    dry_run = serializers.BooleanField(
        required=False, default=True, help_text="Do all of it and undo it: what is told is what would be."
    )
    workbook = _file("An XLSX with a sheet for each table, called as the table.")
    materials = _file("CSV or XLSX; its own file goes before the sheet of a workbook.")
    partners = _file("As above.")
    places = _file("As above.")
    lots = _file("As above.")
    batches = _file("As above.")
    shipments = _file("As above.")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not {"workbook", *TABLES} & attrs.keys():
            raise serializers.ValidationError({"workbook": "Send at least one table."})
        return attrs


class CountedSerializer(serializers.Serializer):
    rows = serializers.CharField()
    new = serializers.IntegerField()
    known = serializers.IntegerField(help_text="Brought in before.")
    stands = serializers.IntegerField(help_text="Here already by other means.")


class OutcomeSerializer(serializers.Serializer):
    written = serializers.BooleanField()
    counted = CountedSerializer(many=True)
    told = serializers.ListField(
        child=serializers.DictField(),
        help_text="What is out of order in the papers; recorded with its flag all the same.",
    )


class BringIn(Scoped):
    """Bring in tables of the past: all, or nothing with every error by file, line and column. Again changes nothing."""

    serializer_class = TablesSerializer
    queryset = BroughtIn.objects.all()
    parser_classes = [TablesForm]
    write_roles = PLANNERS

    @extend_schema(request={"multipart/form-data": TablesSerializer}, responses=OutcomeSerializer)
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        sent = dict(serializer.validated_data)
        tables = files.read_all(_given(sent))
        outcome = bring_in(act=act_of(self, request, {}), tables=tables, write=not sent["dry_run"])
        return Response(_shown(outcome))


def _given(sent: dict[str, Any]) -> Iterator[Given]:
    workbook = sent.get("workbook")
    for name in TABLES:
        if name in sent:
            yield Given(name, sent[name], sent[name].name)
        elif workbook is not None:
            yield Given(name, workbook, f"{workbook.name}/{name}", is_sheet=True)


def _shown(outcome: Outcome) -> dict[str, Any]:
    names = sorted({*outcome.new, *outcome.known, *outcome.stands})
    return {
        "written": outcome.written,
        "counted": [
            {
                "rows": name,
                "new": outcome.new.get(name, 0),
                "known": outcome.known.get(name, 0),
                "stands": outcome.stands.get(name, 0),
            }
            for name in names
        ],
        "told": [{"code": each.code, "detail": each.detail, "field": each.field} for each in outcome.told],
    }
