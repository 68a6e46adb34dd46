"""Stalls, the own shop and web orders over HTTP."""

from typing import Any

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches import outlets, web_orders
from batches.api.amounts import AmountSerializer, AsEntered, amount
from batches.api.movements import UNIT_HELP, AmountOfLot, place
from batches.flags import SENTENCES, Flag
from batches.models import AtOutlet, AtOutletKind, Lot, LotStatus, TradingPartner, WebOrder
from batches.outlets import LotThere
from batches.web_orders import Contact
from config.api.bodies import BodySerializer
from config.api.examples import ID, WHEN, example
from ledger.acts import Act
from ledger.api.records import DeedView, RecordSerializer, RecordView, act_of
from ledger.api.scope import PLANNERS, Scoped, ScopedReference
from ledger.models import Record

OUTLETS = TradingPartner.objects.exclude(outlet="")


# -- stalls and shops ------------------------------------------------------------------------------------


@example(
    performed_at=WHEN, place="Saturday market", what="sold", outlet=ID, lot=ID, quantity="34", unit="H87"
)
class AtOutletSerializer(AmountOfLot):
    """What became of some of a lot at a stall or shop. What goes there is shipped, what comes back is returned."""

    what = serializers.ChoiceField(choices=AtOutletKind.choices)
    outlet = ScopedReference(queryset=TradingPartner.objects.all())
    quantity = AsEntered(source="entered", help_text='A plain decimal number as text, e.g. "12".')
    flags = serializers.SerializerMethodField()

    @extend_schema_field(serializers.ListField(child=serializers.DictField()))
    def get_flags(self, record: AtOutlet) -> list[dict[str, str]]:
        return [{"code": code, "detail": SENTENCES[Flag(code)]} for code in record.flags]


class AtOutlets(RecordView):
    """What was sold, given away, thrown away or counted at outlets. It is taken as told; what does not fit is flagged."""

    serializer_class = AtOutletSerializer
    queryset = AtOutlet.objects.select_related("establishment", "performed_by", "outlet", "lot")

    def deed(self, act: Act, **values: Any) -> Record:
        return outlets.note(act=act, quantity=values.pop("entered"), **values)


@example(performed_at=WHEN, corrects=ID, reason="Written down twice.")
class AtOutletWithdrawnSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id", help_text="The record that was wrong.")
    reason = serializers.CharField(max_length=1000)


class WithdrawnAtOutlets(DeedView):
    """Say that something noted at an outlet never happened."""

    serializer_class = AtOutletWithdrawnSerializer
    shown_by = AtOutletSerializer
    queryset = AtOutlet.objects.all()

    def deed(self, act: Act, **values: Any) -> Record:
        return outlets.withdraw(act=act)


class VisitSerializer(serializers.Serializer):
    place = serializers.CharField(
        help_text="Where the stall stood, as told; empty: at the outlet's own address."
    )
    first = serializers.DateField()
    last = serializers.DateField(allow_null=True, help_text="null: it may be on sale still.")


class LotThereSerializer(serializers.Serializer):
    lot = serializers.UUIDField()
    code = serializers.CharField()
    material_name = serializers.CharField()
    status = serializers.ChoiceField(choices=LotStatus.choices)
    taken = AmountSerializer()
    sold = AmountSerializer()
    given = AmountSerializer()
    destroyed = AmountSerializer()
    brought_back = AmountSerializer()
    there = AmountSerializer(help_text="Taken, less all that is noted as gone.")
    counted = serializers.BooleanField(
        help_text="Somebody noted what was sold or left. If nobody did, all that did not come back counts as sold."
    )
    with_buyers = AmountSerializer(help_text="The most that buyers may have.")
    gap = AmountSerializer(help_text="What counts found more or (negative) less than was noted.")
    visits = VisitSerializer(many=True)
    flags = serializers.ListField(child=serializers.DictField())


class OutletSerializer(serializers.Serializer):
    outlet = serializers.UUIDField()
    name = serializers.CharField()
    lots = LotThereSerializer(many=True)


class OutletStock(Scoped):
    """What went to an outlet, what became of it there, and what must be left; by lot. Web orders are listed by order."""

    serializer_class = OutletSerializer
    queryset = OUTLETS

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        outlet = self.get_object()
        rows = outlets.there(self.establishment, outlets=[outlet.pk])
        told = {"outlet": outlet.pk, "name": outlet.name, "lots": [lot_there(row) for row in rows]}
        return Response(self.get_serializer(told).data)


AMOUNTS = ("taken", "sold", "given", "destroyed", "brought_back", "there", "with_buyers", "gap")


def lot_there(row: LotThere) -> dict[str, Any]:
    lot, sums = row.lot, row.sums
    return {
        "lot": lot.uid,
        "code": lot.code,
        "material_name": lot.material.name,
        "status": lot.state.status,
        **{name: amount(getattr(sums, name), lot.material.dimension) for name in AMOUNTS},
        "counted": sums.counted,
        "visits": [vars(each) for each in sums.visits],
        "flags": [{"code": code, "detail": detail} for code, detail in _odd(row)],
    }


def _odd(row: LotThere) -> list[tuple[str, str]]:
    found = []
    if row.sums.short:
        found.append((Flag.MORE_THAN_AT_OUTLET.value, SENTENCES[Flag.MORE_THAN_AT_OUTLET]))
    if row.sums.gap:
        found.append(("count-differs", "A count found another amount than was noted until then."))
    return found


# -- web orders ------------------------------------------------------------------------------------------


BUYER = {"name": "A. Buyer", "email": "buyer@example.org"}


@example(**BUYER)
class BuyerSerializer(BodySerializer):
    """Private: shown to lead and administrator only, kept as long as a recall may need it, in no digest and no export."""

    name = serializers.CharField(max_length=200)
    email = serializers.EmailField(required=False, allow_blank=True)
    phone = serializers.CharField(required=False, allow_blank=True, max_length=40)
    address = serializers.CharField(required=False, allow_blank=True, max_length=1000)


class OrderLineSerializer(BodySerializer):
    lot = ScopedReference(slug="uid", queryset=Lot.objects.all())
    quantity = AsEntered()
    unit = serializers.CharField(max_length=3, help_text=UNIT_HELP)
    from_place = place()


@example(
    performed_at=WHEN,
    number="W-117",
    outlet=ID,
    lines=[{"lot": ID, "quantity": "12", "unit": "H87"}],
    buyer=BUYER,
)
class WebOrderSerializer(RecordSerializer):
    number = serializers.CharField(max_length=40, help_text="The house's own; used once.")
    outlet = ScopedReference(queryset=TradingPartner.objects.all(), help_text="The outlet for web orders.")
    lines = serializers.ListField(child=OrderLineSerializer(), write_only=True, min_length=1, max_length=100)
    buyer = BuyerSerializer(write_only=True)
    already_happened = serializers.BooleanField(
        required=False,
        write_only=True,
        help_text="It has left already: record and flag it instead of refusing.",
    )
    picked = serializers.ListField(child=serializers.DictField(), read_only=True)
    buyer_is_kept = serializers.SerializerMethodField()

    def get_buyer_is_kept(self, order: WebOrder) -> bool:
        return hasattr(order, "buyer")


class WebOrders(RecordView):
    """Orders from afar: each line ships some of a released lot, refused with every reason if it may not be.

    Who ordered is kept beside the record, until no recall can need it any more, and is then forgotten.
    """

    serializer_class = WebOrderSerializer
    queryset = WebOrder.objects.select_related("establishment", "performed_by", "outlet", "buyer")

    def deed(self, act: Act, **values: Any) -> Record:
        return web_orders.send(act=act, buyer=Contact(**values.pop("buyer")), **values)


class KeptBuyerSerializer(serializers.Serializer):
    order = serializers.UUIDField()
    number = serializers.CharField()
    kept_until = serializers.DateField(
        allow_null=True,
        help_text="Forgotten after this day, unless a recall or hold needs them. null: nothing left for it.",
    )
    forgotten_at = serializers.DateTimeField(allow_null=True)
    buyer = BuyerSerializer(allow_null=True)


class OneBuyer(Scoped):
    """Who ordered, and until when that is kept. A correction leaves nothing of what was wrong."""

    serializer_class = BuyerSerializer
    queryset = WebOrder.objects.select_related("establishment", "buyer", "forgotten")
    read_roles = PLANNERS

    @extend_schema(responses=KeptBuyerSerializer)
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self._shown(self.get_object())

    @extend_schema(request=BuyerSerializer, responses=KeptBuyerSerializer)
    def put(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        order, serializer = self.get_object(), self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        contact = Contact(**serializer.validated_data)
        order.buyer = web_orders.change_buyer(act=act_of(self, request, {}), order=order, buyer=contact)
        return self._shown(order)

    def _shown(self, order: WebOrder) -> Response:
        forgotten = getattr(order, "forgotten", None)
        told = {
            "order": order.pk,
            "number": order.number,
            "kept_until": web_orders.kept_until(self.establishment, [order.pk])[order.pk],
            "forgotten_at": forgotten.performed_at if forgotten else None,
            "buyer": getattr(order, "buyer", None),
        }
        return Response(KeptBuyerSerializer(told).data)
