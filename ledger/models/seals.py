"""Every record in one list, and the seals over it."""

from django.db import models
from django.db.models import Q

from ledger.models.establishments import Establishment
from ledger.models.kept import Kept


class Entry(Kept):
    """One line for each record of any kind, written by a trigger in the record's own transaction.

    Its id is the record's id, unique over all kinds: what a signature, an attachment or a doubt points to.
    """

    id = models.UUIDField(primary_key=True)
    kind = models.CharField(max_length=60)
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+")
    digest = models.CharField(max_length=64)

    class Meta:
        ordering = ["-id"]
        indexes = [models.Index(fields=["establishment", "-id"])]


class Unsealed(models.Model):
    """Entries that no seal covers yet: a queue, so that a late commit is never passed over."""

    entry = models.OneToOneField(
        Entry, models.PROTECT, primary_key=True, related_name="unsealed", db_constraint=False
    )
    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="+", db_constraint=False)


class SealHead(models.Model):
    """The last seal of an establishment; its row is the lock that keeps seals in one chain."""

    establishment = models.OneToOneField(
        Establishment, models.PROTECT, primary_key=True, related_name="seal_head"
    )
    number = models.PositiveBigIntegerField(default=0)
    hash = models.CharField(max_length=64, default="0" * 64)


class Seal(Kept):
    """A Merkle root (RFC 6962) over new digests, chained to the seal before it."""

    establishment = models.ForeignKey(Establishment, models.PROTECT, related_name="seals")
    number = models.PositiveBigIntegerField()
    previous = models.CharField(max_length=64)
    root = models.CharField(max_length=64)
    leaf_count = models.PositiveIntegerField()
    sealed_at = models.DateTimeField()
    hash = models.CharField(max_length=64)

    class Meta:
        ordering = ["establishment", "number"]
        constraints = [
            models.UniqueConstraint(name="seal_numbers_run_in_one_chain", fields=["establishment", "number"]),
            models.CheckConstraint(name="seal_numbers_start_at_one", condition=Q(number__gte=1)),
            models.CheckConstraint(name="seal_covers_something", condition=Q(leaf_count__gte=1)),
        ]


class Leaf(Kept):
    """Where in a seal an entry stands."""

    seal = models.ForeignKey(Seal, models.PROTECT, related_name="leaves")
    position = models.PositiveIntegerField()
    entry = models.OneToOneField(Entry, models.PROTECT, related_name="leaf")

    class Meta:
        ordering = ["seal", "position"]
        constraints = [
            models.UniqueConstraint(name="leaf_positions_are_taken_once", fields=["seal", "position"])
        ]
