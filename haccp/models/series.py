"""A logger's readings: one record for the whole, and beside it the readings themselves, packed."""

from typing import Any

from django.db import models
from django.db.models import F, Q

from haccp.models.checks import Check
from haccp.models.rules import Instrument
from ledger.models import BASE_1, Kept, Record


class Series(Record):
    """Readings over time from one logger, in the unit they were sent in.

    ``sha256``: over the digests of its blocks in their order, so that a changed block shows (``haccp.series``).
    ``flags``: codes of what was out of order when it was recorded.
    """

    kind = "haccp.series"

    instrument = models.ForeignKey(Instrument, models.PROTECT, null=True, blank=True, related_name="+")
    unit = models.CharField(max_length=10)
    began_at = models.DateTimeField()
    ended_at = models.DateTimeField()
    count = models.PositiveIntegerField()
    sha256 = models.CharField(max_length=64)
    flags = models.JSONField(default=list, blank=True)

    own_fields = ("instrument", "unit", "began_at", "ended_at", "count", "sha256", "flags")
    client_fields = ("instrument", "unit", "sha256")
    FORMS = {1: BASE_1 + own_fields}

    @property
    def blocks_of(self) -> "Series":
        """The record whose blocks these readings are: a withdrawal has none of its own."""
        gone: Any = self.corrects if self.withdrawn else None
        return gone or self

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="series_has_two_readings", condition=Q(count__gte=2)),
            models.CheckConstraint(
                name="series_ends_after_it_begins", condition=Q(ended_at__gt=F("began_at"))
            ),
        ]


class SeriesBlock(Kept):
    """Some thousand readings of a series, packed by ``haccp.logger.blocks``. ``number`` counts from 0."""

    part_of = "series"

    series = models.ForeignKey(Series, models.PROTECT, related_name="blocks")
    number = models.PositiveIntegerField()
    sha256 = models.CharField(max_length=64)
    data = models.BinaryField()

    class Meta:
        ordering = ["series", "number"]
        constraints = [
            models.UniqueConstraint(name="series_block_is_numbered_once", fields=["series", "number"])
        ]


class SeriesUse(models.Model):
    """A check was judged by a series: a projection of its readings, so that each is found from the other."""

    check_record = models.ForeignKey(Check, models.CASCADE, related_name="series_uses")
    series = models.ForeignKey(Series, models.CASCADE, related_name="uses")

    class Meta:
        ordering = ["check_record", "series"]
        constraints = [
            models.UniqueConstraint(name="check_uses_a_series_once", fields=["check_record", "series"])
        ]
