"""Where goods go whose buyers nobody names, and orders whose buyer is known only as long as a recall needs it."""

from django.db import models
from django.db.models import Q

from batches.models.places import TradingPartner
from ledger.models import BASE_1, Establishment, Record


class WebOrder(Record):
    """What one buyer ordered from afar, and the lots picked for it; each left by a movement that names the order.

    ``number``: the house's own. ``picked``: each {"lot", "quantity", "unit", "from_place"} as entered. Who the buyer is
    stands in ``Buyer`` and in no record, since no record can be made to forget.
    """

    kind = "batches.web-order"
    counted_in = "what a recall knows of buyers"

    number = models.CharField(max_length=40)
    outlet = models.ForeignKey(TradingPartner, models.PROTECT, related_name="+")
    picked = models.JSONField()

    own_fields = ("number", "outlet", "picked")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(name="web_order_number_is_used_once", fields=["establishment", "number"]),
            models.CheckConstraint(name="web_order_has_a_number", condition=~Q(number="")),
            models.CheckConstraint(name="a_web_order_is_not_corrected", condition=Q(corrects__isnull=True)),
        ]


class Buyer(models.Model):
    """Who ordered: the one row that may be changed and is deleted in time. Nothing of it is in any digest or export."""

    order = models.OneToOneField(WebOrder, models.PROTECT, primary_key=True, related_name="buyer")
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+")
    name = models.CharField(max_length=200)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    address = models.TextField(max_length=1000, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="buyer_can_be_reached", condition=~Q(email="") | ~Q(phone="") | ~Q(address="")
            )
        ]


class BuyerForgotten(Record):
    """The buyer of an order was forgotten, and why then. That there was an order stays; who it was for does not."""

    kind = "batches.buyer-forgotten"

    order = models.OneToOneField(WebOrder, models.PROTECT, related_name="forgotten")
    because = models.TextField(max_length=1000)

    own_fields = ("order", "because")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="forgetting_has_a_reason", condition=~Q(because="")),
            models.CheckConstraint(name="what_is_forgotten_stays_so", condition=Q(corrects__isnull=True)),
        ]
