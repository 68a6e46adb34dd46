from django.db import models
from django.db.models import Q

from ledger.models.records import BASE_1, Record
from ledger.models.seals import Entry


class Attachment(Record):
    """A photo or scan that hangs on a record. The file lies in the storage under its own hash."""

    kind = "ledger.attachment"

    target = models.ForeignKey(Entry, models.PROTECT, related_name="attachments")
    file_name = models.CharField(max_length=200)
    media_type = models.CharField(max_length=100)
    size = models.PositiveBigIntegerField()
    sha256 = models.CharField(max_length=64)

    own_fields = ("target", "file_name", "media_type", "size", "sha256")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="attachment_is_not_empty", condition=Q(size__gte=1)),
        ]
        indexes = [*Record.Meta.indexes, models.Index(fields=["target"])]
