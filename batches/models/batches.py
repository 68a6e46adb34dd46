"""Batches: what was made under which recipe and plan, in which parts, with which equipment."""

from datetime import datetime, timedelta

from django.db import models
from django.db.models import F, Q

from batches.models.places import Equipment
from batches.models.recipes import RecipeVersion
from ledger.ids import uuid7
from ledger.models import BASE_1, Entry, Establishment, Kept, Record


class Batch(Kept):
    """The identity of a batch, written once when it starts.

    ``permission``: the record that permitted the start (none of this starts around the gate).
    ``plan_version``: the record of the hazard plan it is made under; empty only where a phased start let it
    begin without one. ``birth``: its ``BatchStart`` record.
    """

    uid = models.UUIDField(unique=True, default=uuid7, editable=False)
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+")
    code = models.CharField(max_length=30)
    recipe_version = models.ForeignKey(RecipeVersion, models.PROTECT, related_name="batches")
    plan_version = models.ForeignKey(Entry, models.PROTECT, null=True, blank=True, related_name="+")
    permission = models.OneToOneField(Entry, models.PROTECT, related_name="+")
    birth = models.OneToOneField(Entry, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(name="batch_code_is_used_once", fields=["establishment", "code"]),
            models.CheckConstraint(name="batch_has_a_code", condition=~Q(code="")),
        ]

    def __str__(self) -> str:
        return self.code


class BatchStart(Record):
    """A batch began: how much was planned, with which equipment (uuids)."""

    kind = "batches.start"
    counted_in = "the states of batches"

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="starts")
    code = models.CharField(max_length=30)
    recipe_version = models.ForeignKey(RecipeVersion, models.PROTECT, related_name="+")
    permission = models.ForeignKey(Entry, models.PROTECT, related_name="+")
    plan_version = models.ForeignKey(Entry, models.PROTECT, null=True, blank=True, related_name="+")
    planned = models.BigIntegerField()  # base steps of the recipe's material
    entered = models.CharField(max_length=40)  # planned, as entered with its unit
    equipment = models.JSONField(default=list, blank=True)

    own_fields = (
        "batch",
        "code",
        "recipe_version",
        "permission",
        "plan_version",
        "planned",
        "entered",
        "equipment",
    )
    client_fields = ("recipe_version", "entered", "equipment")
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="batch_planned_is_positive", condition=Q(planned__gt=0)),
            models.UniqueConstraint(  # further ones correct it
                name="batch_starts_once", fields=["batch"], condition=Q(corrects__isnull=True)
            ),
        ]


class BatchEnd(Record):
    """A batch ended; its equipment is free from then on."""

    kind = "batches.end"
    counted_in = "the states of batches"

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="ends")

    own_fields = ("batch",)
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}


class Part(Record):
    """A numbered part of a batch: a boil, a slab."""

    kind = "batches.part"

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="parts")
    number = models.PositiveSmallIntegerField()
    name = models.CharField(max_length=60)

    own_fields = ("batch", "number", "name")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(name="parts_are_numbered_once", fields=["batch", "number"]),
            models.CheckConstraint(name="part_numbers_start_at_one", condition=Q(number__gte=1)),
            models.CheckConstraint(name="a_part_is_not_corrected", condition=Q(corrects__isnull=True)),
        ]


class EquipmentUse(Record):
    """Equipment was taken into a running batch, or given free before its end."""

    kind = "batches.equipment-use"
    counted_in = "what was on which equipment"

    class Deed(models.TextChoices):
        TAKEN = "taken", "taken"
        FREED = "freed", "freed"

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="equipment_uses")
    equipment = models.ForeignKey(Equipment, models.PROTECT, related_name="uses")
    deed = models.CharField(max_length=5, choices=Deed.choices)

    own_fields = ("batch", "equipment", "deed")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="equipment_deed_is_known", condition=Q(deed__in=["taken", "freed"])),
        ]


class BatchState(models.Model):
    """Projection: where a batch stands now. Rebuilt from its records by ``manage.py rebuild``."""

    batch = models.OneToOneField(Batch, models.PROTECT, primary_key=True, related_name="state")
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+")
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        indexes = [models.Index(fields=["establishment", "ended_at", "-started_at"])]
        constraints = [
            models.CheckConstraint(
                name="batch_ends_after_it_begins",
                condition=Q(ended_at__isnull=True) | Q(ended_at__gte=F("started_at")),
            )
        ]


HOURS = (24, 720)
"""Lengths by which stays are told apart, so that those of some hours can be looked for by when they began."""


def hours_within(since: datetime, until: datetime | None) -> int:
    """The least of ``HOURS`` that a stay fits in; 0 where it is longer, or lasts."""
    if until is None:
        return 0
    return next((hours for hours in HOURS if until - since <= timedelta(hours=hours)), 0)


class Occupation(models.Model):
    """Projection: a batch occupies equipment from a time until another; open while ``until`` is empty."""

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="occupations")
    equipment = models.ForeignKey(Equipment, models.PROTECT, related_name="occupations")
    since = models.DateTimeField()
    until = models.DateTimeField(null=True, blank=True)
    within_hours = models.PositiveSmallIntegerField(default=0)  # see ``hours_within``; 0: longer, or open

    class Meta:
        indexes = [
            models.Index(fields=["equipment", "until"]),
            models.Index(fields=["equipment", "since"]),
            # what stood there in some hours is found without reading years, however long it stood
            models.Index(name="stays_by_length", fields=["equipment", "within_hours", "since"]),
        ]
        constraints = [
            models.CheckConstraint(
                name="occupation_ends_after_it_begins",
                condition=Q(until__isnull=True) | Q(until__gte=F("since")),
            )
        ]


class CleaningBreak(Kept):
    """Nothing carries over past it, for what its scope names. Written when a changeover is released (D16)."""

    equipment = models.ForeignKey(Equipment, models.PROTECT, related_name="cleaning_breaks")
    at = models.DateTimeField()
    scope = (
        models.JSONField()
    )  # {"allergens": [...], "microbiological": bool, "foreign-bodies": bool, "area": uuid, if named}
    because = models.ForeignKey(Entry, models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(name="one_break_for_a_record", fields=["equipment", "because"])
        ]
        indexes = [
            models.Index(name="breaks_in_time", fields=["equipment", "at"]),
            models.Index(
                name="breaks_of_all", fields=["equipment", "at"], condition=Q(scope__allergens="all")
            ),
        ]
