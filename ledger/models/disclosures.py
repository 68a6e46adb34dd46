from django.db import models
from django.db.models import Q

from ledger.models.records import BASE_1, Record


class Part(models.TextChoices):
    """What stays in the house unless somebody who may says otherwise."""

    RECIPE = "recipe", "quantities of the recipe and what was weighed for them"
    CONTACTS = "contacts", "telephones and private addresses"
    VISITORS = "visitors", "names of those who came to inspect"


class Disclosure(Record):
    """A food-safety lead lets a confidential part of one thing leave the house: what, to whom, and why.

    ``subject``: the id of what it is about, as a document names it.
    """

    kind = "ledger.disclosure"

    subject = models.UUIDField()
    part = models.CharField(max_length=20, choices=Part.choices)
    given_to = models.CharField(max_length=200)
    because = models.TextField(max_length=1000)

    own_fields = ("subject", "part", "given_to", "because")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="disclosure_part_is_known", condition=Q(part__in=Part.values)),
            models.CheckConstraint(name="disclosure_says_to_whom", condition=~Q(given_to="")),
            models.CheckConstraint(name="disclosure_says_why", condition=~Q(because="")),
        ]
        indexes = [*Record.Meta.indexes, models.Index(fields=["subject"])]
