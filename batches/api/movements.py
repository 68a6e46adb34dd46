"""Posting what happened to lots, one by one or many at once, and listing it."""

from collections.abc import Callable
from typing import Any, ClassVar

from drf_spectacular.utils import (
    PolymorphicProxySerializer,
    extend_schema,
    extend_schema_field,
)
from rest_framework import mixins, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from batches import receiving, shipping, storing, using
from batches.api.amounts import AsEntered
from batches.flags import SENTENCES, Flag
from batches.models import (
    Batch,
    Lot,
    Material,
    Movement,
    MovementKind,
    Part,
    ReworkFrom,
    StoragePlace,
    TradingPartner,
    WebOrder,
)
from batches.movements import withdraw
from config.api import examples
from config.api.bodies import BodySerializer
from config.api.examples import ID, WHEN
from config.api.problems import exception_handler
from ledger.acts import Act
from ledger.api.records import RecordSerializer, act_of
from ledger.api.scope import Scoped, ScopedReference

MOST_ITEMS = 200
UNIT_HELP = "UN/ECE Rec 20: MGM, GRM, KGM, TNE, LBR, ONZ for mass; H87, EA, DZN for pieces."


def place(**options: Any) -> ScopedReference:
    return ScopedReference(queryset=StoragePlace.objects.all(), required=False, **options)


def partner(**options: Any) -> ScopedReference:
    return ScopedReference(queryset=TradingPartner.objects.all(), **options)


def weighed_with(**options: Any) -> serializers.UUIDField:
    told = "The instrument it was weighed with, of the register of instruments."
    return serializers.UUIDField(required=False, help_text=told, **options)


def document() -> serializers.CharField:
    return serializers.CharField(
        max_length=80, required=False, help_text="Kind and number of the paper that went with it."
    )


class MovementSerializer(RecordSerializer):
    """A movement as it is kept. ``flags`` say what was out of order; it was recorded all the same."""

    what = serializers.ChoiceField(choices=MovementKind.choices)
    lot = serializers.UUIDField(source="lot.uid")
    lot_code = serializers.CharField(source="lot.code")
    quantity = serializers.CharField(source="entered")
    unit = serializers.CharField()
    effect = serializers.IntegerField(help_text="On the lot's stock, in milligrams or pieces.")
    batch = serializers.UUIDField(source="batch.uid", default=None, allow_null=True)
    part = serializers.UUIDField(source="part_id", allow_null=True)
    recipe_line = serializers.IntegerField(allow_null=True)
    from_place = serializers.UUIDField(source="from_place_id", allow_null=True)
    to_place = serializers.UUIDField(source="to_place_id", allow_null=True)
    partner = serializers.UUIDField(source="partner_id", allow_null=True)
    carrier = serializers.UUIDField(source="carrier_id", allow_null=True)
    document = serializers.CharField()
    order = serializers.UUIDField(
        source="order_id", allow_null=True, help_text="The web order it left or came back for."
    )
    weighed_with = serializers.UUIDField(allow_null=True, help_text="The instrument it was weighed with.")
    best_before = serializers.DateField(allow_null=True)
    flags = serializers.SerializerMethodField()

    @extend_schema_field(
        {
            "type": "array",
            "items": {"type": "object", "properties": {"code": {"enum": list(Flag)}, "detail": {}}},
        }
    )
    def get_flags(self, movement: Movement) -> list[dict[str, str]]:
        return [{"code": code, "detail": SENTENCES[Flag(code)]} for code in movement.flags]


class AmountOfLot(RecordSerializer):
    """What the deeds on an existing lot share."""

    lot = ScopedReference(slug="uid", queryset=Lot.objects.all())
    quantity = AsEntered(help_text='A plain decimal number as text, e.g. "12.5".')
    unit = serializers.CharField(max_length=3, help_text=UNIT_HELP)


def example(**values: Any) -> Callable[[Any], Any]:
    return examples.example(**{"performed_at": WHEN} | values)


AMOUNT = {"quantity": "2.400", "unit": "KGM"}


@example(material=ID, supplier=ID, supplier_code="N-77", quantity="25", unit="KGM", document="delivery 4711")
class ReceivedSerializer(RecordSerializer):
    material = ScopedReference(queryset=Material.objects.all())
    supplier = partner()
    supplier_code = serializers.CharField(
        required=False, allow_blank=True, help_text="The supplier's own lot code, as it stands on the goods."
    )
    quantity = AsEntered()
    unit = serializers.CharField(max_length=3, help_text=UNIT_HELP)
    best_before = serializers.DateField(required=False, allow_null=True)
    code = serializers.CharField(required=False, help_text="Our own code; the next free one if left out.")
    to_place = place()
    carrier = partner(required=False)
    document = document()
    weighed_with = weighed_with()


@example(lot=ID, batch=ID, recipe_line=1, **AMOUNT)
class UsedSerializer(AmountOfLot):
    batch = ScopedReference(slug="uid", queryset=Batch.objects.all())
    part = ScopedReference(queryset=Part.objects.all(), required=False)
    recipe_line = serializers.IntegerField(required=False, min_value=0, max_value=32767)
    from_place = place()
    weighed_with = weighed_with()


@example(batch=ID, material=ID, quantity="240", unit="H87")
class MadeSerializer(RecordSerializer):
    """A new lot of ``material``; or more into the batch's own ``lot``."""

    batch = ScopedReference(slug="uid", queryset=Batch.objects.all())
    material = ScopedReference(queryset=Material.objects.all(), required=False)
    lot = ScopedReference(slug="uid", queryset=Lot.objects.all(), required=False)
    quantity = AsEntered()
    unit = serializers.CharField(max_length=3, help_text=UNIT_HELP)
    part = ScopedReference(queryset=Part.objects.all(), required=False)
    is_rework = serializers.BooleanField(required=False)
    rework_from = serializers.ChoiceField(
        choices=ReworkFrom.choices,
        required=False,
        help_text="Of a new lot of rework, which has to say where it comes from.",
    )
    best_before = serializers.DateField(required=False, allow_null=True)
    code = serializers.CharField(required=False, help_text="Our own code; the next free one if left out.")
    to_place = place()
    weighed_with = weighed_with()


@example(lot=ID, to_place=ID, **AMOUNT)
class MovedSerializer(AmountOfLot):
    to_place = ScopedReference(queryset=StoragePlace.objects.all())
    from_place = place()


@example(lot=ID, customer=ID, quantity="48", unit="H87", document="delivery note 88")
class ShippedSerializer(AmountOfLot):
    customer = partner()
    carrier = partner(required=False)
    from_place = place()
    document = document()
    already_happened = serializers.BooleanField(
        required=False, help_text="It has left already: record and flag it instead of refusing."
    )
    weighed_with = weighed_with()


@example(lot=ID, customer=ID, quantity="6", unit="H87")
class ReturnedSerializer(AmountOfLot):
    customer = partner()
    carrier = partner(required=False)
    to_place = place()
    document = document()
    order = ScopedReference(
        queryset=WebOrder.objects.all(), required=False, help_text="Whose buyer sent it back."
    )
    weighed_with = weighed_with()


@example(lot=ID, supplier=ID, **AMOUNT)
class SentBackSerializer(AmountOfLot):
    supplier = partner()
    carrier = partner(required=False)
    from_place = place()
    document = document()
    weighed_with = weighed_with()


@example(lot=ID, **AMOUNT)
class CountedSerializer(AmountOfLot):
    in_place = place(help_text="The one place that was counted; left out: the lot wherever it lies.")
    weighed_with = weighed_with()


@example(lot=ID, **AMOUNT)
class SampledSerializer(AmountOfLot):
    from_place = place()
    weighed_with = weighed_with()


@example(lot=ID, document="waste note 12", **AMOUNT)
class DestroyedSerializer(AmountOfLot):
    from_place = place()
    document = document()
    weighed_with = weighed_with()


@example(corrects=ID, reason="Weighed, but not used.")
class WithdrawnSerializer(RecordSerializer):
    corrects = serializers.UUIDField(source="corrects_id")
    reason = serializers.CharField(max_length=1000)


def _withdraw(*, act: Act) -> Movement:
    from dataclasses import replace

    return withdraw(act=replace(act, withdraws=True))


DEEDS: dict[str, tuple[type[RecordSerializer], Callable[..., Movement]]] = {
    "received": (ReceivedSerializer, receiving.receive),
    "used": (UsedSerializer, using.use),
    "made": (MadeSerializer, using.make),
    "moved": (MovedSerializer, storing.move),
    "shipped": (ShippedSerializer, shipping.ship),
    "returned": (ReturnedSerializer, shipping.take_back),
    "sent-back": (SentBackSerializer, receiving.send_back),
    "counted": (CountedSerializer, storing.count),
    "sampled": (SampledSerializer, storing.sample),
    "destroyed": (DestroyedSerializer, storing.destroy),
    "withdrawn": (WithdrawnSerializer, _withdraw),
}
"""What can be posted, by the last part of its address: how it is read, and the deed."""

SENTENCES_OF_DEEDS = {
    "received": "A delivery came: a new lot, awaiting decision.",
    "used": "Some of a lot was weighed into a batch.",
    "made": "A batch brought a new lot, or more of one.",
    "moved": "Some of a lot was carried to another place.",
    "shipped": "Some of a released lot is shipped. Refused with every reason if it may not be.",
    "returned": "A customer returned some of a lot.",
    "sent-back": "Some of a lot went back to its supplier.",
    "counted": "What is really there was counted or weighed.",
    "sampled": "Some of a lot was taken as a sample.",
    "destroyed": "Some of a lot was thrown away.",
    "withdrawn": "A movement never happened.",
}


def record(view: Scoped, request: Request, what: str, body: Any) -> Movement:
    """Read a body as ``what`` and do it."""
    reader, deed = DEEDS[what]
    serializer = reader(data=body, context=view.get_serializer_context())
    serializer.is_valid(raise_exception=True)
    values = dict(serializer.validated_data)
    return deed(act=act_of(view, request, values), **values)


def shown(movement: Movement) -> Any:
    return MovementSerializer(movement).data


class Deed(Scoped):
    """Post one kind of movement: 201 for a new record, 200 for a repeat. With ``corrects`` it replaces one."""

    what: ClassVar[str]
    queryset = Movement.objects.all()

    def do(self, request: Request) -> Response:
        movement = record(self, request, self.what, request.data)
        code = status.HTTP_200_OK if movement.repeated else status.HTTP_201_CREATED
        return Response(shown(movement), status=code)


def deed_view(what: str) -> type[Deed]:
    """The view of one kind of movement, with its own reader in the OpenAPI document."""
    reader, _ = DEEDS[what]
    name = "".join(word.capitalize() for word in what.split("-"))

    @extend_schema(
        request=reader,
        responses={201: MovementSerializer, 200: MovementSerializer},
        description=f"{SENTENCES_OF_DEEDS[what]} {Deed.__doc__}",
    )
    def post(self: Deed, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.do(request)

    own = {"what": what, "serializer_class": reader, "__doc__": Deed.__doc__, "post": post}
    return type(f"{name}View", (Deed,), own)


@extend_schema_field(
    PolymorphicProxySerializer(
        component_name="AnyMovement",
        serializers=[reader for reader, _ in DEEDS.values()],
        resource_type_field_name=None,
    )
)
class AnyBody(serializers.DictField):
    """The body as the address of its kind takes it."""


class ItemSerializer(BodySerializer):
    what = serializers.ChoiceField(choices=list(DEEDS))
    movement = AnyBody()


USED = {"performed_at": WHEN, "batch": ID, "lot": ID, "recipe_line": 1, **AMOUNT}


@examples.example(items=[{"what": "used", "movement": USED}])
class ItemsSerializer(BodySerializer):
    items = serializers.ListField(child=ItemSerializer(), min_length=1, max_length=MOST_ITEMS)


class AnswerSerializer(serializers.Serializer):
    status = serializers.IntegerField(help_text="201 stored, 200 a repeat, 4xx refused.")
    movement = MovementSerializer(allow_null=True)
    problem = serializers.DictField(allow_null=True, help_text="As the problem answer of a single post.")


class AnswersSerializer(serializers.Serializer):
    answers = AnswerSerializer(many=True)


class ManyMovements(Scoped):
    """Post up to 200 movements, done in order. Each answers for itself; one refusal does not stop the others."""

    queryset = Movement.objects.all()
    serializer_class = ItemsSerializer

    @extend_schema(request=ItemsSerializer, responses={200: AnswersSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        items = serializer.validated_data["items"]
        return Response({"answers": [self._answer(request, item) for item in items]})

    def _answer(self, request: Request, item: dict[str, Any]) -> dict[str, Any]:
        try:
            movement = record(self, request, item["what"], item["movement"])
        except Exception as error:
            problem = exception_handler(error, {})
            if problem is None:
                raise
            return {"status": problem.status_code, "movement": None, "problem": problem.data}
        code = status.HTTP_200_OK if movement.repeated else status.HTTP_201_CREATED
        return {"status": code, "movement": shown(movement), "problem": None}


class MovementFilters(serializers.Serializer):
    lot = serializers.UUIDField(required=False)
    batch = serializers.UUIDField(required=False)
    partner = serializers.UUIDField(required=False)
    what = serializers.ChoiceField(required=False, choices=MovementKind.choices)
    standing = serializers.BooleanField(
        required=False, default=None, allow_null=True, help_text="Leave out what was corrected or withdrawn."
    )


class Movements(mixins.ListModelMixin, Scoped):
    """What happened to lots, newest first; corrected and withdrawn movements stay in the list."""

    serializer_class = MovementSerializer
    queryset = Movement.objects.select_related("lot", "batch", "establishment")
    ordering = ("-recorded_at", "-id")

    def get_queryset(self) -> Any:
        queryset: Any = super().get_queryset()
        asked = read_filters(self, MovementFilters)
        if asked.pop("standing", None):
            queryset = queryset.standing()
        names = {"lot": "lot__uid", "batch": "batch__uid"}
        return queryset.filter(**{names.get(name, name): value for name, value in asked.items()})

    @extend_schema(parameters=[MovementFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)


def read_filters(view: Scoped, reader: type[serializers.Serializer]) -> dict[str, Any]:
    """What was asked for in the query; raises ValidationError for what makes no sense."""
    if getattr(view, "swagger_fake_view", False):
        return {}
    serializer = reader(data=view.request.query_params)
    serializer.is_valid(raise_exception=True)
    return dict(serializer.validated_data)
