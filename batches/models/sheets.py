"""What is noted while a batch runs, beside weighings (those are movements) and checks (those are haccp's)."""

from typing import Self

from django.db import models
from django.db.models import F, Q

from batches.models.batches import Batch, Part
from batches.models.places import Equipment
from ledger.acts import Act
from ledger.models import BASE_1, Record


class ProcessStep(Record):
    """A step of the process, from ``performed_at`` until ``ended_at``."""

    kind = "batches.process-step"

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="steps")
    part = models.ForeignKey(Part, models.PROTECT, null=True, blank=True, related_name="steps")
    step = models.CharField(max_length=60)
    equipment = models.ForeignKey(Equipment, models.PROTECT, null=True, blank=True, related_name="+")
    ended_at = models.DateTimeField(null=True, blank=True)

    own_fields = ("batch", "part", "step", "equipment", "ended_at")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    @classmethod
    def withdrawal(cls, act: Act) -> Self:
        """A withdrawal bears the time it was made, which may lie after the end of what never happened."""
        record = super().withdrawal(act)
        record.ended_at = None
        return record

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="step_ends_after_it_begins",
                condition=Q(ended_at__isnull=True) | Q(ended_at__gte=F("performed_at")),
            ),
        ]


class QualityReading(Record):
    """Something observed for quality only: kept beside, judged by nobody, never the start of a deviation."""

    kind = "batches.quality-reading"

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="quality_readings")
    part = models.ForeignKey(Part, models.PROTECT, null=True, blank=True, related_name="quality_readings")
    what = models.CharField(max_length=80)
    value = models.CharField(max_length=80)  # as entered
    unit = models.CharField(max_length=10, blank=True)

    own_fields = ("batch", "part", "what", "value", "unit")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}


class TrimReturn(Record):
    """Trim of one part folded into another of the same batch (or the same part): no lot of its own (D14)."""

    kind = "batches.trim-return"

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="trim_returns")
    from_part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    to_part = models.ForeignKey(Part, models.PROTECT, related_name="+")
    quantity = models.BigIntegerField()  # mg
    entered = models.CharField(max_length=40)

    own_fields = ("batch", "from_part", "to_part", "quantity", "entered")
    client_fields = ("batch", "from_part", "to_part", "entered")
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="trim_is_positive", condition=Q(quantity__gt=0)),
        ]


class LossKind(models.TextChoices):
    """What was weighed apart. Coating picked up is no loss: it left the tank and is in what was made."""

    COOKED_OFF = "cooked-off", "cooked off"
    POT_RESIDUE = "pot-residue", "left in the pot"
    TRIM = "trim", "trim thrown away"
    SPILLED = "spilled", "spilled"
    COATING = "coating-picked-up", "coating picked up"


class WeighedApart(Record):
    """What of a batch was weighed and is no lot: cooked off, left in the pot, thrown away, or coating picked up.

    Trim that becomes a lot of rework is made as that lot; trim folded back within the batch is a ``TrimReturn``.
    ``weighed_with``: the balance, where that was said; its uuid, as on a ``Movement``.
    """

    kind = "batches.weighed-apart"

    batch = models.ForeignKey(Batch, models.PROTECT, related_name="weighed_apart")
    part = models.ForeignKey(Part, models.PROTECT, null=True, blank=True, related_name="+")
    what = models.CharField(max_length=20, choices=LossKind.choices)
    quantity = models.BigIntegerField()  # mg
    entered = models.CharField(max_length=40)
    weighed_with = models.UUIDField(null=True, blank=True)

    own_fields = ("batch", "part", "what", "quantity", "entered", "weighed_with")
    client_fields = ("batch", "part", "what", "entered", "weighed_with")
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="weighed_apart_is_not_negative", condition=Q(quantity__gte=0)),
            models.CheckConstraint(name="weighed_apart_is_known", condition=Q(what__in=LossKind.values)),
        ]
