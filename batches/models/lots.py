"""Lots and everything that happens to them."""

from typing import Any

from django.db import models
from django.db.models import F, Q

from batches.models.batches import Batch, Part
from batches.models.channels import WebOrder
from batches.models.places import StoragePlace, TradingPartner
from batches.models.recipes import Material
from ledger.ids import uuid7
from ledger.models import BASE_1, Entry, Establishment, Kept, Record


class Lot(Kept):
    """The identity of a quantity of one material, written once when it is received or made.

    It comes from one receipt or, where ``batch`` is set, from that batch (decision D14). ``birth``: the
    movement that brought it; a lot bears that movement's id as its ``uid``, so that a tablet without a
    network can name the lot at once. What a correction of the birth may change (supplier, supplier's code,
    best before) stands in ``LotState``.
    """

    uid = models.UUIDField(unique=True, default=uuid7, editable=False)
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+")
    code = models.CharField(max_length=20)
    material = models.ForeignKey(Material, models.PROTECT, related_name="lots")
    batch = models.ForeignKey(Batch, models.PROTECT, null=True, blank=True, related_name="lots")
    is_rework = models.BooleanField(default=False)
    day = models.DateField()  # received or made on, the establishment's date
    birth = models.OneToOneField(Entry, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-id"]
        indexes = [models.Index(fields=["establishment", "day"])]
        constraints = [
            models.UniqueConstraint(name="lot_code_is_used_once", fields=["establishment", "code"]),
            models.CheckConstraint(name="lot_has_a_code", condition=~Q(code="")),
            models.CheckConstraint(
                name="rework_comes_from_a_batch", condition=Q(is_rework=False) | Q(batch__isnull=False)
            ),
        ]

    def __str__(self) -> str:
        return self.code


class MovementKind(models.TextChoices):
    RECEIVED = "received", "received"
    USED = "used", "used in a batch"
    MADE = "made", "made by a batch"
    MOVED = "moved", "moved"
    SHIPPED = "shipped", "shipped"
    RETURNED = "returned", "returned by a customer"
    SENT_BACK = "sent-back", "sent back to the supplier"
    COUNTED = "counted", "counted"
    SAMPLED = "sampled", "sampled"
    DESTROYED = "destroyed", "destroyed"


class ReworkFrom(models.TextChoices):
    """Where a lot of rework comes from, as whoever puts it aside says."""

    TRIM = "trim", "trim and cut-offs of the batch"
    MISSHAPEN = "misshapen", "misshapen or broken pieces of the batch"
    FLOOR = "floor", "from the floor"
    RETURNS = "returns", "returned by customers"
    UNKNOWN = "unknown", "nobody knows"


ADDS = frozenset({MovementKind.RECEIVED, MovementKind.MADE, MovementKind.RETURNED})
TAKES = frozenset(
    {
        MovementKind.USED,
        MovementKind.SHIPPED,
        MovementKind.SENT_BACK,
        MovementKind.SAMPLED,
        MovementKind.DESTROYED,
    }
)


class Movement(Record):
    """Anything that happens to a lot. Stock is the sum of ``effect`` over standing movements.

    ``quantity``: base steps (mg or pieces), never negative. ``entered`` and ``unit``: as entered.
    ``effect``: what it does to the stock of the lot; for a count, what was counted less what was expected.
    ``mass``: milligrams of food, of pieces by the mass one had then; 0 for packaging, empty where not known.
    ``new_lot``: what was said about the lot that this movement brings; empty where the lot was there already.
    ``weighed_with``: the instrument it was weighed with, where that was said; instruments are known one floor up, so it
    is their uuid, and ``haccp.listeners`` refuses one that is not of this establishment.
    ``best_before``: of the lot it brings, as said or by its material's shelf life.
    ``flags``: codes of what was out of order when it was recorded (``batches.flags`` says what each means).
    """

    kind = "batches.movement"
    counted_in = "stock, traces and the states of lots"

    what = models.CharField(max_length=10, choices=MovementKind.choices)
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="movements")
    quantity = models.BigIntegerField()
    effect = models.BigIntegerField()
    mass = models.BigIntegerField(null=True, blank=True)
    entered = models.CharField(max_length=40)
    unit = models.CharField(max_length=3)
    batch = models.ForeignKey(Batch, models.PROTECT, null=True, blank=True, related_name="movements")
    part = models.ForeignKey(Part, models.PROTECT, null=True, blank=True, related_name="movements")
    recipe_line = models.PositiveSmallIntegerField(null=True, blank=True)
    from_place = models.ForeignKey(StoragePlace, models.PROTECT, null=True, blank=True, related_name="+")
    to_place = models.ForeignKey(StoragePlace, models.PROTECT, null=True, blank=True, related_name="+")
    partner = models.ForeignKey(
        TradingPartner, models.PROTECT, null=True, blank=True, related_name="movements"
    )
    carrier = models.ForeignKey(TradingPartner, models.PROTECT, null=True, blank=True, related_name="+")
    document = models.CharField(max_length=80, blank=True)  # type and number of the paper that went with it
    order = models.ForeignKey(WebOrder, models.PROTECT, null=True, blank=True, related_name="movements")
    weighed_with = models.UUIDField(null=True, blank=True)
    new_lot = models.JSONField(default=dict, blank=True)
    best_before = models.DateField(null=True, blank=True)
    flags = models.JSONField(default=list, blank=True)

    client_fields = (
        "what",
        "entered",
        "unit",
        "batch",
        "part",
        "recipe_line",
        "from_place",
        "to_place",
        "partner",
        "carrier",
        "document",
        "order",
        "weighed_with",
        "new_lot",
    )
    FORMS = {1: (*BASE_1, "lot", "quantity", "effect", "mass", "best_before", "flags", *client_fields)}

    class Meta(Record.Meta):
        indexes = [
            *Record.Meta.indexes,
            models.Index(fields=["lot", "performed_at"]),
            models.Index(fields=["batch", "what"]),
            models.Index(fields=["partner", "performed_at"]),
            models.Index(
                name="movement_of_a_partner", fields=["lot"], condition=Q(partner__isnull=False)
            ),  # traces: who had a lot, without reading each of its uses
        ]
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="movement_has_a_quantity", condition=Q(quantity__gt=0) | Q(what="counted", quantity=0)
            ),
            models.CheckConstraint(  # names every kind, so that no other can be written
                name="movement_effect_follows_its_kind",
                condition=Q(what__in=["received", "made", "returned"], effect=F("quantity"))
                | Q(
                    what__in=["used", "shipped", "sent-back", "sampled", "destroyed"],
                    effect=0 - F("quantity"),
                )
                | Q(what="moved", effect=0)
                | Q(what="counted"),
            ),
            models.CheckConstraint(
                name="movement_mass_is_not_negative", condition=Q(mass__isnull=True) | Q(mass__gte=0)
            ),
            models.CheckConstraint(
                name="used_and_made_name_a_batch",
                condition=Q(what__in=["used", "made"], batch__isnull=False)
                | (~Q(what__in=["used", "made"]) & Q(batch__isnull=True, part__isnull=True)),
            ),
            models.CheckConstraint(
                name="in_and_out_name_a_partner",
                condition=~Q(what__in=["received", "shipped", "returned", "sent-back"])
                | Q(partner__isnull=False),
            ),
            models.CheckConstraint(
                name="orders_are_shipped_and_returned",
                condition=Q(order__isnull=True) | Q(what__in=["shipped", "returned"]),
            ),
        ]

    @property
    def replaces(self) -> "Movement | None":
        """The movement that this one corrects or withdraws."""
        found: Any = self.corrects
        return found

    def _said(self) -> dict[str, Any]:
        """The client names the lot, unless it is only now brought and the service makes its identity."""
        said = super()._said()
        return said if self.new_lot else said | {"lot": str(self.lot.uid)}


class AtOutletKind(models.TextChoices):
    SOLD = "sold", "sold to buyers nobody names"
    GIVEN = "given", "given away to taste"
    DESTROYED = "destroyed", "thrown away there"
    COUNTED = "counted", "counted there"


class AtOutlet(Record):
    """What became of a lot at a stall or in the own shop, after it was shipped there and before any of it came back.

    It changes no stock of the house: that ended with the shipment. ``quantity``: base steps; ``entered`` and ``unit`` as
    entered. ``place``, which every record has, says where the stall stood.
    """

    kind = "batches.at-outlet"
    counted_in = "what is at an outlet"

    what = models.CharField(max_length=9, choices=AtOutletKind.choices)
    outlet = models.ForeignKey(TradingPartner, models.PROTECT, related_name="+")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="+")
    quantity = models.BigIntegerField()
    entered = models.CharField(max_length=40)
    unit = models.CharField(max_length=3)
    flags = models.JSONField(default=list, blank=True)

    client_fields = ("what", "outlet", "lot", "entered", "unit")
    FORMS = {1: (*BASE_1, *client_fields, "quantity", "flags")}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["outlet", "lot", "performed_at"])]
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="at_outlet_is_known", condition=Q(what__in=AtOutletKind.values)),
            models.CheckConstraint(
                name="at_outlet_has_a_quantity", condition=Q(quantity__gt=0) | Q(what="counted", quantity=0)
            ),
        ]


class LotStatus(models.TextChoices):
    AWAITING = "awaiting", "awaiting decision"
    RELEASED = "released", "released"
    HELD = "held", "held"
    REJECTED = "rejected", "rejected"


class LotDecision(Record):
    """A lot's status from now on, and the record that says why (a release, a deviation, a disposition)."""

    kind = "batches.lot-decision"
    counted_in = "the states of lots"

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="decisions")
    status = models.CharField(max_length=8, choices=LotStatus.choices)
    because = models.ForeignKey(Entry, models.PROTECT, related_name="+")

    own_fields = ("lot", "status", "because")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["lot", "recorded_at"])]
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="lot_status_is_known", condition=Q(status__in=LotStatus.values)),
        ]


class LotState(models.Model):
    """Projection: what is true of a lot now. Rebuilt from records by ``manage.py rebuild``.

    ``supplier``, ``supplier_code``, ``best_before``: as the standing birth says them. ``withdrawn``: the
    birth was withdrawn; the lot never was. ``received`` to ``destroyed``: sums of its standing movements by kind,
    ``unexplained`` what counts found more or less, all in base steps. ``mass``: milligrams of what was received or
    made; 0 of packaging, empty where it is not known.
    """

    lot = models.OneToOneField(Lot, models.PROTECT, primary_key=True, related_name="state")
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+", db_index=False)
    status = models.CharField(max_length=8, choices=LotStatus.choices, default=LotStatus.AWAITING)
    on_hand = models.BigIntegerField(default=0)
    received = models.BigIntegerField(default=0)
    made = models.BigIntegerField(default=0)
    used = models.BigIntegerField(default=0)
    shipped = models.BigIntegerField(default=0)
    returned = models.BigIntegerField(default=0)
    sent_back = models.BigIntegerField(default=0)
    sampled = models.BigIntegerField(default=0)
    destroyed = models.BigIntegerField(default=0)
    unexplained = models.BigIntegerField(default=0)
    mass = models.BigIntegerField(null=True, blank=True, default=0)
    supplier = models.ForeignKey(TradingPartner, models.PROTECT, null=True, blank=True, related_name="+")
    supplier_code = models.CharField(max_length=60, blank=True)
    best_before = models.DateField(null=True, blank=True)
    withdrawn = models.BooleanField(default=False)

    class Meta:
        indexes = [
            models.Index(fields=["establishment", "status"]),
            models.Index(fields=["establishment", "supplier_code"]),
        ]
        constraints = [
            models.CheckConstraint(name="lot_state_is_known", condition=Q(status__in=LotStatus.values))
        ]


class Edge(models.Model):
    """Projection: lot ``source`` went into lot ``target`` through ``batch`` (decision D13).

    ``quantity``: base steps of the source that are in the target. ``share``: the part of the target's mass
    that came from the source, 0 to 1; 0 where the source adds no mass that is known (a wrapper). How both are
    found is said in ``batches.genealogy``. ``used``: base steps of the source that went into the batch, for all it
    made; ``mass`` of ``of_mass``: its milligrams among those of everything used there, so that a share can be told
    exactly. ``maker``: the batch that made the source, if one did, so that a walk from batch to batch need not ask lots.
    """

    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+", db_index=False)
    source = models.ForeignKey(Lot, models.PROTECT, related_name="went_into", db_index=False)
    target = models.ForeignKey(Lot, models.PROTECT, related_name="came_from", db_index=False)
    batch = models.ForeignKey(Batch, models.PROTECT, related_name="edges")
    maker = models.ForeignKey(Batch, models.PROTECT, null=True, related_name="+", db_index=False)
    quantity = models.BigIntegerField()
    share = models.FloatField()
    used = models.BigIntegerField()
    mass = models.BigIntegerField()
    of_mass = models.BigIntegerField()

    class Meta:
        constraints = [
            # its index also serves the walk forward
            models.UniqueConstraint(name="one_edge_a_batch", fields=["source", "target", "batch"]),
            models.CheckConstraint(name="edge_joins_two_lots", condition=~Q(source=F("target"))),
            models.CheckConstraint(name="edge_quantity_is_not_negative", condition=Q(quantity__gte=0)),
            models.CheckConstraint(name="edge_share_is_a_share", condition=Q(share__gte=0, share__lte=1)),
            models.CheckConstraint(
                name="edge_mass_is_a_part", condition=Q(mass__gte=0, mass__lte=F("of_mass"))
            ),
            models.CheckConstraint(
                name="edge_holds_no_more_than_was_used", condition=Q(quantity__lte=F("used"))
            ),
        ]
        indexes = [
            models.Index(name="edge_back", fields=["target", "source"]),
            models.Index(name="edge_to_maker", fields=["batch", "maker"], condition=Q(maker__isnull=False)),
        ]


class CodeCounter(models.Model):
    """The last running number given out for a code prefix; taken under the material lock."""

    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+")
    prefix = models.CharField(max_length=40)
    last = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(name="one_counter_a_prefix", fields=["establishment", "prefix"])
        ]
