import zoneinfo
from functools import cache

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models
from django.db.models import Q

from ledger.ids import uuid7
from ledger.models.digits import digits_or_empty
from ledger.models.kept import Versioned

BUYERS_KEPT_DAYS = 183
"""Half a year, until the house sets its own. The Commission's guidance on Regulation (EC) 178/2002 (2010) names six months
for records of what is sold to the consumer without a date (from memory)."""


@cache
def _time_zones() -> frozenset[str]:
    """Of the machine's database, which is walked file by file each time it is asked: once a process is enough."""
    return frozenset(zoneinfo.available_timezones())


def validate_time_zone(name: str) -> None:
    if name not in _time_zones():
        raise ValidationError("%(name)s is not a time zone of the IANA database.", params={"name": name})


class Establishment(Versioned):
    """Premises under one authority: where they are, which clock they keep, and their compliance profile.

    ``altitude_m``: metres above sea level; the boiling point of water depends on it.
    ``phased_start_until``: up to and including this local day the start gate warns instead of refusing.
    ``one_person_reason``: why, in this firm, who made a check may also review it; empty = not allowed.
    ``late_after_minutes``: a record written down later than this after the work is shown as a late entry.
    ``reached_by``: phone or e-mail that stands on what partners are told.
    ``exercise_mailbox``: where the mail of a trace exercise goes, which no partner ever gets; empty = nowhere.
    ``balance_gap_permille``: how much of what went in a mass balance may leave unexplained before it is flagged; the
    house's own figure, empty = none is set.
    ``gs1_prefixes``: the GS1 company prefixes the firm was given, or none; ``gln``: the GS1 number of the premises.
    ``buyers_kept_days``: how long after the best before of what they ordered the buyers of web orders are kept for a recall.
    ``decimal_comma``: numbers typed into a check may bear a comma as decimal mark (12,5); a thousands mark never.
    """

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    name = models.CharField(max_length=200)
    address = models.TextField(max_length=1000)
    country = models.CharField(
        max_length=2, validators=[RegexValidator(r"\A[A-Z]{2}\Z", "Give the two letters of ISO 3166-1.")]
    )
    time_zone = models.CharField(max_length=60, validators=[validate_time_zone])
    altitude_m = models.SmallIntegerField(
        null=True, blank=True, validators=[MinValueValidator(-430), MaxValueValidator(6000)]
    )
    phased_start_until = models.DateField(null=True, blank=True)
    one_person_reason = models.TextField(max_length=1000, blank=True)
    late_after_minutes = models.PositiveIntegerField(default=60, validators=[MaxValueValidator(10080)])
    decimal_comma = models.BooleanField(default=False)
    reached_by = models.CharField(max_length=200, blank=True)
    exercise_mailbox = models.EmailField(blank=True)
    balance_gap_permille = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=[MaxValueValidator(1000)]
    )
    buyers_kept_days = models.PositiveSmallIntegerField(
        default=BUYERS_KEPT_DAYS, validators=[MaxValueValidator(3660)]
    )
    gs1_prefixes = models.JSONField(default=list, blank=True)
    gln = models.CharField(max_length=13, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(name="establishment_has_a_name", condition=~Q(name="")),
            models.CheckConstraint(
                name="establishment_gln_is_thirteen_digits", condition=digits_or_empty("gln", 13)
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        return zoneinfo.ZoneInfo(self.time_zone)
