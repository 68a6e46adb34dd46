"""Mass balances: of a lot, of a batch, and of every material over a period."""

from datetime import datetime
from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.api.amounts import AmountSerializer, amount
from batches.api.movements import read_filters
from batches.models import Batch, LossKind, Lot, Material
from config.api.refusals import Unusable
from haccp import mass_balance
from haccp.cook_losses import How
from haccp.mass_balance import BatchBalance, LotLine, StockBalance
from ledger.api.scope import Scoped

FLAGGED = (
    "Over what the house allows (balance_gap_permille) and what its balances show; null: it cannot be said."
)
SHOW_TO = (
    "Expanded uncertainty (k = 2) of all weighings together, each by the balance it names, else by the least certain of "
    "the register that could weigh it; 0 of what is counted by pieces."
)


class BalanceSerializer(serializers.Serializer):
    """``opening`` and what ``came`` less what ``went`` and what counts found ``missing`` leave ``closing``."""

    opening = AmountSerializer()
    came = serializers.DictField(child=AmountSerializer(), help_text="By kind of movement.")
    went = serializers.DictField(child=AmountSerializer(), help_text="By kind of movement.")
    missing = AmountSerializer(help_text="What counts found less than was expected; with a minus, more.")
    closing = AmountSerializer(help_text="By the records; below nothing, more went than came.")
    counted_at = serializers.DateTimeField(allow_null=True, help_text="null: never counted.")
    accounted_percent = serializers.CharField(
        allow_null=True, help_text="What is known to have gone or to be there, of what was there or came."
    )
    unexplained = AmountSerializer(help_text="With a minus: gone without having come, or found more.")
    balances_show_to = AmountSerializer(help_text=SHOW_TO)
    balances = serializers.ListField(child=serializers.CharField())
    weighings_of_unknown_uncertainty = serializers.IntegerField()
    flagged = serializers.BooleanField(allow_null=True, help_text=FLAGGED)


class MaterialBalanceSerializer(BalanceSerializer):
    material = serializers.UUIDField()
    material_code = serializers.CharField()
    material_name = serializers.CharField()


class PeriodBalanceSerializer(serializers.Serializer):
    since = serializers.DateTimeField()
    until = serializers.DateTimeField()
    materials = MaterialBalanceSerializer(many=True)


class LotLineSerializer(serializers.Serializer):
    lot = serializers.UUIDField()
    code = serializers.CharField()
    material_name = serializers.CharField()
    is_rework = serializers.BooleanField()
    mass = AmountSerializer(allow_null=True, help_text="null: the mass of one piece is not stated.")


class CookedOffSerializer(serializers.Serializer):
    how = serializers.ChoiceField(choices=[each.value for each in How])
    value = AmountSerializer()
    low = AmountSerializer()
    high = AmountSerializer()
    sentence = serializers.CharField()


class BatchBalanceSerializer(serializers.Serializer):
    """Food only, as mass. ``coating`` picked up is in what was made; ``trim`` folded back is in no sum."""

    batch = serializers.UUIDField()
    code = serializers.CharField()
    ended = serializers.BooleanField()
    used = LotLineSerializer(many=True)
    made = LotLineSerializer(many=True)
    in_all = AmountSerializer(allow_null=True)
    out = AmountSerializer(allow_null=True)
    apart = serializers.DictField(
        child=AmountSerializer(),
        help_text=f"Weighed and lost, by kind: {', '.join(each.value for each in mass_balance.LOST)}.",
    )
    coating = AmountSerializer(help_text=f"Weighed as {LossKind.COATING.value}.")
    trim = AmountSerializer()
    cooked_off = CookedOffSerializer()
    balances_show_to = AmountSerializer(help_text=SHOW_TO)
    balances = serializers.ListField(child=serializers.CharField())
    weighings_of_unknown_uncertainty = serializers.IntegerField()
    unexplained = AmountSerializer(
        allow_null=True, help_text="With a minus: more came out than is explained."
    )
    unexplained_low = AmountSerializer(allow_null=True)
    unexplained_high = AmountSerializer(allow_null=True)
    flagged = serializers.BooleanField(allow_null=True, help_text=FLAGGED)
    sentences = serializers.ListField(child=serializers.CharField())


def balance(measured: StockBalance) -> dict[str, Any]:
    found = measured.balance

    def said(base: int) -> dict[str, str]:
        return amount(base, found.dimension)

    return {
        "opening": said(found.opening),
        "came": {what: said(base) for what, base in found.came.items()},
        "went": {what: said(base) for what, base in found.went.items()},
        "missing": said(found.missing),
        "closing": said(found.closing),
        "counted_at": found.counted_at,
        "accounted_percent": f"{100 * found.accounted / found.in_all:.2f}" if found.in_all > 0 else None,
        "unexplained": said(found.gap),
        "balances_show_to": said(measured.weighed_to.uncertainty),
        "balances": list(measured.weighed_to.balances),
        "weighings_of_unknown_uncertainty": measured.weighed_to.unknown,
        "flagged": measured.flagged,
    }


def batch_balance(found: BatchBalance) -> dict[str, Any]:
    masses = {
        "in_all": found.in_all,
        "out": found.out,
        "coating": found.coating,
        "trim": found.trim,
        "balances_show_to": found.weighed_to.uncertainty,
        "unexplained": found.gap,
        "unexplained_low": found.gap_low,
        "unexplained_high": found.gap_high,
    }
    return {
        "batch": found.batch,
        "code": found.code,
        "ended": found.ended,
        "used": [_line(each) for each in found.used],
        "made": [_line(each) for each in found.made],
        "apart": {what: amount(base, "mass") for what, base in found.apart.items()},
        "cooked_off": {
            "how": found.cooked_off.how,
            "sentence": found.cooked_off.sentence,
            **{name: amount(getattr(found.cooked_off, name), "mass") for name in ("value", "low", "high")},
        },
        "balances": list(found.weighed_to.balances),
        "weighings_of_unknown_uncertainty": found.weighed_to.unknown,
        "flagged": found.flagged,
        "sentences": list(found.sentences),
        **{name: _mass(base) for name, base in masses.items()},
    }


def _line(line: LotLine) -> dict[str, Any]:
    return {**vars(line), "mass": _mass(line.mass)}


def _mass(base: int | None) -> dict[str, str] | None:
    return None if base is None else amount(base, "mass")


class LotMassBalance(Scoped):
    """Whether all that came of a lot is known to have gone or to be there."""

    serializer_class = BalanceSerializer
    queryset = Lot.objects.select_related("material", "establishment")

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        lot = get_object_or_404(self.get_queryset(), uid=kwargs["uid"])
        return Response(balance(mass_balance.of_lot(lot)))


class BatchMassBalance(Scoped):
    """What went into a batch against what came out, with what should have gone off and what is unexplained."""

    serializer_class = BatchBalanceSerializer
    queryset = Batch.objects.select_related("state", "establishment", "recipe_version__recipe")

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        batch = get_object_or_404(self.get_queryset(), uid=kwargs["uid"])
        return Response(batch_balance(mass_balance.of_batch(batch)))


class PeriodFilters(serializers.Serializer):
    since = serializers.DateTimeField()
    until = serializers.DateTimeField()
    material = serializers.UUIDField(required=False)


class PeriodMassBalance(Scoped):
    """Of each material: what was there, came, went and is there, from ``since`` until before ``until``."""

    serializer_class = PeriodBalanceSerializer
    queryset = Material.objects.all()

    @extend_schema(parameters=[PeriodFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        asked = read_filters(self, PeriodFilters)
        since, until = asked["since"], asked["until"]
        _refuse_no_period(since, until)
        material = None
        if "material" in asked:
            material = get_object_or_404(self.get_queryset(), pk=asked["material"])
        found = mass_balance.of_period(self.establishment, since=since, until=until, material=material)
        rows = [
            {"material": each.pk, "material_code": each.code, "material_name": each.name, **balance(said)}
            for each, said in found
        ]
        return Response({"since": since, "until": until, "materials": rows})


def _refuse_no_period(since: datetime, until: datetime) -> None:
    if until <= since:
        raise Unusable("A period ends after it begins.", code="ends-before", field="until")
