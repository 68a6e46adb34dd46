"""Traces from wherever one may begin: lots, a supplier's code, a partner, a label, a person, equipment."""

from collections.abc import Iterator
from typing import Any

from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request

from batches.api.movements import read_filters
from batches.api.trace_answers import TraceSerializer
from batches.api.traces import TraceAnswers, TraceFilters
from batches.models import Lot
from batches.trace_questions import (
    FromBatch,
    FromEquipment,
    FromLots,
    FromPartner,
    FromSupplierCode,
    Period,
    Start,
    TraceQuestion,
)
from batches.trace_results import Direction
from haccp.trace_starts import FromLabelVersion, FromPerson, hazard_of
from ledger.api.records import MomentField
from ledger.models import Establishment

MOST_LOTS = 500  # an address does not hold more (site setting, no source)
STARTS = ("lot", "batch", "supplier_code", "partner", "label_version", "person", "equipment")
IN_A_PERIOD = ("partner", "person", "equipment")


class QuestionFilters(TraceFilters):
    """Where a trace begins, one of `lot` to `equipment`; which way; how far."""

    direction = serializers.ChoiceField(
        choices=[each.value for each in Direction],
        help_text="back: to the sources. forward: to the customers. whole: both from where it begins; what else was "
        "made of a source is not in it.",
    )
    lot = serializers.ListField(
        child=serializers.UUIDField(), required=False, max_length=MOST_LOTS, help_text="One or several."
    )
    batch = serializers.UUIDField(required=False, help_text="What it made; before that, what went into it.")
    supplier_code = serializers.CharField(
        required=False,
        max_length=60,
        help_text="The supplier's code of a lot. 409 with all candidates if several bear it.",
    )
    supplier = serializers.UUIDField(required=False, help_text="With supplier_code.")
    material = serializers.UUIDField(required=False, help_text="With supplier_code.")
    every = serializers.BooleanField(
        required=False, default=False, help_text="With supplier_code: trace all that bear it."
    )
    partner = serializers.UUIDField(
        required=False, help_text="All lots they sent, got, sent back or carried, in the period."
    )
    label_version = serializers.UUIDField(required=False, help_text="All lots it was used on.")
    person = serializers.UUIDField(
        required=False,
        help_text="All lots they moved, made, checked, packed, sold at an outlet or worked on, in the period.",
    )
    equipment = serializers.UUIDField(
        required=False, help_text="All lots of the batches that stood on it, in the period; a tool too."
    )
    since = MomentField(required=False, help_text="With partner, person or equipment.")
    until = MomentField(required=False, help_text="With partner, person or equipment; included.")
    allergen = serializers.ListField(
        child=serializers.CharField(max_length=60),
        required=False,
        max_length=50,
        help_text="Widen by shared equipment: what may have carried over these (codes), up to a cleaning valid for them.",
    )
    microbiological = serializers.BooleanField(
        required=False, default=False, help_text="The same for microbes."
    )
    foreign_bodies = serializers.BooleanField(
        required=False, default=False, help_text="The same for foreign bodies."
    )

    def validate(self, said: dict[str, Any]) -> dict[str, Any]:
        begins = [name for name in STARTS if name in said]
        if len(begins) != 1:
            told = f"Name one of {', '.join(STARTS)}" + (f", not {' and '.join(begins)}." if begins else ".")
            raise serializers.ValidationError({begins[1] if begins else "lot": told}, code="one-start")
        for name, needed in _out_of_place(said, begins[0]):
            raise serializers.ValidationError({name: f"This goes with {needed} only."}, code="out-of-place")
        return said


def _out_of_place(said: dict[str, Any], begins: str) -> Iterator[tuple[str, str]]:
    """Names that the start would not ask for: taken without a word they would seem to narrow it."""
    of_code = [name for name in ("supplier", "material") if name in said] + (
        ["every"] if said["every"] else []
    )
    if begins != "supplier_code":
        yield from ((name, "supplier_code") for name in of_code)
    if begins not in IN_A_PERIOD:
        yield from ((name, ", ".join(IN_A_PERIOD)) for name in ("since", "until") if name in said)


class Traces(TraceAnswers):
    """Trace from lots, a batch, a supplier's lot code, a partner, a label version, a person, or equipment.

    Widened by shared equipment it asks what may have been carried over, and stops only at a cleaning valid for that.
    """

    queryset = Lot.objects.none()

    @extend_schema(operation_id="trace", parameters=[QuestionFilters], responses={200: TraceSerializer})
    def get(self, request: Request, *args: Any, **kwargs: Any) -> HttpResponse:
        said = read_filters(self, QuestionFilters)
        return self.answer(request, question(self.establishment, said), said)


def question(here: Establishment, said: dict[str, Any]) -> TraceQuestion:
    """What ``QuestionFilters`` read, as a question. Raises Unusable for allergens that no list names."""
    allergens = tuple(said.get("allergen", ()))
    return TraceQuestion(
        start=_start(said),
        direction=Direction(said["direction"]),
        hazard=hazard_of(here, allergens, said["microbiological"], said["foreign_bodies"]),
        least_share=said.get("least_share"),
        exact=said.get("exact", False),
    )


def _start(said: dict[str, Any]) -> Start:
    period = Period(*(said[name].at if name in said else None for name in ("since", "until")))
    if "lot" in said:
        return FromLots(tuple(said["lot"]))
    if "batch" in said:
        return FromBatch(said["batch"])
    if "supplier_code" in said:
        return FromSupplierCode(
            said["supplier_code"], said.get("supplier"), said.get("material"), said["every"]
        )
    if "partner" in said:
        return FromPartner(said["partner"], period)
    if "label_version" in said:
        return FromLabelVersion(said["label_version"])
    if "person" in said:
        return FromPerson(said["person"], period)
    return FromEquipment(said["equipment"], period)
