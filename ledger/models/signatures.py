from django.db import models
from django.db.models import F, Q

from ledger.models.records import BASE_1, Record
from ledger.models.seals import Entry


class Meaning(models.TextChoices):
    RECORDED = "recorded", "recorded by me"
    REVIEWED = "reviewed", "reviewed by me"
    APPROVED = "approved", "approved by me"
    RELEASED = "released", "released by me"
    DECIDED = "decided", "decided by me"
    CLOSED = "closed", "closed by me"


class Signature(Record):
    """The signer proved it was them again, said what it means, and named the digest of what they signed."""

    kind = "ledger.signature"

    target = models.ForeignKey(Entry, models.PROTECT, related_name="signatures")
    target_digest = models.CharField(max_length=64)
    meaning = models.CharField(max_length=12, choices=Meaning.choices)
    signer_name = models.CharField(max_length=120)  # as printed when signed

    own_fields = ("target", "target_digest", "meaning", "signer_name")
    client_fields = ("target", "meaning")
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="signature_is_by_the_signer", condition=Q(performed_by=F("recorded_by"))
            ),
            models.CheckConstraint(
                name="signature_meaning_is_known", condition=Q(meaning__in=Meaning.values)
            ),
        ]
        indexes = [*Record.Meta.indexes, models.Index(fields=["target"])]
