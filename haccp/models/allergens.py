"""Allergen lists as data of jurisdictions, and what is stated in writing about materials."""

from django.db import models
from django.db.models import F, Q

from batches.models import Lot, Material, TradingPartner
from batches.models.places import Reference
from haccp.models.rules import UNCONFIRMED
from ledger.models import BASE_1, Person, Record


class AllergenList(Reference):
    """The allergens one jurisdiction lists, for a span of days. ``haccp.allergens.documents`` reads ``document``.

    ``confirmed_by``: empty = to be confirmed with the authority. Such a list counts all the same: to know of one
    allergen more is the side that protects the eater. ``provenance``: how the citation was seen.
    """

    jurisdiction = models.CharField(max_length=60)
    authority = models.CharField(max_length=200)
    citation = models.CharField(max_length=300)
    provenance = models.CharField(max_length=200)
    document = models.JSONField()
    in_force_from = models.DateField()
    in_force_until = models.DateField(null=True, blank=True)  # first day it no longer counts
    confirmed_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    confirmed_at = models.DateTimeField(null=True, blank=True)

    class Meta(Reference.Meta):
        constraints = [
            *Reference.Meta.constraints,
            models.CheckConstraint(
                name="allergen_list_names_its_source",
                condition=~Q(jurisdiction="") & ~Q(authority="") & ~Q(citation="") & ~Q(provenance=""),
            ),
            models.CheckConstraint(
                name="allergen_list_ends_after_it_begins",
                condition=Q(in_force_until__isnull=True) | Q(in_force_until__gt=F("in_force_from")),
            ),
            models.CheckConstraint(
                name="allergen_list_confirmation_has_a_time",
                condition=Q(confirmed_by__isnull=True, confirmed_at__isnull=True)
                | Q(confirmed_by__isnull=False, confirmed_at__isnull=False),
            ),
            models.CheckConstraint(  # past days lean on it
                name="confirmed_allergen_list_is_ended_not_put_away",
                condition=Q(confirmed_by__isnull=True) | Q(in_use=True),
            ),
        ]

    @property
    def status(self) -> str:
        """In words, wherever the list is named."""
        return UNCONFIRMED if self.confirmed_by_id is None else "confirmed"


class AllergenStatement(Record):
    """What a document states about the allergens of a material: of every lot, of one supplier's, or of one lot.

    ``says``: as ``haccp.allergens.saying`` reads it. ``lot`` empty = every lot; ``supplier`` empty = any. What it does
    not speak of is unknown. For every lot it holds from ``in_force_from`` on; for one lot from its beginning.
    """

    kind = "haccp.allergen-statement"

    material = models.ForeignKey(Material, models.PROTECT, related_name="allergen_statements")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="allergen_statements")
    supplier = models.ForeignKey(TradingPartner, models.PROTECT, null=True, blank=True, related_name="+")
    says = models.JSONField()
    document = models.CharField(max_length=200)  # its name and number
    document_day = models.DateField()
    in_force_from = models.DateField()

    own_fields = ("material", "lot", "supplier", "says", "document", "document_day", "in_force_from")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["material", "in_force_from"])]
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="allergen_statement_names_its_document", condition=~Q(document="")),
        ]
