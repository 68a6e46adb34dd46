"""The order of a day's batches with the least cleaning, over HTTP. Asked and answered; nothing is stored."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from django.utils import timezone
from drf_spectacular.utils import (
    OpenApiExample,
    extend_schema,
    extend_schema_serializer,
)
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from batches.models import Equipment, Material, RecipeVersion
from config.api.bodies import BodySerializer
from config.api.refusals import Reason, Unusable
from haccp import run_orders
from haccp.changeovers.matrix import CAUTION
from haccp.run_order import MOST_BATCHES, MOST_MINUTES, Cleaning, Given, Planned, Proposal, Run
from haccp.run_order_search import Minutes
from haccp.run_orders import Filled
from ledger.api.scope import WORKERS, Scoped, ScopedReference

LONGEST_NAME = 60
MOST_PAIRS = MOST_BATCHES * (MOST_BATCHES + 1)
MINUTE = timedelta(minutes=1)
LAST_START = datetime(9000, 1, 1, tzinfo=UTC)  # so that an end can still be told

VERSION = "01a21200-0000-7000-8000-000000000001"
ASKED = {
    "starts_at": "2026-03-02T08:00:00+01:00",
    "batches": [
        {"name": "Hazelnut pillows", "recipe_version": VERSION, "minutes": 150},
        {
            "name": "Lemon drops",
            "recipe_version": VERSION,
            "minutes": 60,
            "due_at": "2026-03-02T12:00:00+01:00",
        },
    ],
    "cleaning": [
        {"after": None, "before": "Hazelnut pillows", "minutes": 0},
        {"after": None, "before": "Lemon drops", "minutes": 0},
        {"after": "Hazelnut pillows", "before": "Lemon drops", "minutes": 90},
        {"after": "Lemon drops", "before": "Hazelnut pillows", "minutes": 10},
    ],
    "before": [],
}


class PlannedSerializer(BodySerializer):
    """A batch of the day, by what is made in it."""

    name = serializers.CharField(max_length=LONGEST_NAME, help_text="What it is called here; used once.")
    recipe_version = ScopedReference(queryset=RecipeVersion.objects.all(), required=False)
    material = ScopedReference(queryset=Material.objects.all(), required=False)
    minutes = serializers.IntegerField(min_value=0, max_value=MOST_MINUTES, help_text="How long it takes.")
    due_at = serializers.DateTimeField(required=False, help_text="The latest end; needs starts_at.")

    def validate(self, said: dict[str, Any]) -> dict[str, Any]:
        if ("recipe_version" in said) == ("material" in said):
            detail = "Name what is made: a recipe_version or a material."
            raise serializers.ValidationError({"recipe_version": detail}, code="missing")
        return said


class CleaningSerializer(BodySerializer):
    """Minutes of cleaning between two batches."""

    after = serializers.CharField(
        max_length=LONGEST_NAME, allow_null=True, help_text="null: the present state of the equipment."
    )
    before = serializers.CharField(
        max_length=LONGEST_NAME, allow_null=True, help_text="null: the end of the day."
    )
    minutes = serializers.IntegerField(
        min_value=0,
        max_value=MOST_MINUTES,
        allow_null=True,
        help_text="null: no cleaning makes it possible.",
    )

    def validate(self, said: dict[str, Any]) -> dict[str, Any]:
        if said["after"] is None and said["before"] is None:
            raise serializers.ValidationError({"before": "Name a batch before or after."}, code="missing")
        return said


class PrecedenceSerializer(BodySerializer):
    first = serializers.CharField(max_length=LONGEST_NAME)
    then = serializers.CharField(max_length=LONGEST_NAME)


@extend_schema_serializer(examples=[OpenApiExample("Two batches on one table", ASKED, request_only=True)])
class RunOrderSerializer(BodySerializer):
    """The batches in the order they are planned in.

    Minutes of cleaning that are not sent come from the table of changeovers; what that cannot tell is missing, not 0.
    """

    starts_at = serializers.DateTimeField(required=False, help_text="When the first may begin.")
    equipment = ScopedReference(
        queryset=Equipment.objects.select_related("establishment"),
        required=False,
        help_text="What they share: minutes not sent come from procedures for its kind, and from what stands on it.",
    )
    batches = serializers.ListField(child=PlannedSerializer(), max_length=MOST_BATCHES)
    cleaning = serializers.ListField(child=CleaningSerializer(), required=False, max_length=MOST_PAIRS)
    before = serializers.ListField(
        child=PrecedenceSerializer(),
        required=False,
        max_length=MOST_PAIRS,
        help_text="What must be made before what.",
    )

    def validate_starts_at(self, said: datetime) -> datetime:
        if said > LAST_START:
            raise serializers.ValidationError("The day lies too far in the future.", code="out-of-range")
        return said

    def answer(self) -> dict[str, Any]:
        """Raises Unusable, RuleBroken."""
        said = self.validated_data
        planned = list(self._planned())
        filled = run_orders.fill(
            self.context["establishment"],
            {each["name"]: _material(each) for each in said["batches"]},
            self._cleaning(),
            equipment=said.get("equipment"),
            at=said.get("starts_at") or timezone.now(),
        )
        pairs = [(each["first"], each["then"]) for each in said.get("before", [])]
        return _answer(run_orders.propose(planned, filled, pairs), filled, said.get("starts_at"))

    def _planned(self) -> Iterator[Planned]:
        starts_at: datetime | None = self.validated_data.get("starts_at")
        for each in self.validated_data["batches"]:
            due_at = each.get("due_at")
            if due_at is not None and starts_at is None:
                detail = "A due time needs the time at which the first batch may begin."
                raise Unusable(detail, code="missing", field="starts_at")
            due = None if due_at is None or starts_at is None else (due_at - starts_at) // MINUTE
            yield Planned(each["name"], each["minutes"], due)

    def _cleaning(self) -> Cleaning:
        found: dict[tuple[str | None, str | None], Minutes] = {}
        for each in self.validated_data.get("cleaning", []):
            pair = each["after"], each["before"]
            if pair in found:
                _refuse_twice(*pair)
            found[pair] = each["minutes"]
        return Cleaning(
            {then: minutes for (after, then), minutes in found.items() if after is None and then is not None},
            {(a, b): minutes for (a, b), minutes in found.items() if a is not None and b is not None},
            {
                after: minutes
                for (after, then), minutes in found.items()
                if then is None and after is not None
            },
        )


def _material(said: dict[str, Any]) -> UUID:
    return said["material"].pk if "material" in said else said["recipe_version"].material_id


def _refuse_twice(after: str | None, before: str | None) -> None:
    pair = f"{after or 'the present state'} before {before or 'the end of the day'}"
    reason = Reason("doubled", f"Cleaning after {pair} stands twice.", "cleaning")
    raise Unusable(reason.detail, code=reason.code, reasons=[reason])


# -- the answer -----------------------------------------------------------------------------------------


class SlotSerializer(serializers.Serializer):
    """A batch in its place; minutes are counted from the beginning of the day."""

    name = serializers.CharField()
    cleaning = serializers.IntegerField(help_text="Minutes of cleaning before it.")
    why = serializers.CharField(help_text="Where these minutes are from, and what is cleared.")
    begins = serializers.IntegerField()
    ends = serializers.IntegerField()
    begins_at = serializers.DateTimeField(allow_null=True, help_text="null where starts_at was not said.")
    ends_at = serializers.DateTimeField(allow_null=True)
    late_by = serializers.IntegerField(help_text="Minutes after its due time; 0 where it has none.")


class RunSerializer(serializers.Serializer):
    slots = SlotSerializer(many=True)
    cleaning_at_the_end = serializers.IntegerField()
    cleaning = serializers.IntegerField(help_text="All of it, in minutes.")
    missed = serializers.ListField(child=serializers.CharField(), help_text="Whose due times are missed.")


class NeighboursSerializer(serializers.Serializer):
    after = serializers.CharField(allow_null=True)
    before = serializers.CharField()
    why = serializers.CharField()


class GivenSerializer(serializers.Serializer):
    """The order that was sent."""

    holds = serializers.BooleanField(help_text="Possible, in the right sequence, and in time.")
    run = RunSerializer(allow_null=True, help_text="null where cleaning between two neighbours is not known.")
    impossible = NeighboursSerializer(many=True)
    broken = PrecedenceSerializer(many=True)


class RunOrderAnswerSerializer(serializers.Serializer):
    order = serializers.ListField(child=serializers.CharField())
    run = RunSerializer()
    given = GivenSerializer()
    saves = serializers.IntegerField(
        allow_null=True, help_text="Minutes of cleaning against the given order; below 0 where it needs more."
    )
    proved_best = serializers.BooleanField()
    at_least = serializers.IntegerField(help_text="No order needs less minutes of cleaning.")
    sentences = serializers.ListField(child=serializers.CharField())


def _run(run: Run | None, filled: Filled, starts_at: datetime | None) -> dict[str, Any] | None:
    if run is None:
        return None
    slots = []
    for slot, before in zip(run.slots, (None, *run.slots), strict=False):
        times = [None if starts_at is None else starts_at + at * MINUTE for at in (slot.begins, slot.ends)]
        said = {name: getattr(slot, name) for name in ("name", "cleaning", "begins", "ends", "late_by")}
        why = filled.why[None if before is None else before.name, slot.name]
        slots.append(said | {"why": why, "begins_at": times[0], "ends_at": times[1]})
    return {
        "slots": slots,
        "cleaning_at_the_end": run.last,
        "cleaning": run.cleaning,
        "missed": list(run.missed),
    }


def _given(given: Given, filled: Filled, starts_at: datetime | None) -> dict[str, Any]:
    return {
        "holds": given.holds,
        "run": _run(given.run, filled, starts_at),
        "impossible": [
            {"after": after, "before": before, "why": filled.why[after, before]}
            for after, before in given.impossible
        ],
        "broken": [{"first": first, "then": then} for first, then in given.broken],
    }


def _answer(proposal: Proposal, filled: Filled, starts_at: datetime | None) -> dict[str, Any]:
    return {
        "order": [slot.name for slot in proposal.run.slots],
        "run": _run(proposal.run, filled, starts_at),
        "given": _given(proposal.given, filled, starts_at),
        "saves": proposal.saves,
        "proved_best": proposal.proved,
        "at_least": proposal.at_least,
        "sentences": [*proposal.sentences, *([CAUTION] if filled.derived else [])],
    }


class RunOrders(Scoped):
    """Propose the order with the least cleaning for a day's batches, and what it saves. The lead decides.

    Minutes between products that are not sent come from contents, labels and approved cleaning procedures.

    Exact up to 12 batches; above that a bounded search that says it is not proved best.
    """

    serializer_class = RunOrderSerializer
    queryset = Material.objects.none()
    write_roles = WORKERS

    def get_serializer_context(self) -> dict[str, Any]:
        return super().get_serializer_context() | {
            "seen": {}
        }  # a product of several batches is asked for once

    @extend_schema(request=RunOrderSerializer, responses={200: RunOrderAnswerSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        return Response(RunOrderAnswerSerializer(serializer.answer()).data)
