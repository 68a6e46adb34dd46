"""Where a recall stands, over HTTP."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.amounts import AmountSerializer, amount
from batches.api.movements import read_filters
from haccp.api.recalls import DEFERS
from haccp.models import Recall
from haccp.recalls import scoping
from haccp.recalls.consignees import UNITS
from haccp.recalls.status import Consignee, Status, status
from ledger.api.scope import Scoped


class ClockSerializer(serializers.Serializer):
    determined = serializers.DateTimeField()
    decided = serializers.DateTimeField()
    scoped = serializers.DateTimeField(allow_null=True)
    first_told = serializers.DateTimeField(allow_null=True)
    last_answered = serializers.DateTimeField(allow_null=True)
    ended = serializers.DateTimeField(allow_null=True)
    seconds_to_scope = serializers.IntegerField(allow_null=True, help_text="From the decision on.")
    seconds_to_first_notice = serializers.IntegerField(allow_null=True)
    seconds_to_last_answer = serializers.IntegerField(allow_null=True)


class ConsigneeSerializer(serializers.Serializer):
    partner = serializers.UUIDField()
    name = serializers.CharField()
    shipped = AmountSerializer(many=True)
    returned = AmountSerializer(many=True)
    told = serializers.DateTimeField(allow_null=True)
    told_by = serializers.ListField(child=serializers.CharField())
    waiting = serializers.BooleanField(help_text="An e-mail to them is not sent.")
    answered = serializers.DateTimeField(allow_null=True)
    silent_of = serializers.ListField(
        child=serializers.CharField(), help_text="Lots they got and have not answered for, by code."
    )
    said = serializers.DictField(child=AmountSerializer(many=True))
    flags = serializers.ListField(child=serializers.CharField())


class RecallStatusSerializer(serializers.Serializer):
    recall = serializers.UUIDField()
    code = serializers.CharField()
    is_exercise = serializers.BooleanField()
    at = serializers.DateTimeField()
    scope = serializers.IntegerField(allow_null=True)
    lots = serializers.IntegerField()
    recall_class = serializers.CharField()
    depth = serializers.CharField()
    level = serializers.CharField()
    clock = ClockSerializer()
    consignees = ConsigneeSerializer(many=True)
    others = ConsigneeSerializer(many=True, help_text="Who answered and is no consignee by our records.")
    told = serializers.IntegerField()
    answered = serializers.IntegerField()
    needed = serializers.IntegerField(help_text="How many answers the effectiveness level asks for.")
    shipped = AmountSerializer(many=True)
    recovered = AmountSerializer(many=True, help_text="Back here, or destroyed by what they say.")
    recovered_percent = serializers.DictField(child=serializers.CharField(), help_text="By unit.")
    gaps = serializers.ListField(child=serializers.CharField())
    deferral = serializers.CharField()


class StatusFilters(serializers.Serializer):
    at = serializers.DateTimeField(required=False, help_text="As it was known at this time; now if left out.")


class RecallStatus(Scoped):
    """Where a recall stands: clock, consignees, effectiveness, what came back, and every gap."""

    serializer_class = RecallStatusSerializer
    queryset = Recall.objects.select_related("establishment")

    @extend_schema(parameters=[StatusFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        asked = read_filters(self, StatusFilters)
        return Response(shown(status(self.get_object(), asked.get("at"))))


def shown(found: Status) -> dict[str, Any]:
    recall, scope, strategy = found.recall, found.scope, found.strategy
    return {
        "recall": recall.pk,
        "code": recall.code,
        "is_exercise": recall.is_exercise,
        "at": found.at,
        "scope": scope.number if scope else None,
        "lots": len(scoping.in_scope(scope)) if scope else 0,
        "recall_class": strategy.recall_class,
        "depth": strategy.depth,
        "level": strategy.level,
        "clock": _clock(found),
        "consignees": [_consignee(each) for each in found.consignees],
        "others": [_consignee(each) for each in found.others],
        "told": found.told,
        "answered": found.answered,
        "needed": found.needed,
        "shipped": _amounts(found.shipped),
        "recovered": _amounts(found.recovered),
        "recovered_percent": {
            unit: f"{float(part * 100):.1f}"
            for unit in found.shipped
            if (part := found.found(unit)) is not None
        },
        "gaps": list(found.gaps),
        "deferral": DEFERS,
    }


def _clock(found: Status) -> dict[str, Any]:
    clock = found.clock
    spans = {
        "seconds_to_scope": clock.scoped,
        "seconds_to_first_notice": clock.first_told,
        "seconds_to_last_answer": clock.last_answered,
    }
    told = {name: clock.since_decision(at) for name, at in spans.items()}
    return {
        **vars(clock),
        **{name: None if span is None else int(span.total_seconds()) for name, span in told.items()},
    }


def _consignee(each: Consignee) -> dict[str, Any]:
    shown = {name: value for name, value in vars(each).items() if name != "got"}
    return {
        **shown,
        "shipped": _amounts(each.shipped),
        "returned": _amounts(each.returned),
        "said": {name: _amounts(amounts) for name, amounts in each.said.items()},
    }


DIMENSIONS = {unit: dimension for dimension, (unit, _) in UNITS.items()}


def _amounts(by_unit: Any) -> list[dict[str, str]]:
    return [amount(base, DIMENSIONS[unit]) for unit, base in by_unit.items()]
