"""Where work happens and with what; who we buy from and sell to. Reference data: changes are recorded."""

from django.db import models
from django.db.models import Q

from ledger.ids import uuid7
from ledger.models import Establishment, Versioned, digits_or_empty


class Reference(Versioned):
    """A named thing of an establishment. ``code`` is short, unique here, and what people write on a label."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+")
    code = models.CharField(max_length=20)
    name = models.CharField(max_length=120)
    in_use = models.BooleanField(default=True)

    class Meta:
        abstract = True
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                name="%(app_label)s_%(class)s_code_is_used_once", fields=["establishment", "code"]
            ),
            models.CheckConstraint(name="%(app_label)s_%(class)s_has_a_code", condition=~Q(code="")),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class Area(Reference):
    """A room or zone."""


class StoragePlace(Reference):
    """A shelf, cold room or hold area where lots lie."""

    area = models.ForeignKey(Area, models.PROTECT, null=True, blank=True, related_name="storage_places")
    for_held = models.BooleanField(default=False)  # kept apart for what is held


class Equipment(Reference):
    """A kettle, table, tempering machine, or a tool that is tracked by itself."""

    area = models.ForeignKey(Area, models.PROTECT, null=True, blank=True, related_name="equipment")
    kind = models.CharField(max_length=60)  # the plan's steps name kinds
    shared = models.BooleanField(default=False)  # several batches may occupy it at once, as a cold store


class TradingPartner(Reference):
    """A supplier, customer, carrier or laboratory."""

    is_supplier = models.BooleanField(default=False)
    is_customer = models.BooleanField(default=False)
    is_carrier = models.BooleanField(default=False)
    is_laboratory = models.BooleanField(default=False)
    address = models.TextField(max_length=1000, blank=True)
    email = models.EmailField(blank=True)  # where a recall is told; private
    contact = models.TextField(max_length=500, blank=True)  # private: left out of what leaves the house
    gln = models.CharField(max_length=13, blank=True)

    class Meta(Reference.Meta):
        constraints = [
            *Reference.Meta.constraints,
            models.CheckConstraint(
                name="partner_has_a_part",
                condition=Q(is_supplier=True)
                | Q(is_customer=True)
                | Q(is_carrier=True)
                | Q(is_laboratory=True),
            ),
            models.CheckConstraint(
                name="partner_gln_is_thirteen_digits", condition=digits_or_empty("gln", 13)
            ),
        ]


class MaterialLock(models.Model):
    """One row an establishment: whoever changes stock, status or genealogy holds it (decision D15)."""

    establishment = models.OneToOneField(Establishment, models.PROTECT, primary_key=True, related_name="+")
