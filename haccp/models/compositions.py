"""What a material consists of, as the house has it in writing."""

from django.db import models
from django.db.models import F, Q

from batches.models import Material
from batches.models.places import Reference


class Composition(Reference):
    """What 100 g of a material consist of, for a span of days. ``haccp.composition_documents`` reads ``document``.

    ``method``: how it was found (label, data sheet, oven, Karl Fischer). ``source``: where it is written.
    ``provenance``: how that was seen: read, measured, from memory.
    """

    material = models.ForeignKey(Material, models.PROTECT, related_name="compositions")
    document = models.JSONField()
    method = models.CharField(max_length=200)
    source = models.CharField(max_length=300)
    provenance = models.CharField(max_length=200)
    in_force_from = models.DateField()
    in_force_until = models.DateField(null=True, blank=True)  # first day it no longer holds

    class Meta(Reference.Meta):
        constraints = [
            *Reference.Meta.constraints,
            models.UniqueConstraint(
                name="compositions_begin_on_different_days", fields=["material", "in_force_from"]
            ),
            models.CheckConstraint(
                name="composition_ends_after_it_begins",
                condition=Q(in_force_until__isnull=True) | Q(in_force_until__gt=F("in_force_from")),
            ),
            models.CheckConstraint(
                name="composition_names_its_source",
                condition=~Q(method="") & ~Q(source="") & ~Q(provenance=""),
            ),
        ]
