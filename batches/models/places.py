"""Where work happens and with what; who we buy from and sell to. Reference data: changes are recorded."""

from django.db import models
from django.db.models import Q

from ledger.ids import uuid7
from ledger.models import BASE_1, Establishment, Record, Versioned, digits_or_empty


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
    """A shelf, cold room, bin, hopper or tank where lots lie.

    ``refilled``: it is topped up before it is empty, so that what lies in it is mixed (``batches.mixes``).
    """

    area = models.ForeignKey(Area, models.PROTECT, null=True, blank=True, related_name="storage_places")
    for_held = models.BooleanField(default=False)  # kept apart for what is held
    refilled = models.BooleanField(default=False)


class FoundEmpty(Record):
    """Somebody looked into a storage place and nothing was left in it. A stock of zero does not say so.

    ``is_clean``: nothing of what lay in it clung to it either. Only then is what comes in next not mixed with it.
    """

    kind = "batches.found-empty"
    counted_in = "what is mixed in a storage place"

    storage_place = models.ForeignKey(StoragePlace, models.PROTECT, related_name="found_empty")
    is_clean = models.BooleanField()

    own_fields = ("storage_place", "is_clean")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["storage_place", "performed_at"])]


class Equipment(Reference):
    """A kettle, table, tempering machine, or a tool that is tracked by itself."""

    area = models.ForeignKey(Area, models.PROTECT, null=True, blank=True, related_name="equipment")
    kind = models.CharField(max_length=60)  # the plan's steps name kinds
    shared = models.BooleanField(default=False)  # several batches may occupy it at once, as a cold store


class Outlet(models.TextChoices):
    """A customer that is the house's own way to buyers, most of whom nobody names."""

    NONE = "", "no outlet: a customer with a name"
    STALL = "stall", "stall"
    SHOP = "shop", "own shop"
    WEB = "web", "web orders"


class TradingPartner(Reference):
    """A supplier, customer, carrier or laboratory. ``outlet``: what goes there is sold on to buyers by the house itself."""

    is_supplier = models.BooleanField(default=False)
    is_customer = models.BooleanField(default=False)
    is_carrier = models.BooleanField(default=False)
    is_laboratory = models.BooleanField(default=False)
    outlet = models.CharField(max_length=5, choices=Outlet.choices, blank=True)
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
            models.CheckConstraint(
                name="outlet_is_a_customer",
                condition=Q(outlet="") | Q(outlet__in=["stall", "shop", "web"], is_customer=True),
            ),
        ]


class MaterialLock(models.Model):
    """One row an establishment: whoever changes stock, status or genealogy holds it (decision D15)."""

    establishment = models.OneToOneField(Establishment, models.PROTECT, primary_key=True, related_name="+")
