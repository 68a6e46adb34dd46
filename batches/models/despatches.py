"""What suppliers told of goods that are on their way, and what became of it."""

from django.db import models
from django.db.models import Q

from batches.models.lots import Movement
from batches.models.places import TradingPartner
from ledger.models import BASE_1, Record


class ProposedReceipt(Record):
    """One line of a supplier's despatch, word for word, as a receipt that somebody may confirm. It moves nothing.

    ``line_key``: what the line is known by in every file of that supplier, so that the same despatch twice proposes
    nothing twice; the record's id follows from it. ``spot``: line of a table, or JSON pointer. ``said``: as it stood there.
    """

    kind = "batches.proposed-receipt"
    counted_in = "what was proposed already"

    supplier = models.ForeignKey(TradingPartner, models.PROTECT, related_name="proposed_receipts")
    line_key = models.CharField(max_length=64)  # SHA-256
    file = models.CharField(max_length=200)
    file_sha256 = models.CharField(max_length=64)
    spot = models.CharField(max_length=200)
    said = models.JSONField()

    own_fields = ("supplier", "line_key", "file", "file_sha256", "spot", "said")
    client_fields = ("supplier", "line_key", "said")
    FORMS = {1: BASE_1 + own_fields}

    class Meta(Record.Meta):
        indexes = [*Record.Meta.indexes, models.Index(fields=["establishment", "file_sha256"])]
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(
                name="a_line_is_proposed_once", fields=["establishment", "supplier", "line_key"]
            ),
            models.CheckConstraint(
                name="a_proposal_is_answered_not_corrected", condition=Q(corrects__isnull=True)
            ),
        ]


class ProposalOutcome(models.TextChoices):
    CONFIRMED = "confirmed", "confirmed: the goods came"
    DECLINED = "declined", "declined"


class ProposalAnswer(Record):
    """Somebody said what became of a proposed receipt: the receipt that was recorded, or why there is none.

    ``number``: the how manieth answer; a further one follows only where the goods came after all, or the receipt was
    withdrawn. The last one counts.
    """

    kind = "batches.proposal-answer"
    counted_in = "what became of proposed receipts"

    proposal = models.ForeignKey(ProposedReceipt, models.PROTECT, related_name="answers")
    number = models.PositiveSmallIntegerField()
    outcome = models.CharField(max_length=9, choices=ProposalOutcome.choices)
    receipt = models.OneToOneField(
        Movement, models.PROTECT, null=True, blank=True, related_name="answers_proposal"
    )
    because = models.TextField(max_length=1000, blank=True)

    client_fields = ("proposal", "outcome", "receipt", "because")
    FORMS = {1: (*BASE_1, *client_fields, "number")}

    class Meta(Record.Meta):
        constraints = [
            *Record.Meta.constraints,
            models.UniqueConstraint(name="proposal_answers_are_numbered_once", fields=["proposal", "number"]),
            models.CheckConstraint(
                name="a_confirmed_proposal_has_its_receipt_a_declined_one_its_reason",
                condition=Q(outcome="confirmed", receipt__isnull=False)
                | (Q(outcome="declined", receipt__isnull=True) & ~Q(because="")),
            ),
            models.CheckConstraint(
                name="a_proposal_answer_is_not_corrected", condition=Q(corrects__isnull=True)
            ),
        ]
