"""The scan over HTTP. A question that is posted: its text may hold what no address can, and belongs in no log."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.amounts import AmountSerializer, amount
from batches.api.lots import LotSerializer
from batches.models import Lot, Material, TradingPartner
from batches.scanning.elements import SEPARATOR
from batches.scanning.texts import LONGEST
from config.api.bodies import BodySerializer
from config.api.parsers import StrictJSONParser
from haccp import scanning
from haccp.lot_doings import Standing
from haccp.models import CheckSheet
from haccp.scanning import Answered, Candidate
from ledger.api.scope import Scoped


class ScanParser(StrictJSONParser):
    """Takes what a reader sends for FNC1 as well (U+001D): nothing of it is kept."""

    taken = SEPARATOR


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A supplier's GS1-128, with what the scanner puts in front",
            {"text": "]C101095212340000131526070510T-0105-1"},
            request_only=True,
        ),
        OpenApiExample("A lot code, typed", {"text": "HZP-26061-1"}, request_only=True),
    ]
)
class ScanSerializer(BodySerializer):
    """The text as it was scanned or typed, its control characters too."""

    text = serializers.CharField(trim_whitespace=False, max_length=LONGEST + 100)


class FieldReadSerializer(serializers.Serializer):
    ai = serializers.CharField(help_text="GS1 application identifier.")
    title = serializers.CharField()
    value = serializers.CharField(help_text="As it stands in the barcode.")
    day = serializers.DateField(
        allow_null=True, help_text="Where it is a date; day 00 is the last of its month."
    )
    number = serializers.CharField(allow_null=True, help_text="Where it is a measure, with its decimals.")


class LyingSerializer(AmountSerializer):
    place = serializers.UUIDField(allow_null=True, help_text="null: nobody said where.")
    name = serializers.CharField()


class HeldBySerializer(serializers.Serializer):
    deviation = serializers.UUIDField()
    title = serializers.CharField()


class DoingSerializer(serializers.Serializer):
    deed = serializers.ChoiceField(
        choices=["use", "ship", "release", "count", "move", "sample", "destroy", "report", "read"]
    )
    may = serializers.BooleanField(help_text="Whether the person who asks may, as the lot stands.")
    because = serializers.CharField()


class ScannedLotSerializer(LotSerializer):
    expired = serializers.BooleanField(help_text="Past its date today, on the clock of the house.")
    lying = LyingSerializer(many=True)
    held_by = HeldBySerializer(many=True)
    doings = DoingSerializer(many=True)


class CandidateSerializer(serializers.Serializer):
    kind = serializers.ChoiceField(choices=["lot", "product", "partner", "establishment", "check-sheet"])
    id = serializers.UUIDField()
    by = serializers.CharField(help_text="By what it was found.")
    said = serializers.CharField(help_text="What it is, in a sentence.")
    differs = serializers.ListField(
        child=serializers.CharField(), help_text="Where the barcode says another thing than the records."
    )
    lot = ScannedLotSerializer(allow_null=True, help_text="Where it is a lot.")


class ScanAnswerSerializer(serializers.Serializer):
    """Every candidate is listed: which one it is, whoever holds it sees. None is no error; ``told`` says more."""

    symbology = serializers.CharField(help_text="The kind of barcode, if the scanner said it.")
    fields = FieldReadSerializer(many=True)
    candidates = CandidateSerializer(many=True)
    left_out = serializers.IntegerField(help_text="Candidates beyond those listed.")
    told = serializers.ListField(child=serializers.CharField())


class Scan(Scoped):
    """What a scanned or typed code is, where that is, and what may be done with it. Nothing is stored.

    Read are GS1 barcodes, GS1 Digital Link, the addresses on our own labels, our lot codes, suppliers' codes, bare
    product numbers and the codes of check sheets. A broken one is refused (400) with the identifier and the character,
    never guessed.
    """

    serializer_class = ScanSerializer
    parser_classes = [ScanParser]

    @extend_schema(responses=ScanAnswerSerializer)
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        here = self.establishment
        found = scanning.answer(
            here,
            serializer.validated_data["text"],
            self.standing.roles,
            timezone.now().astimezone(here.zone).date(),
        )
        return Response(as_json(found))


KINDS: dict[type, str] = {
    Lot: "lot",
    Material: "product",
    TradingPartner: "partner",
    CheckSheet: "check-sheet",
}


def as_json(found: Answered) -> dict[str, Any]:
    return {
        "symbology": found.scanned.symbology,
        "fields": [
            {
                "ai": each.ai,
                "title": each.title,
                "value": each.value,
                "day": each.day,
                "number": None if each.number is None else format(each.number, "f"),
            }
            for each in found.scanned.elements
        ],
        "candidates": [_candidate(each) for each in found.candidates],
        "left_out": found.left_out,
        "told": list(found.told),
    }


def _candidate(each: Candidate) -> dict[str, Any]:
    what = each.found.what
    kind = KINDS.get(type(what), "establishment")
    return {
        "kind": kind,
        "id": what.uid if isinstance(what, Lot) else what.pk,
        "by": each.found.by,
        "said": each.said,
        "differs": list(each.found.differs),
        "lot": None if each.standing is None else _lot(each.standing),
    }


def _lot(known: Standing) -> dict[str, Any]:
    lot, dimension = known.lot, known.lot.material.dimension
    return {
        **LotSerializer(lot).data,
        "expired": known.expired,
        "lying": [
            {
                "place": each.place.pk if each.place else None,
                "name": str(each.place) if each.place else "nobody said where",
                **amount(each.base, dimension),
            }
            for each in known.lying
        ],
        "held_by": [{"deviation": case.pk, "title": case.title} for case in known.cases],
        "doings": [vars(each) for each in known.doings],
    }
