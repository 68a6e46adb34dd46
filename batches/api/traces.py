"""Traces over HTTP: plain dictionaries written at once, since a trace may reach thousands of lots."""

import hashlib
from typing import Any, ClassVar
from urllib.parse import parse_qsl, urlencode, urlsplit

import orjson
from django.core.signing import BadSignature, Signer
from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request

from batches import traces
from batches.api.amounts import AMOUNT_TEXTS, UNITS, kilograms
from batches.api.movements import read_filters
from batches.models import Lot, LotStatus
from batches.trace_questions import FromLots, TraceQuestion
from batches.trace_results import Consignment, Direction, InProcess, Side, Trace, Unfollowed
from batches.whereabouts import whereabouts
from config.api.refusals import RuleBroken
from ledger.api.scope import Scoped

SIGNER = Signer(salt="pages of a trace")
NOT_OURS = "This is not a cursor of this trace; start from its first page."
USUAL, LARGEST = 1000, 10_000  # lots on a page (site setting, no source)

# -- what is answered -------------------------------------------------------------------------------


class AmountText(serializers.CharField):
    """A number of the unit told beside it, as text."""


class TracedLotSerializer(serializers.Serializer):
    """A lot that was reached, and what became of it. Amounts are text in `unit` (UN/ECE Rec 20)."""

    id = serializers.UUIDField()
    code = serializers.CharField()
    material = serializers.UUIDField()
    material_name = serializers.CharField()
    material_kind = serializers.CharField(help_text="As `kind` of the material.")
    is_rework = serializers.BooleanField()
    day = serializers.DateField(help_text="Received or made on.")
    best_before = serializers.DateField(allow_null=True)
    batch = serializers.UUIDField(allow_null=True, help_text="That made it.")
    batch_code = serializers.CharField(allow_blank=True)
    supplier = serializers.UUIDField(allow_null=True)
    supplier_name = serializers.CharField(allow_blank=True)
    supplier_code = serializers.CharField(allow_blank=True)
    status = serializers.ChoiceField(choices=LotStatus.choices)
    unit = serializers.CharField()
    on_hand = AmountText(help_text="What is here now.")
    received = AmountText(help_text="This and the next: in all, not only along the trace.")
    made = AmountText()
    used = AmountText()
    shipped = AmountText()
    returned = AmountText()
    sent_back = AmountText()
    sampled = AmountText()
    destroyed = AmountText()
    unexplained = AmountText(help_text="What counts found more (or, with a minus, less).")
    mass = AmountText(allow_null=True, help_text="Kilograms received or made; null: not known.")
    side = serializers.ChoiceField(choices=[each.value for each in Side])
    generation = serializers.IntegerField(help_text="The most steps from a lot the trace began with.")
    share = serializers.FloatField(
        allow_null=True,
        help_text="The part of this lot's mass that came from the traced lots. 0 does not mean untouched; null: not "
        "forward of them, reached by contact only, or in a loop.",
    )
    part = serializers.FloatField(
        allow_null=True,
        help_text="The part of the traced lots' mass that came from this lot; null: not back of them, or in a loop.",
    )
    exact_share = serializers.CharField(allow_null=True, help_text='As a fraction, "3/40", if asked for.')
    exact_part = serializers.CharField(allow_null=True)
    starts = serializers.IntegerField(help_text="With how many of the traced lots it is connected.")
    contact = serializers.IntegerField(
        allow_null=True, help_text="Place in `contacts` (from 0) of how it was reached."
    )


class TraceStepSerializer(serializers.Serializer):
    source = serializers.UUIDField()
    target = serializers.UUIDField()
    batch = serializers.UUIDField()
    unit = serializers.CharField()
    quantity = AmountText(help_text="Of the source, in the target.")
    used = AmountText(help_text="Of the source, in the batch, for all that it made.")
    share = serializers.FloatField(help_text="The part of the target's mass that came from the source.")
    exact_share = serializers.CharField(allow_null=True)


class TracedBatchSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    code = serializers.CharField()
    started_at = serializers.DateTimeField()
    ended_at = serializers.DateTimeField(allow_null=True)


class ConsignmentSerializer(serializers.Serializer):
    """One movement between a lot and a partner."""

    movement = serializers.UUIDField()
    what = serializers.ChoiceField(choices=["received", "sent-back", "shipped", "returned"])
    lot = serializers.UUIDField()
    partner = serializers.UUIDField()
    partner_name = serializers.CharField()
    document = serializers.CharField(allow_blank=True)
    at = serializers.DateTimeField()
    unit = serializers.CharField()
    quantity = AmountText()


class InProcessSerializer(serializers.Serializer):
    """Some of a lot in a batch that has made nothing yet."""

    lot = serializers.UUIDField()
    batch = serializers.UUIDField()
    batch_code = serializers.CharField()
    unit = serializers.CharField()
    quantity = AmountText()


class ContactSerializer(serializers.Serializer):
    """How a batch was reached by shared equipment: nothing cleaned it validly in between."""

    equipment = serializers.UUIDField()
    equipment_code = serializers.CharField()
    equipment_name = serializers.CharField()
    left_by = serializers.UUIDField(help_text="The batch that stood there before.")
    left_by_code = serializers.CharField()
    since = serializers.DateTimeField()
    until = serializers.DateTimeField(allow_null=True)
    batch = serializers.UUIDField()
    batch_code = serializers.CharField()
    at = serializers.DateTimeField()
    hazards = serializers.ListField(child=serializers.CharField())


class SizeSerializer(serializers.Serializer):
    lots = serializers.IntegerField()
    steps = serializers.IntegerField()
    depth = serializers.IntegerField(help_text="The most steps between a lot and one the trace began with.")


class UnfollowedSerializer(serializers.Serializer):
    """What lies behind lots with less than the least share was not followed."""

    least = serializers.FloatField()
    lots = serializers.IntegerField()
    kilograms = AmountText(allow_null=True)


class WhereaboutsSerializer(serializers.Serializer):
    """Kilograms of what is suspect: each lot's share of what became of it. Together they are what came, but for the gap."""

    came = AmountText()
    on_hand = AmountText()
    shipped = AmountText(help_text="Less what came back.")
    sent_back = AmountText()
    sampled = AmountText()
    destroyed = AmountText()
    unexplained = AmountText(help_text="What counts found less (or, with a minus, more).")
    in_process = AmountText(help_text="In batches that have made nothing yet.")
    lost = AmountText(help_text="In batches, and in nothing they made: boiled off, trimmed, left in the pot.")
    gap = AmountText()


class TraceSerializer(serializers.Serializer):
    """A trace, or a page of it: `size` tells the whole, `next` leads on. Nothing is left out unless it is said."""

    direction = serializers.ChoiceField(choices=[each.value for each in Direction])
    starts = serializers.ListField(child=serializers.UUIDField())
    size = SizeSerializer()
    loop = serializers.BooleanField(
        help_text="The genealogy leads in a circle, which must not be: have the records verified."
    )
    in_loop = serializers.IntegerField(
        help_text="Lots in the circle or behind it, of which no share is told."
    )
    unfollowed = UnfollowedSerializer(allow_null=True)
    whereabouts = WhereaboutsSerializer(
        allow_null=True,
        help_text="Of a trace forward or whole that stands on one page; null as well where the mass of a lot is not "
        "known, or in a loop.",
    )
    lots = TracedLotSerializer(many=True)
    steps = TraceStepSerializer(
        many=True, help_text="Each stands on the page of its lot that lies further from the start."
    )
    batches = TracedBatchSerializer(many=True)
    consignments = ConsignmentSerializer(many=True)
    in_process = InProcessSerializer(many=True)
    contacts = ContactSerializer(many=True)
    next = serializers.URLField(allow_null=True)


# -- views ------------------------------------------------------------------------------------------


class TraceCursor(serializers.CharField):
    """Where a page goes on, and how much the trace held; signed, so that only one of ours is read."""

    def to_internal_value(self, data: Any) -> Any:
        try:
            asked, after, size = SIGNER.unsign_object(super().to_internal_value(data))
        except (BadSignature, ValueError) as error:
            raise serializers.ValidationError(NOT_OURS, code="bad-cursor") from error
        return asked, after, size


class TraceFilters(serializers.Serializer):
    """How much of a trace, and how."""

    exact = serializers.BooleanField(
        required=False, default=False, help_text="Tell shares as fractions too, of a trace of few steps."
    )
    least_share = serializers.FloatField(
        required=False,
        help_text="Follow only lots with at least this share of the traced lots, above 0 and below 1; what was left "
        "is told in `unfollowed`. Without it everything is followed. Never ask so about an allergen or a microbe.",
    )
    limit = serializers.IntegerField(
        required=False, default=USUAL, min_value=1, max_value=LARGEST, help_text="Lots on a page."
    )
    cursor = TraceCursor(
        required=False,
        help_text="From `next` of another page of this trace. 409 if records changed what it holds.",
    )


class TraceAnswers(Scoped):
    """The base of what answers a trace."""

    serializer_class = TraceSerializer
    pagination_class = None

    def answer(self, request: Request, question: TraceQuestion, said: dict[str, Any]) -> HttpResponse:
        found = traces.trace(
            self.establishment, question, after=self._after(request, said), limit=said["limit"]
        )
        if "cursor" in said:
            _refuse_changed(said["cursor"][2], _counts(found))
        body = as_json(found) | {"next": self._next(request, found)}
        return HttpResponse(orjson.dumps(body, option=orjson.OPT_UTC_Z), content_type="application/json")

    def _after(self, request: Request, said: dict[str, Any]) -> int | None:
        if "cursor" not in said:
            return None
        asked, after, _ = said["cursor"]
        if asked != _asked(request):
            raise serializers.ValidationError({"cursor": NOT_OURS}, code="bad-cursor")
        return int(after)

    def _next(self, request: Request, found: Trace) -> str | None:
        if found.following is None:
            return None
        address = urlsplit(request.build_absolute_uri())
        query = [pair for pair in parse_qsl(address.query, keep_blank_values=True) if pair[0] != "cursor"]
        query.append(("cursor", SIGNER.sign_object([_asked(request), found.following, _counts(found)])))
        return address._replace(query=urlencode(query)).geturl()


def _asked(request: Request) -> str:
    """The question, so that no cursor goes on in the answer to another."""
    asked = sorted((name, values) for name, values in request.GET.lists() if name not in ("cursor", "limit"))
    return hashlib.sha256(f"{request.path} {asked}".encode()).hexdigest()[:16]


def _counts(found: Trace) -> list[int]:
    return [found.size.lots, found.size.steps]


def _refuse_changed(before: list[int], now: list[int]) -> None:
    """A late entry may bring a lot that stands before the page: it would be on none of them."""
    if before != now:
        raise RuleBroken(
            f"What is traced has changed meanwhile: it held {_counted(*before)}, now {_counted(*now)}. "
            "Ask for its first page again.",
            code="trace-changed",
            field="cursor",
        )


def _counted(lots: int, steps: int) -> str:
    return f"{lots} lot{'' if lots == 1 else 's'} and {steps} step{'' if steps == 1 else 's'}"


class OfOneLot(TraceAnswers):
    queryset = Lot.objects.all()
    direction: ClassVar[Direction]

    def follow(self, request: Request) -> HttpResponse:
        said = read_filters(self, TraceFilters)
        start = FromLots((self.kwargs["pk"],))
        question = TraceQuestion(
            start, self.direction, least_share=said.get("least_share"), exact=said["exact"]
        )
        return self.answer(request, question, said)


class Back(OfOneLot):
    """Everything a lot came from, with suppliers and their lot codes."""

    direction = Direction.BACK

    @extend_schema(operation_id="trace_back", parameters=[TraceFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        return self.follow(request)


class Forward(OfOneLot):
    """Everything a lot went into, with the customers it was shipped to."""

    direction = Direction.FORWARD

    @extend_schema(operation_id="trace_forward", parameters=[TraceFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        return self.follow(request)


class Whole(OfOneLot):
    """The whole chain of a lot: back to its sources, forward to the customers.

    What else was made of its sources is not in it: ask forward from the source.
    """

    direction = Direction.WHOLE

    @extend_schema(operation_id="trace_whole", parameters=[TraceFilters])
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        return self.follow(request)


# -- as JSON ----------------------------------------------------------------------------------------


def as_json(trace: Trace) -> dict[str, Any]:
    """As ``TraceSerializer`` says, without ``next``; uuids, days and times are left to the writer of JSON."""
    return {
        "direction": trace.direction,
        "starts": trace.starts,
        "size": vars(trace.size),
        "loop": trace.loop,
        "in_loop": trace.in_loop,
        "unfollowed": trace.unfollowed and _unfollowed(trace.unfollowed),
        "whereabouts": _whereabouts(trace),
        "lots": [_lot(*lot) for lot in trace.lots],
        "steps": [_step(*step) for step in trace.steps],
        "batches": [_batch(*each) for each in trace.batches],
        "consignments": [_consignment(each) for each in trace.consignments],
        "in_process": [_in_process(each) for each in trace.in_process],
        "contacts": [each._asdict() for each in trace.contacts],
    }


def _lot(
    key, uid, code, material, material_name, dimension, kind, is_rework, day, best_before, batch, batch_code,
    supplier, supplier_name, supplier_code, status, on_hand, received, made, used, shipped, returned, sent_back,
    sampled, destroyed, unexplained, mass, side, generation, share, part, exact_share, exact_part, starts, contact,
):  # fmt: skip
    """The fields of a ``TracedLot`` one by one: looking them up by name takes longer than all the rest."""
    text = AMOUNT_TEXTS[dimension]
    return {
        "id": uid,
        "code": code,
        "material": material,
        "material_name": material_name,
        "material_kind": kind,
        "is_rework": is_rework,
        "day": day,
        "best_before": best_before,
        "batch": batch,
        "batch_code": batch_code,
        "supplier": supplier,
        "supplier_name": supplier_name,
        "supplier_code": supplier_code,
        "status": status,
        "unit": UNITS[dimension],
        "on_hand": text(on_hand),
        "received": text(received),
        "made": text(made),
        "used": text(used),
        "shipped": text(shipped),
        "returned": text(returned),
        "sent_back": text(sent_back),
        "sampled": text(sampled),
        "destroyed": text(destroyed),
        "unexplained": text(unexplained),
        "mass": None if mass is None else kilograms(mass),
        "side": side,
        "generation": generation,
        "share": share,
        "part": part,
        "exact_share": exact_share if exact_share is None else str(exact_share),
        "exact_part": exact_part if exact_part is None else str(exact_part),
        "starts": starts,
        "contact": contact,
    }


def _step(source, target, batch, dimension, quantity, used, share, exact_share):
    text = AMOUNT_TEXTS[dimension]
    return {
        "source": source,
        "target": target,
        "batch": batch,
        "unit": UNITS[dimension],
        "quantity": text(quantity),
        "used": text(used),
        "share": share,
        "exact_share": exact_share if exact_share is None else str(exact_share),
    }


def _batch(uid, code, started_at, ended_at):
    return {"id": uid, "code": code, "started_at": started_at, "ended_at": ended_at}


def _consignment(each: Consignment) -> dict[str, Any]:
    return {
        "movement": each.movement,
        "what": each.what,
        "lot": each.lot,
        "partner": each.partner,
        "partner_name": each.partner_name,
        "document": each.document,
        "at": each.at,
        "unit": UNITS[each.dimension],
        "quantity": AMOUNT_TEXTS[each.dimension](each.quantity),
    }


def _in_process(each: InProcess) -> dict[str, Any]:
    return {
        "lot": each.lot,
        "batch": each.batch,
        "batch_code": each.batch_code,
        "unit": UNITS[each.dimension],
        "quantity": AMOUNT_TEXTS[each.dimension](each.quantity),
    }


def _whereabouts(trace: Trace) -> dict[str, str] | None:
    found = None if trace.direction == Direction.BACK else whereabouts(trace)
    if found is None:
        return None
    return {name: kilograms(round(amount)) for name, amount in (vars(found) | {"gap": found.gap}).items()}


def _unfollowed(left: Unfollowed) -> dict[str, Any]:
    return {
        "least": left.least,
        "lots": left.lots,
        "kilograms": None if left.milligrams is None else kilograms(round(left.milligrams)),
    }
