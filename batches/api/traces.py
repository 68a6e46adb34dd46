"""Traces over HTTP: plain dictionaries, since a trace may reach thousands of lots."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches import traces
from batches.api.amounts import AmountSerializer, amount
from batches.models import Lot, LotStatus
from batches.traces import Consignment, Step, Trace, TracedLot
from ledger.api.scope import Scoped


class TracedLotSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    code = serializers.CharField()
    material = serializers.UUIDField()
    material_name = serializers.CharField()
    is_rework = serializers.BooleanField()
    day = serializers.DateField()
    best_before = serializers.DateField(allow_null=True)
    batch = serializers.UUIDField(allow_null=True)
    batch_code = serializers.CharField()
    supplier = serializers.UUIDField(allow_null=True)
    supplier_name = serializers.CharField()
    supplier_code = serializers.CharField()
    status = serializers.ChoiceField(choices=LotStatus.choices)
    on_hand = AmountSerializer()
    share = serializers.FloatField(
        allow_null=True,
        help_text="Forward: the part of this lot's mass that came from the traced lot. Back: this lot's part "
        "in the traced lot's mass. 0 does not mean untouched; null: cannot be computed.",
    )
    totals = serializers.DictField(child=AmountSerializer(), help_text="By kind of movement.")
    unexplained = AmountSerializer(help_text="What counts found more (or, with a minus, less).")


class TraceStepSerializer(AmountSerializer):
    source = serializers.UUIDField()
    target = serializers.UUIDField()
    batch = serializers.UUIDField()
    share = serializers.FloatField()


class ConsignmentSerializer(AmountSerializer):
    partner = serializers.UUIDField()
    partner_name = serializers.CharField()
    lot = serializers.UUIDField()
    what = serializers.ChoiceField(choices=["received", "sent-back", "shipped", "returned"])


class TraceSerializer(serializers.Serializer):
    direction = serializers.ChoiceField(choices=["back", "forward"])
    start = serializers.UUIDField()
    loop = serializers.BooleanField(
        help_text="The genealogy leads in a circle, which must not be: have the records verified."
    )
    lots = TracedLotSerializer(many=True)
    steps = TraceStepSerializer(many=True)
    consignments = ConsignmentSerializer(many=True)


class TraceView(Scoped):
    serializer_class = TraceSerializer
    queryset = Lot.objects.all()
    lookup_field = "uid"
    lookup_url_kwarg = "pk"


class Back(TraceView):
    """Everything a lot came from, with suppliers and their lot codes."""

    @extend_schema(operation_id="trace_back")
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(as_json(traces.back(self.get_object())))


class Forward(TraceView):
    """Everything a lot went into, with the customers it was shipped to."""

    @extend_schema(operation_id="trace_forward")
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return Response(as_json(traces.forward(self.get_object())))


def as_json(trace: Trace) -> dict[str, Any]:
    dimensions = {lot.uid: lot.dimension for lot in trace.lots}
    return {
        "direction": trace.direction,
        "start": trace.start,
        "loop": trace.loop,
        "lots": [_lot(lot) for lot in trace.lots],
        "steps": [_step(step, dimensions[step.source]) for step in trace.steps],
        "consignments": [_consignment(each, dimensions[each.lot]) for each in trace.consignments],
    }


def _lot(lot: TracedLot) -> dict[str, Any]:
    as_they_are = {name: value for name, value in vars(lot).items() if name not in ("uid", "dimension")}
    return as_they_are | {
        "id": lot.uid,
        "on_hand": amount(lot.on_hand, lot.dimension),
        "totals": {what: amount(base, lot.dimension) for what, base in lot.totals.items()},
        "unexplained": amount(lot.unexplained, lot.dimension),
    }


def _step(step: Step, dimension: str) -> dict[str, Any]:
    return {
        "source": step.source,
        "target": step.target,
        "batch": step.batch,
        "share": step.share,
        **amount(step.quantity, dimension),
    }


def _consignment(each: Consignment, dimension: str) -> dict[str, Any]:
    return {
        "partner": each.partner,
        "partner_name": each.partner_name,
        "lot": each.lot,
        "what": each.what,
        **amount(each.quantity, dimension),
    }
