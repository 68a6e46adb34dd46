"""What a house says of how long it keeps its records, what must not leave, and what was archived before it left."""

from django.db import models
from django.db.models import Q

from ledger.models import BASE_1, Record


class Jurisdiction(models.TextChoices):
    US = "US", "United States"
    EU = "EU", "European Union"
    OTHER = "other", "any other"


class Markets(Record):
    """Where the house is and ships to, so that only rules from there apply; the newest holds. Without one all apply."""

    kind = "haccp.markets"

    jurisdictions = models.JSONField()  # of ``Jurisdiction``, sorted
    because = models.TextField(max_length=1000)

    own_fields = ("jurisdictions", "because")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="markets_are_some", condition=~Q(jurisdictions=[])),
            models.CheckConstraint(name="markets_say_why", condition=~Q(because="")),
        ]


class KeptLonger(Record):
    """A food-safety lead has a group of records kept for so many years, counted as the rule of law counts them.

    ``group``: of ``haccp.retention.rules``. It answers rules that name no number, and never shortens one that does.
    """

    kind = "haccp.kept-longer"

    group = models.CharField(max_length=20)
    years = models.PositiveSmallIntegerField()
    because = models.TextField(max_length=1000)

    own_fields = ("group", "years", "because")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="kept_longer_names_a_group", condition=~Q(group="")),
            models.CheckConstraint(
                name="kept_longer_counts_years", condition=Q(years__gte=1, years__lte=100)
            ),
            models.CheckConstraint(name="kept_longer_says_why", condition=~Q(because="")),
        ]


class LegalHold(Record):
    """Kept until further notice: ``subject`` is the id of a lot, a batch, a record, or of the house for everything."""

    kind = "haccp.legal-hold"

    subject = models.UUIDField()
    because = models.TextField(max_length=1000)

    own_fields = ("subject", "because")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(name="legal_hold_says_why", condition=~Q(because="")),
        ]


class Archive(Record):
    """Records were written to a file that was read back and verified, so that they may leave this database.

    ``sha256``: of the file. ``records``: how many lie in it. ``root``: of the Merkle tree (RFC 6962) over their digests
    in the order of their ids.
    """

    kind = "haccp.archive"

    file_name = models.CharField(max_length=200)
    size = models.PositiveBigIntegerField()
    sha256 = models.CharField(max_length=64)
    records = models.PositiveIntegerField()
    root = models.CharField(max_length=64)

    own_fields = ("file_name", "size", "sha256", "records", "root")
    client_fields = own_fields
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(name="archive_is_recorded_once", fields=["sha256"]),
            models.CheckConstraint(name="archive_has_a_file", condition=~Q(sha256="") & ~Q(root="")),
            models.CheckConstraint(name="archive_holds_records", condition=Q(records__gte=1, size__gte=1)),
        ]
