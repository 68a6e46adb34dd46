"""Where a recall stands, over HTTP."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.amounts import AmountSerializer, amount
from batches.api.channels import VisitSerializer
from batches.api.movements import read_filters
from haccp.models import Recall
from haccp.recalls import scoping
from haccp.recalls.consignees import OUTLET_AMOUNTS, UNITS, SoldAt
from haccp.recalls.status import Consignee, Status, status
from ledger.api.scope import Scoped

DEFERS = (
    "The competent authority decides on class, depth and what the public is told; its word comes first. "
    "Effectiveness levels and classes are those of 21 CFR 7; elsewhere others hold."
)


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
    partner = serializers.UUIDField(allow_null=True)
    order = serializers.UUIDField(allow_null=True, help_text="The web order of a buyer, who has no partner.")
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


class SoldThereSerializer(serializers.Serializer):
    lot = serializers.UUIDField()
    code = serializers.CharField()
    material = serializers.CharField()
    best_before = serializers.DateField(allow_null=True)
    taken = AmountSerializer()
    brought_back = AmountSerializer()
    destroyed = AmountSerializer()
    there = AmountSerializer(help_text="Left there, where somebody counted or noted what was sold.")
    with_buyers = AmountSerializer(help_text="The most that buyers may have.")
    visits = VisitSerializer(many=True)


class SoldAtSerializer(serializers.Serializer):
    outlet = serializers.UUIDField()
    name = serializers.CharField()
    kind = serializers.CharField(help_text="stall, shop or web.")
    lots = SoldThereSerializer(many=True)


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
    outlets = SoldAtSerializer(
        many=True,
        help_text="Where buyers got some whom nobody names: no consignees, told by a public notice.",
    )
    unnamed = serializers.CharField(
        help_text="What it means that buyers are not named; empty where there are none."
    )
    published = serializers.DateTimeField(
        allow_null=True, help_text="When a public notice was first published."
    )
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
        "outlets": [_sold_at(each) for each in found.outlets],
        "unnamed": found.unnamed,
        "published": found.published,
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


def _sold_at(each: SoldAt) -> dict[str, Any]:
    lots = [
        {
            **vars(row),
            **{name: amount(getattr(row, name), row.dimension) for name in OUTLET_AMOUNTS},
            "visits": [vars(visit) for visit in row.visits],
        }
        for row in each.lots
    ]
    return {"outlet": each.outlet.pk, "name": each.outlet.name, "kind": each.outlet.outlet, "lots": lots}


DIMENSIONS = {unit: dimension for dimension, (unit, _) in UNITS.items()}


def _amounts(by_unit: Any) -> list[dict[str, str]]:
    return [amount(base, DIMENSIONS[unit]) for unit, base in by_unit.items()]
