"""Recall notices of others that arrive here, and what the house replies."""

from django.db import models
from django.db.models import F, Q

from batches.models import TradingPartner
from haccp.models.recalls import Means
from ledger.models import BASE_1, Record


class CameBy(models.TextChoices):
    PHONE = "phone", "by phone"
    E_MAIL = "e-mail", "by e-mail"
    LETTER = "letter", "by letter"
    VISIT = "visit", "in a visit"
    PUBLISHED = "published", "as a published notice"


class NoticeArrived(Record):
    """A supplier or an authority says that something delivered here is recalled, and what was found of it at once.

    ``partner`` or ``sender``: who says so, one of the two. ``supplier``: whose goods are meant; empty where it was not
    said. ``said``: word for word. ``meant``: {"materials", "codes", "from", "to", "received", "best_before", "all"}, what
    to look for. ``found``: the lots it means, each with why, whether that is certain, and what became of it by then;
    ``became``: the lots made of those, or mixed with them. ``consignees``: who got some of either. ``searched``: how many
    lots were looked at, and those that were compared and lie outside. ``seal_number``, ``seal_hash``: of the seal that
    covers all that was read. What is found later is held by its case; this stays as it was.
    """

    kind = "haccp.notice-arrived"

    partner = models.ForeignKey(TradingPartner, models.PROTECT, null=True, blank=True, related_name="+")
    sender = models.CharField(max_length=200, blank=True)
    supplier = models.ForeignKey(TradingPartner, models.PROTECT, null=True, blank=True, related_name="+")
    came_by = models.CharField(max_length=9, choices=CameBy.choices)
    came_at = models.DateTimeField()
    reference = models.CharField(max_length=120, blank=True)
    said = models.TextField(max_length=20_000)
    meant = models.JSONField()
    found = models.JSONField(default=list, blank=True)
    became = models.JSONField(default=list, blank=True)
    consignees = models.JSONField(default=list, blank=True)
    searched = models.JSONField(default=dict, blank=True)
    seal_number = models.PositiveIntegerField()
    seal_hash = models.CharField(max_length=64)

    client_fields = ("partner", "sender", "supplier", "came_by", "came_at", "reference", "said", "meant")
    FORMS = {
        1: (
            *BASE_1,
            *client_fields,
            "found",
            "became",
            "consignees",
            "searched",
            "seal_number",
            "seal_hash",
        )
    }

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="an_arrived_notice_has_one_sender",
                condition=Q(partner__isnull=False, sender="") | (Q(partner__isnull=True) & ~Q(sender="")),
            ),
            models.CheckConstraint(name="how_a_notice_came_is_known", condition=Q(came_by__in=CameBy.values)),
            models.CheckConstraint(name="an_arrived_notice_says_something", condition=~Q(said="")),
            models.CheckConstraint(
                name="a_notice_came_before_it_was_taken_in", condition=Q(came_at__lte=F("performed_at"))
            ),
        ]

    @property
    def from_whom(self) -> str:
        return self.sender if self.partner is None else self.partner.name


class NoticeReply(Record):
    """What was told to the sender of a notice: the figures as of a time, and by what means.

    ``performed_by`` sent it at ``performed_at``; the figures are of when it was written down, unless another time is
    asked for: of a reply entered late they would else tell less than was known. ``figures``: {"lots", "consignees"}; the
    latter is empty unless whoever sent it put in who got some. ``figures_digest``: SHA-256 over their canonical JSON, as
    the letter prints it.
    """

    kind = "haccp.notice-reply"

    notice = models.ForeignKey(NoticeArrived, models.PROTECT, related_name="replies")
    means = models.CharField(max_length=10, choices=Means.choices)
    language = models.CharField(max_length=10)
    to = models.TextField(max_length=500, blank=True)
    with_consignees = models.BooleanField(default=False)
    figures_at = models.DateTimeField()
    figures = models.JSONField()
    figures_digest = models.CharField(max_length=64)

    client_fields = ("notice", "means", "language", "to", "with_consignees", "figures_at")
    FORMS = {1: (*BASE_1, *client_fields, "figures", "figures_digest")}
    confidential = frozenset({"to"})

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.CheckConstraint(
                name="a_reply_is_sent_anew_not_corrected", condition=Q(corrects__isnull=True)
            ),
            models.CheckConstraint(
                name="a_reply_goes_to_its_sender",
                condition=Q(means__in=[each for each in Means.values if each != Means.PUBLIC]),
            ),
            models.CheckConstraint(
                name="figures_are_of_before_the_reply", condition=Q(figures_at__lte=F("recorded_at"))
            ),
        ]
