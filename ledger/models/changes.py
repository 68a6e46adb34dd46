from django.db import models
from django.db.models import Q

from ledger.models.records import BASE_1, Record


class Change(Record):
    """A change of reference data: what it said before, what it says after, and why.

    ``before`` and ``after`` hold text only; ``before`` is empty when the row was made. Both enter the digest
    as a salted hash, since they may hold prices or private contacts.
    """

    kind = "ledger.change"

    subject_kind = models.CharField(max_length=60)
    subject_id = models.UUIDField()
    before = models.JSONField(default=dict, blank=True)
    after = models.JSONField(default=dict, blank=True)

    own_fields = ("subject_kind", "subject_id", "before", "after")
    client_fields = own_fields
    confidential = frozenset({"before", "after"})
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["subject_id", "recorded_at"])]


class Removal(Record):
    """A record that left after its retention ended. Its entry, digest and leaf stay."""

    kind = "ledger.removal"

    removed_id = models.UUIDField(unique=True)
    removed_kind = models.CharField(max_length=60)
    removed_digest = models.CharField(max_length=64)
    rule = models.TextField(max_length=1000)  # the retention rule that ended, and when

    own_fields = ("removed_id", "removed_kind", "removed_digest", "rule")
    client_fields = ("removed_id", "rule")
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="removal_names_its_rule", condition=~Q(rule="")),
        ]
