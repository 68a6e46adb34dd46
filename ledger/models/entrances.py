"""The entrance of an inspector: from when until when, to which days of the records; and every look through it."""

from django.db import models
from django.db.models import F, Q

from ledger.ids import uuid7
from ledger.models.establishments import Establishment
from ledger.models.kept import Kept
from ledger.models.people import Person
from ledger.models.records import BASE_1, Record


class Entrance(Record):
    """Somebody lets an inspector read: whom, of which authority, why, when, and which days of the records.

    Open from ``opens_at`` until (not including) ``closes_at``. ``first_day`` and ``last_day``: local days, both included;
    no last day: up to today. Withdrawn, it is revoked at once; it is never corrected, since its looks name it.
    """

    kind = "ledger.entrance"

    person = models.ForeignKey(Person, models.PROTECT, related_name="entrances")
    authority = models.CharField(max_length=200)
    because = models.TextField(max_length=1000)
    opens_at = models.DateTimeField()
    closes_at = models.DateTimeField()
    first_day = models.DateField()
    last_day = models.DateField(null=True, blank=True)

    own_fields = ("person", "authority", "because", "opens_at", "closes_at", "first_day", "last_day")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="entrance_names_the_authority", condition=~Q(authority="")),
            models.CheckConstraint(name="entrance_says_why", condition=~Q(because="")),
            models.CheckConstraint(
                name="entrance_closes_after_it_opens", condition=Q(closes_at__gt=F("opens_at"))
            ),
            models.CheckConstraint(
                name="entrance_days_end_after_they_begin",
                condition=Q(last_day__isnull=True) | Q(last_day__gte=F("first_day")),
            ),
        ]
        indexes = [*Record.Meta.indexes, models.Index(fields=["person", "establishment"])]


class Look(Kept):
    """One answer that somebody let in by an entrance was given, written before it was sent.

    A row of its own and no record: it says what the service did, not what somebody here did, and a seal for each page
    that is turned would bury the day's work. ``what``: the name of the route. ``subject``: the id in its address; with
    ``document`` the number of the document. ``answered``: the HTTP status; a refused look is one too. ``address``:
    where the request came from.
    """

    part_of = "entrance"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+")
    entrance = models.ForeignKey(Entrance, models.PROTECT, related_name="looks")
    at = models.DateTimeField()
    what = models.CharField(max_length=60)
    subject = models.UUIDField(null=True, blank=True)
    document = models.PositiveBigIntegerField(null=True, blank=True)
    document_kind = models.CharField(max_length=30, blank=True)
    answered = models.PositiveSmallIntegerField()
    address = models.CharField(max_length=45, blank=True)

    class Meta:
        ordering = ["-at", "-id"]
        constraints = [
            models.CheckConstraint(name="look_says_at_what", condition=~Q(what="")),
            models.CheckConstraint(
                name="look_was_answered", condition=Q(answered__gte=100, answered__lt=600)
            ),
        ]
        indexes = [models.Index(fields=["establishment", "-at", "-id"])]
